//! The faults of `noctule rehearse --faults`, from a [faults file](crate::faults).

use super::{FaultPlan, Mishap, Planned};
use crate::bench::Bench;
use crate::document::Problem;
use crate::drive::visitor::{Call, Visit};
use crate::faults::{Entry, Kind, LinkTrouble, Refill, RefillCall, RunnerTrouble, Said, Stage, read};
use crate::instrument::faulty::Misbehaviour;
use crate::quantity::Moment;
use crate::supervisor::Word;

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
    Ok(FaultPlan { faults: entries.iter().flat_map(|entry| planned(entry, bench)).collect() })
}

/// A fault each time it comes.
fn planned(entry: &Entry, bench: &Bench) -> impl Iterator<Item = Planned> + use<> {
    let (at_s, for_s, mishap) = (entry.at_s, entry.for_s, mishap(entry, bench));
    let again = entry.every_s.map_or(0.0, |every_s| (COMES_AGAIN_FOR_S / every_s).floor());
    let times = (again as usize).min(COMES_AT_MOST - 1) + 1;
    let every_s = entry.every_s.unwrap_or(0.0);
    (0..times).map(move |time| {
        let at = Moment::from_s(at_s + every_s * time as f64);
        Planned { at, for_s, mishap: mishap.clone() }
    })
}

fn mishap(entry: &Entry, bench: &Bench) -> Mishap {
    match entry.kind {
        Kind::World(fault) => Mishap::World(fault),
        Kind::Link(trouble) => {
            Mishap::Link { kind: misbehaviour(trouble), channel: entry.on.clone(), times: entry.times }
        }
        Kind::Runner(RunnerTrouble::ClockJump { by_s }) => Mishap::ClockJump { by_s },
        Kind::Runner(RunnerTrouble::DiskFull) => Mishap::DiskFull,
        Kind::Runner(RunnerTrouble::SlowDisk { lag_s }) => Mishap::SlowDisk { lag_s },
        Kind::Runner(RunnerTrouble::KeeperLost) => Mishap::KeeperLost,
        Kind::Runner(RunnerTrouble::Operator(said)) => Mishap::Operator(match said {
            Said::Hold => Word::Hold,
            Said::Refill => Word::HoldForRefill,
            Said::Release => Word::Release,
            Said::Stop => Word::Stop,
        }),
        Kind::Refill(refill) => Mishap::Refill(visit(refill, bench)),
        Kind::Clear => unreachable!("the reader refuses it in a rehearsal"),
    }
}

/// The visit that a file asks for, with what is usual where it leaves something out.
fn visit(refill: Refill, bench: &Bench) -> Visit {
    let (when, usual_s) = match refill.when {
        RefillCall::At(at_s) => (Call::At(Moment::from_s(at_s)), 0.0),
        RefillCall::Below(mark_m3) => (Call::Below(mark_m3), COMES_AFTER_S),
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

fn misbehaviour(trouble: LinkTrouble) -> Misbehaviour {
    match trouble {
        LinkTrouble::NoReply { heard } => Misbehaviour::NoReply { heard },
        LinkTrouble::LateReply { by_s } => Misbehaviour::LateReply { by_s },
        LinkTrouble::Garbled => Misbehaviour::Garbled,
        LinkTrouble::NotANumber => Misbehaviour::NotANumber,
        LinkTrouble::Refuses => Misbehaviour::Refuses,
        LinkTrouble::Saturated { at } => Misbehaviour::Saturated { at },
        LinkTrouble::OverRange => Misbehaviour::Beyond { above: true },
        LinkTrouble::UnderRange => Misbehaviour::Beyond { above: false },
        LinkTrouble::Stuck => Misbehaviour::Stuck,
        LinkTrouble::Drifting { per_s } => Misbehaviour::Drifting { per_s },
        LinkTrouble::Stale { by_s } => Misbehaviour::Stale { by_s },
        LinkTrouble::Lies => Misbehaviour::Lies,
        LinkTrouble::ReconnectNeeded => Misbehaviour::ReconnectNeeded,
        LinkTrouble::NeverDone => Misbehaviour::NeverDone,
        LinkTrouble::DropConnection
        | LinkTrouble::HalfReply
        | LinkTrouble::DoubleReply
        | LinkTrouble::Rubbish
        | LinkTrouble::Flood { .. }
        | LinkTrouble::EndsEarly => unreachable!("the reader refuses it in a rehearsal"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_that_comes_again_is_planned_each_time() {
        let text = r#"Faults(faults: [
            Garbled(at: "1 h", for: "9 s", every: "2 h", channel: "HeliumLevel"),
            Operator(at: "1 h", says: "refill"), NoReply(at: "1 s", every: "100 ms"),
        ])"#;
        let plan = read_faults(text, &crate::bench::builtin()).unwrap();
        assert_eq!(plan.faults.len(), 85 + 1 + COMES_AT_MOST);
        assert_eq!((plan.faults[1].at.s(), plan.faults[1].for_s), (10_800.0, 9.0));
        let channel = Some("helium_level".to_owned());
        let garbled = Mishap::Link { kind: Misbehaviour::Garbled, channel, times: None };
        assert_eq!(plan.faults[1].mishap, garbled);
        assert_eq!(plan.faults[85].mishap, Mishap::Operator(Word::HoldForRefill));
    }
}
