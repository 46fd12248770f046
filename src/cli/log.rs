//! The log of a run, written by a thread of its own: a slow disk must not hold up whoever has something to say.

use std::fs::File;
use std::io::{self, Write};
use std::sync::Mutex;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, channel, sync_channel};
use std::time::Duration;
use tracing_subscriber::fmt::MakeWriter;

/// Lines that may wait for the disk; more are dropped.
const WAITING_AT_MOST: usize = 4096;
/// How long the end of the program waits for the last lines.
const LAST_LINES: Duration = Duration::from_secs(2);

/// Where the lines go, once a log is kept.
static LINES: Mutex<Option<SyncSender<Item>>> = Mutex::new(None);

#[derive(Debug)]
enum Item {
    Line(Vec<u8>),
    /// Everything before this is in the file.
    Flush(std::sync::mpsc::Sender<()>),
}

/// Makes lines for the file.
#[derive(Debug, Clone)]
pub(super) struct Behind(SyncSender<Item>);

/// Starts the thread that writes to this file.
pub(super) fn behind(file: File) -> io::Result<Behind> {
    let (sender, items) = sync_channel(WAITING_AT_MOST);
    std::thread::Builder::new().name("log".to_owned()).spawn(move || write(file, &items))?;
    *LINES.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = Some(sender.clone());
    Ok(Behind(sender))
}

fn write(mut file: File, items: &Receiver<Item>) {
    for item in items {
        match item {
            // A log that can't be written must not end a run.
            Item::Line(line) => drop(file.write_all(&line)),
            Item::Flush(done) => drop(done.send(())),
        }
    }
}

/// Waits until the last lines are in the file, but not for ever.
pub(super) fn finish() {
    let sender = LINES.lock().unwrap_or_else(std::sync::PoisonError::into_inner).take();
    let Some(sender) = sender else { return };
    let (done, heard) = channel();
    if sender.try_send(Item::Flush(done)).is_ok() {
        let _ = heard.recv_timeout(LAST_LINES);
    }
}

impl Write for Behind {
    fn write(&mut self, line: &[u8]) -> io::Result<usize> {
        match self.0.try_send(Item::Line(line.to_vec())) {
            // Nothing waits for a log, whatever is lost of it.
            Ok(()) | Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) => Ok(line.len()),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl<'w> MakeWriter<'w> for Behind {
    type Writer = Self;

    fn make_writer(&'w self) -> Self {
        self.clone()
    }
}
