//! A measurement from its first entry to its digest, on real instruments or on a mimic.

use super::keeper::{Keeper, KeeperPlan};
use super::summary::Summary;
use crate::bench::Bench;
use crate::drive::connect::open_all;
use crate::drive::oracle::Oracle;
use crate::drive::real_time::{
    Clock, FromRecord, Inlets, Links, MakeInstrument, Outside, Parts, Pulse, RealTimeDrive, RealTimePort,
    Recording, ScriptOver, StopFlag, WireLog, control,
};
use crate::drive::replay::{GoLive, ReplayPort, ReplayStop, TreatAs};
use crate::drive::virtual_time::Observer;
use crate::drive::{Port, RunTally};
use crate::instrument::Instrument;
use crate::quantity::TimePoint;
use crate::record::{Beforehand, Ending, Entry, Outcome, Place, RecordError, Recorder, RunFile};
use crate::script::{self, ScriptEnd, Sequence};
use crate::supervisor::{Call, Start};
use std::cell::RefCell;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::mpsc::channel;
use std::time::Duration;
use tokio::sync::mpsc::{UnboundedSender, unbounded_channel};
use tokio::sync::oneshot;

/// Stack of the script's thread: deep recursion must end with a message, not with the process.
const SCRIPT_STACK: usize = 8 << 20;

/// How long a slow disk is waited for before anything is sent; less than what a keeper takes for the end of its runner.
const INTRODUCTION_PATIENCE: Duration = Duration::from_millis(500);

/// What a measurement needs.
pub struct Measurement {
    /// The sequence.
    pub sequence: Sequence,
    /// The bench.
    pub bench: Arc<Bench>,
    /// Folder that paths of the bench are relative to.
    pub bench_folder: PathBuf,
    /// Seed of the sequence's random numbers, and of a simulated link.
    pub seed: u64,
    /// Seconds of the run in one real second; above 1 only on simulations.
    pub pace: f64,
    /// End of the window.
    pub window: Option<TimePoint>,
    /// What is known before it begins.
    pub beforehand: Beforehand,
    /// Entries to begin with.
    pub introduction: Vec<Entry>,
    /// Folder of the run, for the control socket.
    pub folder: PathBuf,
    /// A record to take up again.
    pub resumed: Option<Resumed>,
    /// The process that parks the bench if this one dies; none where nothing outlives it.
    pub keeper: Option<KeeperPlan>,
}

/// A record that is resumed.
pub struct Resumed {
    /// The run file, for reading.
    pub file: RunFile,
    /// What an operator says about a task of unknown outcome.
    pub treat_as: Option<TreatAs>,
    /// Number of the next row.
    pub seq: u64,
    /// The last moment of the record.
    pub at: TimePoint,
    /// What the record adds up to so far.
    pub tally: RunTally,
}

/// A measurement that has come to its end.
#[derive(Debug)]
pub struct Measured {
    /// What it adds up to.
    pub tally: RunTally,
    /// The independent look at every command.
    pub oracle: Oracle,
    /// Digest of the record.
    pub digest: Option<String>,
    /// Why the record failed, if it did.
    pub record_failed: Option<String>,
    /// Why a replay stopped before anything moved.
    pub replay_stop: Option<ReplayStop>,
    /// Who looked on. Whoever has time may wait for the last that they have to tell.
    pub observers: Observers,
}

/// Who looked on at a run that is over.
#[derive(Default)]
pub struct Observers(Option<Box<dyn Observer>>);

impl std::fmt::Debug for Observers {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_tuple("Observers").field(&self.0.is_some()).finish()
    }
}

impl Observers {
    /// The terminal is wanted for the report.
    pub fn leave_terminal(&mut self) {
        if let Some(observer) = &mut self.0 {
            observer.leave_terminal();
        }
    }
}

impl Measured {
    /// The closing report.
    pub fn summary(&self) -> Summary {
        let mut summary = Summary::new(&self.tally, &self.oracle, self.digest.clone());
        summary.elapsed_s = summary.virtual_s.take();
        // What is not in a record to its end is not finished, whatever the sequence says.
        if let (Some(reason), Outcome::Finished) = (&self.record_failed, summary.outcome) {
            summary.outcome = Outcome::Fault;
            summary.reason = format!("the run file could not be closed: {reason}");
        }
        summary
    }
}

