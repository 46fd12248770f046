//! `noctule resume`

use super::clear::Clear;
use super::common::{load_sequence, now_in, reject, reject_all, start_log};
use super::live::Watching;
use super::progress::rehearsal_observer;
use super::run::{close, keeper_plan, read_bench, take_instruments};
use crate::bench::Bench;
use crate::drive::RunTally;
use crate::drive::oracle::Oracle;
use crate::drive::replay::TreatAs;
use crate::quantity::TimePoint;
use crate::record::{
    Beforehand, Change, Durability, Entry, Identity, NewWindow, Outcome, RecordError, Recorder, RunFile,
    Store, lost_act,
};
use crate::run::observers::{Prospect, foresee};
use crate::run::resumed_rehearsal::{PastLives, recorded_faults};
use crate::run::stricter::{Present, forbidden_steps, hold_to_file};
use crate::run::{
    BenchSource, MakeRecorder, Measured, Measurement, Observers, Resumed, RunFolder, Setup, latest_window,
    locate, lock, measure, meet_instruments, new_window, paced, resume_rehearsal,
};
use crate::script::Sequence;
use crate::supervisor::{Start, Supervisor};
use jiff::{ToSpan, ZonedDateTime};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

const WINDOW_OVER: &str = "the window of this run is over; --until gives it a new one";
/// Time that the bench takes to come back to where a run was cut, s; what is left of a window must be more.
const BACK_S: f64 = 60.0;

/// Arguments of `noctule resume`.
#[derive(Debug, clap::Args)]
pub struct Resume {
    /// The run: its folder, its file, or the beginning of its name under runs/.
    run: String,
    /// The sequence, if it has been edited or moved; else the one in the run file.
    #[arg(long)]
    sequence: Option<PathBuf>,
    /// A new window from here on, like 07:30 or "13:30 tomorrow", instead of the one in the run file. In a rehearsal
    /// it is seen from the time that its clock shows where it goes on.
    #[arg(long)]
    until: Option<String>,
    /// What to make of a task that must not happen twice and whose end nobody recorded.
    #[arg(long, value_parser = ["done", "not-done"])]
    treat_as: Option<String>,
    /// The interlock that ended the run has been looked at.
    #[arg(long)]
    acknowledge: bool,
    #[command(flatten)]
    clear: Clear,
    /// Seconds of the run in one real second; above 1 only where every link is a mimic.
    #[arg(long, default_value_t = 1.0)]
    pace: f64,
    /// One JSON object on stdout at the end.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    watching: Watching,
}

/// What the record says about the run.
struct Begun {
    file: RunFile,
    folder: RunFolder,
    sequence: Sequence,
    source: BenchSource,
    seed: u64,
    /// When it began.
    started_at: String,
    /// The window with which it began, s.
    window_s: Option<f64>,
    /// The window that it was given last on the way.
    latest: Option<NewWindow>,
}

impl Resume {
    /// Runs the command.
    pub fn run(self, verbose: u8) -> u8 {
        self.try_run(verbose).unwrap_or_else(|code| code)
    }

    fn try_run(self, verbose: u8) -> Result<u8, u8> {
        let started = Instant::now();
        self.watching.check(self.json)?;
        let complain = |error: RecordError| reject(&error.to_string());
        let path = locate(&self.run).map_err(complain)?;
        // Before anything is read: whoever writes it now may be about to end it.
        let _alone = lock::take_run(&path).map_err(|taken| reject(&taken.message))?;
        let file = RunFile::open(&path).map_err(complain)?;
        file.can_go_on().map_err(complain)?;
        self.check_ending(&file)?;
        self.check_documents(&file)?;
        let Identity { rehearsal, seed, .. } = file.identity().map_err(complain)?;
        let folder =
            RunFolder { path: path.parent().map_or_else(|| PathBuf::from("."), std::path::Path::to_owned) };
        start_log(verbose, Some(&folder.log()));
        let (name, text) =
            file.document("bench").map_err(complain)?.ok_or_else(|| reject("the run file has no bench"))?;
        let context = file.all("context").map_err(complain)?.into_iter().find_map(|n| match n.entry {
            Entry::Context { window_s, bench_path, started_at, sequence_path } => {
                Some((window_s, bench_path, started_at, sequence_path))
            }
            _ => None,
        });
        let (window_s, bench_path, started_at, sequence_path) = context.unwrap_or_default();
        let sequence = self.sequence_of(&file, &sequence_path)?;
        let path_of_bench = (!bench_path.is_empty()).then(|| PathBuf::from(&bench_path));
        let source = BenchSource { name, path: path_of_bench, text };
        let latest = latest_window(&file).map_err(complain)?;
        let begun = Begun { file, folder, sequence, source, seed, started_at, window_s, latest };
        if rehearsal {
            return self.resume_rehearsal(started, begun);
        }
        self.check_record(&begun.file)?;
        let bench = read_bench(&begun.source, self.json)?;
        let ending = begun.file.ending().map_err(complain)?;
        if ending.is_some_and(|(ending, _)| ending.outcome == Outcome::Finished) {
            return self.close_measurement(started, &bench, &begun);
        }
        self.resume_measurement(started, &bench, begun)
    }

