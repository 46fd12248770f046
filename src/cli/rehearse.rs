//! `noctule rehearse`

use super::common::{check_first, load_sequence, now_in, reject, reject_all, start_log, window};
use super::logbook;
use super::progress::rehearsal_observer;
use crate::bench::Bench;
use crate::diagnostic::{Code, Diagnostic};
use crate::record::{Achieved, Beforehand, Declared, Document, Durability, Earlier, Store};
use crate::run::faults::{FaultPlan, read_faults};
use crate::run::nights::{night_document, night_plan};
use crate::run::{BenchSource, Observers, RunFolder, Setup, lock, rehearse_with_faults, withdrawal_s};
use crate::script::Sequence;
use crate::script::check::check_untried;
use std::path::PathBuf;
use std::time::Instant;

/// Arguments of `noctule rehearse`.
#[derive(Debug, clap::Args)]
pub struct Rehearse {
    /// The sequence, a .rhai file.
    sequence: PathBuf,
    /// The bench, a .ron file; the built-in simulated bench where it is left out.
    #[arg(long)]
    bench: Option<PathBuf>,
    /// Another world for the simulated microscope: the name of a shipped one, or a file.
    #[arg(long)]
    world: Option<String>,
    /// Seed of everything random: the same seed gives the same digest.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// When the rehearsed run begins, like 22:00; now where it is left out.
    #[arg(long)]
    start: Option<String>,
    /// End of the window, like 07:30 or "13:30 tomorrow".
    #[arg(long)]
    until: Option<String>,
    /// Things that go wrong: a faults file.
    #[arg(long)]
    faults: Option<PathBuf>,
    /// Somebody refills helium when the gauge shows less than this, like "13 L". More can be said in a faults file:
    /// Refill(at: "20 h", to: "66 L", comes_after: "30 min", prepares: "15 min", leaves_after: "5 min").
    #[arg(long, conflicts_with = "faults")]
    refill: Option<String>,
    /// In a world of its own: whatever nobody knows exactly is drawn by the seed, round the one that is given.
    #[arg(long)]
    drawn: bool,
    /// Repeat one of the nights of `noctule nights`: its seed, and the faults drawn from it.
    #[arg(long, conflicts_with_all = ["seed", "faults"])]
    night: Option<u64>,
    /// Folder for the run file and the brief; a new one under runs/ where it is left out.
    #[arg(long)]
    out: Option<PathBuf>,
    /// Folder of earlier rehearsals: what their logbook knows of the tip holds when this one begins.
    #[arg(long, value_name = "FOLDER")]
    logbook: Option<PathBuf>,
    /// What the sequence before it in a queue has declared, like `made`.
    #[arg(long, value_name = "RESULT")]
    earlier: Option<String>,
    /// One JSON object on stdout at the end.
    #[arg(long)]
    json: bool,
}

impl Rehearse {
    /// Runs the command.
    pub fn run(self, verbose: u8) -> u8 {
        self.try_run(verbose).unwrap_or_else(|code| code)
    }

