//! The faults file of `noctule rehearse --faults`: a RON file, all of whose faults are reported at once.

use super::{FaultPlan, Mishap, Planned};
use crate::bench::Bench;
use crate::drive::visitor::{Call, Visit};
use crate::instrument::faulty::Misbehaviour;
use crate::quantity::{Dimension, Moment, Quantity};
use crate::supervisor::Word;
use noctule_sim::document::{Fields, Node, Problem, nearest};
use noctule_sim::{Fault, Signal};

/// Somebody who is called because the level is low comes after this, s.
const COMES_AFTER_S: f64 = 1800.0;
/// The transfer is made ready in this time, s.
const PREPARES_S: f64 = 900.0;
/// The run is released so long after the bath is full, s.
const LEAVES_AFTER_S: f64 = 300.0;
/// A bath is filled to this part of its volume.
const FULL_PART: f64 = 0.95;

/// Everything that a file may speak of.
const NAMES: [&str; 29] = [
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
    "NoReply",
    "LateReply",
    "Garbled",
    "NotANumber",
    "Saturated",
    "Stuck",
    "Drifting",
    "Stale",
    "Refuses",
    "Lies",
    "ReconnectNeeded",
    "ClockJump",
    "DiskFull",
    "SlowDisk",
    "Operator",
    "KeeperLost",
    "Refill",
];

/// Reads a faults file: `Faults(faults: [Quench(at: "3 h"), NoReply(at: "1 h", for: "2 s")])`.
///
/// # Errors
/// Everything that is wrong with it.
pub fn read_faults(text: &str, bench: &Bench) -> Result<FaultPlan, Vec<Problem>> {
    let root = Node::parse(text).map_err(|problem| vec![problem])?;
    let mut reader = Reader { bench, problems: Vec::new() };
    let mut faults = Vec::new();
    let mut fields = root.fields(&mut reader.problems);
    if let Some(list) = fields.need("faults", &mut reader.problems) {
        for item in list.items(&mut reader.problems) {
            faults.extend(reader.planned(item));
        }
    }
    fields.finish(&mut reader.problems);
    if reader.problems.is_empty() { Ok(FaultPlan { faults }) } else { Err(reader.problems) }
}

struct Reader<'b> {
    bench: &'b Bench,
    problems: Vec<Problem>,
}