    /// A bench or a sequence that was edited within the record is not the one that was run.
    fn check_documents(&self, file: &RunFile) -> Result<(), u8> {
        match file.altered_documents().map_err(|error| reject(&error.to_string()))?.first() {
            None => Ok(()),
            Some(fault) => Err(reject(&format!("the run file is damaged: {fault}\nnothing was moved"))),
        }
    }

    /// Everything that is wrong with the record is known before anything moves: rows that are missing or altered, and
    /// acts that it has lost.
    fn check_record(&self, file: &RunFile) -> Result<(), u8> {
        let complain = |error: RecordError| reject(&error.to_string());
        if let Some(fault) = file.check().map_err(complain)?.faults.first() {
            return Err(reject(&format!(
                "the run file is damaged: {fault}\nnothing was moved; `noctule salvage` keeps what is whole, and that can be \
                 resumed"
            )));
        }
        match lost_act(file).map_err(complain)? {
            Some(seq) if self.treat_as() != Some(TreatAs::NotDone) => Err(reject(&format!(
                "something that must not happen twice was begun in row {seq}, and the record has lost that row: its end is \
                 damaged.\nLook at the microscope. Whatever was lost is done again, and so is this: resume with \
                 `--treat-as not-done` if that is right; nothing was moved"
            ))),
            _ => Ok(()),
        }
    }

    fn treat_as(&self) -> Option<TreatAs> {
        self.treat_as.as_deref().map(|t| if t == "done" { TreatAs::Done } else { TreatAs::NotDone })
    }

    fn check_ending(&self, file: &RunFile) -> Result<(), u8> {
        let Some((ending, _)) = file.ending().map_err(|e| reject(&e.to_string()))? else { return Ok(()) };
        match ending.outcome {
            // Without a digest it was cut after its last entry, and only has to be closed.
            Outcome::Finished if file.digest().is_ok_and(|digest| digest.is_none()) => Ok(()),
            Outcome::Finished => Err(reject("this run came to its end; there is nothing to resume")),
            _ if ending.latched && !self.acknowledge => Err(reject(&format!(
                "an interlock ended this run and latched: {}\nLook at the bench, then resume with --acknowledge",
                ending.reason
            ))),
            _ => Ok(()),
        }
    }

    /// The sequence that was given, else the recorded one: its text from the record, what it imports from
    /// the folder where it lay.
    fn sequence_of(&self, file: &RunFile, path: &str) -> Result<Sequence, u8> {
        if let Some(path) = &self.sequence {
            return load_sequence(path);
        }
        let recorded = file.document("sequence").map_err(|e| reject(&e.to_string()))?;
        let (name, text) = recorded.ok_or_else(|| reject("the run file has no sequence"))?;
        // The name of the text in the record may have a number behind it, if it was edited before.
        let name = file.identity().map_or(name, |identity| identity.sequence);
        let recorded = Sequence::from_text(&name, &text);
        Ok(Sequence { path: PathBuf::from(path).with_file_name(&name), ..recorded })
    }

    /// The window that is given now, if one is, seen from what the clock shows where the run goes on.
    fn new_window(&self, now: &ZonedDateTime, at: TimePoint) -> Result<Option<NewWindow>, u8> {
        let given = self.until.as_deref().map(|text| new_window(text, now, at));
        given.transpose().map_err(|reason| reject(&reason))
    }

