//! Faults of a rehearsal: from a file, or drawn from the seed of a night.

mod draw;
mod file;
mod promise;

pub use draw::{Kind, draw};
pub use file::read_faults;
pub use promise::{PROMISES, Promise, promises_table};

use crate::bench::Bench;
use crate::drive::virtual_time::Disturbances;
use crate::drive::visitor::Visit;
use crate::faults::end_of;
use crate::instrument::faulty::{Afflicted, Faulty, Misbehaviour, Trouble};
use crate::instrument::{Instrument, Simulated};
use crate::quantity::{Moment, in_words};
use crate::record::{Entry, Point, RecordError, Recorder};
use crate::supervisor::{Event, Word};
use noctule_sim::Fault;
use noctule_sim::microscope::Microscope;
use noctule_sim::world::World;

/// One thing that goes wrong.
#[derive(Debug, Clone, PartialEq)]
pub enum Mishap {
    /// With the apparatus.
    World(Fault),
    /// With a link, or with one channel of it.
    Link {
        /// What.
        kind: Misbehaviour,
        /// Name of the channel, or what stands for tasks; none for all of the link.
        channel: Option<String>,
        /// Messages that it meets; none for all of them.
        times: Option<u64>,
    },
    /// The clock of the computer is set.
    ClockJump {
        /// By how much, s.
        by_s: f64,
    },
    /// The disk takes nothing any more.
    DiskFull,
    /// The disk is slow.
    SlowDisk {
        /// How much later things are on it, s.
        lag_s: f64,
    },
    /// Somebody comes to transfer helium: no fault, but something that happens to a run.
    Refill(Visit),
    /// An operator says something.
    Operator(Word),
    /// The keeper process dies.
    KeeperLost,
    /// The window ends then, if it does not end before.
    WindowEnds,
}

/// A mishap with its time.
#[derive(Debug, Clone, PartialEq)]
pub struct Planned {
    /// When.
    pub at: Moment,
    /// For how long, s; infinite where it does not end.
    pub for_s: f64,
    /// What.
    pub mishap: Mishap,
}

impl Planned {
    fn until(&self) -> Moment {
        if self.for_s.is_finite() { self.at.after(self.for_s) } else { Moment::NEVER }
    }

    /// One line for people.
    pub fn describe(&self) -> String {
        let what = match &self.mishap {
            Mishap::World(fault) => format!("{} {fault:?}", fault.name()),
            Mishap::Link { kind, channel, times } => {
                let times = times.map(|times| format!(", met {times} times")).unwrap_or_default();
                format!("{kind:?} on {}{times}", channel.as_deref().unwrap_or("the whole link"))
            }
            other => format!("{other:?}"),
        };
        let length = if self.for_s.is_finite() && self.for_s > 0.0 {
            format!(" for {}", in_words(self.for_s))
        } else {
            String::new()
        };
        format!("{}: {what}{length}", self.at)
    }
}

/// Everything that goes wrong in one rehearsal.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FaultPlan {
    /// The mishaps.
    pub faults: Vec<Planned>,
}

impl FaultPlan {
    /// What happens to the apparatus; a lasting fault is taken back when its time is over.
    fn world_schedule(&self) -> Vec<(Moment, Fault)> {
        let mut schedule = Vec::new();
        for planned in &self.faults {
            let Mishap::World(fault) = planned.mishap else { continue };
            schedule.push((planned.at, fault));
            if let Some(end) = end_of(fault).filter(|_| planned.for_s.is_finite()) {
                schedule.push((planned.until(), end));
            }
        }
        schedule
    }

    fn troubles(&self) -> Vec<Trouble> {
        let trouble = |planned: &Planned| match &planned.mishap {
            Mishap::Link { kind, channel, times } => Some(Trouble {
                kind: *kind,
                from: planned.at,
                until: planned.until(),
                channel: channel.clone(),
                times: *times,
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
    pub fn disturbances(&self) -> Disturbances {
        let mut disturbances = Disturbances::default();
        for planned in &self.faults {
            match &planned.mishap {
                Mishap::ClockJump { by_s } => {
                    disturbances.events.push((planned.at, Event::ClockJumped { by_s: *by_s }));
                }
                Mishap::Operator(word) => disturbances.events.push((planned.at, Event::Operator(*word))),
                Mishap::Refill(visit) => disturbances.visits.push(*visit),
                Mishap::KeeperLost => disturbances.events.push((planned.at, Event::KeeperLost)),
                Mishap::SlowDisk { lag_s } => {
                    disturbances.slow_disk.push((planned.at, planned.until(), *lag_s));
                }
                Mishap::World(_) | Mishap::Link { .. } | Mishap::DiskFull | Mishap::WindowEnds => {}
            }
        }
        disturbances
    }

    /// The end of the window, which may come before the one that was wanted.
    pub fn window(&self, wanted: Option<Moment>) -> Option<Moment> {
        let ends = self.faults.iter().filter(|planned| planned.mishap == Mishap::WindowEnds);
        ends.map(|planned| planned.at).chain(wanted).min()
    }

    /// The recorder, on a disk that fills up if the plan says so.
    pub fn recorder(&self, inner: Box<dyn Recorder>) -> Box<dyn Recorder> {
        let full = self.faults.iter().filter(|planned| planned.mishap == Mishap::DiskFull);
        match full.map(|planned| planned.at).min() {
            Some(full_from) => Box::new(FullDisk { inner, full_from, now: Moment::START }),
            None => inner,
        }
    }
}

/// A recorder whose disk fills up.
struct FullDisk {
    inner: Box<dyn Recorder>,
    full_from: Moment,
    now: Moment,
}

impl FullDisk {
    fn room(&mut self, at: Moment) -> Result<(), RecordError> {
        self.now = self.now.max(at);
        if self.now < self.full_from {
            return Ok(());
        }
        let reason = "no space left on the device".to_owned();
        Err(RecordError::Unusable { path: "run.sqlite".to_owned(), reason })
    }
}

impl Recorder for FullDisk {
    fn append(&mut self, at: Moment, entry: &Entry, data: &[f64]) -> Result<(), RecordError> {
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