impl Reader<'_> {
    fn planned(&mut self, item: Node<'_>) -> Option<Planned> {
        let name = item.label().unwrap_or_default();
        if !NAMES.contains(&name) {
            let help = nearest(name, NAMES).map(|near| format!("did you mean `{near}`?"));
            let help = help.or_else(|| Some(format!("known here: {}", NAMES.join(", "))));
            self.problems.push(item.problem(format!("there is no fault `{name}`"), help));
            return None;
        }
        if name == "Refill" {
            return self.refill(item);
        }
        let mut fields = item.fields(&mut self.problems);
        let at = self.need(&mut fields, "at", Dimension::TIME);
        let for_s = self.take(&mut fields, "for", Dimension::TIME);
        let mishap = match self.world(name, &mut fields, for_s) {
            Some(fault) => fault.map(Mishap::World),
            None => match self.link(name, &mut fields) {
                Some(mishap) => mishap,
                None => self.outside(name, &mut fields),
            },
        };
        fields.finish(&mut self.problems);
        let at = at.and_then(|at| self.not_negative(item, at));
        let for_s = for_s.map_or(Some(f64::INFINITY), |for_s| self.not_negative(item, for_s));
        Some(Planned { at: Moment::from_s(at?), for_s: for_s?, mishap: mishap? })
    }

    /// `Refill(below: "13 L")` or `Refill(at: "20 h", to: "66 L", comes_after: …, prepares: …, leaves_after: …)`.
    fn refill(&mut self, item: Node<'_>) -> Option<Planned> {
        let mut fields = item.fields(&mut self.problems);
        let at = self.take(&mut fields, "at", Dimension::TIME);
        let below = self.take(&mut fields, "below", Dimension::VOLUME);
        let comes_after = self.take(&mut fields, "comes_after", Dimension::TIME);
        let prepares = self.take(&mut fields, "prepares", Dimension::TIME);
        let leaves_after = self.take(&mut fields, "leaves_after", Dimension::TIME);
        let to = self.take(&mut fields, "to", Dimension::VOLUME);
        fields.finish(&mut self.problems);
        let when = match (at, below) {
            (Some(at), None) => Call::At(Moment::from_s(self.not_negative(item, at)?)),
            (None, Some(mark)) => Call::Below(mark),
            _ => {
                let message = "somebody comes either `at` a time, or when the level is `below` a mark";
                self.problems.push(item.problem(message, None));
                return None;
            }
        };
        let Some(helium) = self.bench.helium else {
            let message = "the bench has no helium budget, so nobody can see when a refill is due";
            self.problems.push(item.problem(message, None));
            return None;
        };
        let usual_s = if matches!(when, Call::At(_)) { 0.0 } else { COMES_AFTER_S };
        let visit = Visit {
            when,
            comes_after_s: self.not_negative(item, comes_after.unwrap_or(usual_s))?,
            prepares_s: self.not_negative(item, prepares.unwrap_or(PREPARES_S))?,
            to_m3: to.unwrap_or(FULL_PART * helium.volume_m3),
            leaves_after_s: leaves_after.unwrap_or(LEAVES_AFTER_S),
        };
        let at = Moment::from_s(at.unwrap_or(0.0));
        Some(Planned { at, for_s: 0.0, mishap: Mishap::Refill(visit) })
    }

    fn not_negative(&mut self, node: Node<'_>, value: f64) -> Option<f64> {
        if value < 0.0 {
            self.problems.push(node.problem("times are not negative", None));
            return None;
        }
        Some(value)
    }

    /// A fault of the apparatus: none if the name is not one; `Some(None)` if it is faulty.
    fn world(&mut self, name: &str, fields: &mut Fields<'_>, for_s: Option<f64>) -> Option<Option<Fault>> {
        let litres_per_s = Dimension::VOLUME.over(Dimension::TIME);
        let speed = Dimension::LENGTH.over(Dimension::TIME);
        let lasting_s = for_s.unwrap_or(f64::MAX);
        Some(match name {
            "HeliumLeak" => self
                .need(fields, "loss", litres_per_s)
                .map(|m3_per_s| Fault::HeliumLeak { l_per_h: m3_per_s * 3.6e6 }),
            "PressureBurst" => {
                self.need(fields, "height", Dimension::PRESSURE).map(|pa| Fault::PressureBurst { pa })
            }
            "WarmUp" => self.need(fields, "by", Dimension::TEMPERATURE).map(|k| Fault::WarmUp { k }),
            "Quench" => Some(Fault::Quench),
            "TipChange" => Some(Fault::TipChange),
            "TipCrash" => Some(Fault::TipCrash),
            "TipDrift" => self.need(fields, "speed", speed).map(|m_per_s| Fault::TipDrift { m_per_s }),
            "LockinOverload" => Some(Fault::LockinOverload { for_s: lasting_s }),
            "RfDropOut" => Some(Fault::RfDropOut { for_s: lasting_s }),
            "GaugeStuck" => self.signal(fields).map(|signal| Fault::GaugeStuck { signal, for_s: lasting_s }),
            "GaugeNan" => self.signal(fields).map(|signal| Fault::GaugeNan { signal, for_s: lasting_s }),
            "GaugeDrift" => {
                let signal = self.signal(fields);
                let per_s = fields.need("per_s", &mut self.problems);
                let per_s = per_s.and_then(|node| node.number(&mut self.problems));
                Some(Fault::GaugeDrift { signal: signal?, per_s: per_s?, for_s: lasting_s })
            }
            _ => return None,
        })
    }

    fn signal(&mut self, fields: &mut Fields<'_>) -> Option<Signal> {
        let node = fields.need("signal", &mut self.problems)?;
        let name = node.string(&mut self.problems)?;
        let signal = Signal::from_name(&name);
        if signal.is_none() {
            self.problems.push(node.problem(format!("the microscope has no signal `{name}`"), None));
        }
        signal
    }

    fn link(&mut self, name: &str, fields: &mut Fields<'_>) -> Option<Option<Mishap>> {
        let known = [
            "NoReply",
            "LateReply",
            "Garbled",
            "NotANumber",
            "Saturated",
            "Stuck",
            "Drifting",
            "Stale",
            "Refuses",
            "Lies",
            "ReconnectNeeded",
        ];
        if !known.contains(&name) {
            return None;
        }
        let channel = match fields.take("channel") {
            None => None,
            Some(node) => match self.channel(node) {
                None => return Some(None),
                channel => channel,
            },
        };
        let dimension = channel.as_ref().and_then(|name| self.bench.find(name));
        let dimension = dimension.map_or(Dimension::NONE, |id| self.bench.channel(id).dimension());
        let kind = match name {
            "NoReply" => {
                let heard = fields.take("heard").and_then(|node| node.boolean(&mut self.problems));
                Some(Misbehaviour::NoReply { heard: heard.unwrap_or(true) })
            }
            "LateReply" => {
                self.need(fields, "by", Dimension::TIME).map(|by_s| Misbehaviour::LateReply { by_s })
            }
            "Garbled" => Some(Misbehaviour::Garbled),
            "NotANumber" => Some(Misbehaviour::NotANumber),
            "Saturated" => self.need(fields, "to", dimension).map(|at| Misbehaviour::Saturated { at }),
            "Stuck" => Some(Misbehaviour::Stuck),
            "Drifting" => self
                .need(fields, "rate", dimension.over(Dimension::TIME))
                .map(|per_s| Misbehaviour::Drifting { per_s }),
            "Stale" => self.need(fields, "by", Dimension::TIME).map(|by_s| Misbehaviour::Stale { by_s }),
            "Refuses" => Some(Misbehaviour::Refuses),
            "Lies" => Some(Misbehaviour::Lies),
            _ => Some(Misbehaviour::ReconnectNeeded),
        };
        Some(kind.map(|kind| Mishap::Link { kind, channel }))
    }

    fn channel(&mut self, node: Node<'_>) -> Option<String> {
        let name = node.string(&mut self.problems)?;
        let found = self.bench.find(&name).map(|id| self.bench.channel(id).name.clone());
        if found.is_none() {
            let names = self.bench.names();
            let help = nearest(&name, names.iter().map(String::as_str));
            let help = help.map(|near| format!("did you mean `{near}`?"));
            self.problems.push(node.problem(format!("the bench has no channel `{name}`"), help));
        }
        found
    }

    fn outside(&mut self, name: &str, fields: &mut Fields<'_>) -> Option<Mishap> {
        match name {
            "ClockJump" => self.need(fields, "by", Dimension::TIME).map(|by_s| Mishap::ClockJump { by_s }),
            "DiskFull" => Some(Mishap::DiskFull),
            "SlowDisk" => self.need(fields, "lag", Dimension::TIME).map(|lag_s| Mishap::SlowDisk { lag_s }),
            "KeeperLost" => Some(Mishap::KeeperLost),
            _ => {
                let node = fields.need("says", &mut self.problems)?;
                let word = match node.string(&mut self.problems)?.as_str() {
                    "hold" => Word::Hold,
                    "refill" => Word::HoldForRefill,
                    "release" => Word::Release,
                    "stop" => Word::Stop,
                    _ => {
                        let message = "an operator says `hold`, `refill`, `release` or `stop`";
                        self.problems.push(node.problem(message, None));
                        return None;
                    }
                };
                Some(Mishap::Operator(word))
            }
        }
    }

    fn need(&mut self, fields: &mut Fields<'_>, name: &'static str, wanted: Dimension) -> Option<f64> {
        let node = fields.need(name, &mut self.problems)?;
        self.quantity(node, wanted)
    }

    fn take(&mut self, fields: &mut Fields<'_>, name: &'static str, wanted: Dimension) -> Option<f64> {
        let node = fields.take(name)?;
        self.quantity(node, wanted)
    }

    fn quantity(&mut self, node: Node<'_>, wanted: Dimension) -> Option<f64> {
        let text = node.string(&mut self.problems)?;
        match text.parse::<Quantity>().and_then(|quantity| quantity.expect(wanted)) {
            Ok(si) => Some(si),
            Err(error) => {
                self.problems.push(node.problem(error.to_string(), None));
                None
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_of_every_fault_is_read() {
        let text = r#"Faults(faults: [
            HeliumLeak(at: "1 h", loss: "0.5 L/h", for: "2 h"), PressureBurst(at: "1 h", height: "1e-7 mbar"),
            WarmUp(at: "1 h", by: "2 K"), Quench(at: "1 h"), TipChange(at: "1 h"), TipCrash(at: "1 h"),
            TipDrift(at: "1 h", speed: "1 pm/s"), LockinOverload(at: "1 h", for: "9 s"),
            RfDropOut(at: "1 h", for: "9 s"), GaugeStuck(at: "1 h", signal: "helium_level"),
            GaugeNan(at: "1 h", signal: "current"), GaugeDrift(at: "1 h", signal: "current", per_s: 1e-12),
            NoReply(at: "1 h", heard: false), LateReply(at: "1 h", by: "1 s"), Garbled(at: "1 h"),
            NotANumber(at: "1 h", channel: "HeliumLevel"), Saturated(at: "1 h", channel: "current", to: "10 nA"),
            Stuck(at: "1 h", channel: "bias"), Drifting(at: "1 h", channel: "bias", rate: "1 mV/s"),
            Stale(at: "1 h", by: "1 min"), Refuses(at: "1 h"), Lies(at: "1 h"), ReconnectNeeded(at: "1 h"),
            ClockJump(at: "1 h", by: "-3 min"), DiskFull(at: "1 h"), SlowDisk(at: "1 h", lag: "1 s"),
            Operator(at: "1 h", says: "hold"), KeeperLost(at: "1 h"), Refill(below: "13 L", to: "60 L"),
        ])"#;
        let plan = read_faults(text, &crate::bench::builtin()).unwrap();
        assert_eq!(plan.faults.len(), NAMES.len());
        assert!(matches!(&plan.faults[0].mishap, Mishap::World(Fault::HeliumLeak { l_per_h })
            if (l_per_h - 0.5).abs() < 1e-9));
        assert_eq!(plan.faults[0].for_s, 7200.0);
    }

    #[test]
    fn everything_wrong_is_said_at_once() {
        let text = "Faults(faults: [\n Quensh(at: \"1 h\"),\n Quench(),\n NoReply(at: \"3 T\", channel: \"bais\"),\n WarmUp(at: \"1 h\", by: \"2 K\", colour: 3),\n Saturated(at: \"1 h\", channel: \"current\", to: \"3 V\"),\n Operator(at: \"1 h\", says: \"hop\"),\n Quench(at: \"-1 h\"),\n Refill(to: \"60 L\"),\n])";
        let problems = read_faults(text, &crate::bench::builtin()).unwrap_err();
        let lines: Vec<u32> = problems.iter().map(|problem| problem.line).collect();
        for line in 2..=9 {
            assert!(lines.contains(&line), "line {line}: {problems:#?}");
        }
        assert_eq!(problems[0].help.as_deref(), Some("did you mean `Quench`?"));
    }
}