    fn resume_rehearsal(&self, started: Instant, begun: Begun) -> Result<u8, u8> {
        let complain = |error: RecordError| reject(&error.to_string());
        let Begun { file, folder, sequence, source, seed, started_at, window_s, latest } = begun;
        let world = file.document("world").map_err(complain)?;
        let (world_name, world_text) = world.ok_or_else(|| reject("the run file has no world"))?;
        let recorded = window_s.map(TimePoint::from_s);
        let setup = Setup::for_resumed_rehearsal(sequence, source, &world_name, &world_text, seed, recorded)
            .map_err(|error| reject_all(&error.diagnostics, &error.source, self.json))?;
        let known = file.all("known").map_err(complain)?.into_iter().find_map(|n| match n.entry {
            Entry::Known(beforehand) => Some(beforehand),
            _ => None,
        });
        let setup = setup.knowing(known.unwrap_or_default());
        let given = match &self.until {
            Some(_) => {
                let at = file.last_moment().map_err(complain)?;
                self.new_window(&rehearsed_now(&started_at, at)?, at)?
            }
            None => None,
        };
        let end = |window: &NewWindow| TimePoint::from_s(window.end_s);
        let past = PastLives::of(&file, &setup.sequence, self.treat_as(), given.as_ref().map(end))
            .map_err(complain)?;
        let plan = recorded_faults(&file, &setup.bench).map_err(|reason| reject(&reason))?;
        let mut store = Store::reopen(&folder.run_file(), Durability::ProcessEnd, true).map_err(complain)?;
        // What is told about the time left is about the window that holds from now on.
        let window = given.as_ref().or(latest.as_ref()).map(end).or(recorded);
        store.at_frontier(setup.sequence.document(), given);
        let observer = rehearsal_observer(&Setup { window, ..setup.clone() }, self.json);
        let done = resume_rehearsal(&setup, &past, &plan, Box::new(store), observer, &started_at);
        if let Some(stop) = past.stop.take() {
            return Err(reject(&stop.to_string()));
        }
        if let Some(error @ (RecordError::Differs(_) | RecordError::Damaged(_))) = &done.record_error {
            return Err(reject(&format!("{error}\nnothing was moved, and nothing was written")));
        }
        let mut summary = done.summary();
        summary.wall_s = started.elapsed().as_secs_f64();
        summary.run_file = Some(folder.run_file().display().to_string());
        let nobody = &mut Observers::default();
        super::closing::finish(&setup.bench, &done.tally, &mut summary, window, &folder, nobody, self.json);
        Ok(summary.exit_code())
    }

    /// A measurement that was cut between its last entry and its digest: nothing is left but to close its record.
    fn close_measurement(&self, started: Instant, bench: &Arc<Bench>, begun: &Begun) -> Result<u8, u8> {
        let complain = |error: RecordError| reject(&error.to_string());
        let Begun { file, folder, .. } = begun;
        let tally = RunTally::of(file, bench).map_err(complain)?;
        let digest = Store::reopen(&folder.run_file(), Durability::PowerCut, false)
            .and_then(|mut store| store.finish())
            .map_err(complain)?;
        let oracle = Oracle::new(bench);
        let mut done = Measured {
            tally,
            oracle,
            digest: Some(digest),
            record_failed: None,
            replay_stop: None,
            observers: Observers::default(),
        };
        Ok(close(bench, &mut done, started, None, folder, self.json))
    }

