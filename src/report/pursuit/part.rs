//! What a campaign takes from one of its runs: small enough to be kept for many of them.

use crate::bench::{Bench, TaskKind};
use crate::history::result::{HeliumNow, RunResult};
use crate::history::{Clock, HoldSpan};
use crate::quantity::Unit;
use crate::record::Goal;
use crate::report::account::Account;
use crate::report::figure::thin;
use std::path::PathBuf;

/// Parts of the time of a run after its helium readings were thinned, each with the smallest and the largest one.
const LEVELS: usize = 150;

/// One run of a campaign.
#[derive(Debug, Clone)]
pub struct RunPart {
    /// Its name.
    pub name: String,
    /// Its file.
    pub path: PathBuf,
    /// The sequence.
    pub sequence: String,
    /// Whether it was rehearsed.
    pub rehearsal: bool,
    /// Its clock.
    pub clock: Clock,
    /// How long it took, s.
    pub end_s: f64,
    /// Whether its file is intact.
    pub intact: bool,
    /// Its one result.
    pub result: RunResult,
    /// The goals that it says, as they stand in its record.
    pub goals: Vec<Goal>,
    /// When it was held.
    pub holds: Vec<HoldSpan>,
    /// Points of sweeps.
    pub points: u64,
    /// Whether it was told of the tip when it began.
    pub told: bool,
    /// When something was done to the tip that makes another of it, s, and what.
    pub touches: Vec<(f64, String)>,
    /// When the sequence found that the tip had changed by itself, s, and by what.
    pub changes: Vec<(f64, String)>,
    /// Words of the writer of the sequence for the next shift.
    pub handed_over: Vec<String>,
    /// Its helium.
    pub bath: Option<PartBath>,
}

/// The helium of one run.
#[derive(Debug, Clone)]
pub struct PartBath {
    /// First and last reading of the level, m³.
    pub ends_m3: [f64; 2],
    /// Level at the end by the straight line that tells the loss, as the brief of the run has it, m³.
    pub last_m3: f64,
    /// Readings to be drawn: s, m³.
    pub levels: Vec<(f64, f64)>,
    /// Used in the run, m³; what was filled in does not count against it.
    pub used_m3: f64,
    /// Filled in during the run, m³.
    pub filled_m3: f64,
    /// A rise by more is a transfer, m³.
    pub transfer_m3: f64,
    /// Level at which a refill is due, m³.
    pub limit_m3: f64,
    /// In which levels are printed.
    pub unit: Unit,
    /// When the refill is due, in words, where it can be forecast.
    pub due: Option<String>,
}

impl RunPart {
    /// From the account of a run, with its result as it is told elsewhere.
    pub fn of(account: &Account, result: RunResult) -> Self {
        let history = &account.history;
        let identity = account.identity.as_ref();
        let makes_another =
            |what: &str| TaskKind::ALL.iter().any(|kind| kind.changes_tip() && kind.name() == what);
        let touches =
            account.tip.iter().filter(|event| makes_another(&event.what) && event.achieved == Some(true));
        Self {
            name: account.name(),
            // One run has one path, however it was given.
            path: account.path.canonicalize().unwrap_or_else(|_| account.path.clone()),
            sequence: identity.map(|identity| identity.sequence.clone()).unwrap_or_default(),
            rehearsal: identity.is_some_and(|identity| identity.rehearsal),
            clock: history.clock.clone(),
            end_s: history.end_s,
            intact: account.is_intact(),
            bath: account
                .bench
                .as_ref()
                .and_then(|bench| PartBath::of(account, bench, result.helium.as_ref())),
            result,
            goals: history.goals.all.clone(),
            holds: history.hold_spans.clone(),
            points: history.points,
            told: history.told_of_tip,
            touches: touches.map(|event| (event.at_s, event.what.clone())).collect(),
            changes: history.tip_changes.clone(),
            handed_over: history.handed_over.clone(),
        }
    }

    /// When it began, s since 1970.
    pub fn started_s(&self) -> Option<f64> {
        self.clock.since_1970_s(0.0)
    }

    /// Whether it goes on.
    pub fn goes_on(&self) -> bool {
        matches!(self.result.outcome.as_str(), "running" | "held")
    }
}

impl PartBath {
    fn of(account: &Account, bench: &Bench, helium: Option<&HeliumNow>) -> Option<Self> {
        let level = account.history.helium.as_ref().filter(|level| !level.readings.is_empty())?;
        let used = level.used();
        let clock = &account.history.clock;
        Some(Self {
            ends_m3: [level.readings[0].1, level.readings[level.readings.len() - 1].1],
            last_m3: helium.map_or(f64::NAN, |helium| helium.last_m3),
            levels: thin(&level.readings, LEVELS),
            used_m3: used.used,
            filled_m3: used.filled,
            transfer_m3: level.transfer_m3,
            limit_m3: level.limit_m3,
            unit: bench.channel(bench.helium?.channel).unit.clone(),
            due: helium.and_then(|helium| helium.due_at_s).map(|due_s| clock.dated(due_s)),
        })
    }
}
