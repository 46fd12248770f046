//! The terms of a campaign: what befalls its nights, in which worlds, and what is given.

use super::Setup;
use super::faults::{FaultPlan, Kind, draw};
use super::nights::ended_at_last;
use super::rehearse::rehearse_with_faults;
use super::what_if::Change;
use crate::drive::virtual_time::Nobody;
use crate::faults::Planned;
use crate::record::{Durability, RecordError, RunFile, Store};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// What befalls the nights of a campaign.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Befalls {
    /// Faults that are drawn from the seed.
    Faults,
    /// Nothing.
    Nothing,
}

/// The terms of a campaign.
#[derive(Debug, Clone, PartialEq)]
pub struct Terms {
    /// What befalls the nights.
    pub befalls: Befalls,
    /// Each night is in a world of its own, drawn round the one that is given.
    pub drawn: bool,
    /// Who comes to fill, in every night.
    pub visits: Vec<Planned>,
    /// What is given beyond what sequence and world say.
    pub change: Option<Change>,
}

impl From<Befalls> for Terms {
    fn from(befalls: Befalls) -> Self {
        Self { befalls, drawn: false, visits: Vec::new(), change: None }
    }
}

impl Terms {
    /// What befalls the night of a seed, and which kinds of faults are in it.
    pub(super) fn befall(&self, seed: u64) -> (FaultPlan, Vec<Kind>) {
        let (mut plan, kinds) = match self.befalls {
            Befalls::Faults => draw(seed),
            Befalls::Nothing => (FaultPlan::default(), Vec::new()),
        };
        plan.faults.extend(self.visits.iter().cloned());
        (ended_at_last(plan), kinds)
    }

    /// The rehearsal of a seed: its world, and what is given.
    pub(super) fn setup(&self, setup: &Setup, seed: u64) -> Setup {
        let setup = Setup { seed, ..setup.clone() };
        let setup = if self.drawn { setup.drawn() } else { setup };
        match self.change {
            Some(change) => change.given(setup),
            None => setup,
        }
    }
}

/// One night once more, with its record in a new file.
///
/// # Errors
/// The file can't be written.
pub fn recorded(setup: &Setup, seed: u64, terms: &Terms, file: &Path) -> Result<RunFile, RecordError> {
    let setup = terms.setup(setup, seed);
    let store = Store::create(file, Durability::ProcessEnd, &setup.documents())?;
    rehearse_with_faults(&setup, &terms.befall(seed).0, Box::new(store), Box::new(Nobody), "night");
    RunFile::open(file)
}
