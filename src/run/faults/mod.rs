//! Faults of a rehearsal: from a file, or drawn from the seed of a night.

mod draw;
mod file;
mod promise;

pub use draw::{Kind, draw};
pub use file::read_faults;
pub use promise::{PROMISES, Promise, promises_table};

use crate::bench::Bench;
use crate::drive::virtual_time::Disturbances;
use crate::faults::{Mishap, Planned, RunnerTrouble};
use crate::instrument::faulty::{Afflicted, Faulty, Trouble};
use crate::instrument::simulated::{Microscope, World};
use crate::instrument::{Instrument, Simulated};
use crate::quantity::TimePoint;
use crate::record::{Entry, Point, RecordError, Recorder};
use crate::supervisor::{Event, Spoken};
use file::visit;
use noctule_ground::fault::Fault;

/// Everything that goes wrong in one rehearsal.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FaultPlan {
    /// The mishaps.
    pub faults: Vec<Planned>,
}

impl FaultPlan {
    /// What happens to the apparatus; a lasting fault is taken back when its time is over.
    fn world_schedule(&self) -> Vec<(TimePoint, Fault)> {
        let mut schedule = Vec::new();
        for planned in &self.faults {
            let Mishap::World(fault) = planned.mishap else { continue };
            schedule.push((planned.at(), fault));
            schedule.extend(planned.end_in_world().map(|end| (planned.until(), end)));
        }
        schedule
    }

    fn troubles(&self) -> Vec<Trouble> {
        let trouble = |planned: &Planned| match planned.mishap {
            Mishap::Link(kind) => Some(Trouble {
                kind,
                from: planned.at(),
                until: planned.until(),
                channel: planned.on.clone(),
                times: planned.times,
            }),
            _ => None,
        };
        self.faults.iter().filter_map(trouble).collect()
    }

    /// Simulated instruments for all links of a simulated bench, with these faults.
    pub fn instruments(&self, bench: &Bench, world: &World, seed: u64) -> Vec<Box<dyn Instrument>> {
        let make = |_: &crate::bench::Link| -> Box<dyn Instrument> {
            let simulated = Simulated::new(Microscope::new(world, seed));
            let schedule = self.world_schedule();
            let afflicted: Box<dyn Instrument> = if schedule.is_empty() {
                Box::new(simulated)
            } else {
                Box::new(Afflicted::new(simulated, schedule))
            };
            let troubles = self.troubles();
            if troubles.is_empty() { afflicted } else { Box::new(Faulty::new(afflicted, troubles)) }
        };
        bench.links.iter().map(make).collect()
    }

    /// What comes from outside the bench.
    pub fn disturbances(&self, bench: &Bench) -> Disturbances {
        let mut disturbances = Disturbances::default();
        for planned in &self.faults {
            let mut event = |event: Event| disturbances.events.push((planned.at(), event));
            match planned.mishap.clone() {
                Mishap::Runner(RunnerTrouble::ClockJump { by_s }) => event(Event::ClockJumped { by_s }),
                Mishap::Runner(RunnerTrouble::Operator(word)) => {
                    event(Event::Operator(Spoken::rehearsed(word)))
                }
                Mishap::Runner(RunnerTrouble::KeeperLost) => event(Event::KeeperLost),
                Mishap::Runner(RunnerTrouble::SlowDisk { lag_s }) => {
                    disturbances.slow_disk.push((planned.at(), planned.until(), lag_s));
                }
                Mishap::Answers { question, says } => {
                    event(Event::Operator(Spoken::answered(&question, &says)));
                }
                Mishap::Refill(refill) => disturbances.visits.push(visit(refill, bench)),
                Mishap::Runner(RunnerTrouble::DiskFull | RunnerTrouble::WindowEnds)
                | Mishap::World(_)
                | Mishap::Clear
                | Mishap::Link(_) => {}
            }
        }
        disturbances
    }

    fn first(&self, trouble: RunnerTrouble) -> Option<TimePoint> {
        let such = self.faults.iter().filter(|planned| planned.mishap == Mishap::Runner(trouble));
        such.map(Planned::at).min()
    }

    /// The end of the window, which may come before the one that was wanted.
    pub fn window(&self, wanted: Option<TimePoint>) -> Option<TimePoint> {
        self.first(RunnerTrouble::WindowEnds).into_iter().chain(wanted).min()
    }

    /// The recorder, on a disk that fills up if the plan says so.
    pub fn recorder(&self, inner: Box<dyn Recorder>) -> Box<dyn Recorder> {
        match self.first(RunnerTrouble::DiskFull) {
            Some(full_from) => Box::new(FullDisk { inner, full_from, now: TimePoint::START }),
            None => inner,
        }
    }
}

/// A recorder whose disk fills up.
struct FullDisk {
    inner: Box<dyn Recorder>,
    full_from: TimePoint,
    now: TimePoint,
}

impl FullDisk {
    fn room(&mut self, at: TimePoint) -> Result<(), RecordError> {
        self.now = self.now.max(at);
        if self.now < self.full_from {
            return Ok(());
        }
        let reason = "no space left on the device".to_owned();
        Err(RecordError::Unusable { path: "run.sqlite".to_owned(), reason })
    }
}

impl Recorder for FullDisk {
    fn append(&mut self, at: TimePoint, entry: &Entry, data: &[f64]) -> Result<(), RecordError> {
        self.room(at)?;
        self.inner.append(at, entry, data)
    }

    fn append_point(&mut self, point: &Point) -> Result<(), RecordError> {
        self.room(point.at)?;
        self.inner.append_point(point)
    }

    fn commit(&mut self) -> Result<(), RecordError> {
        self.inner.commit()
    }

    fn finish(&mut self) -> Result<String, RecordError> {
        self.inner.finish()
    }

    fn uncommitted(&self) -> u64 {
        self.inner.uncommitted()
    }
}
