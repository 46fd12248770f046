//! `noctule copy`

use super::common::reject;
use crate::record::{RunFile, copy_acts};
use crate::run::locate;
use std::path::PathBuf;

/// Arguments of `noctule copy`.
#[derive(Debug, clap::Args)]
pub struct CopyRun {
    /// The run: its folder, its file, or the beginning of its name under runs/.
    run: String,
    /// The new file; nothing is written over.
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
}

impl CopyRun {
    /// Runs the command.
    pub fn run(self) -> u8 {
        match self.copy() {
            Ok(()) => 0,
            Err(reason) => reject(&reason),
        }
    }

    fn copy(&self) -> Result<(), String> {
        let path = locate(&self.run).map_err(|error| error.to_string())?;
        let out = self.out.display();
        // Whoever is quicker has the file; it is never somebody else's that is written to.
        std::fs::File::create_new(&self.out).map_err(|error| format!("`{out}` can't be made: {error}"))?;
        let done = RunFile::open(&path)
            .and_then(|file| file.copy_to(&self.out))
            .map_err(|error| error.to_string())
            .and_then(|()| copy_acts(&path, &self.out).map_err(|error| error.to_string()));
        done.inspect_err(|_| drop(std::fs::remove_file(&self.out)))?;
        eprintln!("wrote {out}");
        Ok(())
    }
}
