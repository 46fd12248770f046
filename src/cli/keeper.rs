//! `noctule keeper`: started by `noctule run`, not by people.

use super::common::{reject, start_log};
use crate::record::Outcome;
use crate::run::keeper_process::keep;
use std::path::PathBuf;

/// Arguments of the keeper.
#[derive(Debug, clap::Args)]
pub struct Keeper {
    /// Folder of the run.
    #[arg(long)]
    run: PathBuf,
}

impl Keeper {
    /// Runs the command.
    pub fn run(self) -> u8 {
        start_log(0, Some(&self.run.join("keeper_log.txt")));
        match keep(&self.run) {
            Ok(()) => 0,
            Err(reason) => {
                tracing::error!(reason);
                reject(&reason);
                Outcome::Fault.exit_code()
            }
        }
    }
}
