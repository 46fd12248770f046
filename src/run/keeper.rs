//! The keeper: a second process that parks the bench if the runner dies or hangs.
//!
//! The runner starts it with a line of JSON on its standard input, the [`Charge`], and then sends a byte
//! every [`BEAT`] as long as the loop that drives the bench gives signs of life, so that a loop that hangs is noticed
//! as well as a process that is gone. A [`FAREWELL`] dismisses it. The keeper gives signs of life as well: one that is
//! gone or stopped is ended, and a new one is started. What the keeper does is in [`super::keeper_process`].

use super::stricter::stricter;
use crate::bench::{Bench, read};
use crate::drive::real_time::{BEAT, Outside, Pulse};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::mpsc::UnboundedSender;

/// The runner has parked, or has nothing to park.
pub const FAREWELL: u8 = b'q';
/// A sign of life, either way.
pub const ALIVE: u8 = b'.';
/// What the keeper says when it is ready.
const READY: &str = "ready";
/// Longest wait for the keeper to be ready.
const READY_WITHIN: Duration = Duration::from_secs(10);
/// Longest wait for a dismissed keeper to go.
const GONE_WITHIN: Duration = Duration::from_secs(2);
/// How often the keeper gives a sign of life, and how long the runner waits for one.
const KEEPER_BEAT: Duration = Duration::from_millis(200);
const KEEPER_PATIENCE: Duration = Duration::from_secs(2);
/// So many keepers may be lost within such a time; then something is wrong that a new one does not mend.
const MOST_LOST: usize = 3;
const LOST_WITHIN: Duration = Duration::from_secs(600);

