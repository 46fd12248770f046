//! The closing report of a run as one JSON object.

use super::truth::Truth;
use crate::drive::RunTally;
use crate::drive::oracle::Oracle;
use crate::history::Trip;
use crate::history::result::RunResult;
use crate::record::{Achieved, Declared, Ending, Outcome, Place};
use serde::Serialize;

/// What every run ends with.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Summary {
    /// How it ended.
    pub outcome: Outcome,
    /// One sentence.
    pub reason: String,
    /// Where the sequence was.
    pub place: Place,
    /// Virtual time of a rehearsal, s.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub virtual_s: Option<f64>,
    /// Time of a measurement, s.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub elapsed_s: Option<f64>,
    /// What the sequence says that it has achieved.
    pub result: Option<Declared>,
    /// Acts that were refused for the sake of the tip or of a kept spin.
    pub guarded: u32,
    /// Time on the clock on the wall, s.
    pub wall_s: f64,
    /// Points of sweeps.
    pub points: u64,
    /// Sweeps.
    pub sweeps: u64,
    /// The run file.
    pub run_file: Option<String>,
    /// The brief.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub brief: Option<String>,
    /// Digest of the record.
    pub digest: Option<String>,
    /// Helium used, litres.
    pub helium_used_l: f64,
    /// Interlocks that tripped.
    pub interlocks: Vec<Trip>,
    /// Commands that should not have left; anything above zero is a defect.
    pub limit_violations: u64,
    /// Whether the bench was parked.
    pub parked: bool,
    /// Times the sequence was held.
    pub holds: u64,
    /// One line for each fit and verdict.
    pub results: Vec<String>,
    /// The one result, as brief and live page tell it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub story: Option<RunResult>,
    /// What was really there in a rehearsal; nothing else of the run knows it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub truth: Option<Truth>,
}

/// Exit code of a sequence that came to its end and says that it has achieved nothing.
pub const EXIT_NOTHING: u8 = 6;

impl Summary {
    /// The exit code of the command.
    pub fn exit_code(&self) -> u8 {
        let nothing = self.result.as_ref().is_some_and(|result| result.what == Achieved::Nothing);
        match self.outcome {
            // Whatever the sequence has done, somebody has to see to the bench.
            Outcome::Finished if !self.parked => Outcome::Fault.exit_code(),
            Outcome::Finished if nothing => EXIT_NOTHING,
            outcome => outcome.exit_code(),
        }
    }

    /// From what was counted.
    pub fn new(tally: &RunTally, oracle: &Oracle, digest: Option<String>) -> Self {
        let ending = tally.ending.clone().unwrap_or(Ending {
            outcome: Outcome::Fault,
            reason: "the record has no end".to_owned(),
            place: Place::default(),
            latched: false,
        });
        Self {
            outcome: ending.outcome,
            reason: ending.reason,
            place: ending.place,
            result: tally.declared.clone(),
            guarded: tally.tip.refused,
            virtual_s: Some(tally.end_s),
            elapsed_s: None,
            wall_s: 0.0,
            points: tally.points,
            sweeps: tally.sweeps,
            run_file: None,
            brief: None,
            digest,
            helium_used_l: tally.helium.as_ref().map_or(0.0, |level| level.used().used * 1e3),
            interlocks: tally.trips.clone(),
            limit_violations: oracle.violations,
            parked: tally.parked,
            holds: tally.holds,
            results: tally.results.iter().map(|line| line.words.clone()).collect(),
            story: None,
            truth: None,
        }
    }
}
