//! The command line: one file for each command, all of them thin.
//!
//! Data go to stdout, words to stderr. With `--json` there is exactly one JSON object on stdout.

mod checking;
mod clear;
mod closing;
mod common;
mod copy;
mod fit;
mod guide;
mod keeper;
mod lines;
mod live;
mod log;
mod logbook;
mod mimic;
mod nights;
mod odds;
mod probe;
mod progress;
mod pursued;
mod reading;
mod rehearse;
mod resume;
mod run;
mod salvage;
mod screen;
mod table;
mod words;
mod world;

use crate::drive::real_time::status::Request;

use clap::{CommandFactory, Parser, Subcommand};

/// Exit code for input that was rejected before anything was touched.
const EXIT_REJECTED: u8 = 2;

#[derive(Debug, Parser)]
#[command(name = "noctule", version, about, max_term_width = 100)]
struct Arguments {
    /// More words on stderr: -v for what happens, -vv for every detail.
    #[arg(short, long, action = clap::ArgAction::Count, global = true)]
    verbose: u8,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Find every problem of a sequence and its bench, before anything moves.
    Check(checking::Check),
    /// Dry-run a sequence against the simulated microscope in virtual time.
    Rehearse(rehearse::Rehearse),
    /// Talk to every link and channel of a bench, and set nothing.
    Probe(probe::Probe),
    /// Rehearse many nights with faults drawn from their seeds.
    Nights(nights::Nights),
    /// Measure.
    Run(run::Run),
    /// Go on after a crash, a power cut, a refill.
    Resume(resume::Resume),
    /// Serve a page that shows a run: one that goes on, or one that is over.
    Live(live::LivePage),
    /// The hand-over report that the next shift reads.
    Brief(reading::Brief),
    /// Draw what is in a run.
    Plot(reading::Plot),
    /// Data for other tools.
    Export(reading::Export),
    /// List past runs.
    Runs(reading::Runs),
    /// The logbook of the bench: tips, spins, people's words.
    Log(logbook::Log),
    /// Say what of a damaged run file is whole, and keep it.
    Salvage(salvage::SalvageRun),
    /// Copy a run file as it is at one moment, also while it is written.
    Copy(copy::CopyRun),
    /// Fit a table: the same fits as in a sequence.
    Fit(fit::FitCommand),
    /// Levels and lines to expect for a spin at a field.
    Lines(lines::Lines),
    /// What a world of the simulated microscope is for, and what lies there.
    World(world::ShowWorld),
    /// Serve the simulated microscope as SCPI instruments over TCP.
    Mimic(mimic::Mimic),
    /// The manual, offline.
    Guide(guide::Guide),
    /// Start a sequence or a bench file from a commented example.
    New(guide::New),
    /// Completions for a shell, or the manual page.
    Completions(guide::Completions),
    /// What a run is doing now.
    Status(words::Words),
    /// Let a run finish the current point, then wait.
    Hold(words::HoldWords),
    /// Say of a goal of a plan that it comes first, or is not wanted any more.
    Goal(words::GoalWords),
    /// Answer what a plan has asked people.
    Answer(words::AnswerWords),
    /// Let a held run go on.
    Release(words::ReleaseWords),
    /// End a run at the next point and park; a second time, at once.
    Stop(words::StopWords),
    /// Parks the bench if the runner dies; `run` starts it.
    #[command(hide = true)]
    Keeper(keeper::Keeper),
}

/// Runs the program; returns its exit code.
pub fn main() -> u8 {
    let code = run(Arguments::parse());
    log::finish();
    code
}

fn run(arguments: Arguments) -> u8 {
    match arguments.command {
        Command::Rehearse(command) => command.run(arguments.verbose),
        Command::Nights(command) => command.run(arguments.verbose),
        Command::Run(command) => command.run(arguments.verbose),
        Command::Resume(command) => command.run(arguments.verbose),
        Command::Check(command) => command.run(),
        Command::Probe(command) => command.run(),
        Command::Live(command) => command.run(),
        Command::Brief(command) => command.run(),
        Command::Plot(command) => command.run(),
        Command::Export(command) => command.run(),
        Command::Runs(command) => command.run(),
        Command::Log(command) => command.run(),
        Command::Salvage(command) => command.run(),
        Command::Copy(command) => command.run(),
        Command::Mimic(command) => command.run(),
        Command::Guide(command) => command.run(Arguments::command()),
        Command::New(command) => command.run(),
        Command::Completions(command) => command.run(Arguments::command()),
        Command::Fit(command) => command.run(),
        Command::Lines(command) => command.run(),
        Command::World(command) => command.run(),
        Command::Status(words) => words.run(&Request::Status),
        Command::Hold(words) => words.run(),
        Command::Goal(words) => words.run(),
        Command::Answer(words) => words.run(),
        Command::Release(words) => words.run(),
        Command::Stop(words) => words.run(),
        Command::Keeper(command) => command.run(),
    }
}
