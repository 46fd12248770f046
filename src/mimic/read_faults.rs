//! Reads a faults file.
//!
//! ```ron
//! [
//!     Fault(at: "10 s", kind: DropConnection(), on: "magnet"),
//!     Fault(at: "1 min", kind: LateReply(by: "2 s"), every: "5 min"),
//!     Fault(at: "2 min", kind: NoReply(), on: "lockin", lasting: "3 s"),
//!     Fault(at: "1 h", kind: HeliumLeak(rate: "2 L/h")),
//!     Fault(at: "2 h", kind: GaugeStuck(gauge: "stage_temperature"), lasting: "10 min"),
//! ]
//! ```
//! `at`, `every` and `lasting` are simulated time, `by` is wall time.

use super::faults::{Faults, LinkFault, LinkFaultKind, WorldFault, WorldFaultKind};
use super::instruments::INSTRUMENTS;
use crate::quantity::{Dimension, Quantity, Unit};
use noctule_sim::document::{Fields, Node, Problem, nearest};
use noctule_sim::{Fault, Signal};

/// Kinds of faults in a file.
const KINDS: [&str; 24] = [
    "DropConnection",
    "HalfReply",
    "DoubleReply",
    "Rubbish",
    "Flood",
    "LateReply",
    "NoReply",
    "Garbled",
    "NotANumber",
    "Refuses",
    "EndsEarly",
    "HeliumLeak",
    "PressureBurst",
    "WarmUp",
    "Quench",
    "TipChange",
    "TipCrash",
    "TipDrift",
    "LockinOverload",
    "RfDropOut",
    "GaugeStuck",
    "GaugeNan",
    "GaugeDrift",
    "Clear",
];
/// Faults don't come more often than this, simulated time, s.
const EVERY_MIN_S: f64 = 0.1;
/// Longest flood, bytes.
const FLOOD_MAX: u64 = 1 << 30;

enum Kind {
    Link(LinkFaultKind),
    World(WorldFaultKind),
}

/// Reads the text of a faults file.
///
/// # Errors
/// Everything that is wrong with it, in the order of its lines.
pub fn read(text: &str) -> Result<Faults, Vec<Problem>> {
    let root = Node::parse(text).map_err(|problem| vec![problem])?;
    let mut problems = Vec::new();
    let mut faults = Faults::default();
    for item in root.items(&mut problems) {
        read_fault(item, &mut faults, &mut problems);
    }
    if problems.is_empty() {
        return Ok(faults);
    }
    problems.sort_by_key(|problem| (problem.line, problem.column));
    Err(problems)
}

fn read_fault(item: Node<'_>, faults: &mut Faults, problems: &mut Vec<Problem>) {
    let mut fields = item.fields(problems);
    let at_s = fields.need("at", problems).and_then(|node| duration(node, problems));
    let every_node = fields.take("every");
    let every_s = every_node.and_then(|node| duration(node, problems));
    if let (Some(node), Some(every_s)) = (every_node, every_s)
        && every_s < EVERY_MIN_S
    {
        problems.push(node.problem("a fault comes again after 100 ms at the earliest", None));
    }
    let lasting_s = fields.take("lasting").and_then(|node| duration(node, problems));
    let on_node = fields.take("on");
    let instrument = on_node.and_then(|node| read_instrument(node, problems));
    let kind = fields.need("kind", problems).and_then(|node| read_kind(node, item, lasting_s, problems));
    fields.finish(problems);
    match (at_s, kind) {
        (Some(at_s), Some(Kind::Link(kind))) => {
            faults.links.push(LinkFault { at_s, every_s, lasting_s, instrument, kind });
        }
        (Some(at_s), Some(Kind::World(kind))) => {
            if let Some(node) = on_node {
                problems.push(node.problem("a fault of the apparatus is not `on` an instrument", None));
            }
            faults.world.push(WorldFault { at_s, every_s, kind });
        }
        _ => {}
    }
}

fn read_instrument(node: Node<'_>, problems: &mut Vec<Problem>) -> Option<String> {
    let name = node.string(problems)?;
    if INSTRUMENTS.iter().any(|instrument| instrument.name == name) {
        return Some(name);
    }
    let names: Vec<&str> = INSTRUMENTS.iter().map(|instrument| instrument.name).collect();
    let help = match nearest(&name, names.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("there are {}", names.join(", ")),
    };
    problems.push(node.problem(format!("the mimic has no instrument `{name}`"), Some(help)));
    None
}

