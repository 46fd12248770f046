//! `noctule run`

use super::EXIT_REJECTED;
use super::common::{check_first, load_sequence, now_in, reject, reject_all, start_log, window};
use super::live::Watching;
use super::logbook::{beforehand, opened};
use crate::bench::{Bench, read};
use crate::quantity::TimePoint;
use crate::record::{Beforehand, Declared, Durability, Earlier, Outcome, Store};
use crate::run::keeper::{Charge, KeeperPlan, is_needed};
use crate::run::observers::{Prospect, foresee};
use crate::run::{
    BenchSource, MakeRecorder, Measured, Measurement, RunFolder, Setup, lock, measure, meet_instruments,
    paced, withdrawal_s,
};
use crate::script::Sequence;
use crate::script::check::check_with_texts;
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
            check_first(check_with_texts, sequence, &bench, &source.name, self.until.is_some(), self.json)?;
        }
        let mut code = 0;
        let last = sequences.len() - 1;
        let mut earlier: Option<Earlier> = None;
        for (index, sequence) in sequences.into_iter().enumerate() {
            let name = sequence.name.clone();
            let Ran { code: ended, latched, declared } =
                self.run_one(verbose, &source, &bench, sequence, earlier.take())?;
            earlier = Some(Earlier { sequence: name.clone(), declared });
            // The queue tells of the first that did not finish, or achieved nothing.
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

    /// Runs one of the queue.
    fn run_one(
        &self,
        verbose: u8,
        source: &BenchSource,
        bench: &Arc<Bench>,
        sequence: Sequence,
        earlier: Option<Earlier>,
    ) -> Result<Ran, u8> {
        let started = Instant::now();
        let now = now_in(bench.time_zone.as_deref())?;
        let end = window(self.until.as_deref(), &now)?;
        let stamp = now.strftime("%Y-%m-%d_%H%M").to_string();
        let lock = take_instruments(bench, source, &sequence)?;
        let instruments =
            meet_instruments(bench, &source.folder(), self.seed, self.pace).map_err(|error| {
                eprintln!("error: {error}\nnothing was moved");
                Outcome::Fault.exit_code()
            })?;
        let folder = RunFolder::create(self.out.as_deref(), &stamp, &sequence.name)
            .map_err(|e| reject(&e.to_string()))?;
        let _alone = lock::take_run(&folder.run_file()).map_err(|taken| reject(&taken.message))?;
        // Without the logbook nobody knows what is precious.
        let runs = folder.path.parent().filter(|parent| !parent.as_os_str().is_empty());
        let runs = &runs.unwrap_or(std::path::Path::new(".")).to_owned();
        let known = beforehand(runs, false, now.timestamp().as_second(), &sequence)
            .map_err(|error| reject(&format!("{error}\nnothing was moved")))?;
        start_log(verbose, Some(&folder.log()));
        let setup = Setup::for_measurement(sequence, source.clone(), Arc::clone(bench), self.seed, end);
        let (path, documents) = (folder.run_file(), setup.documents());
        let spare = bench.spare_folder.as_ref().map(|spare| source.folder().join(spare));
        let make: MakeRecorder = Box::new(move || {
            let store = Store::create(&path, Durability::PowerCut, &documents)?;
            Ok(Box::new(store.with_spare(spare)))
        });
        let withdraws_in_s = withdrawal_s(&setup);
        let setup = setup.knowing(Beforehand { earlier, withdraws_in_s, ..known });
        let mut introduction = vec![setup.identity(), setup.context(&now.to_string())];
        introduction.extend(setup.known());
        let measurement = Measurement {
            introduction,
            beforehand: setup.beforehand.clone(),
            sequence: setup.sequence.clone(),
            bench: paced(bench, self.pace),
            bench_folder: source.folder(),
            seed: self.seed,
            pace: self.pace,
            window: end,
            folder: folder.path.clone(),
            resumed: None,
            keeper: keeper_plan(bench, source, None, self.pace),
        };
        let _live = self.watching.serve(&folder.run_file(), bench)?;
        let foreseen = foresee(setup.sequence.clone(), source.clone(), self.seed, end);
        let prospect = Prospect::new(end, Some(foreseen));
        let observer = self.watching.observer(bench, &setup.sequence.name, prospect, self.json)?;
        let mut done =
            measure(measurement, instruments, make, observer).map_err(|e| reject(&e.to_string()))?;
        // Whoever comes next need not wait for the brief.
        drop(lock);
        let latched = done.tally.ending.as_ref().is_some_and(|ending| ending.latched);
        let declared = done.tally.declared.clone();
        let code = close(bench, &mut done, started, end, &folder, self.json);
        // So that the next run need not wait until this one is read.
        if let Err(error) = opened(runs, false) {
            tracing::warn!(%error, "the run is not in the logbook yet");
        }
        Ok(Ran { code, latched, declared })
    }
}

