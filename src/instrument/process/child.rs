//! The process itself, with a thread for each of its three ends.
//!
//! A program that hangs neither reads nor writes. So nothing here waits for a pipe: requests
//! go through a thread that writes, replies come from one that reads.

use crate::instrument::ErrorKind;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{ChildStdin, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::thread;
use std::time::{Duration, Instant};

/// Requests that may wait for a program which does not read.
const REQUESTS_WAITING: usize = 32;
/// Lines that may wait here; beyond, the program is not read.
const LINES_WAITING: usize = 64;
/// Longest ordinary line, bytes.
const LONGEST_LINE: usize = 256 * 1024;
/// Room for one number of a long line with its comma, bytes.
const NUMBER_BYTES: usize = 32;
/// Time that a program has to end by itself after its input was closed.
const GRACE: Duration = Duration::from_millis(300);

/// What went wrong with the process.
#[derive(Debug)]
pub(super) struct Fault {
    pub(super) kind: ErrorKind,
    pub(super) message: String,
    /// The process is of no use any more.
    pub(super) fatal: bool,
}

enum Heard {
    Line(String),
    NoText,
    TooLong,
}

/// A running driver process. Dropping it closes its input, and ends it if it does not end by itself.
#[derive(Debug)]
pub(super) struct Child {
    process: std::process::Child,
    requests: Option<SyncSender<Vec<u8>>>,
    lines: Receiver<Heard>,
    longest: Arc<AtomicUsize>,
}

impl std::fmt::Debug for Heard {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Heard")
    }
}

impl Child {
    pub(super) fn start(name: &str, command: &[String], folder: &Path) -> Result<Self, String> {
        let Some((program, arguments)) = command.split_first().filter(|(program, _)| !program.is_empty())
        else {
            return Err("its command is empty".to_owned());
        };
        // A bare name is looked up in PATH; anything with a slash is relative to the bench file.
        let relative = program.contains('/') && Path::new(program).is_relative();
        let path = if relative {
            let path = folder.join(program);
            path.canonicalize().map_err(|error| format!("`{}` can't be started: {error}", path.display()))?
        } else {
            program.into()
        };
        let mut process = Command::new(&path)
            .args(arguments)
            .current_dir(folder)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(|error| format!("`{program}` can't be started: {error}"))?;
        let ends = (process.stdin.take(), process.stdout.take(), process.stderr.take());
        let (Some(stdin), Some(stdout), Some(stderr)) = ends else {
            return Err(format!("`{program}` has no pipes"));
        };
        let longest = Arc::new(AtomicUsize::new(LONGEST_LINE));
        let (requests, to_write) = sync_channel(REQUESTS_WAITING);
        let (to_hear, lines) = sync_channel(LINES_WAITING);
        let limit = Arc::clone(&longest);
        thread::spawn(move || write_requests(stdin, &to_write));
        thread::spawn(move || read_lines(stdout, &to_hear, &limit));
        let name = name.to_owned();
        thread::spawn(move || log_errors(stderr, &name));
        Ok(Self { process, requests: Some(requests), lines, longest })
    }

    pub(super) fn has_ended(&mut self) -> bool {
        !matches!(self.process.try_wait(), Ok(None))
    }

    /// Hands over a request; false if the program does not take it.
    pub(super) fn send(&mut self, request: Vec<u8>) -> bool {
        match self.requests.as_ref().map(|requests| requests.try_send(request)) {
            // That it has ended shows when its answer is waited for.
            Some(Ok(()) | Err(TrySendError::Disconnected(_))) => true,
            Some(Err(TrySendError::Full(_))) | None => false,
        }
    }

    pub(super) fn receive(&mut self, wait: Duration) -> Result<String, Fault> {
        let fault = |kind, message: &str, fatal| Fault { kind, message: message.to_owned(), fatal };
        match self.lines.recv_timeout(wait) {
            Ok(Heard::Line(line)) => Ok(line),
            Ok(Heard::NoText) => {
                self.forget();
                Err(fault(ErrorKind::Garbled, "a line came that is no text", false))
            }
            Ok(Heard::TooLong) => Err(fault(ErrorKind::Garbled, "a line came without an end", true)),
            Err(RecvTimeoutError::Timeout) => Err(fault(ErrorKind::TimedOut, "no answer in time", false)),
            Err(RecvTimeoutError::Disconnected) => {
                let status = self.process.try_wait().ok().flatten();
                let how = status.map(|status| format!(" ({status})")).unwrap_or_default();
                Err(fault(ErrorKind::Absent, &format!("the driver process has ended{how}"), true))
            }
        }
    }

    /// Drops every line that lies here.
    pub(super) fn forget(&mut self) {
        while self.lines.try_recv().is_ok() {}
    }

    /// Makes room for a reply with so many numbers.
    pub(super) fn expect_numbers(&mut self, numbers: usize) {
        let room = numbers.saturating_mul(NUMBER_BYTES).saturating_add(LONGEST_LINE);
        self.longest.store(room, Ordering::Relaxed);
    }
}

impl Drop for Child {
    fn drop(&mut self) {
        // Closes the program's input through the writing thread.
        self.requests = None;
        let until = Instant::now() + GRACE;
        while Instant::now() < until {
            if self.has_ended() {
                return;
            }
            thread::sleep(Duration::from_millis(5));
        }
        if let Err(error) = self.process.kill().and_then(|()| self.process.wait().map(|_| ())) {
            tracing::warn!(%error, "a driver process could not be ended");
        }
    }
}

fn write_requests(mut stdin: ChildStdin, requests: &Receiver<Vec<u8>>) {
    while let Ok(request) = requests.recv() {
        if stdin.write_all(&request).and_then(|()| stdin.flush()).is_err() {
            return;
        }
    }
}

fn read_lines(stdout: impl Read, lines: &SyncSender<Heard>, longest: &AtomicUsize) {
    let mut stdout = BufReader::new(stdout);
    let mut line = Vec::new();
    loop {
        let (taken, ended) = match stdout.fill_buf() {
            // A program that ends in the middle of a line has said nothing.
            Ok([]) | Err(_) => return,
            Ok(bytes) => {
                let end = bytes.iter().position(|byte| *byte == b'\n');
                let taken = end.map_or(bytes.len(), |at| at + 1);
                line.extend_from_slice(&bytes[..taken]);
                (taken, end.is_some())
            }
        };
        stdout.consume(taken);
        // The limit may grow while a line is waited for, so it is looked at here.
        if line.len() > longest.load(Ordering::Relaxed) {
            let _gone = lines.send(Heard::TooLong);
            return;
        }
        if ended {
            let heard = match String::from_utf8(std::mem::take(&mut line)) {
                Ok(text) => Heard::Line(text.trim().to_owned()),
                Err(_) => Heard::NoText,
            };
            if lines.send(heard).is_err() {
                return;
            }
        }
    }
}

fn log_errors(stderr: impl Read, name: &str) {
    let mut stderr = BufReader::new(stderr);
    loop {
        let mut bytes = Vec::new();
        match stderr.by_ref().take(4096).read_until(b'\n', &mut bytes) {
            Ok(0) | Err(_) => return,
            Ok(_) => {
                let text = String::from_utf8_lossy(&bytes);
                tracing::info!(link = %name, text = %super::protocol::shorten(text.trim_end()), "driver process");
            }
        }
    }
}
