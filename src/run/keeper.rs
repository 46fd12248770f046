//! The keeper: a second process that parks the bench if the runner dies or hangs.
//!
//! The runner starts it with a line of JSON on its standard input, the [`Charge`], and then sends a byte
//! every [`BEAT`] out of the loop that drives the bench, so that a loop that hangs is noticed as well as a
//! process that is gone. A [`FAREWELL`] dismisses it. What the keeper does is in [`super::keeping`].

use crate::bench::Bench;
use crate::drive::wall::{BEAT, Outside};
use serde::{Deserialize, Serialize};
use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, channel, sync_channel};
use std::time::{Duration, Instant};
use tokio::sync::mpsc::UnboundedSender;

/// The runner has parked, or has nothing to park.
pub const FAREWELL: u8 = b'q';
/// What the keeper says when it is ready.
const READY: &str = "ready";
/// Longest wait for the keeper to be ready.
const READY_WITHIN: Duration = Duration::from_secs(10);
/// Longest wait for a dismissed keeper to go.
const GONE_WITHIN: Duration = Duration::from_secs(2);

/// What the keeper is told at its beginning.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Charge {
    /// Process number of the runner.
    pub runner: u32,
    /// The bench as it was read by the runner.
    pub bench_text: String,
    /// Its name in messages.
    pub bench_name: String,
    /// Folder that paths in the bench are relative to.
    pub bench_folder: PathBuf,
    /// Seconds of the run in one real second.
    pub pace: f64,
}

impl Charge {
    /// Reads the charge that a runner sends.
    ///
    /// # Errors
    /// One sentence, if it is none.
    pub fn read(input: &mut impl BufRead) -> Result<Self, String> {
        let mut line = String::new();
        input.read_line(&mut line).map_err(|error| format!("the runner says nothing: {error}"))?;
        serde_json::from_str(&line).map_err(|error| format!("the runner's charge can't be read: {error}"))
    }
}

/// Whether a bench has anything that outlives the runner: a microscope simulated in the runner's own
/// process ends with it.
pub fn is_needed(bench: &Bench) -> bool {
    !bench.is_simulated()
}

/// How a keeper is started.
#[derive(Debug, Clone)]
pub struct KeeperPlan {
    /// The program.
    pub program: PathBuf,
    /// What it is told.
    pub charge: Charge,
}

/// The runner's side of a keeper.
#[derive(Debug)]
pub struct Keeper {
    child: Child,
    beats: Option<SyncSender<u8>>,
    dismissed: Arc<AtomicBool>,
    gone: Receiver<()>,
}

impl Keeper {
    /// Starts the keeper of a run and waits until it is ready. If it goes, `words` hears of it.
    ///
    /// # Errors
    /// One sentence, if it does not come up.
    pub fn start(
        plan: &KeeperPlan,
        run_folder: &Path,
        words: UnboundedSender<Outside>,
    ) -> Result<Self, String> {
        let mut child = Command::new(&plan.program)
            .arg("keeper")
            .arg("--run")
            .arg(run_folder)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            // A group of its own: Ctrl-C in the runner's terminal is not for the keeper.
            .process_group(0)
            .spawn()
            .map_err(|error| format!("the keeper can't be started: {error}"))?;
        let (Some(mut input), Some(output)) = (child.stdin.take(), child.stdout.take()) else {
            return Err("the keeper has no pipes".to_owned());
        };
        let charge = serde_json::to_string(&plan.charge).map_err(|error| error.to_string())?;
        writeln!(input, "{charge}").map_err(|error| format!("the keeper takes no charge: {error}"))?;
        let (ready_sender, ready) = channel();
        let (gone_sender, gone) = channel();
        let dismissed = Arc::new(AtomicBool::new(false));
        let expected = Arc::clone(&dismissed);
        std::thread::spawn(move || {
            let mut output = BufReader::new(output);
            let mut line = String::new();
            if output.read_line(&mut line).is_ok() && line.trim() == READY {
                let _ = ready_sender.send(());
            }
            drop(ready_sender);
            // It says nothing more, so the end of this is its own end.
            let _ = output.read_to_end(&mut Vec::new());
            if !expected.load(Ordering::Acquire) {
                let _ = words.send(Outside::KeeperLost);
            }
            let _ = gone_sender.send(());
        });
        if ready.recv_timeout(READY_WITHIN).is_err() {
            let _ = child.kill();
            let _ = child.wait();
            return Err("the keeper did not get ready".to_owned());
        }
        let (beats, due) = sync_channel(8);
        std::thread::spawn(move || write_beats(input, &due));
        Ok(Self { child, beats: Some(beats), dismissed, gone })
    }

