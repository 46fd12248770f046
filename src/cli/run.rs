//! `noctule run` and `noctule resume`

use super::EXIT_REJECTED;
use super::common::{check_first, load_sequence, now_in, reject, reject_all, start_log, window};
use super::live::Watching;
use super::progress::rehearsal_onlooker;
use crate::bench::{Bench, read};
use crate::drive::oracle::Oracle;
use crate::drive::replay::TreatAs;
use crate::quantity::Moment;
use crate::record::{Durability, Entry, Outcome, RecordError, Recorder, RunFile, Store};
use crate::run::keeper::{Charge, KeeperPlan, is_needed};
use crate::run::lives::{PastLives, recorded_faults};
use crate::run::onlookers::{Prospect, foresee};
use crate::run::resume::{KnownState, tally_so_far};
use crate::run::{
    BenchSource, MakeRecorder, Measured, Measurement, Resumed, RunFolder, Setup, locate, lock, measure,
    meet_instruments, paced, resume_rehearsal,
};
use crate::script::Sequence;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

/// Arguments of `noctule run`.
#[derive(Debug, clap::Args)]
pub struct Run {
    /// The sequences, .rhai files, one after the other.
    #[arg(required = true)]
    sequences: Vec<PathBuf>,
    /// The bench, a .ron file.
    #[arg(long)]
    bench: PathBuf,
    /// End of the window, like 07:30 or "13:30 tomorrow": the bench is parked before it.
    #[arg(long)]
    until: Option<String>,
    /// Folder for the run file and the brief; a new one under runs/ where it is left out.
    #[arg(long)]
    out: Option<PathBuf>,
    /// Seed of the sequence's random numbers.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Seconds of the run in one real second; above 1 only where every link is a mimic.
    #[arg(long, default_value_t = 1.0)]
    pace: f64,
    /// One JSON object on stdout at the end of each sequence.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    watching: Watching,
}

impl Run {
    /// Runs the command.
    pub fn run(self, verbose: u8) -> u8 {
        self.try_run(verbose).unwrap_or_else(|code| code)
    }

    fn try_run(self, verbose: u8) -> Result<u8, u8> {
        if !(self.pace >= 1.0 && self.pace.is_finite()) {
            return Err(reject("the pace is a number from 1"));
        }
        self.watching.check(self.json)?;
        let source = BenchSource::load(Some(&self.bench)).map_err(|d| reject_all(&[*d], "", self.json))?;
        let bench = read_bench(&source, self.json)?;
        let sequences =
            self.sequences.iter().map(|path| load_sequence(path)).collect::<Result<Vec<Sequence>, u8>>()?;
        if sequences.len() > 1 && self.out.is_some() {
            return Err(reject("several sequences can't share one --out folder; leave it out"));
        }
        for sequence in &sequences {
            check_first(sequence, &bench, &source.name, self.until.is_some(), self.json)?;
        }
        let mut code = 0;
        let last = sequences.len() - 1;
        for (index, sequence) in sequences.into_iter().enumerate() {
            let name = sequence.name.clone();
            let (ended, latched) = self.run_one(verbose, &source, &bench, sequence)?;
            // The queue tells of the first that did not finish.
            code = if code == 0 { ended } else { code };
            let stopped = ended == Outcome::Stopped.exit_code();
            if ended != 0 && (latched || stopped || !bench.queue_goes_on) {
                if index < last {
                    eprintln!("the queue ends with {name}; {} not begun", in_queue(last - index));
                }
                break;
            }
        }
        Ok(code)
    }

