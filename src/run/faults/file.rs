//! The faults of `noctule rehearse --faults`, from a [faults file](crate::faults).

use super::FaultPlan;
use crate::bench::Bench;
use crate::document::Problem;
use crate::drive::visitor::{Call, Visit};
use crate::faults::{Planned, Refill, RefillCall, Stage, read};
use crate::quantity::TimePoint;

/// A fault that comes again does so for so long, s: no run is planned for longer.
const COMES_AGAIN_FOR_S: f64 = 7.0 * 86_400.0;
/// At most so often; each time costs every command of the rehearsal a look.
const COMES_AT_MOST: usize = 2_000;

/// Somebody who is called because the level is low comes after this, s.
const COMES_AFTER_S: f64 = 1800.0;
/// The transfer is made ready in this time, s.
const PREPARES_S: f64 = 900.0;
/// The run is released so long after the bath is full, s.
const LEAVES_AFTER_S: f64 = 300.0;
/// A bath is filled to this part of its volume.
const FULL_PART: f64 = 0.95;

/// Reads a faults file: `Faults(faults: [Quench(at: "3 h"), NoReply(at: "1 h", for: "2 s")])`.
///
/// # Errors
/// Everything that is wrong with it.
pub fn read_faults(text: &str, bench: &Bench) -> Result<FaultPlan, Vec<Problem>> {
    let entries = read(text, Stage::Rehearsal(bench))?;
    Ok(FaultPlan { faults: entries.iter().flat_map(each_time).collect() })
}

/// A fault each time it comes.
fn each_time(entry: &Planned) -> impl Iterator<Item = Planned> + use<> {
    let again = entry.every_s.map_or(0.0, |every_s| (COMES_AGAIN_FOR_S / every_s).floor());
    let times = (again as usize).min(COMES_AT_MOST - 1) + 1;
    let every_s = entry.every_s.unwrap_or(0.0);
    let once = Planned { every_s: None, ..entry.clone() };
    (0..times).map(move |time| Planned { at_s: once.at_s + every_s * time as f64, ..once.clone() })
}

/// The visit that a file asks for, with what is usual where it leaves something out.
pub(super) fn visit(refill: Refill, bench: &Bench) -> Visit {
    let (when, usual_s) = match refill.when {
        RefillCall::At(at_s) => (Call::At(TimePoint::from_s(at_s)), 0.0),
        RefillCall::Below(limit_m3) => (Call::Below(limit_m3), COMES_AFTER_S),
    };
    let volume_m3 = bench.helium.expect("the reader refuses a refill without a helium budget").volume_m3;
    Visit {
        when,
        comes_after_s: refill.comes_after_s.unwrap_or(usual_s),
        prepares_s: refill.prepares_s.unwrap_or(PREPARES_S),
        to_m3: refill.to_m3.unwrap_or(FULL_PART * volume_m3),
        leaves_after_s: refill.leaves_after_s.unwrap_or(LEAVES_AFTER_S),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::faults::{LinkTrouble, Mishap, RunnerTrouble};
    use crate::record::Word;

    #[test]
    fn a_fault_that_comes_again_is_planned_each_time() {
        let text = r#"Faults(faults: [
            Garbled(at: "1 h", for: "9 s", every: "2 h", channel: "HeliumLevel"),
            Operator(at: "1 h", says: "refill"), NoReply(at: "1 s", every: "100 ms"),
        ])"#;
        let plan = read_faults(text, &crate::bench::builtin()).unwrap();
        assert_eq!(plan.faults.len(), 85 + 1 + COMES_AT_MOST);
        let garbled = Planned::once(10_800.0, 9.0, Mishap::Link(LinkTrouble::Garbled));
        assert_eq!(plan.faults[1], Planned { on: Some("helium_level".to_owned()), ..garbled });
        assert_eq!(plan.faults[85].mishap, Mishap::Runner(RunnerTrouble::Operator(Word::HoldForRefill)));
    }
}
