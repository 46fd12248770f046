//! The command line: one file for each command, all of them thin.
//!
//! Data go to stdout, words to stderr. With `--json` there is exactly one JSON object on stdout.

mod closing;
mod progress;
mod rehearse;

use clap::{Parser, Subcommand};

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
    /// Dry-run a sequence against the simulated microscope in virtual time.
    Rehearse(rehearse::Rehearse),
}

/// Runs the program; returns its exit code.
pub fn main() -> u8 {
    let arguments = Arguments::parse();
    match arguments.command {
        Command::Rehearse(command) => command.run(arguments.verbose),
    }
}