fn read_kind(
    node: Node<'_>,
    item: Node<'_>,
    lasting_s: Option<f64>,
    problems: &mut Vec<Problem>,
) -> Option<Kind> {
    let label = node.label().unwrap_or("");
    if !KINDS.contains(&label) {
        let help = nearest(label, KINDS).map(|near| format!("did you mean `{near}`?"));
        problems.push(node.problem(format!("there is no fault `{label}`"), help));
        return None;
    }
    let mut fields = node.fields(problems);
    let kind = match read_link_kind(label, &mut fields, problems) {
        Some(kind) => kind.map(Kind::Link),
        None => read_world_kind(label, &mut fields, item, lasting_s, problems).map(Kind::World),
    };
    fields.finish(problems);
    kind
}

/// Outer none: no fault of a link. Inner none: one that can't be understood.
fn read_link_kind(
    label: &str,
    fields: &mut Fields<'_>,
    problems: &mut Vec<Problem>,
) -> Option<Option<LinkFaultKind>> {
    Some(Some(match label {
        "DropConnection" => LinkFaultKind::DropConnection,
        "HalfReply" => LinkFaultKind::HalfReply,
        "DoubleReply" => LinkFaultKind::DoubleReply,
        "Rubbish" => LinkFaultKind::Rubbish,
        "NoReply" => LinkFaultKind::NoReply,
        "Garbled" => LinkFaultKind::Garbled,
        "NotANumber" => LinkFaultKind::NotANumber,
        "Refuses" => LinkFaultKind::Refuses,
        "EndsEarly" => LinkFaultKind::EndsEarly,
        "Flood" => {
            let bytes = fields.take("bytes").and_then(|node| node.whole(problems)).unwrap_or(4 << 20);
            LinkFaultKind::Flood { bytes: bytes.min(FLOOD_MAX) }
        }
        "LateReply" => {
            let by_s = fields.need("by", problems).and_then(|node| duration(node, problems));
            return Some(by_s.map(|by_s| LinkFaultKind::LateReply { by_s }));
        }
        _ => return None,
    }))
}

fn read_world_kind(
    label: &str,
    fields: &mut Fields<'_>,
    item: Node<'_>,
    lasting_s: Option<f64>,
    problems: &mut Vec<Problem>,
) -> Option<WorldFaultKind> {
    let per_time = |dimension: Dimension| dimension.over(Dimension::TIME);
    let fault = match label {
        "Clear" => return Some(WorldFaultKind::Clear),
        "Quench" => Fault::Quench,
        "TipChange" => Fault::TipChange,
        "TipCrash" => Fault::TipCrash,
        "HeliumLeak" => {
            let m3_per_s = need(fields, "rate", per_time(Dimension::VOLUME), problems)?;
            Fault::HeliumLeak { l_per_h: m3_per_s * 1e3 * 3600.0 }
        }
        "PressureBurst" => Fault::PressureBurst { pa: need(fields, "to", Dimension::PRESSURE, problems)? },
        "WarmUp" => Fault::WarmUp { k: need(fields, "by", Dimension::TEMPERATURE, problems)? },
        "TipDrift" => {
            Fault::TipDrift { m_per_s: need(fields, "rate", per_time(Dimension::LENGTH), problems)? }
        }
        "LockinOverload" => Fault::LockinOverload { for_s: need_length(item, lasting_s, problems)? },
        "RfDropOut" => Fault::RfDropOut { for_s: need_length(item, lasting_s, problems)? },
        _ => {
            let signal = fields.need("gauge", problems).and_then(|node| gauge(node, problems));
            let unit = signal.and_then(|signal| Unit::parse(signal.unit()));
            let per_s = match (label, &unit) {
                ("GaugeDrift", Some(unit)) => {
                    Some(need(fields, "rate", per_time(unit.dimension), problems)? / unit.to_si(1.0))
                }
                ("GaugeDrift", None) => {
                    fields.take("rate");
                    None
                }
                _ => None,
            };
            let for_s = need_length(item, lasting_s, problems);
            let (signal, for_s) = (signal?, for_s?);
            match (label, per_s) {
                ("GaugeStuck", _) => Fault::GaugeStuck { signal, for_s },
                ("GaugeNan", _) => Fault::GaugeNan { signal, for_s },
                (_, Some(per_s)) => Fault::GaugeDrift { signal, per_s, for_s },
                (_, None) => return None,
            }
        }
    };
    Some(WorldFaultKind::Inflict(fault))
}

