//! The faults of `noctule mimic --faults`, from a [faults file](crate::faults).

use super::faults::{Faults, LinkFault, LinkFaultKind, WorldFault, WorldFaultKind};
use super::instruments::INSTRUMENTS;
use crate::document::Problem;
use crate::faults::{Entry, Kind, LinkTrouble, Stage, end_of};

/// Reads the text of a faults file: `Faults(faults: [DropConnection(at: "10 s", on: "magnet", times: 1)])`.
///
/// # Errors
/// Everything that is wrong with it, in the order of its lines.
pub fn read(text: &str) -> Result<Faults, Vec<Problem>> {
    let names: Vec<&'static str> = INSTRUMENTS.iter().map(|instrument| instrument.name).collect();
    let mut faults = Faults::default();
    for entry in crate::faults::read(text, Stage::Mimic(&names))? {
        match entry.kind {
            Kind::Link(trouble) => faults.links.push(on_a_link(&entry, trouble)),
            Kind::World(fault) => {
                faults.world.push(in_the_world(&entry, 0.0, WorldFaultKind::Inflict(fault)));
                if let Some(end) = end_of(fault).filter(|_| entry.for_s.is_finite()) {
                    faults.world.push(in_the_world(&entry, entry.for_s, WorldFaultKind::Inflict(end)));
                }
            }
            Kind::Clear => faults.world.push(in_the_world(&entry, 0.0, WorldFaultKind::Clear)),
            Kind::Runner(_) | Kind::Refill(_) => unreachable!("the reader refuses it for a mimic"),
        }
    }
    Ok(faults)
}

fn in_the_world(entry: &Entry, later_s: f64, kind: WorldFaultKind) -> WorldFault {
    WorldFault { at_s: entry.at_s + later_s, every_s: entry.every_s, kind }
}

fn on_a_link(entry: &Entry, trouble: LinkTrouble) -> LinkFault {
    let kind = match trouble {
        LinkTrouble::NoReply { .. } => LinkFaultKind::NoReply,
        LinkTrouble::LateReply { by_s } => LinkFaultKind::LateReply { by_s },
        LinkTrouble::Garbled => LinkFaultKind::Garbled,
        LinkTrouble::NotANumber => LinkFaultKind::NotANumber,
        LinkTrouble::Refuses => LinkFaultKind::Refuses,
        LinkTrouble::DropConnection => LinkFaultKind::DropConnection,
        LinkTrouble::HalfReply => LinkFaultKind::HalfReply,
        LinkTrouble::DoubleReply => LinkFaultKind::DoubleReply,
        LinkTrouble::Rubbish => LinkFaultKind::Rubbish,
        LinkTrouble::Flood { bytes } => LinkFaultKind::Flood { bytes },
        LinkTrouble::EndsEarly => LinkFaultKind::EndsEarly,
        LinkTrouble::Saturated { .. }
        | LinkTrouble::OverRange
        | LinkTrouble::UnderRange
        | LinkTrouble::Stuck
        | LinkTrouble::Drifting { .. }
        | LinkTrouble::Stale { .. }
        | LinkTrouble::Lies
        | LinkTrouble::NeverDone
        | LinkTrouble::ReconnectNeeded => unreachable!("the reader refuses it for a mimic"),
    };
    LinkFault {
        at_s: entry.at_s,
        every_s: entry.every_s,
        for_s: entry.for_s,
        times: entry.times,
        instrument: entry.on.clone(),
        kind,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use noctule_sim::Fault;

    #[test]
    fn a_lasting_fault_of_the_world_ends_when_it_should() {
        let faults =
            read("Faults(faults: [WarmUp(at: \"10 s\", by: \"1 K\", for: \"5 s\", every: \"1 min\")])");
        let world = faults.unwrap().world;
        let end = WorldFaultKind::Inflict(Fault::WarmUp { k: 0.0 });
        assert_eq!(world.len(), 2);
        assert_eq!(world[1], WorldFault { at_s: 15.0, every_s: Some(60.0), kind: end });
    }
}
