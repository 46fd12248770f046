//! The microscope that all instruments of a mimic share, and its time.

use crate::faults::{Mishap, Planned};
use noctule_sim::act::ActReport;
use noctule_sim::microscope::Microscope;
use noctule_sim::{Act, Refusal, Signal};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Instant;

/// Slowest pace.
pub const PACE_MIN: f64 = 0.001;
/// Fastest pace: what a debug build still keeps up with.
pub const PACE_MAX: f64 = 10_000.0;

/// The microscope behind a mimic.
#[derive(Debug)]
pub(super) struct Lab {
    microscope: Microscope,
    pace: f64,
    /// Simulated time was `base_s` at `since`.
    base_s: f64,
    since: Instant,
    coming: Vec<Coming>,
    report: Option<ActReport>,
    /// Size in SI of what the running trace counts in.
    traced_unit: f64,
}

#[derive(Debug)]
struct Coming {
    next_s: f64,
    every_s: Option<f64>,
    mishap: Mishap,
}

/// What happens to the apparatus: each fault, and its end where it lasts and has one.
fn coming(fault: &Planned) -> impl Iterator<Item = Coming> + use<> {
    let Planned { at_s, for_s, every_s, ref mishap, .. } = *fault;
    let begins = matches!(mishap, Mishap::World(_) | Mishap::Clear).then(|| (at_s, mishap.clone()));
    let ends = fault.end_in_world().map(|end| (at_s + for_s, Mishap::World(end)));
    begins.into_iter().chain(ends).map(move |(next_s, mishap)| Coming { next_s, every_s, mishap })
}

/// The lab, whatever happened to the thread that had it before.
pub(super) fn locked(lab: &Mutex<Lab>) -> MutexGuard<'_, Lab> {
    lab.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Lab {
    pub(super) fn new(microscope: Microscope, pace: f64, faults: &[Planned]) -> Self {
        Self {
            base_s: microscope.now_s(),
            microscope,
            pace,
            since: Instant::now(),
            coming: faults.iter().flat_map(coming).collect(),
            report: None,
            traced_unit: 1.0,
        }
    }

    pub(super) fn microscope(&mut self) -> &mut Microscope {
        &mut self.microscope
    }

    pub(super) fn now_s(&self) -> f64 {
        self.base_s + self.since.elapsed().as_secs_f64() * self.pace
    }

    pub(super) fn pace(&self) -> f64 {
        self.pace
    }

    /// Changes the pace; simulated time goes on from where it is.
    pub(super) fn set_pace(&mut self, pace: f64) {
        assert!((PACE_MIN..=PACE_MAX).contains(&pace), "{pace}");
        self.base_s = self.now_s();
        self.since = Instant::now();
        self.pace = pace;
    }

    /// Lets the microscope's time pass up to the present, with the faults on the way.
    pub(super) fn catch_up(&mut self) {
        let now_s = self.now_s();
        while let Some(index) = self.first_due(now_s) {
            let coming = &mut self.coming[index];
            self.microscope.advance_to(coming.next_s);
            match coming.mishap {
                Mishap::World(fault) => self.microscope.inflict(fault),
                Mishap::Clear => self.microscope.clear(),
                Mishap::Link(_) | Mishap::Runner(_) | Mishap::Refill(_) | Mishap::Answers { .. } => {}
            }
            match coming.every_s {
                Some(every_s) => coming.next_s += every_s,
                None => drop(self.coming.swap_remove(index)),
            }
        }
        self.microscope.advance_to(now_s);
        if let Some(mut report) = self.microscope.poll() {
            for value in &mut report.data {
                *value *= self.traced_unit;
            }
            self.report = Some(report);
        }
    }

    fn first_due(&self, now_s: f64) -> Option<usize> {
        let due = self.coming.iter().enumerate().filter(|(_, coming)| coming.next_s <= now_s);
        due.min_by(|a, b| a.1.next_s.total_cmp(&b.1.next_s)).map(|(index, _)| index)
    }

    pub(super) fn begin(&mut self, act: Act) -> Result<(), Refusal> {
        let traced_unit = match act {
            // The helium gauge alone counts in something else than SI.
            Act::Trace { signal: Signal::HeliumLevel, .. } => 1e-3,
            _ => 1.0,
        };
        self.microscope.begin(act)?;
        self.traced_unit = traced_unit;
        self.report = None;
        Ok(())
    }

    /// The report of the last task; none while one runs, and before the first.
    pub(super) fn report(&self) -> Option<&ActReport> {
        self.report.as_ref()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use noctule_sim::Fault;
    use noctule_sim::world::World;
    use std::thread::sleep;
    use std::time::Duration;

    fn lab(pace: f64, faults: &[Planned]) -> Lab {
        Lab::new(Microscope::new(&World::shipped("night").unwrap(), 3), pace, faults)
    }

    #[test]
    fn time_passes_at_the_pace_and_never_jumps() {
        let mut lab = lab(1000.0, &[]);
        sleep(Duration::from_millis(20));
        lab.catch_up();
        let before_s = lab.microscope().now_s();
        assert!(before_s >= 20.0, "{before_s}");
        lab.set_pace(0.001);
        sleep(Duration::from_millis(20));
        lab.catch_up();
        let after_s = lab.microscope().now_s();
        assert!(after_s >= before_s, "{after_s}");
    }

    #[test]
    fn a_lasting_fault_of_the_world_ends_when_it_should() {
        let text = "Faults(faults: [WarmUp(at: \"10 s\", by: \"1 K\", for: \"5 s\", every: \"1 min\")])";
        let faults = crate::mimic::read_faults(text).unwrap();
        let coming: Vec<Coming> = coming(&faults[0]).collect();
        assert_eq!(coming.len(), 2);
        assert_eq!((coming[1].next_s, coming[1].every_s), (15.0, Some(60.0)));
        assert_eq!(coming[1].mishap, Mishap::World(Fault::WarmUp { k: 0.0 }));
    }

    #[test]
    fn faults_of_the_world_come_at_their_time_and_again() {
        let first_s = 60.0;
        let crash = Planned::once(first_s, f64::INFINITY, Mishap::World(Fault::TipCrash));
        let crash = Planned { every_s: Some(5.0), ..crash };
        let mut lab = lab(10_000.0, &[crash]);
        // Only a tip in range can touch the surface.
        let approach_s = lab.microscope().begin(noctule_sim::Act::Approach).unwrap();
        assert!(approach_s < first_s, "{approach_s}");
        sleep(Duration::from_millis(10));
        lab.catch_up();
        let now_s = lab.microscope().now_s();
        let expected = ((now_s - first_s) / 5.0).floor() as u32 + 1;
        assert_eq!(lab.microscope().truth().crashes, expected, "{now_s}");
    }
}
