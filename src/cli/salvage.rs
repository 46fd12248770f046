//! `noctule salvage`: what of a damaged run file is whole, and a new run file of it.

use super::common::{print, reject};
use crate::record::{RecordError, Salvage, SalvagedRow, copy_acts, salvage, salvage_into};
use crate::run::{RunFolder, locate};
use serde_json::json;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// Stretches that are listed; more are counted.
const STRETCHES_SHOWN: usize = 12;

/// Arguments of `noctule salvage`.
#[derive(Debug, clap::Args)]
pub struct SalvageRun {
    /// The run: its folder, its file, or the beginning of its name under runs/. It is only read.
    run: String,
    /// A new folder for the part that is whole from the beginning: it can be read, briefed and resumed.
    #[arg(long, value_name = "FOLDER")]
    out: Option<PathBuf>,
    /// A table of the points behind the damage, each with whether its checksum vouches for it.
    #[arg(long, value_name = "FILE.csv")]
    rest: Option<PathBuf>,
    /// One JSON object on stdout.
    #[arg(long)]
    json: bool,
}

impl SalvageRun {
    /// Runs the command.
    pub fn run(self) -> u8 {
        match self.salvage() {
            Ok(()) => 0,
            Err(reason) => reject(&reason),
        }
    }

    fn salvage(&self) -> Result<(), String> {
        let path = locate(&self.run).map_err(|error| error.to_string())?;
        let (found, rest) = match &self.rest {
            Some(table) => rest_into(&path, table)?,
            None => (salvage(&path, |_, _, _| Ok(())).map_err(|error| error.to_string())?, 0),
        };
        let new = self.out.as_deref().map(|out| self.copy(&path, out)).transpose()?;
        if self.json {
            let new = new.as_ref().map(|new| new.run_file().display().to_string());
            print(&format!("{}\n", as_json(&found, new.as_deref())));
            return Ok(());
        }
        print(&as_text(&path, &found));
        if let Some(table) = &self.rest {
            eprintln!("wrote {}: {rest} points", table.display());
        }
        match &new {
            Some(new) => {
                eprintln!("wrote {}: {} rows", new.run_file().display(), found.from_beginning);
                eprintln!("`noctule resume {}` goes on from there", new.path.display());
            }
            None if !found.is_whole() => {
                eprintln!(
                    "nothing was written; --out FOLDER keeps the part that is whole from the beginning"
                );
            }
            None => {}
        }
        Ok(())
    }

    fn copy(&self, path: &Path, out: &Path) -> Result<RunFolder, String> {
        let folder = RunFolder::create(Some(out), "", "").map_err(|error| error.to_string())?;
        salvage_into(path, &folder.run_file()).map_err(|error| error.to_string())?;
        copy_acts(path, &folder.run_file()).map_err(|error| error.to_string())?;
        Ok(folder)
    }
}

fn as_json(found: &Salvage, new: Option<&str>) -> serde_json::Value {
    json!({
        "whole": found.is_whole(), "intact": found.intact, "from_beginning": found.from_beginning,
        "unsure": found.unsure, "altered": found.altered, "lost": found.lost, "remarks": found.remarks,
        "run_file": new,
    })
}

fn as_text(path: &Path, found: &Salvage) -> String {
    let mut text = format!("{}\n{found}\n", path.display());
    for row in found.altered.iter().take(STRETCHES_SHOWN) {
        let _ = writeln!(text, "  altered  row {row}");
    }
    for (first, last) in found.lost.iter().take(STRETCHES_SHOWN) {
        let _ = if first == last {
            writeln!(text, "  lost     row {first}")
        } else {
            writeln!(text, "  lost     rows {first} to {last}")
        };
    }
    let more = found.altered.len().saturating_sub(STRETCHES_SHOWN)
        + found.lost.len().saturating_sub(STRETCHES_SHOWN);
    if more > 0 {
        let _ = writeln!(text, "  … and {more} more");
    }
    text
}

/// Points that can be read but do not belong to the whole beginning.
fn rest_into(path: &Path, table: &Path) -> Result<(Salvage, u64), String> {
    let unwritable = |error: std::io::Error| format!("`{}` can't be written: {error}", table.display());
    let file = std::fs::File::create(table).map_err(unwritable)?;
    let mut out = std::io::BufWriter::new(file);
    writeln!(out, "row,certain,sweep,i,at_s,x,y,r0,r1,r2,r3,r4,r5,r6,r7").map_err(unwritable)?;
    let (mut begun, mut written, mut failed) = (0, 0, None);
    let found = salvage(path, |row, what, certain| {
        if certain && row == begun {
            begun += 1;
            return Ok(());
        }
        if let SalvagedRow::Point(point) = what {
            let mut line = format!(
                "{row},{certain},{},{},{},{},{}",
                point.sweep,
                point.i,
                point.at.s(),
                point.x,
                point.y
            );
            for place in 0..crate::record::WIDEST_POINT {
                let value = point.values.as_slice().get(place);
                let _ = write!(line, ",{}", value.map(f64::to_string).unwrap_or_default());
            }
            written += 1;
            if let Err(error) = writeln!(out, "{line}") {
                failed = Some(error);
                return Err(RecordError::Closed("the table can't be written".to_owned()));
            }
        }
        Ok(())
    });
    if let Some(error) = failed {
        return Err(unwritable(error));
    }
    out.flush().map_err(unwritable)?;
    Ok((found.map_err(|error| error.to_string())?, written))
}
