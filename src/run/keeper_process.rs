//! What the keeper process does: listen, and park when the runner is gone.

use super::keeper::{Charge, Left, listen, say_ready};
use super::{RunFolder, lock, paced};
use crate::bench::Bench;
use crate::drive::connect::open_all;
use crate::drive::real_time::{
    Clock, FromRecord, Inlets, Links, MakeInstrument, Parts, Pulse, RealTimeDrive, Recording, ScriptOver,
    StopFlag, control,
};
use crate::drive::virtual_time::Observer;
use crate::instrument::Instrument;
use crate::quantity::TimePoint;
use crate::record::{Durability, Entry, Outcome, Place, RecordError, Recorder, RunFile, Store};
use crate::supervisor::Start;
use serde_json::json;
use std::cell::RefCell;
use std::io::BufReader;
use std::path::Path;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::mpsc::channel;
use std::time::Duration;
use tokio::sync::mpsc::unbounded_channel;

/// Name of the file that says what the keeper did where the run file can't be written.
pub const KEEPER_FILE_NAME: &str = "keeper.json";
/// Longest wait for a run that was killed to let go of the bench.
const LET_GO_WITHIN: Duration = Duration::from_secs(1);

/// Keeps watch over the run in a folder until the runner leaves. Returns whether all is well.
///
/// # Errors
/// One sentence, if it can't keep watch, or could not park.
pub fn keep(run_folder: &Path) -> Result<(), String> {
    super::signals::keeper_is_deaf().map_err(|error| format!("signals can't be heard: {error}"))?;
    let mut input = BufReader::new(std::io::stdin());
    let charge = Charge::read(&mut input)?;
    let bench = charge.bench()?;
    // Looking up names may take a while, and nothing must when the runner is gone.
    let instruments = lock::Instruments::of(&bench, &charge.bench_folder);
    say_ready();
    let left = listen(input, Duration::from_millis(bench.keeper.patience_ms));
    let reason = match left {
        Left::Dismissed => return Ok(()),
        Left::Gone => "the runner was gone; the keeper parked the bench",
        Left::Hung => {
            end_runner(charge.runner);
            "the runner gave no sign of life; the keeper ended it and parked the bench"
        }
    };
    tracing::error!(reason, "taking over");
    // Whoever holds the bench now has begun after the runner was gone, and drives it.
    let me = lock::Holder::me(lock::Role::Keeper, &run_folder.display().to_string());
    let Some(_lock) = take_lock(&instruments, &me) else {
        return Err("another run holds the bench, so the keeper leaves it alone".to_owned());
    };
    park(&bench, &charge, run_folder, reason)
}

/// A runner that hangs could wake up and go on; there must be one who drives the bench.
fn end_runner(runner: u32) {
    let ended = std::process::Command::new("kill").args(["-KILL", &runner.to_string()]).status();
    if !ended.as_ref().is_ok_and(|status| status.success()) {
        tracing::error!(runner, ?ended, "the runner could not be ended");
    }
}

fn take_lock(instruments: &lock::Instruments, me: &lock::Holder) -> Option<lock::Lock> {
    let began = std::time::Instant::now();
    loop {
        match lock::take(instruments, me) {
            Ok(lock) => return Some(lock),
            Err(reason) if began.elapsed() > LET_GO_WITHIN => {
                tracing::error!(%reason);
                return None;
            }
            Err(_) => std::thread::sleep(Duration::from_millis(20)),
        }
    }
}

/// What was done, for the file beside the run file.
#[derive(Debug, Default)]
struct Seen(Rc<RefCell<Vec<(TimePoint, Entry)>>>);

impl Observer for Seen {
    fn entry(&mut self, at: TimePoint, entry: &Entry) {
        self.0.borrow_mut().push((at, entry.clone()));
    }
}

fn park(bench: &Bench, charge: &Charge, run_folder: &Path, reason: &str) -> Result<(), String> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| format!("the event loop can't be made: {error}"))?;
    let instruments = open_all(bench, &charge.bench_folder, 0)?;
    let file = RunFolder { path: run_folder.to_owned() }.run_file();
    let (seq, at) =
        RunFile::open(&file).and_then(|file| Ok((file.next_seq()?, file.last_moment()?))).unwrap_or_default();
    let seen = Seen::default();
    let entries = Rc::clone(&seen.0);
    let failed = runtime.block_on(drive(
        paced(bench, charge.pace),
        charge.pace,
        instruments,
        (seq, at),
        &file,
        seen,
        reason,
    ));
    let parked = entries.borrow().iter().any(|(_, e)| matches!(e, Entry::End { parked: true, .. }));
    tracing::info!(parked, ?failed, "done");
    if let Some(failed) = failed {
        let entries: Vec<_> =
            entries.borrow().iter().map(|(at, entry)| json!({ "at_s": at.s(), "entry": entry })).collect();
        let told = json!({ "reason": reason, "run_file": failed, "parked": parked, "entries": entries });
        let text = serde_json::to_string_pretty(&told).map_err(|error| error.to_string())?;
        std::fs::write(run_folder.join(KEEPER_FILE_NAME), text)
            .map_err(|error| format!("what was done can't be written anywhere: {error}"))?;
    }
    if parked { Ok(()) } else { Err("parking was not complete".to_owned()) }
}

/// Parks, recording into the run file; returns why it could not be written, if it couldn't.
async fn drive(
    bench: Arc<Bench>,
    pace: f64,
    instruments: Vec<Box<dyn Instrument + Send>>,
    (seq, at): (u64, TimePoint),
    run_file: &Path,
    seen: Seen,
    reason: &str,
) -> Option<String> {
    let (_calls, calls) = unbounded_channel();
    let (answer_sender, answers) = unbounded_channel();
    let (news_sender, record) = unbounded_channel::<FromRecord>();
    let (_over, script) = unbounded_channel();
    let (words, outside) = unbounded_channel();
    let (replies, _replies) = channel();
    let makers: Vec<MakeInstrument> = instruments
        .into_iter()
        .map(|instrument| Box::new(move || -> Box<dyn Instrument> { instrument }) as MakeInstrument)
        .collect();
    let links = match Links::start(&bench, makers, &answer_sender, None) {
        Ok(links) => links,
        Err(reason) => return Some(reason),
    };
    let path = run_file.to_owned();
    let make = Box::new(move || -> Result<Box<dyn Recorder>, RecordError> {
        Ok(Box::new(Store::reopen(&path, Durability::PowerCut, false)?))
    });
    // As long as it is not safe, a person can say here that they have seen to it.
    let _listening = run_file.parent().and_then(|folder| control::listen(folder, words).ok());
    // The runner may have left a task running, and nothing else begins before it has ended.
    let start = Start { seq, now: at, foreign_task: bench.task_link.is_some(), ..Start::default() };
    let parts = Parts {
        bench,
        start,
        clock: Clock::start(at, pace),
        links,
        recording: Recording::start(make, news_sender),
        replies,
        stop: Arc::new(StopFlag::default()),
        observer: Box::new(seen),
        pulse: Pulse::default(),
    };
    let mut drive = RealTimeDrive::new(parts);
    drive.end_now(ScriptOver { outcome: Outcome::Fault, reason: reason.to_owned(), place: Place::default() });
    let mut inlets = Inlets { calls, answers, record, script, outside };
    drive.work(&mut inlets).await;
    drive.finish(&mut inlets).await;
    drive.record_failed
}
