//! Runs over TCP that are killed at any moment: the keeper parks the bench, nothing acknowledged is missing,
//! and resumed to the end the run has every point exactly once.
//!
//! `NOCTULE_CAMPAIGN=full` kills 100 times.

#[path = "survive/lab.rs"]
mod lab;
mod survive;

use lab::{Lab, wall_sweeps};
use noctule::record::{Entry, Outcome};
use std::path::Path;
use std::time::Duration;
use survive::common::{self, say, text, write};
use survive::{campaign, intact, kill_at_row, start, sweeps, wait_until};

const PACE: &str = "100";

fn run_arguments<'a>(sequence: &'a Path, bench: &'a Path, folder: &'a Path) -> Vec<&'a str> {
    vec!["run", text(sequence), "--bench", text(bench), "--out", text(folder), "--pace", PACE, "--json"]
}

#[test]
fn an_undisturbed_run_over_tcp_finishes_and_its_keeper_goes_quietly() {
    let lab = Lab::new(|bench| bench);
    let sequence = write(lab.scratch.path(), "short.rhai", &wall_sweeps(3, 20));
    let folder = lab.scratch.path().join("run");
    let said = say(&run_arguments(&sequence, &lab.bench, &folder));
    assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
    eprintln!("{}", said.stdout);
    assert!(lab.is_parked());
    assert_eq!(said.json()["points"], 60);
    let file = intact(&folder);
    assert_eq!(file.all("end").unwrap().len(), 1);
    assert!(!folder.join("keeper.json").exists());
}