/// Opens the run file within the recording thread.
pub type MakeRecorder = Box<dyn FnOnce() -> Result<Box<dyn Recorder>, RecordError> + Send>;

/// Why a measurement does not begin. Nothing has moved.
#[derive(Debug, thiserror::Error)]
pub enum NotBegun {
    /// An instrument is not there, or not the one it should be.
    #[error("{0}")]
    Instrument(String),
    /// Nobody would park the bench if this process died.
    #[error("{0}")]
    Keeper(String),
    /// The engine room could not be set up.
    #[error("{0}")]
    Internal(String),
}

/// Identifies every instrument; with a pace above 1 all of them must be simulations.
///
/// # Errors
/// All links that don't answer, or that can't be paced.
pub fn meet_instruments(
    bench: &Bench,
    folder: &std::path::Path,
    seed: u64,
    pace: f64,
) -> Result<Vec<Box<dyn Instrument + Send>>, NotBegun> {
    let mut instruments = open_all(bench, folder, seed).map_err(NotBegun::Instrument)?;
    let mut faults = Vec::new();
    for (link, instrument) in bench.links.iter().zip(&mut instruments) {
        match instrument.identify() {
            Err(error) => faults.push(format!("link `{}`: {error}", link.name)),
            Ok(identity) => {
                tracing::info!(link = link.name, identity = identity.text, "met");
                if pace > 1.0 && !identity.simulated {
                    let who = identity.text;
                    faults.push(format!(
                        "link `{}` is `{who}`, not a mimic: a real instrument is never paced",
                        link.name
                    ));
                } else if identity.simulated
                    && let Err(error) = instrument.set_pace(pace)
                {
                    faults.push(format!("link `{}` can't be paced: {error}", link.name));
                }
            }
        }
    }
    if faults.is_empty() { Ok(instruments) } else { Err(NotBegun::Instrument(faults.join("\n"))) }
}

/// Time-outs are real time; to the supervisor of a paced run they are as much longer.
pub fn paced(bench: &Bench, pace: f64) -> Arc<Bench> {
    let mut bench = bench.clone();
    for link in &mut bench.links {
        link.timeout_s *= pace;
    }
    // A link is silent for a moment of real time now and then, however fast the run's own time goes.
    for lock in &mut bench.interlocks {
        lock.patience_s *= pace;
    }
    Arc::new(bench)
}

/// Measures. Returns when the bench is parked and the record closed.
///
/// # Errors
/// Before anything has moved.
pub fn measure(
    measurement: Measurement,
    instruments: Vec<Box<dyn Instrument + Send>>,
    make_recorder: MakeRecorder,
    observer: Box<dyn Observer>,
) -> Result<Measured, NotBegun> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| NotBegun::Internal(format!("the event loop can't be made: {error}")))?;
    let room = tokio::task::LocalSet::new();
    room.block_on(&runtime, measure_within(measurement, instruments, make_recorder, observer))
}

