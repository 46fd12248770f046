//! `noctule rehearse`

use super::EXIT_REJECTED;
use super::closing::report;
use super::progress::Progress;
use crate::diagnostic::{Diagnostic, render};
use crate::drive::virtual_time::{Nobody, Onlooker};
use crate::record::{Durability, Store};
use crate::run::{BenchSource, RunFolder, Setup, rehearse};
use crate::script::Sequence;
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
    /// Folder for the run file and the brief; a new one under runs/ where it is left out.
    #[arg(long)]
    out: Option<PathBuf>,
    /// One JSON object on stdout at the end.
    #[arg(long)]
    json: bool,
}

impl Rehearse {
    /// Runs the command.
    pub fn run(self, _verbose: u8) -> u8 {
        let started = Instant::now();
        let sequence = match Sequence::load(&self.sequence) {
            Ok(sequence) => sequence,
            Err(reason) => {
                eprintln!("error: {reason}");
                return EXIT_REJECTED;
            }
        };
        let source = match BenchSource::load(self.bench.as_deref()) {
            Ok(source) => source,
            Err(diagnostic) => return reject(&[*diagnostic], ""),
        };
        let setup = match Setup::for_rehearsal(sequence, source, self.world.as_deref(), self.seed, None) {
            Ok(setup) => setup,
            Err(error) => return reject(&error.diagnostics, &error.source),
        };
        let now = jiff::ZonedDateTime::now();
        let stamp = now.strftime("%Y-%m-%d_%H%M").to_string();
        let folder = match RunFolder::create(self.out.as_deref(), &stamp, &setup.sequence.name) {
            Ok(folder) => folder,
            Err(error) => {
                eprintln!("error: {error}");
                return EXIT_REJECTED;
            }
        };
        let store = match Store::create(&folder.run_file(), Durability::ProcessEnd, &setup.documents()) {
            Ok(store) => store,
            Err(error) => {
                eprintln!("error: {error}");
                return EXIT_REJECTED;
            }
        };
        let onlooker: Box<dyn Onlooker> =
            if self.json { Box::new(Nobody) } else { Box::new(Progress::new(false)) };
        let done = rehearse(&setup, Box::new(store), onlooker, &now.to_string());
        let mut summary = done.summary();
        summary.wall_s = started.elapsed().as_secs_f64();
        summary.run_file = Some(folder.run_file().display().to_string());
        let bytes = std::fs::metadata(folder.run_file()).map_or(0, |m| m.len());
        if self.json {
            println!("{}", serde_json::to_string(&summary).expect("a summary is plain data"));
        } else {
            eprintln!("\n{}", report(&setup.bench, &done.tally, &summary, setup.window, bytes));
            eprintln!("run file {}", folder.run_file().display());
        }
        summary.outcome.exit_code()
    }
}

fn reject(diagnostics: &[Diagnostic], source: &str) -> u8 {
    eprint!("{}", render(diagnostics, source, false));
    EXIT_REJECTED
}
