//! A rehearsal from its first entry to its digest.

use super::Setup;
use super::faults::FaultPlan;
use super::summary::Summary;
use crate::drive::RunTally;
use crate::drive::SharedPort;
use crate::drive::connect::simulate_all;
use crate::drive::oracle::Oracle;
use crate::drive::virtual_time::{Disturbances, Onlooker, VirtualDrive};
use crate::instrument::Instrument;
use crate::record::{Document, RecordError, Recorder};
use crate::script::{self, ScriptEnd};
use crate::supervisor::Probes;
use std::cell::RefCell;
use std::rc::Rc;

/// A rehearsal that has come to its end.
#[derive(Debug)]
pub struct Rehearsed {
    /// How the script ended.
    pub script: ScriptEnd,
    /// What it adds up to.
    pub tally: RunTally,
    /// The independent look at every command.
    pub oracle: Oracle,
    /// How often each branch of recovery was taken.
    pub probes: Probes,
    /// Digest of the record.
    pub digest: Option<String>,
    /// Why the record failed, if it did.
    pub record_error: Option<RecordError>,
    /// Files that were imported.
    pub imports: Vec<Document>,
}

/// Rehearses. `started_at` is the wall-clock time that the record claims.
pub fn rehearse(
    setup: &Setup,
    recorder: Box<dyn Recorder>,
    onlooker: Box<dyn Onlooker>,
    started_at: &str,
) -> Rehearsed {
    let world = setup.world.as_deref().expect("a rehearsal has a world");
    let instruments = simulate_all(&setup.bench, world, setup.seed);
    rehearse_with(setup, instruments, recorder, onlooker, started_at)
}

/// Rehearses with given instruments, one for each link.
pub fn rehearse_with(
    setup: &Setup,
    instruments: Vec<Box<dyn Instrument>>,
    recorder: Box<dyn Recorder>,
    onlooker: Box<dyn Onlooker>,
    started_at: &str,
) -> Rehearsed {
    rehearse_disturbed(setup, instruments, recorder, onlooker, started_at, Disturbances::default())
}

/// Rehearses with the faults of a plan.
pub fn rehearse_with_faults(
    setup: &Setup,
    plan: &FaultPlan,
    recorder: Box<dyn Recorder>,
    onlooker: Box<dyn Onlooker>,
    started_at: &str,
) -> Rehearsed {
    let world = setup.world.as_deref().expect("a rehearsal has a world");
    let instruments = plan.instruments(&setup.bench, world, setup.seed);
    let recorder = plan.recorder(recorder);
    let setup = &Setup { window: plan.window(setup.window), ..setup.clone() };
    rehearse_disturbed(setup, instruments, recorder, onlooker, started_at, plan.disturbances())
}

fn rehearse_disturbed(
    setup: &Setup,
    instruments: Vec<Box<dyn Instrument>>,
    recorder: Box<dyn Recorder>,
    onlooker: Box<dyn Onlooker>,
    started_at: &str,
    disturbances: Disturbances,
) -> Rehearsed {
    let bench = std::sync::Arc::clone(&setup.bench);
    let mut drive = VirtualDrive::new(bench, instruments, recorder, onlooker, setup.seed, setup.window);
    drive.disturb(disturbances);
    drive.introduce(&setup.identity());
    drive.introduce(&setup.context(started_at));
    let drive = Rc::new(RefCell::new(drive));
    let port: SharedPort = drive.clone();
    let (end, imports) = script::run(&setup.sequence, port);
    let mut drive = drive.borrow_mut();
    let digest = drive.finish(end.outcome, end.reason.clone(), end.place.clone());
    if drive.tally.ending.is_none() && drive.supervisor().is_over() {
        // The last entry could not be written, so what it would have said is taken from the supervisor.
        drive.tally.ending = drive.ending();
        drive.tally.parked = drive.supervisor().is_parked();
        drive.tally.end_s = drive.now().s();
    }
    Rehearsed {
        script: end,
        tally: drive.tally.clone(),
        oracle: drive.oracle.clone(),
        probes: *drive.supervisor().probes(),
        digest,
        record_error: drive.record_error.take(),
        imports,
    }
}

impl Rehearsed {
    /// The closing report of the run.
    pub fn summary(&self) -> Summary {
        Summary::new(&self.tally, &self.oracle, self.digest.clone())
    }
}