    /// Runs one of the queue; returns its exit code and whether an interlock latched.
    fn run_one(
        &self,
        verbose: u8,
        source: &BenchSource,
        bench: &Arc<Bench>,
        sequence: Sequence,
    ) -> Result<(u8, bool), u8> {
        let started = Instant::now();
        let now = now_in(bench.time_zone.as_deref())?;
        let end = window(self.until.as_deref(), &now)?;
        let stamp = now.strftime("%Y-%m-%d_%H%M").to_string();
        let _lock = lock::take_after_keeper(
            &bench.name,
            &format!("process {}, {}", std::process::id(), sequence.name),
        )
        .map_err(|reason| reject(&reason))?;
        let instruments =
            meet_instruments(bench, &source.folder(), self.seed, self.pace).map_err(|error| {
                eprintln!("error: {error}\nnothing was moved");
                Outcome::Fault.exit_code()
            })?;
        let folder = RunFolder::create(self.out.as_deref(), &stamp, &sequence.name)
            .map_err(|e| reject(&e.to_string()))?;
        let _alone = lock::take_run(&folder.run_file()).map_err(|reason| reject(&reason))?;
        start_log(verbose, Some(&folder.log()));
        let setup = Setup::for_measurement(sequence, source.clone(), Arc::clone(bench), self.seed, end);
        let (path, documents) = (folder.run_file(), setup.documents());
        let make: MakeRecorder =
            Box::new(move || Ok(Box::new(Store::create(&path, Durability::PowerCut, &documents)?)));
        let measurement = Measurement {
            introduction: vec![setup.identity(), setup.context(&now.to_string())],
            sequence: setup.sequence.clone(),
            bench: paced(bench, self.pace),
            bench_folder: source.folder(),
            seed: self.seed,
            pace: self.pace,
            window: end,
            folder: folder.path.clone(),
            resumed: None,
            keeper: keeper_plan(bench, source, self.pace),
        };
        let _live = self.watching.serve(&folder.run_file(), bench)?;
        let foreseen = foresee(setup.sequence.clone(), source.clone(), self.seed, end);
        let prospect = Prospect::new(bench, end, Some(foreseen));
        let onlooker = self.watching.onlooker(bench, &setup.sequence.name, prospect, self.json)?;
        let done = measure(measurement, instruments, make, onlooker).map_err(|e| reject(&e.to_string()))?;
        let latched = done.tally.ending.as_ref().is_some_and(|ending| ending.latched);
        Ok((close(bench, &done, started, end, &folder, self.json), latched))
    }
}

