//! Those who look on while a run goes on: several at once, one who keeps account of what lies ahead, and one who
//! writes what happens as JSON lines.

mod course;
mod events;
mod pace;
mod prospect;

pub use course::{Course, Foreseen, foresee};
pub use events::Events;
pub use pace::{Pace, Segment};
pub use prospect::{Prospect, SharedProspect};

use crate::drive::virtual_time::Observer;
use crate::drive::{Outlook, RunTally};
use crate::quantity::TimePoint;
use crate::record::Entry;
use crate::supervisor::Notice;

/// Several observers, told in their order.
#[derive(Default)]
pub struct Several(pub Vec<Box<dyn Observer>>);

impl std::fmt::Debug for Several {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_tuple("Several").field(&self.0.len()).finish()
    }
}

impl Observer for Several {
    fn entry(&mut self, at: TimePoint, entry: &Entry) {
        self.0.iter_mut().for_each(|one| one.entry(at, entry));
    }

    fn notice(&mut self, at: TimePoint, notice: &Notice) {
        self.0.iter_mut().for_each(|one| one.notice(at, notice));
    }

    fn moment(&mut self, at: TimePoint, tally: &RunTally) {
        self.0.iter_mut().for_each(|one| one.moment(at, tally));
    }

    fn leave_terminal(&mut self) {
        self.0.iter_mut().for_each(|one| one.leave_terminal());
    }

    fn outlook(&self, at: TimePoint, tally: &RunTally) -> Option<Outlook> {
        self.0.iter().find_map(|one| one.outlook(at, tally))
    }
}