    fn try_run(self, verbose: u8) -> Result<u8, u8> {
        let started = Instant::now();
        let sequence = load_sequence(&self.sequence)?;
        let source =
            BenchSource::load(self.bench.as_deref()).map_err(|d| reject_all(&[*d], "", self.json))?;
        let seed = self.night.unwrap_or(self.seed);
        let mut setup = Setup::for_rehearsal(sequence, source, self.world.as_deref(), seed, None)
            .map_err(|error| reject_all(&error.diagnostics, &error.source, self.json))?;
        setup = if self.drawn { setup.drawn() } else { setup };
        let (plan, faults_text) = self.plan(&setup)?;
        let windowed = self.until.is_some();
        check_first(
            check_untried,
            &setup.sequence,
            &setup.bench,
            &setup.bench_source.name,
            windowed,
            self.json,
        )?;
        let now = now_in(setup.bench.time_zone.as_deref())?;
        let start = match self.start.as_deref() {
            Some(text) => crate::run::parse_time(text, &now).map_err(|reason| reject(&reason))?,
            None => now.clone(),
        };
        setup.window = window(self.until.as_deref(), &start)?;
        let known = self.beforehand(start.timestamp().as_second(), &setup.sequence)?;
        let withdraws_in_s = withdrawal_s(&setup);
        let setup = setup.knowing(Beforehand { withdraws_in_s, ..known });
        let stamp = now.strftime("%Y-%m-%d_%H%M").to_string();
        let folder = RunFolder::create(self.out.as_deref(), &stamp, &setup.sequence.name)
            .map_err(|e| reject(&e.to_string()))?;
        let _alone = lock::take_run(&folder.run_file()).map_err(|taken| reject(&taken.message))?;
        start_log(verbose, Some(&folder.log()));
        let mut documents = setup.documents();
        documents.extend(faults_text);
        let store = Store::create(&folder.run_file(), Durability::ProcessEnd, &documents)
            .map_err(|e| reject(&e.to_string()))?;
        let observer = rehearsal_observer(&setup, self.json);
        let done = rehearse_with_faults(&setup, &plan, Box::new(store), observer, &start.to_string());
        let mut summary = done.summary();
        summary.wall_s = started.elapsed().as_secs_f64();
        summary.run_file = Some(folder.run_file().display().to_string());
        let nobody = &mut Observers::default();
        let window = setup.window;
        super::closing::finish(&setup.bench, &done.tally, &mut summary, window, &folder, nobody, self.json);
        Ok(summary.exit_code())
    }

    /// What is known when it begins.
    fn beforehand(&self, start_s: i64, sequence: &Sequence) -> Result<Beforehand, u8> {
        let known = match &self.logbook {
            Some(folder) => logbook::beforehand(folder, true, start_s, sequence)
                .map_err(|error| reject(&error.to_string()))?,
            None => Beforehand::default(),
        };
        let earlier = match &self.earlier {
            Some(word) => {
                let what = Achieved::of(word).ok_or_else(|| {
                    let words = Achieved::WORDS.join(", ");
                    reject(&format!("`{word}` is no result; there are {words}"))
                })?;
                let declared = Some(Declared { what, about: String::new() });
                Some(Earlier { sequence: "the sequence before".to_owned(), declared })
            }
            None => None,
        };
        Ok(Beforehand { earlier, ..known })
    }

    /// What goes wrong, and its text for the record.
    fn plan(&self, setup: &Setup) -> Result<(FaultPlan, Option<Document>), u8> {
        if let Some(seed) = self.night {
            let (mut plan, _) = night_plan(seed);
            let (name, mut text) = night_document(seed);
            if let Some(below) = &self.refill {
                let visits = refill(below, &setup.bench, self.json)?.faults;
                text.extend(visits.iter().map(|visit| visit.describe() + "\n"));
                plan.faults.extend(visits);
            }
            if !self.json {
                eprint!("{text}");
            }
            return Ok((plan, Some(Document { name, role: "faults", text })));
        }
        let (name, text) = match (&self.faults, &self.refill) {
            (Some(path), _) => {
                let name = path.display().to_string();
                let text = std::fs::read_to_string(path)
                    .map_err(|error| reject(&format!("the faults file `{name}` can't be read: {error}")))?;
                (name, text)
            }
            (None, Some(below)) => ("--refill".to_owned(), refill_text(below)),
            (None, None) => return Ok((FaultPlan::default(), None)),
        };
        let plan = faults_of(&name, &text, &setup.bench, self.json)?;
        Ok((plan, Some(Document { name: crate::script::file_name(&name), role: "faults", text })))
    }
}

fn refill_text(below: &str) -> String {
    format!("Faults(faults: [Refill(below: {below:?})])")
}

/// Somebody who refills helium when the gauge shows less than this.
pub(super) fn refill(below: &str, bench: &Bench, json: bool) -> Result<FaultPlan, u8> {
    faults_of("--refill", &refill_text(below), bench, json)
}

fn faults_of(name: &str, text: &str, bench: &Bench, json: bool) -> Result<FaultPlan, u8> {
    read_faults(text, bench).map_err(|problems| {
        let found: Vec<Diagnostic> = problems
            .iter()
            .map(|p| {
                let place = (p.line, p.column);
                let message = p.message.clone();
                Diagnostic::error(Code::BenchField, name, place, message).with_help(p.help.clone())
            })
            .collect();
        reject_all(&found, text, json)
    })
}