/// Arguments of `noctule resume`.
#[derive(Debug, clap::Args)]
pub struct Resume {
    /// The run: its folder, its file, or the beginning of its name under runs/.
    run: String,
    /// The sequence, if it has been edited or moved; else the one in the run file.
    #[arg(long)]
    sequence: Option<PathBuf>,
    /// What to make of a task that must not happen twice and whose end nobody recorded.
    #[arg(long, value_parser = ["done", "not-done"])]
    treat_as: Option<String>,
    /// The interlock that ended the run has been looked at.
    #[arg(long)]
    acknowledge: bool,
    /// Seconds of the run in one real second; above 1 only where every link is a mimic.
    #[arg(long, default_value_t = 1.0)]
    pace: f64,
    /// One JSON object on stdout at the end.
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    watching: Watching,
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
        let _alone = lock::take_run(&path).map_err(|reason| reject(&reason))?;
        let file = RunFile::open(&path).map_err(complain)?;
        self.check_ending(&file)?;
        let Entry::Identity { rehearsal, seed, .. } = file.identity().map_err(complain)? else {
            return Err(reject("the run file does not say what was run"));
        };
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
        if rehearsal {
            return self.resume_rehearsal(
                started,
                sequence,
                source,
                &file,
                seed,
                window_s,
                &folder,
                &started_at,
            );
        }
        let bench = read_bench(&source, self.json)?;
        if file.ending().map_err(complain)?.is_some_and(|(ending, _)| ending.outcome == Outcome::Finished) {
            return self.close_measurement(started, &bench, &file, &folder);
        }
        self.resume_measurement(
            started,
            sequence,
            &source,
            &bench,
            file,
            seed,
            window_s,
            &folder,
            &started_at,
        )
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
        // An edited text has a number behind its name.
        let name = name.split(".rhai (").next().map_or(name.clone(), |stem| {
            if stem.len() < name.len() { format!("{stem}.rhai") } else { name.clone() }
        });
        let recorded = Sequence::from_text(&name, &text);
        Ok(Sequence { path: PathBuf::from(path).with_file_name(&name), ..recorded })
    }

    #[allow(clippy::too_many_arguments, reason = "everything that the record says about the run")]
    fn resume_rehearsal(
        &self,
        started: Instant,
        sequence: Sequence,
        source: BenchSource,
        file: &RunFile,
        seed: u64,
        window_s: Option<f64>,
        folder: &RunFolder,
        started_at: &str,
    ) -> Result<u8, u8> {
        let world = file.document("world").map_err(|e| reject(&e.to_string()))?;
        let (world_name, world_text) = world.ok_or_else(|| reject("the run file has no world"))?;
        let setup = Setup::for_resumed_rehearsal(
            sequence,
            source,
            &world_name,
            &world_text,
            seed,
            window_s.map(Moment::from_s),
        )
        .map_err(|error| reject_all(&error.diagnostics, &error.source, self.json))?;
        let past =
            PastLives::of(file, &setup.sequence, self.treat_as()).map_err(|e| reject(&e.to_string()))?;
        let plan = recorded_faults(file, &setup.bench).map_err(|reason| reject(&reason))?;
        let mut store = Store::reopen(&folder.run_file(), Durability::ProcessEnd, true)
            .map_err(|e| reject(&e.to_string()))?;
        store.at_frontier(setup.sequence.document());
        let done = resume_rehearsal(
            &setup,
            &past,
            &plan,
            Box::new(store),
            rehearsal_onlooker(&setup, self.json),
            started_at,
        );
        if let Some(stop) = past.stop.take() {
            return Err(reject(&stop.to_string()));
        }
        if let Some(error @ (RecordError::Differs(_) | RecordError::Damaged(_))) = &done.record_error {
            return Err(reject(&format!("{error}\nnothing was moved, and nothing was written")));
        }
        let mut summary = done.summary();
        summary.wall_s = started.elapsed().as_secs_f64();
        summary.run_file = Some(folder.run_file().display().to_string());
        super::closing::finish(&setup.bench, &done.tally, &mut summary, setup.window, folder, self.json);
        Ok(summary.outcome.exit_code())
    }

    /// A measurement that was cut between its last entry and its digest: nothing is left but to close its record.
    fn close_measurement(
        &self,
        started: Instant,
        bench: &Arc<Bench>,
        file: &RunFile,
        folder: &RunFolder,
    ) -> Result<u8, u8> {
        let complain = |error: RecordError| reject(&error.to_string());
        let mut tally = tally_so_far(file, bench).map_err(complain)?;
        for end in file.all("end").map_err(complain)? {
            tally.entry(end.at, &end.entry);
        }
        let digest = Store::reopen(&folder.run_file(), Durability::PowerCut, false)
            .and_then(|mut store| store.finish())
            .map_err(complain)?;
        let oracle = Oracle::new(bench);
        let done = Measured { tally, oracle, digest: Some(digest), record_failed: None, replay_stop: None };
        Ok(close(bench, &done, started, None, folder, self.json))
    }

    #[allow(clippy::too_many_arguments, reason = "everything that the record says about the run")]
    fn resume_measurement(
        &self,
        started: Instant,
        sequence: Sequence,
        source: &BenchSource,
        bench: &Arc<Bench>,
        file: RunFile,
        seed: u64,
        window_s: Option<f64>,
        folder: &RunFolder,
        started_at: &str,
    ) -> Result<u8, u8> {
        let complain = |error: RecordError| reject(&error.to_string());
        let _lock = lock::take_after_keeper(
            &bench.name,
            &format!("process {}, {}", std::process::id(), sequence.name),
        )
        .map_err(|reason| reject(&reason))?;
        let known = KnownState::from_record(&file, bench).map_err(complain)?;
        let tally = tally_so_far(&file, bench).map_err(complain)?;
        let (seq, at) = (file.next_seq().map_err(complain)?, file.last_moment().map_err(complain)?);
        let sweeps = file.sweeps().map_err(complain)?.iter().map(|s| s.sweep + 1).max().unwrap_or(0);
        let window =
            window_s.map(|window_s| remaining_window(window_s, at, started_at, self.pace)).transpose()?;
        let instruments = meet_instruments(bench, &source.folder(), seed, self.pace).map_err(|error| {
            eprintln!("error: {error}\nnothing was moved");
            Outcome::Fault.exit_code()
        })?;
        let treat_as = self.treat_as();
        let run_file = folder.run_file();
        let document = sequence.document();
        let make: MakeRecorder = Box::new(move || {
            let mut store = Store::reopen(&run_file, Durability::PowerCut, false)?;
            store.add_document(&document)?;
            Ok(Box::new(store))
        });
        let recorded = file.document("sequence").map_err(complain)?.map(|(_, text)| text);
        let edited = recorded.is_some_and(|text| text != sequence.text);
        let differences =
            Vec::from_iter(edited.then(|| format!("the sequence `{}` was edited", sequence.name)));
        let introduction = vec![Entry::Resumed {
            frontier: seq,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            differences,
        }];
        let _live = self.watching.serve(&folder.run_file(), bench)?;
        let foreseen = foresee(sequence.clone(), source.clone(), seed, window);
        let mut prospect = Prospect::new(bench, window, Some(foreseen));
        prospect.take_in_record(&file).map_err(complain)?;
        let onlooker = self.watching.onlooker(bench, &sequence.name, prospect, self.json)?;
        let measurement = Measurement {
            sequence,
            bench: paced(bench, self.pace),
            bench_folder: source.folder(),
            seed,
            pace: self.pace,
            window,
            introduction,
            folder: folder.path.clone(),
            resumed: Some(Resumed { file, treat_as, seq, sweeps, at, known, tally }),
            keeper: keeper_plan(bench, source, self.pace),
        };
        let done = measure(measurement, instruments, make, onlooker).map_err(|e| reject(&e.to_string()))?;
        if let Some(stop) = &done.replay_stop {
            return Err(reject(&stop.to_string()));
        }
        Ok(close(bench, &done, started, window, folder, self.json))
    }
}