async fn measure_within(
    mut measurement: Measurement,
    mut instruments: Vec<Box<dyn Instrument + Send>>,
    make_recorder: MakeRecorder,
    observer: Box<dyn Observer>,
) -> Result<Measured, NotBegun> {
    let (call_sender, calls) = unbounded_channel();
    let (answer_sender, answers) = unbounded_channel();
    let (news_sender, mut record) = unbounded_channel::<FromRecord>();
    let (over_sender, script) = unbounded_channel();
    let (word_sender, outside) = unbounded_channel::<Outside>();
    let (replies, reply_receiver) = channel();
    let stop = Arc::new(StopFlag::default());
    let bench = Arc::clone(&measurement.bench);
    let (mut start, mut tally) = begin(&measurement);
    let (seed, pace, folder) = (measurement.seed, measurement.pace, measurement.folder.clone());
    let introduction = std::mem::take(&mut measurement.introduction);
    let resuming = measurement.resumed.is_some();
    let plan = measurement.keeper.take();
    let beforehand = std::mem::take(&mut measurement.beforehand);
    let port = RealTimePort::new(Arc::clone(&bench), seed, call_sender, reply_receiver, Arc::clone(&stop))
        .knowing(beforehand.memory.clone());
    let (ready_sender, ready) = oneshot::channel();
    let told = start_script(measurement, port, over_sender, ready_sender)?;
    // A replay must have come to the end of the record before anything is opened, let alone moved.
    if resuming && ready.await.is_err() {
        let replay_stop = told.lock().ok().and_then(|mut stop| stop.take());
        if replay_stop.is_some() {
            let (tally, oracle) = (RunTally::new(&bench), Oracle::new(&bench));
            let observers = Observers::default();
            return Ok(Measured { tally, oracle, digest: None, record_failed: None, replay_stop, observers });
        }
    }
    if resuming {
        end_open_task(&bench, &mut instruments)?;
    }
    let makers: Vec<MakeInstrument> = instruments.into_iter().map(made).collect();
    let wires = WireLog::beside(&folder);
    let links = Links::start(&bench, makers, &answer_sender, Some(&wires)).map_err(NotBegun::Internal)?;
    let pulse = Pulse::default();
    let keeper = start_keeper(plan, &bench, &folder, &pulse, &word_sender)?;
    // A disk that is full from the beginning sends a signal.
    super::signals::runner_hears(&word_sender);
    let recording = Recording::start(make_recorder, news_sender.clone());
    introduce(&recording, &mut start, &mut tally, introduction);
    // What was run stands on the disk before anything is sent: cut any later, the run can be taken up.
    if let Ok(Some(news)) = tokio::time::timeout(INTRODUCTION_PATIENCE, record.recv()).await {
        let _ = news_sender.send(news);
    }
    let _listening = control::listen(&folder, word_sender.clone())
        .map_err(|error| tracing::warn!(%error, "other terminals can't reach this run"))
        .ok();
    let clock = Clock::start(start.now, pace);
    let mut inlets = Inlets { calls, answers, record, script, outside };
    let mut drive =
        RealTimeDrive::new(Parts { bench, start, clock, links, recording, replies, stop, observer, pulse });
    let known = goes_on_from(&tally, beforehand, resuming);
    drive.tally = tally;
    drive.knows(known);
    drive.work(&mut inlets).await;
    // Parked, recorded, the keeper dismissed: only then anybody is waited for.
    let digest = drive.finish(&mut inlets).await;
    if let Some(keeper) = keeper {
        keeper.dismiss();
    }
    let (tally, oracle, record_failed, observer) = drive.into_parts();
    let observers = Observers(Some(observer));
    Ok(Measured { tally, oracle, digest, record_failed, replay_stop: None, observers })
}

fn made(instrument: Box<dyn Instrument + Send>) -> MakeInstrument {
    Box::new(move || -> Box<dyn Instrument> { instrument })
}

/// Where a measurement begins, and what its run adds up to so far.
fn begin(measurement: &Measurement) -> (Start, RunTally) {
    let Measurement { bench, window, .. } = measurement;
    let (start, tally) = match &measurement.resumed {
        Some(Resumed { tally, seq, at, .. }) => (Start::after(tally, bench, *seq, *at), tally.clone()),
        None => (Start::default(), RunTally::new(bench)),
    };
    (Start { window: *window, ..start }, tally)
}

/// Runner and keeper may have died with a task on its way, and nothing else begins before it has ended.
fn end_open_task(bench: &Bench, instruments: &mut [Box<dyn Instrument + Send>]) -> Result<(), NotBegun> {
    let Some(instrument) = bench.task_link.and_then(|link| instruments.get_mut(link)) else { return Ok(()) };
    let in_vain = |error| NotBegun::Instrument(format!("a task that may be running can't be ended: {error}"));
    instrument.abort().map_err(in_vain)
}

/// The first entries of a record, or the first after it was taken up again; the last one waits for the disk.
fn introduce(recording: &Recording, start: &mut Start, tally: &mut RunTally, entries: Vec<Entry>) {
    let count = entries.len();
    for (i, entry) in entries.into_iter().enumerate() {
        tally.entry(start.now, &entry);
        recording.append(start.seq, start.now, Box::new(entry), Vec::new(), i + 1 == count);
        start.seq += 1;
    }
}