/// What the keeper is told at its beginning.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Charge {
    /// Process number of the runner.
    pub runner: u32,
    /// The bench as it was read by the runner.
    pub bench_text: String,
    /// What its file said when the run was resumed, if that is something else: the stricter of both holds.
    pub present_text: Option<String>,
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

    /// The bench, held to what the runner is held to.
    ///
    /// # Errors
    /// One sentence, if it can't be read.
    pub fn bench(&self) -> Result<Bench, String> {
        let read = |text: &str| {
            read(text, &self.bench_name).map_err(|faults| format!("the bench has {} faults", faults.len()))
        };
        let (mut bench, _) = read(&self.bench_text)?;
        if let Some(text) = &self.present_text {
            stricter(&mut bench, &read(text)?.0);
        }
        Ok(bench)
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

/// The runner's side of a keeper, and of those that take its place.
#[derive(Debug)]
pub struct Keeper {
    dismissed: Arc<AtomicBool>,
    present: Arc<Mutex<Child>>,
    gone: Receiver<()>,
}

impl Keeper {
    /// Starts the keeper of a run and waits until it is ready. It hears of each new beat of `pulse`. If it goes or
    /// stops, a new one takes its place, and `words` hears of it.
    ///
    /// # Errors
    /// One sentence, if it does not come up.
    pub fn start(
        plan: KeeperPlan,
        run_folder: &Path,
        pulse: Pulse,
        words: UnboundedSender<Outside>,
    ) -> Result<Self, String> {
        let dismissed = Arc::new(AtomicBool::new(false));
        let (gone_sender, gone) = channel();
        let mut care = Care { plan, folder: run_folder.to_owned(), pulse, dismissed: Arc::clone(&dismissed) };
        let (child, signs) = care.start_one()?;
        let present = Arc::new(Mutex::new(child));
        let mine = Arc::clone(&present);
        std::thread::Builder::new()
            .name("keeper".to_owned())
            .spawn(move || {
                care.watch(&mine, signs, &words);
                let _ = gone_sender.send(());
            })
            .map_err(|error| format!("there is no memory left to look after the keeper: {error}"))?;
        Ok(Self { dismissed, present, gone })
    }

    /// Dismisses it: the bench is safe.
    pub fn dismiss(self) {
        self.dismissed.store(true, Ordering::Release);
        if self.gone.recv_timeout(GONE_WITHIN).is_err() {
            tracing::warn!("the keeper was dismissed and does not go; it is ended");
        }
        end(&self.present);
    }
}

/// Ends a keeper's process, if it has not ended.
fn end(child: &Mutex<Child>) {
    let mut child = child.lock().unwrap_or_else(PoisonError::into_inner);
    let _ = child.kill();
    let _ = child.wait();
}

/// Looks after keepers, in a thread of its own.
struct Care {
    plan: KeeperPlan,
    folder: PathBuf,
    pulse: Pulse,
    dismissed: Arc<AtomicBool>,
}

impl Care {
    /// Starts one and waits until it is ready; gives where its signs of life come in.
    fn start_one(&mut self) -> Result<(Child, Receiver<()>), String> {
        let mut child = Command::new(&self.plan.program)
            .arg("keeper")
            .arg("--run")
            .arg(&self.folder)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            // A group of its own: Ctrl-C in the runner's terminal is not for the keeper.
            .process_group(0)
            .spawn()
            .map_err(|error| format!("the keeper can't be started: {error}"))?;
        let signs = self.charge(&mut child);
        if signs.is_err() {
            let _ = child.kill();
            let _ = child.wait();
        }
        Ok((child, signs?))
    }

    fn charge(&self, child: &mut Child) -> Result<Receiver<()>, String> {
        let (Some(mut input), Some(output)) = (child.stdin.take(), child.stdout.take()) else {
            return Err("the keeper has no pipes".to_owned());
        };
        let charge = serde_json::to_string(&self.plan.charge).map_err(|error| error.to_string())?;
        writeln!(input, "{charge}")
            .map_err(|error| format!("the keeper does not take its instructions: {error}"))?;
        let (sign, signs) = channel();
        helper("signs of life", move || hear_signs(output, &sign))?;
        if signs.recv_timeout(READY_WITHIN).is_err() {
            return Err("the keeper did not get ready".to_owned());
        }
        let (pulse, dismissed) = (self.pulse.clone(), Arc::clone(&self.dismissed));
        helper("beats", move || write_beats(input, &pulse, &dismissed))?;
        Ok(signs)
    }

    /// Sees to it that there is a keeper until it is dismissed, or until no new one comes up.
    fn watch(&mut self, present: &Mutex<Child>, mut signs: Receiver<()>, words: &UnboundedSender<Outside>) {
        let mut lost: VecDeque<Instant> = VecDeque::new();
        loop {
            let stopped = heed(&signs);
            if self.dismissed.load(Ordering::Acquire) {
                return;
            }
            tracing::error!(stopped, "the keeper is lost");
            end(present);
            lost.push_back(Instant::now());
            lost.retain(|at| at.elapsed() < LOST_WITHIN);
            let new =
                if lost.len() < MOST_LOST { self.start_one() } else { Err("lost too often".to_owned()) };
            match new {
                Ok((child, new_signs)) => {
                    *present.lock().unwrap_or_else(PoisonError::into_inner) = child;
                    signs = new_signs;
                    let _ = words.send(Outside::KeeperReplaced);
                }
                Err(reason) => {
                    tracing::error!(reason, "there is no keeper any more");
                    let _ = words.send(Outside::KeeperLost);
                    return;
                }
            }
        }
    }
}

/// A thread that does little.
fn helper(name: &str, work: impl FnOnce() + Send + 'static) -> Result<(), String> {
    let made = std::thread::Builder::new().name(name.to_owned()).stack_size(256 << 10).spawn(work);
    made.map(drop).map_err(|error| format!("there is no memory left to look after the keeper: {error}"))
}

/// Takes in signs of life until there are none; gives whether the keeper is there all the same.
fn heed(signs: &Receiver<()>) -> bool {
    loop {
        match signs.recv_timeout(KEEPER_PATIENCE) {
            Ok(()) => {}
            Err(RecvTimeoutError::Disconnected) => return false,
            // If the whole computer was asleep, the keeper is only just waking up as well.
            Err(RecvTimeoutError::Timeout) => match signs.recv_timeout(2 * KEEPER_BEAT) {
                Ok(()) => {}
                Err(RecvTimeoutError::Disconnected) => return false,
                Err(RecvTimeoutError::Timeout) => return true,
            },
        }
    }
}

/// First that it is ready, then every sign of life; the end of this is the keeper's own end.
fn hear_signs(output: ChildStdout, sign: &Sender<()>) {
    let mut output = BufReader::new(output);
    let mut line = String::new();
    if output.read_line(&mut line).is_err() || line.trim() != READY || sign.send(()).is_err() {
        return;
    }
    let mut bytes = [0_u8; 64];
    while output.read(&mut bytes).is_ok_and(|count| count > 0) {
        if sign.send(()).is_err() {
            return;
        }
    }
}

/// Writing may wait if the keeper hangs, so it has a thread of its own.
fn write_beats(mut input: ChildStdin, pulse: &Pulse, dismissed: &AtomicBool) {
    let mut told = pulse.count();
    // The loop has not begun yet when the keeper is ready.
    let mut byte = Some(ALIVE);
    loop {
        if dismissed.load(Ordering::Acquire) {
            let _ = input.write_all(&[FAREWELL]);
            return;
        }
        if byte.is_some_and(|byte| input.write_all(&[byte]).is_err()) {
            return;
        }
        std::thread::sleep(BEAT);
        let count = pulse.count();
        byte = (count != told).then_some(ALIVE);
        told = count;
    }
}

/// Says that the keeper is ready.
pub(super) fn say_ready() {
    println!("{READY}");
    let _ = std::io::stdout().flush();
    std::thread::spawn(sign_life);
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

/// Gives the runner signs of life as long as it reads them.
fn sign_life() {
    let mut out = std::io::stdout();
    while out.write_all(&[ALIVE]).and_then(|()| out.flush()).is_ok() {
        std::thread::sleep(KEEPER_BEAT);
    }
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
        use RecvTimeoutError::{Disconnected, Timeout};
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

    fn heard(bytes: &'static [u8]) -> Left {
        listen(bytes, Duration::from_millis(300))
    }

    #[test]
    fn a_keeper_is_held_to_the_stricter_of_the_recorded_and_the_present_bench() {
        let recorded = crate::bench::builtin_text();
        let present = recorded.replacen("slew: \"200 mV/s\"", "slew: \"50 mV/s\"", 1);
        let charge = |recorded: &str, present: &str| Charge {
            runner: 0,
            bench_text: recorded.to_owned(),
            present_text: Some(present.to_owned()),
            bench_name: "bench.ron".to_owned(),
            bench_folder: PathBuf::new(),
            pace: 1.0,
        };
        for charge in [charge(recorded, &present), charge(&present, recorded)] {
            let bench = charge.bench().unwrap();
            let bias = bench.by_role(crate::bench::Role::Bias).unwrap();
            assert_eq!(bench.channel(bias).slew_per_s, 0.05);
        }
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
