//! A rehearsal from its first entry to its digest.

use super::Setup;
use super::faults::FaultPlan;
use super::resumed_rehearsal::PastLives;
use super::summary::Summary;
use super::truth::Truth;
use crate::drive::RunTally;
use crate::drive::connect::simulate_all;
use crate::drive::oracle::Oracle;
use crate::drive::virtual_time::{Disturbances, Observer, VirtualDrive};
use crate::instrument::Instrument;
use crate::record::{Document, RecordError, Recorder};
use crate::script::ScriptEnd;
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
    /// What was really there: of the first simulated microscope of the bench.
    pub truth: Option<Truth>,
    /// Why the record failed, if it did.
    pub record_error: Option<RecordError>,
    /// Files that were imported.
    pub imports: Vec<Document>,
}

/// Rehearses. `started_at` is the wall-clock time that the record claims.
pub fn rehearse(
    setup: &Setup,
    recorder: Box<dyn Recorder>,
    observer: Box<dyn Observer>,
    started_at: &str,
) -> Rehearsed {
    let world = setup.world.as_deref().expect("a rehearsal has a world");
    let instruments = simulate_all(&setup.bench, world, setup.seed);
    rehearse_with(setup, instruments, recorder, observer, started_at)
}

/// Rehearses with given instruments, one for each link.
pub fn rehearse_with(
    setup: &Setup,
    instruments: Vec<Box<dyn Instrument>>,
    recorder: Box<dyn Recorder>,
    observer: Box<dyn Observer>,
    started_at: &str,
) -> Rehearsed {
    let (past, disturbances) = (PastLives::default(), Disturbances::default());
    rehearse_lives(setup, &past, instruments, recorder, observer, started_at, disturbances)
}

/// Rehearses with the faults of a plan.
pub fn rehearse_with_faults(
    setup: &Setup,
    plan: &FaultPlan,
    recorder: Box<dyn Recorder>,
    observer: Box<dyn Observer>,
    started_at: &str,
) -> Rehearsed {
    let world = setup.world.as_deref().expect("a rehearsal has a world");
    let instruments = plan.instruments(&setup.bench, world, setup.seed);
    let recorder = plan.recorder(recorder);
    let setup = &Setup { window: plan.window(setup.window), ..setup.clone() };
    let (past, disturbances) = (PastLives::default(), plan.disturbances(&setup.bench));
    rehearse_lives(setup, &past, instruments, recorder, observer, started_at, disturbances)
}

/// Takes a recorded rehearsal up again, with everything that went wrong in it but for the disk. The recorder
/// meets what is there.
pub fn resume_rehearsal(
    setup: &Setup,
    past: &PastLives,
    plan: &FaultPlan,
    recorder: Box<dyn Recorder>,
    observer: Box<dyn Observer>,
    started_at: &str,
) -> Rehearsed {
    let world = setup.world.as_deref().expect("a rehearsal has a world");
    let instruments = plan.instruments(&setup.bench, world, setup.seed);
    rehearse_lives(setup, past, instruments, recorder, observer, started_at, plan.disturbances(&setup.bench))
}

fn rehearse_lives(
    setup: &Setup,
    past: &PastLives,
    instruments: Vec<Box<dyn Instrument>>,
    recorder: Box<dyn Recorder>,
    observer: Box<dyn Observer>,
    started_at: &str,
    disturbances: Disturbances,
) -> Rehearsed {
    let bench = std::sync::Arc::clone(&setup.bench);
    let mut drive = VirtualDrive::new(bench, instruments, recorder, observer, setup.seed, setup.window);
    drive.disturb(disturbances);
    drive.introduce(&setup.identity());
    drive.introduce(&setup.context(started_at));
    if let Some(known) = setup.known() {
        drive.introduce(&known);
    }
    let drive = Rc::new(RefCell::new(drive));
    let (end, imports) = past.relive(setup, &drive);
    let mut drive = drive.borrow_mut();
    // A life that could not begin has moved nothing, so it has no end either.
    let begun = past.stop.borrow().is_none();
    let digest = begun.then(|| drive.finish(end.outcome, end.reason.clone(), end.place.clone())).flatten();
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
        truth: drive.chronicle().map(|chronicle| Truth::new(chronicle).with_claims(&drive.tally.claims)),
        record_error: drive.record_error.take(),
        imports,
    }
}

impl Rehearsed {
    /// The closing report of the run.
    pub fn summary(&self) -> Summary {
        Summary { truth: self.truth.clone(), ..Summary::new(&self.tally, &self.oracle, self.digest.clone()) }
    }
}