/// What a record says of the tip and of the bench goes on from there; else what was known beforehand holds.
fn goes_on_from(tally: &RunTally, beforehand: Beforehand, resuming: bool) -> Beforehand {
    Beforehand {
        tip: resuming.then(|| Box::new(tally.tip.clone())).or(beforehand.tip),
        earlier: tally.earlier.clone().or(beforehand.earlier),
        condensed_s: tally.regenerated_s.or(beforehand.condensed_s),
        goals: Some(Box::new(tally.goals.clone())),
        memory: None,
        withdraws_in_s: tally.withdraws_in_s.or(beforehand.withdraws_in_s),
    }
}

/// Nothing begins without a keeper, unless the bench says that a lost one does not matter.
fn start_keeper(
    plan: Option<KeeperPlan>,
    bench: &Bench,
    folder: &std::path::Path,
    pulse: &Pulse,
    words: &UnboundedSender<Outside>,
) -> Result<Option<Keeper>, NotBegun> {
    let Some(plan) = plan else { return Ok(None) };
    match Keeper::start(plan, folder, pulse.clone(), words.clone()) {
        Ok(keeper) => Ok(Some(keeper)),
        Err(reason) if bench.keeper.park_if_lost => Err(NotBegun::Keeper(reason)),
        Err(reason) => {
            tracing::error!(reason, "the run goes on without a keeper");
            eprintln!("warning: {reason}; the run goes on without it, as the bench says");
            Ok(None)
        }
    }
}

type Told = Arc<std::sync::Mutex<Option<ReplayStop>>>;

fn start_script(
    measurement: Measurement,
    port: RealTimePort,
    over: UnboundedSender<ScriptOver>,
    ready: oneshot::Sender<()>,
) -> Result<Told, NotBegun> {
    let told = Told::default();
    let telling = Arc::clone(&told);
    let work = move || {
        let end = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            run_script(measurement, port, &telling, ready)
        }));
        let over_now = match end {
            Ok(end) => ScriptOver { outcome: end.outcome, reason: end.reason, place: end.place },
            Err(_) => ScriptOver {
                outcome: Outcome::Fault,
                reason: "a defect in noctule itself ended the sequence; the log has its place".to_owned(),
                place: Place::default(),
            },
        };
        let _ = over.send(over_now);
    };
    std::thread::Builder::new()
        .name("sequence".to_owned())
        .stack_size(SCRIPT_STACK)
        .spawn(work)
        .map_err(|error| NotBegun::Internal(format!("the sequence gets no thread: {error}")))?;
    Ok(told)
}

fn run_script(
    measurement: Measurement,
    port: RealTimePort,
    telling: &Told,
    ready: oneshot::Sender<()>,
) -> ScriptEnd {
    let Some(resumed) = measurement.resumed else {
        return script::run(&measurement.sequence, Rc::new(RefCell::new(port))).0;
    };
    let bench = Arc::clone(&measurement.bench);
    let parked = resumed.tally.parked;
    let (history, live_bench) = (resumed.tally, Arc::clone(&bench));
    let go_live: GoLive = Box::new(move |next: &Call| -> Result<Box<dyn Port>, Ending> {
        let mut port = port;
        // If nobody waits any more, the first call will find that the run is over.
        let _ = ready.send(());
        super::resume::restore(&mut port, &live_bench, &history, &next.request)?;
        Ok(Box::new(port))
    });
    match ReplayPort::new(bench, measurement.seed, resumed.file, resumed.treat_as, go_live) {
        Ok(replay) => {
            let stop = Rc::clone(&replay.stop);
            let port = Rc::new(RefCell::new(replay));
            let end = script::run(&measurement.sequence, port.clone()).0;
            // On a bench that is parked, an end that comes again is no news, and nothing is left to be done.
            let again = parked && end.outcome != Outcome::Finished && port.borrow().only_recalled();
            let again =
                again.then(|| ReplayStop::EndsAgain { reason: end.reason.clone(), line: end.place.line });
            // Told before the port goes: with it goes what the other side waits for.
            if let (Some(stop), Ok(mut told)) = (stop.borrow_mut().take().or(again), telling.lock()) {
                *told = Some(stop);
            }
            drop(port);
            end
        }
        Err(error) => ScriptEnd {
            outcome: Outcome::Fault,
            reason: error.to_string(),
            place: Place::default(),
            column: 0,
        },
    }
}