    fn resume_measurement(&self, started: Instant, bench: &Arc<Bench>, begun: Begun) -> Result<u8, u8> {
        let complain = |error: RecordError| reject(&error.to_string());
        let (bench, present) = held_to_file(bench, &begun.source)?;
        let bench = &bench;
        let lock = take_instruments(bench, &begun.source, &begun.sequence)?;
        let (given, window) = self.window_of_measurement(bench, &begun)?;
        let Begun { file, folder, sequence, source, seed, .. } = begun;
        let tally = RunTally::of(&file, bench).map_err(complain)?;
        let (seq, at) = (file.next_seq().map_err(complain)?, file.last_moment().map_err(complain)?);
        // A window in which there is time for parking only is over, but for one that was just given.
        let start = Start { window, ..Start::after(&tally, bench, seq, at) };
        let last = Supervisor::new(Arc::clone(bench), start).last_moment();
        if given.is_none() && last.is_some_and(|last| last <= at.after(BACK_S)) {
            return Err(reject(WINDOW_OVER));
        }
        let clear_by = self.clear.ask_at(bench)?;
        let instruments = meet_instruments(bench, &source.folder(), seed, self.pace).map_err(|error| {
            eprintln!("error: {error}\nnothing was moved");
            Outcome::Fault.exit_code()
        })?;
        let treat_as = self.treat_as();
        let run_file = folder.run_file();
        let document = sequence.document();
        let spare = bench.spare_folder.as_ref().map(|spare| source.folder().join(spare));
        let make: MakeRecorder = Box::new(move || {
            let mut store = Store::reopen(&run_file, Durability::PowerCut, false)?;
            store.add_document(&document)?;
            Ok(Box::new(store.with_spare(spare)))
        });
        let recorded = file.document("sequence").map_err(complain)?.map(|(_, text)| text);
        let edited = recorded.is_some_and(|text| text != sequence.text);
        let edited = edited.then(|| Change::SequenceEdited(sequence.name.clone()));
        let changes = edited.into_iter().chain(present.told.iter().cloned().map(Change::Told)).collect();
        let introduction = vec![Entry::Resumed {
            frontier: seq,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            changes,
            window: given,
            taken_up_at: Some(now_in(bench.time_zone.as_deref())?.to_string()),
            clear_by,
        }];
        let _live = self.watching.serve(&folder.run_file(), bench)?;
        let foreseen = foresee(sequence.clone(), source.clone(), seed, window);
        let prospect = Prospect::new(window, Some(foreseen));
        let observer = self.watching.observer(bench, &sequence.name, prospect, self.json)?;
        let measurement = Measurement {
            sequence,
            bench: paced(bench, self.pace),
            bench_folder: source.folder(),
            seed,
            pace: self.pace,
            window,
            introduction,
            beforehand: Beforehand::default(),
            folder: folder.path.clone(),
            resumed: Some(Resumed { file, treat_as, seq, at, tally }),
            keeper: keeper_plan(bench, &source, present.text, self.pace),
        };
        let mut done =
            measure(measurement, instruments, make, observer).map_err(|e| reject(&e.to_string()))?;
        drop(lock);
        if let Some(stop) = &done.replay_stop {
            return Err(reject(&stop.to_string()));
        }
        Ok(close(bench, &mut done, started, window, &folder, self.json))
    }

    /// The window that is given now, and the one that holds: it, or the latest that was given, or that of the
    /// beginning. An end does not move because the run was interrupted.
    fn window_of_measurement(
        &self,
        bench: &Bench,
        begun: &Begun,
    ) -> Result<(Option<NewWindow>, Option<TimePoint>), u8> {
        let now = now_in(bench.time_zone.as_deref())?;
        let at = begun.file.last_moment().map_err(|error| reject(&error.to_string()))?;
        if let Some(given) = self.new_window(&now, at)? {
            let end = TimePoint::from_s(given.end_s);
            return Ok((Some(given), Some(end)));
        }
        let (given_at, length_s) = match (&begun.latest, begun.window_s) {
            (Some(window), _) => {
                let given_at = moment_of(&window.given_at)?;
                let length_s = given_at.duration_until(&moment_of(&window.until)?).as_secs_f64();
                (given_at, length_s)
            }
            (None, Some(window_s)) => (moment_of(&begun.started_at)?, window_s),
            (None, None) => return Ok((None, None)),
        };
        let left_s = length_s - given_at.duration_until(&now).as_secs_f64() * self.pace;
        if left_s <= 0.0 {
            return Err(reject(WINDOW_OVER));
        }
        Ok((None, Some(at.after(left_s))))
    }
}

/// The recorded bench, held to its file where that has become stricter, and what differs.
fn held_to_file(bench: &Arc<Bench>, source: &BenchSource) -> Result<(Arc<Bench>, Present), u8> {
    let Some(path) = &source.path else { return Ok((Arc::clone(bench), Present::default())) };
    let mut held = Bench::clone(bench);
    let present = hold_to_file(&mut held, &source.text, path);
    for difference in &present.told {
        eprintln!("note: {difference}");
    }
    match forbidden_steps(&held).first() {
        Some(forbidden) => {
            Err(reject(&format!("{forbidden}: the run could not be parked\nnothing was moved")))
        }
        None => Ok((Arc::new(held), present)),
    }
}

/// What the clock of a rehearsal shows at a moment.
fn rehearsed_now(started_at: &str, at: TimePoint) -> Result<ZonedDateTime, u8> {
    let past_the_calendar = |_| reject("the clock of this rehearsal is past the calendar");
    moment_of(started_at)?.checked_add((at.s().round() as i64).seconds()).map_err(past_the_calendar)
}

fn moment_of(text: &str) -> Result<ZonedDateTime, u8> {
    text.parse().map_err(|_| reject("the run file does not say when it began"))
}