fn gauge(node: Node<'_>, problems: &mut Vec<Problem>) -> Option<Signal> {
    let name = node.string(problems)?;
    let signal = Signal::from_name(&name);
    if signal.is_none() {
        let help = nearest(&name, Signal::ALL.iter().map(|signal| signal.name()));
        let help = help.map(|near| format!("did you mean `{near}`?"));
        problems.push(node.problem(format!("there is no gauge `{name}`"), help));
    }
    signal
}

fn need_length(item: Node<'_>, lasting_s: Option<f64>, problems: &mut Vec<Problem>) -> Option<f64> {
    if lasting_s.is_none() {
        problems.push(item.problem("this fault needs `lasting`, like \"10 s\"", None));
    }
    lasting_s
}

fn need(
    fields: &mut Fields<'_>,
    name: &'static str,
    dimension: Dimension,
    problems: &mut Vec<Problem>,
) -> Option<f64> {
    let node = fields.need(name, problems)?;
    quantity(node, dimension, problems)
}

fn quantity(node: Node<'_>, dimension: Dimension, problems: &mut Vec<Problem>) -> Option<f64> {
    let text = node.string(problems)?;
    match text.parse::<Quantity>().and_then(|quantity| quantity.expect(dimension)) {
        Ok(si) => Some(si),
        Err(error) => {
            problems.push(node.problem(error.to_string(), None));
            None
        }
    }
}

fn duration(node: Node<'_>, problems: &mut Vec<Problem>) -> Option<f64> {
    let seconds = quantity(node, Dimension::TIME, problems)?;
    if seconds < 0.0 {
        problems.push(node.problem("a time can't be negative", None));
        return None;
    }
    Some(seconds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_is_read() {
        for kind in KINDS {
            let inside = match kind {
                "LateReply" => "by: \"2 s\"",
                "HeliumLeak" => "rate: \"2 L/h\"",
                "PressureBurst" => "to: \"1e-7 mbar\"",
                "WarmUp" => "by: \"500 mK\"",
                "TipDrift" => "rate: \"1 nm/min\"",
                "GaugeStuck" | "GaugeNan" => "gauge: \"helium_level\"",
                "GaugeDrift" => "gauge: \"helium_level\", rate: \"1 L/h\"",
                _ => "",
            };
            let text =
                format!("[Fault(at: \"10 s\", kind: {kind}({inside}), every: \"1 min\", lasting: \"5 s\")]");
            let faults = read(&text).unwrap_or_else(|problems| panic!("{kind}: {problems:?}"));
            assert_eq!(faults.links.len() + faults.world.len(), 1, "{kind}");
        }
    }

    #[test]
    fn values_arrive_in_the_units_of_the_simulation() {
        let text = "[Fault(at: \"1 h\", kind: HeliumLeak(rate: \"2 L/h\")),
            Fault(at: \"1 h\", kind: GaugeDrift(gauge: \"helium_level\", rate: \"3.6 L/h\"), lasting: \"1 min\")]";
        let faults = read(text).unwrap();
        let WorldFaultKind::Inflict(Fault::HeliumLeak { l_per_h }) = faults.world[0].kind else { panic!() };
        assert!((l_per_h - 2.0).abs() < 1e-12);
        let WorldFaultKind::Inflict(Fault::GaugeDrift { per_s, for_s, .. }) = faults.world[1].kind else {
            panic!()
        };
        assert!((per_s - 1e-3).abs() < 1e-15 && for_s == 60.0);
    }

    #[test]
    fn all_faults_of_a_file_are_told_at_once() {
        let text = "[
            Fault(at: \"10 V\", kind: Flod()),
            Fault(kind: NoReply(), on: \"magnett\"),
            Fault(at: \"10 s\", kind: GaugeNan(gauge: \"helium\")),
            Fault(at: \"-1 s\", kind: Quench(), on: \"magnet\", often: 3),
        ]";
        let problems = read(text).unwrap_err();
        let lines: Vec<u32> = problems.iter().map(|problem| problem.line).collect();
        assert_eq!(lines, [2, 2, 3, 3, 4, 4, 5, 5], "{problems:#?}");
        assert!(read("[Fault(").is_err());
    }
}
