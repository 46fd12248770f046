//! Where steps and sweeps begin and end: the same text sets the same marks in its rehearsal and in its run.

use crate::record::Entry;

/// A step or a sweep begins or ends.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// What: its kind and its name, behind the names of the steps that it lies in.
    pub key: String,
    /// When, s.
    pub at_s: f64,
    /// The same on a clock that stands still in holds, s.
    pub worked_s: f64,
    /// How often the run was held or taken up again before.
    pub interruptions: u64,
}

impl Mark {
    /// Whether a sweep begins here.
    pub fn is_sweep(&self) -> bool {
        self.key.starts_with("sweep/")
    }
}

/// Where the sweep that goes on began.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SweepBegun {
    /// When, s, on a clock that stands still in holds.
    pub worked_s: f64,
    /// Points of sweeps before it.
    pub points: u64,
}

/// Names what begins and ends.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Marker {
    open: Vec<(u64, String)>,
    sweep: String,
}

impl Marker {
    /// The key of the mark that an entry sets, if it sets one.
    pub(super) fn key(&mut self, entry: &Entry) -> Option<String> {
        let within = self.open.last().map_or("", |(_, path)| path.as_str());
        match entry {
            Entry::StepBegin { step, name, .. } => {
                let path = format!("{within}/{name}");
                self.open.push((*step, path.clone()));
                Some(format!("step{path}"))
            }
            Entry::StepEnd { step, .. } => {
                let place = self.open.iter().rposition(|(open, _)| open == step)?;
                let (_, path) = self.open.swap_remove(place);
                self.open.truncate(place);
                Some(format!("end{path}"))
            }
            Entry::SweepBegin { plan, .. } => {
                self.sweep = format!("{within}/{}", plan.name);
                Some(format!("sweep{}", self.sweep))
            }
            Entry::SweepEnd { .. } => Some(format!("swept{}", self.sweep)),
            _ => None,
        }
    }
}