/// How one of the queue ended.
struct Ran {
    /// Its exit code.
    code: u8,
    /// Whether an interlock latched.
    latched: bool,
    /// What it says that it has achieved.
    declared: Option<Declared>,
}

/// Memory that a run needs for its threads and its sequence: who has it at the start does not die for want of it. Measured
/// on the shipped bench: with 130 to 175 MB more than at the start it ended by want of memory in three runs of five.
const ROOM_BYTES: usize = 256 << 20;

/// Nobody else drives an instrument of this bench from here on.
pub(super) fn take_instruments(
    bench: &Bench,
    source: &BenchSource,
    sequence: &Sequence,
) -> Result<lock::Lock, u8> {
    share_arenas();
    let mut room: Vec<u8> = Vec::new();
    if room.try_reserve_exact(ROOM_BYTES).is_err() {
        let mb = ROOM_BYTES >> 20;
        return Err(reject(&format!(
            "there is too little memory: a run needs {mb} MB more; nothing was moved"
        )));
    }
    drop(room);
    let what = format!("{} on the bench `{}`", sequence.name, bench.name);
    let me = lock::Holder::me(lock::Role::Runner, &what);
    let instruments = lock::Instruments::of(bench, &source.folder());
    lock::take_after_keeper(&instruments, &me).map_err(|taken| reject(&taken.message))
}

/// Lets all threads of a run share two arenas of the allocator. By itself the one of the GNU C library sets aside 64 MB of
/// addresses for nearly each thread: under a limit of addresses a run that needs 360 MB then asks for 1.1 GB, and dies
/// of it in the middle (measured on the bench of the mimic).
fn share_arenas() {
    #[cfg(all(target_os = "linux", target_env = "gnu"))]
    #[allow(unsafe_code, reason = "it sets one number of the allocator, before any thread is started")]
    // SAFETY: `mallopt` may be called at any time; it takes two numbers and keeps no pointer.
    unsafe {
        libc::mallopt(libc::M_ARENA_MAX, 2);
    }
}

fn in_queue(count: usize) -> String {
    if count == 1 { "one sequence was".to_owned() } else { format!("{count} sequences were") }
}

/// The keeper of a run, where anything outlives its process. `present_text` is what the bench file says now, if that is
/// not what is recorded.
pub(super) fn keeper_plan(
    bench: &Bench,
    source: &BenchSource,
    present_text: Option<String>,
    pace: f64,
) -> Option<KeeperPlan> {
    if !is_needed(bench) {
        return None;
    }
    let charge = Charge {
        runner: std::process::id(),
        bench_text: source.text.clone(),
        present_text,
        bench_name: source.name.clone(),
        bench_folder: source.folder(),
        pace,
    };
    let program = std::env::current_exe().unwrap_or_else(|_| PathBuf::from("noctule"));
    Some(KeeperPlan { program, charge })
}

pub(super) fn read_bench(source: &BenchSource, json: bool) -> Result<Arc<Bench>, u8> {
    match read(&source.text, &source.name) {
        Ok((bench, warnings)) => {
            super::common::show(&warnings, &source.text);
            Ok(Arc::new(bench))
        }
        Err(found) => Err(reject_all(&found, &source.text, json)),
    }
}

pub(super) fn close(
    bench: &Bench,
    done: &mut Measured,
    started: Instant,
    window: Option<TimePoint>,
    folder: &RunFolder,
    json: bool,
) -> u8 {
    let mut summary = done.summary();
    summary.wall_s = started.elapsed().as_secs_f64();
    summary.run_file = Some(folder.run_file().display().to_string());
    if let Some(reason) = &done.record_failed {
        eprintln!("error: the run file could not be written to its end: {reason}");
    }
    super::closing::finish(bench, &done.tally, &mut summary, window, folder, &mut done.observers, json);
    let code = summary.exit_code();
    if code == EXIT_REJECTED { Outcome::Fault.exit_code() } else { code }
}
