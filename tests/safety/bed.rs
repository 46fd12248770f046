//! A rehearsal within the test, with faults from a text.

use noctule::drive::virtual_time::Observer;
use noctule::quantity::TimePoint;
use noctule::record::{DigestOnly, Entry};
use noctule::run::faults::read_faults;
use noctule::run::{BenchSource, Rehearsed, Setup, rehearse_with_faults};
use noctule::script::Sequence;
use noctule::supervisor::Probe;
use std::path::Path;
use std::sync::{Arc, Mutex};

/// A sweep of twenty minutes with the RF on, reading the current.
pub const SWEEP: &str = r#"
    approach();
    set("RfOutput", 1);
    let s = sweep(#{ name: "s", channel: "RfFrequency", from: 10.GHz, to: 10.1.GHz, points: 600,
        read: ["Current"], dwell: 3.s, average: 4 });
"#;
/// Its points.
pub const POINTS: u64 = 600;

/// What was rehearsed, and what was recorded on the way.
pub struct Night {
    pub done: Rehearsed,
    pub entries: Vec<(TimePoint, Entry)>,
}

struct Collector(Arc<Mutex<Vec<(TimePoint, Entry)>>>);

impl Observer for Collector {
    fn entry(&mut self, at: TimePoint, entry: &Entry) {
        self.0.lock().unwrap().push((at, entry.clone()));
    }
}

/// Rehearses a sequence with faults on the built-in bench.
pub fn night(sequence: &str, faults: &str) -> Night {
    night_until(sequence, faults, None)
}

/// The same with a window.
pub fn night_until(sequence: &str, faults: &str, window_s: Option<f64>) -> Night {
    rehearse_sequence(Sequence::from_text("test.rhai", sequence), faults, window_s, SEED)
}

/// Without faults, with another seed.
pub fn night_with_seed(sequence: &str, seed: u64) -> Night {
    rehearse_sequence(Sequence::from_text("test.rhai", sequence), "", None, seed)
}

const SEED: u64 = 3;

/// A sequence of a file.
pub fn night_of_file(path: &Path, faults: &str) -> Night {
    rehearse_sequence(Sequence::load(path).unwrap(), faults, None, SEED)
}

fn rehearse_sequence(sequence: Sequence, faults: &str, window_s: Option<f64>, seed: u64) -> Night {
    let source = BenchSource::load(None).unwrap();
    let setup = Setup::for_rehearsal(sequence, source, None, seed, window_s.map(TimePoint::from_s)).unwrap();
    let plan = read_faults(&format!("Faults(faults: [{faults}])"), &setup.bench).unwrap();
    let entries = Arc::new(Mutex::new(Vec::new()));
    let observer = Box::new(Collector(Arc::clone(&entries)));
    let recorder = Box::new(DigestOnly::default());
    let done = rehearse_with_faults(&setup, &plan, recorder, observer, "test");
    assert_eq!(done.oracle.violations, 0, "{:?}", done.oracle.first);
    assert_eq!(done.oracle.points_lost, 0);
    if done.tally.parked {
        assert_eq!(done.oracle.not_parked(&setup.bench), Vec::<String>::new());
    }
    let entries = entries.lock().unwrap().clone();
    Night { done, entries }
}

impl Night {
    /// The word and the sentence of the end.
    pub fn ending(&self) -> (&'static str, String) {
        let summary = self.done.summary();
        (summary.outcome.word(), summary.reason)
    }

    /// It finished with every point of [`SWEEP`], and the bench is parked.
    pub fn rode_out(&self) -> &Self {
        assert_eq!(self.ending().0, "finished", "{:?}", self.ending());
        assert_eq!(self.done.tally.points, POINTS, "no point is lost, none is there twice");
        assert!(self.done.tally.parked);
        self
    }

    /// An interlock of this name ended it, and the bench is parked.
    pub fn parked_by(&self, name: &str, latched: bool) -> &Self {
        let ending = self.done.tally.ending.clone().unwrap();
        assert_eq!(ending.outcome.word(), "interlock", "{ending:?}");
        assert!(ending.reason.starts_with(name), "{ending:?}");
        assert_eq!(ending.latched, latched);
        assert!(self.done.tally.parked, "{:?}", self.steps("park"));
        self
    }

    /// An interlock of this name tripped.
    pub fn tripped(&self, name: &str, action: &str) -> &Self {
        let trips = &self.done.tally.trips;
        assert!(trips.iter().any(|t| t.name == name && t.action == action), "{trips:?}");
        self
    }

    /// It took a branch of recovery.
    pub fn reached(&self, probe: Probe) -> &Self {
        assert!(self.done.probes[probe as usize] > 0, "{}", probe.name());
        self
    }

    /// Steps of `park`, `hold`, `restore`: what, whether achieved, remark.
    pub fn steps(&self, during: &str) -> Vec<(String, bool, String)> {
        let steps = self.entries.iter().filter_map(|(_, entry)| match entry {
            Entry::SafeStep { during: d, step, achieved, found } if d.word() == during => {
                Some((step.in_words(), *achieved, found.in_words(step)))
            }
            _ => None,
        });
        steps.collect()
    }
}