fn in_queue(count: usize) -> String {
    if count == 1 { "one sequence was".to_owned() } else { format!("{count} sequences were") }
}

/// The keeper of a run, where anything outlives its process.
fn keeper_plan(bench: &Bench, source: &BenchSource, pace: f64) -> Option<KeeperPlan> {
    if !is_needed(bench) {
        return None;
    }
    let charge = Charge {
        runner: std::process::id(),
        bench_text: source.text.clone(),
        bench_name: source.name.clone(),
        bench_folder: source.folder(),
        pace,
    };
    let program = std::env::current_exe().unwrap_or_else(|_| PathBuf::from("noctule"));
    Some(KeeperPlan { program, charge })
}

/// The end of the window does not move because the run was interrupted.
fn remaining_window(window_s: f64, at: Moment, started_at: &str, pace: f64) -> Result<Moment, u8> {
    let begun: jiff::ZonedDateTime =
        started_at.parse().map_err(|_| reject("the run file does not say when it began"))?;
    let gone_s = begun.duration_until(&jiff::ZonedDateTime::now()).as_secs_f64() * pace;
    if gone_s >= window_s {
        return Err(reject("the window of this run is over"));
    }
    Ok(at.after(window_s - gone_s))
}

fn read_bench(source: &BenchSource, json: bool) -> Result<Arc<Bench>, u8> {
    match read(&source.text, &source.name) {
        Ok((bench, warnings)) => {
            super::common::show(&warnings, &source.text);
            Ok(Arc::new(bench))
        }
        Err(found) => Err(reject_all(&found, &source.text, json)),
    }
}

fn close(
    bench: &Bench,
    done: &Measured,
    started: Instant,
    window: Option<Moment>,
    folder: &RunFolder,
    json: bool,
) -> u8 {
    let mut summary = done.summary();
    summary.wall_s = started.elapsed().as_secs_f64();
    summary.run_file = Some(folder.run_file().display().to_string());
    if let Some(reason) = &done.record_failed {
        eprintln!("error: the run file could not be written to its end: {reason}");
    }
    super::closing::finish(bench, &done.tally, &mut summary, window, folder, json);
    let code = summary.outcome.exit_code();
    if code == EXIT_REJECTED { Outcome::Fault.exit_code() } else { code }
}
