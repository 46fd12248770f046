//! The course of a run as its rehearsal went: which steps and sweeps, and when.
//!
//! Just before a run its sequence is rehearsed quietly, in a thread of its own and without a record. That takes
//! a second or so for a night, and it is the rehearsal of this very text, bench and window. What it took is what
//! the time left is first reckoned with.

use crate::drive::RunTally;
use crate::drive::virtual_time::Nobody;
use crate::history::Mark;
use crate::quantity::{TimePoint, in_words};
use crate::record::{DigestOnly, Entry, Outcome, Point, RecordError, Recorder};
use crate::run::{BenchSource, Setup, rehearse};
use crate::script::{Sequence, print_nothing_here};
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

/// A sequence without a window is rehearsed for at most this long, s.
const HORIZON_S: f64 = 7.0 * 86_400.0;
/// Wall time after which a rehearsal is given up.
const PATIENCE: Duration = Duration::from_secs(60);
/// Stack of the rehearsal's thread: deep recursion must end with a message, not with the process.
const STACK: usize = 8 << 20;
/// Marks that are kept; a longer run is followed by its first ones.
const MOST_MARKS: usize = 200_000;

/// How a rehearsal went.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Course {
    /// Its marks, in their order.
    pub marks: Vec<Mark>,
    /// What it took until the bench was parked, s.
    pub total_s: f64,
}

/// What is known before the run.
#[derive(Debug, Clone, PartialEq)]
pub enum Foreseen {
    /// The rehearsal came to its end, or to the end of the window.
    Course(Course),
    /// It did not: why.
    Unknown(String),
}

/// A record that is given up after a while: with it ends what would go on for ever.
#[derive(Debug)]
struct Impatient {
    kept: DigestOnly,
    until: Instant,
}

impl Recorder for Impatient {
    fn append(&mut self, at: TimePoint, entry: &Entry, data: &[f64]) -> Result<(), RecordError> {
        if Instant::now() > self.until {
            return Err(RecordError::Closed(format!("it took longer than {} s", PATIENCE.as_secs())));
        }
        self.kept.append(at, entry, data)
    }

    fn append_point(&mut self, point: &Point) -> Result<(), RecordError> {
        self.kept.append_point(point)
    }

    fn commit(&mut self) -> Result<(), RecordError> {
        Ok(())
    }

    fn finish(&mut self) -> Result<String, RecordError> {
        self.kept.finish()
    }

    fn uncommitted(&self) -> u64 {
        0
    }
}

/// Rehearses in a thread of its own; the answer comes into the cell when it is there.
pub fn foresee(
    sequence: Sequence,
    source: BenchSource,
    seed: u64,
    window: Option<TimePoint>,
) -> Arc<OnceLock<Foreseen>> {
    let cell = Arc::new(OnceLock::new());
    let put = Arc::clone(&cell);
    let work = move || {
        print_nothing_here();
        let look = || look_ahead(sequence, source, seed, window);
        // What the rehearsal says of itself does not belong into the log of the run.
        let quiet = || tracing::subscriber::with_default(tracing::subscriber::NoSubscriber::new(), look);
        let seen = std::panic::catch_unwind(std::panic::AssertUnwindSafe(quiet));
        let failed = |_| Foreseen::Unknown("its rehearsal failed by a defect".to_owned());
        // Nobody else fills the cell.
        let _ = put.set(seen.unwrap_or_else(failed));
    };
    let begun = std::thread::Builder::new().name("foresight".to_owned()).stack_size(STACK).spawn(work);
    if let Err(error) = begun {
        let _ = cell.set(Foreseen::Unknown(format!("it could not be rehearsed: {error}")));
    }
    cell
}

/// Rehearses to the end of the window, or as far as a week.
fn look_ahead(sequence: Sequence, source: BenchSource, seed: u64, window: Option<TimePoint>) -> Foreseen {
    let horizon = window.unwrap_or(TimePoint::from_s(HORIZON_S));
    let setup = match Setup::for_rehearsal(sequence, source, None, seed, Some(horizon)) {
        Ok(setup) => setup,
        Err(_) => return Foreseen::Unknown("it can't be rehearsed on this bench".to_owned()),
    };
    let record = Impatient { kept: DigestOnly::default(), until: Instant::now() + PATIENCE };
    let done = rehearse(&setup, Box::new(record), Box::new(Nobody), "");
    concluded(&done.tally, window.is_some())
}

fn concluded(tally: &RunTally, windowed: bool) -> Foreseen {
    let Some(ending) = &tally.ending else {
        return Foreseen::Unknown("its rehearsal came to no end".to_owned());
    };
    let after = in_words(tally.end_s);
    let first = &tally.marks[..tally.marks.len().min(MOST_MARKS)];
    let course = || Foreseen::Course(Course { marks: first.to_vec(), total_s: tally.end_s });
    match ending.outcome {
        Outcome::Finished => course(),
        Outcome::Stopped if windowed => course(),
        Outcome::Stopped if tally.end_s > 0.99 * HORIZON_S => {
            Foreseen::Unknown(format!("its rehearsal came to no end within {after}"))
        }
        // A sequence may stop itself; where the world is another, it may not.
        Outcome::Stopped => course(),
        Outcome::Failed | Outcome::Interlock | Outcome::Fault => Foreseen::Unknown(format!(
            "its rehearsal ended after {after}: {}",
            ending.reason.trim_end_matches('.')
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn course_of(text: &str, window_s: Option<f64>) -> Foreseen {
        let sequence = Sequence::from_text("seen.rhai", text);
        let source = BenchSource::load(None).unwrap();
        look_ahead(sequence, source, 1, window_s.map(TimePoint::from_s))
    }

    #[test]
    fn a_course_has_the_steps_and_sweeps_with_their_times() {
        let text = "step(\"a\", || { wait(60.s); });\n\
            step(\"b\", || { let s = sweep(#{ name: \"iv\", channel: \"Bias\", from: 40.mV, to: 60.mV, points: 5, \
            read: \"Current\" }); note(s.points); });\npark();";
        let Foreseen::Course(course) = course_of(text, None) else { panic!("it finishes") };
        let keys: Vec<&str> = course.marks.iter().map(|m| m.key.as_str()).collect();
        assert_eq!(keys, ["step/a", "end/a", "step/b", "sweep/b/iv", "swept/b/iv", "end/b"]);
        assert!((course.marks[1].at_s - course.marks[0].at_s - 60.0).abs() < 0.1);
        assert!(course.total_s > 60.0);
    }

    #[test]
    fn what_ends_by_itself_in_no_way_is_not_foreseen() {
        let endless = "loop { wait(1.h); }";
        let Foreseen::Course(course) = course_of(endless, Some(7200.0)) else { panic!("the window ends it") };
        assert!(course.total_s <= 7200.0 + 60.0, "{}", course.total_s);
        let mut tally = RunTally::new(&crate::bench::builtin());
        assert_eq!(concluded(&tally, false), Foreseen::Unknown("its rehearsal came to no end".into()));
        tally.end_s = HORIZON_S;
        tally.ending = Some(crate::record::Ending {
            outcome: Outcome::Stopped,
            reason: "the window is over".into(),
            place: crate::record::Place::default(),
            latched: false,
        });
        let Foreseen::Unknown(why) = concluded(&tally, false) else { panic!("it has no end") };
        assert!(why.contains("no end within 7 d"), "{why}");
        let Foreseen::Unknown(why) = course_of("throw \"broken\";", None) else { panic!("it fails") };
        assert!(why.contains("broken"), "{why}");
    }
}
