//! Printing that outlives its reader, and waits for a slow one only so long.
//!
//! The standard macros panic when the terminal is gone or whoever reads the pipe has stopped reading, and wait for ever
//! where a terminal was stopped by Ctrl-S. A measurement must not end because somebody closed a window, nor a listing
//! because `head` had enough. In this crate, macros of the same names leave unsaid what nobody can hear.

use std::io::Write;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, channel, sync_channel};
use std::time::Duration;

/// Longest wait for somebody to read what was said.
pub(crate) const PATIENCE: Duration = Duration::from_secs(5);
/// Words that may wait for their reader; more are left unsaid.
const MOST_WAITING: usize = 1024;

/// Prints a line to standard output, as long as somebody reads it.
macro_rules! println {
    ($($arg:tt)*) => {{
        use std::io::Write as _;
        let _ = writeln!(std::io::stdout(), $($arg)*);
    }};
}

/// Prints a line to standard error, as long as somebody reads it.
macro_rules! eprintln {
    ($($arg:tt)*) => { $crate::output::words(format!("{}\n", format_args!($($arg)*)).into_bytes(), true) };
}

/// Prints to standard error, as long as somebody reads it.
macro_rules! eprint {
    ($($arg:tt)*) => { $crate::output::words(format!($($arg)*).into_bytes(), true) };
}

type Said = (Vec<u8>, Option<SyncSender<()>>);

/// Whether somebody was waited for in vain, and has read nothing since.
static STALLED: AtomicBool = AtomicBool::new(false);

/// Words for standard error, written by a thread of their own. `wait`: until they are out, but no longer than
/// [`PATIENCE`], and not at all where the reader stalls already.
pub(crate) fn words(text: Vec<u8>, wait: bool) {
    static WRITER: OnceLock<Option<SyncSender<Said>>> = OnceLock::new();
    let writer = WRITER.get_or_init(|| {
        let (sender, said) = sync_channel(MOST_WAITING);
        let made = std::thread::Builder::new().name("words".to_owned()).spawn(move || write(&said));
        made.is_ok().then_some(sender)
    });
    let Some(writer) = writer else {
        let _ = std::io::stderr().write_all(&text);
        return;
    };
    let (done, written) = sync_channel(1);
    let sent = writer.try_send((text, wait.then_some(done))).is_ok();
    if wait && sent && !STALLED.load(Ordering::Acquire) && written.recv_timeout(PATIENCE).is_err() {
        STALLED.store(true, Ordering::Release);
    }
}

fn write(said: &Receiver<Said>) {
    for (text, done) in said {
        let _ = std::io::stderr().write_all(&text);
        STALLED.store(false, Ordering::Release);
        if let Some(done) = done {
            // Whoever waited may have lost patience.
            let _ = done.try_send(());
        }
    }
}

/// Data for standard output at the end of something that must end: waits for the reader for so long.
pub(crate) fn data_within(patience: Duration, text: String) {
    let (done, written) = channel();
    let made = std::thread::Builder::new().name("data".to_owned()).spawn(move || {
        println!("{text}");
        let _ = done.send(());
    });
    if made.is_ok() {
        let _ = written.recv_timeout(patience);
    }
}

/// Standard error for those who never wait: the log.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Unwaiting;

impl Write for Unwaiting {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        words(bytes.to_vec(), false);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}