    /// What the loop calls at every beat. It never waits.
    pub fn beats(&self) -> Option<SyncSender<u8>> {
        self.beats.clone()
    }

    /// Dismisses it: the bench is safe.
    pub fn dismiss(mut self) {
        self.dismissed.store(true, Ordering::Release);
        if let Some(beats) = self.beats.take() {
            let _ = beats.send(FAREWELL);
        }
        if self.gone.recv_timeout(GONE_WITHIN).is_err() {
            tracing::warn!("the keeper was dismissed and does not go; it is ended");
            let _ = self.child.kill();
        }
        let _ = self.child.wait();
    }
}

/// Writing may wait if the keeper hangs, so it has a thread of its own.
fn write_beats(mut input: ChildStdin, due: &Receiver<u8>) {
    while let Ok(byte) = due.recv() {
        if input.write_all(&[byte]).is_err() || byte == FAREWELL {
            return;
        }
    }
}

/// Says that the keeper is ready.
pub(super) fn say_ready() {
    println!("{READY}");
    let _ = std::io::stdout().flush();
}

/// How the runner left the keeper's watch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Left {
    /// It said farewell.
    Dismissed,
    /// Its process is gone.
    Gone,
    /// It gave no sign of life for too long.
    Hung,
}

/// Listens to the runner until it leaves.
pub fn listen(input: impl Read + Send + 'static, patience: Duration) -> Left {
    let (sender, heard) = channel();
    std::thread::spawn(move || {
        let mut input = input;
        let mut bytes = [0_u8; 256];
        loop {
            match input.read(&mut bytes) {
                Ok(0) | Err(_) => return,
                Ok(count) => {
                    if sender.send(bytes[..count].contains(&FAREWELL)).is_err() {
                        return;
                    }
                }
            }
        }
    });
    let patience = patience.max(3 * BEAT);
    let mut last = Instant::now();
    loop {
        use std::sync::mpsc::RecvTimeoutError::{Disconnected, Timeout};
        match heard.recv_timeout(patience.saturating_sub(last.elapsed())) {
            Ok(true) => return Left::Dismissed,
            Ok(false) => last = Instant::now(),
            Err(Disconnected) => return Left::Gone,
            Err(Timeout) => {
                // If the whole computer was asleep, the runner is only just waking up as well.
                match heard.recv_timeout(2 * BEAT) {
                    Ok(true) => return Left::Dismissed,
                    Ok(false) => last = Instant::now(),
                    Err(Disconnected) => return Left::Gone,
                    Err(Timeout) => return Left::Hung,
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drive::wall::ALIVE;

    fn heard(bytes: &'static [u8]) -> Left {
        listen(bytes, Duration::from_millis(300))
    }

    #[test]
    fn a_farewell_dismisses_and_an_end_without_one_does_not() {
        assert_eq!(heard(b"...q"), Left::Dismissed);
        assert_eq!(heard(b"...."), Left::Gone);
        assert_eq!(heard(b""), Left::Gone);
    }

    #[test]
    fn silence_is_a_hang_and_beats_are_not() {
        let (reader, mut writer) = std::io::pipe().unwrap();
        let beating = std::thread::spawn(move || {
            for _ in 0..8 {
                writer.write_all(&[ALIVE]).unwrap();
                std::thread::sleep(BEAT);
            }
            std::thread::sleep(Duration::from_secs(2));
        });
        let began = Instant::now();
        assert_eq!(listen(reader, Duration::from_millis(300)), Left::Hung);
        assert!(began.elapsed() > 8 * BEAT);
        beating.join().unwrap();
    }
}
