//! Reads a faults file; all that is wrong with it is reported at once.

use super::{LinkTrouble, Mishap, Planned, RefillCall, RunnerTrouble};
use crate::bench::Bench;
use crate::diagnostic::meant;
use crate::document::{Fields, Node, Problem, Text, nearest};
use crate::instrument::faulty::TASKS;
use crate::quantity::{Dimension, Quantity, Unit};
use crate::record::Word;
use noctule_sim::{Fault, Signal};

/// Faults don't come more often than this, s.
const EVERY_MIN_S: f64 = 0.1;
/// Longest flood, bytes.
const FLOOD_MAX: u64 = 1 << 30;
/// A flood where nothing else is said, bytes.
const FLOOD: u64 = 4 << 20;

/// Where a fault can happen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Known {
    Everywhere,
    Rehearsal,
    Mimic,
}

/// Everything that a file may speak of.
const NAMES: [(&str, Known); 40] = [
    ("HeliumLeak", Known::Everywhere),
    ("PressureBurst", Known::Everywhere),
    ("WarmUp", Known::Everywhere),
    ("Quench", Known::Everywhere),
    ("TipChange", Known::Everywhere),
    ("TipCrash", Known::Everywhere),
    ("TipDrift", Known::Everywhere),
    ("LockinOverload", Known::Everywhere),
    ("RfDropOut", Known::Everywhere),
    ("GaugeStuck", Known::Everywhere),
    ("GaugeNan", Known::Everywhere),
    ("GaugeDrift", Known::Everywhere),
    ("NoReply", Known::Everywhere),
    ("LateReply", Known::Everywhere),
    ("Garbled", Known::Everywhere),
    ("NotANumber", Known::Everywhere),
    ("Refuses", Known::Everywhere),
    ("Saturated", Known::Rehearsal),
    ("OverRange", Known::Rehearsal),
    ("UnderRange", Known::Rehearsal),
    ("Stuck", Known::Rehearsal),
    ("Drifting", Known::Rehearsal),
    ("Stale", Known::Rehearsal),
    ("Lies", Known::Rehearsal),
    ("ReconnectNeeded", Known::Rehearsal),
    ("Outage", Known::Rehearsal),
    ("NeverDone", Known::Rehearsal),
    ("ClockJump", Known::Rehearsal),
    ("DiskFull", Known::Rehearsal),
    ("SlowDisk", Known::Rehearsal),
    ("Operator", Known::Rehearsal),
    ("KeeperLost", Known::Rehearsal),
    ("Refill", Known::Rehearsal),
    ("Clear", Known::Mimic),
    ("DropConnection", Known::Mimic),
    ("HalfReply", Known::Mimic),
    ("DoubleReply", Known::Mimic),
    ("Rubbish", Known::Mimic),
    ("Flood", Known::Mimic),
    ("EndsEarly", Known::Mimic),
];

/// Where the faults of a file are to happen.
#[derive(Debug, Clone, Copy)]
pub enum Stage<'b> {
    /// In a rehearsal of this bench.
    Rehearsal(&'b Bench),
    /// In a mimic with these instruments.
    Mimic(&'b [&'static str]),
}

impl Stage<'_> {
    fn knows(self, known: Known) -> bool {
        match self {
            Stage::Rehearsal(_) => known != Known::Mimic,
            Stage::Mimic(_) => known != Known::Rehearsal,
        }
    }
}

/// Reads the text of a faults file.
///
/// # Errors
/// Everything that is wrong with it, in the order of its lines.
pub fn read(text: &str, stage: Stage<'_>) -> Result<Vec<Planned>, Vec<Problem>> {
    let text = Text::new(text);
    let root = text.parse().map_err(|problem| vec![problem])?;
    let mut reader = Reader { stage, problems: Vec::new() };
    let mut entries = Vec::new();
    if let Some(label) = root.label().filter(|label| *label != "Faults") {
        let help = nearest(label, ["Faults"]).map(|near| format!("did you mean `{near}`?"));
        let message = format!("`Faults(…)` is expected here, not `{label}`");
        reader.problems.push(root.problem(message, help));
    }
    let mut fields = root.fields(&mut reader.problems);
    if let Some(list) = fields.need("faults", &mut reader.problems) {
        for item in list.items(&mut reader.problems) {
            entries.extend(reader.entry(item));
        }
    }
    fields.finish(&mut reader.problems);
    if reader.problems.is_empty() {
        return Ok(entries);
    }
    reader.problems.sort_by_key(|problem| (problem.line, problem.column));
    Err(reader.problems)
}

pub(super) struct Reader<'b> {
    pub(super) stage: Stage<'b>,
    problems: Vec<Problem>,
}

impl Reader<'_> {
    fn entry(&mut self, item: Node<'_>) -> Option<Planned> {
        let name = self.name(item)?;
        let mut fields = item.fields(&mut self.problems);
        if name == "Refill" {
            let refill = self.refill(item, &mut fields);
            fields.finish(&mut self.problems);
            let refill = refill?;
            let at_s = if let RefillCall::At(at_s) = refill.when { at_s } else { 0.0 };
            return Some(Planned::once(at_s, 0.0, Mishap::Refill(refill)));
        }
        let at_s = fields.need("at", &mut self.problems).and_then(|node| self.duration(node));
        let for_s = self.length(&mut fields, "for");
        let every_node = fields.take("every");
        let every_s = every_node.and_then(|node| self.duration(node));
        if let (Some(node), Some(..EVERY_MIN_S)) = (every_node, every_s) {
            self.problems.push(node.problem("a fault comes again after 100 ms at the earliest", None));
        }
        let for_s = for_s.unwrap_or(f64::INFINITY);
        let mut entry = Planned { every_s, ..Planned::once(0.0, for_s, Mishap::Clear) };
        let mishap = if name == "Clear" {
            Some(Mishap::Clear)
        } else if let Some(fault) = self.world(name, &mut fields, entry.for_s) {
            fault.map(Mishap::World)
        } else if let Some(trouble) = self.runner(name, &mut fields) {
            trouble.map(Mishap::Runner)
        } else {
            self.place(&mut fields, &mut entry);
            self.link(name, &mut fields, entry.on.as_deref()).map(Mishap::Link)
        };
        fields.finish(&mut self.problems);
        (entry.at_s, entry.mishap) = (at_s?, mishap?);
        Some(entry)
    }

    fn name<'t>(&mut self, item: Node<'t>) -> Option<&'t str> {
        let name = item.label().unwrap_or_default();
        let here = || NAMES.iter().filter(|(_, known)| self.stage.knows(*known)).map(|(name, _)| *name);
        let (message, help) = match NAMES.iter().find(|(known, _)| *known == name) {
            Some((_, known)) if self.stage.knows(*known) => return Some(name),
            Some((_, Known::Rehearsal)) => {
                (format!("the mimic has no fault `{name}`, a rehearsal has"), None)
            }
            Some(_) => (format!("a rehearsal has no fault `{name}`, the mimic has"), None),
            None => {
                let near = nearest(name, here()).map(|near| format!("did you mean `{near}`?"));
                let all = || format!("known here: {}", here().collect::<Vec<_>>().join(", "));
                (format!("there is no fault `{name}`"), Some(near.unwrap_or_else(all)))
            }
        };
        self.problems.push(item.problem(message, help));
        None
    }

    /// A fault of the apparatus: none if the name is not one; `Some(None)` if it is faulty.
    fn world(&mut self, name: &str, fields: &mut Fields<'_>, for_s: f64) -> Option<Option<Fault>> {
        let litres_per_s = Dimension::VOLUME.over(Dimension::TIME);
        let speed = Dimension::LENGTH.over(Dimension::TIME);
        let for_s = for_s.min(f64::MAX);
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
            "LockinOverload" => Some(Fault::LockinOverload { for_s }),
            "RfDropOut" => Some(Fault::RfDropOut { for_s }),
            "GaugeStuck" => self.signal(fields).map(|signal| Fault::GaugeStuck { signal, for_s }),
            "GaugeNan" => self.signal(fields).map(|signal| Fault::GaugeNan { signal, for_s }),
            "GaugeDrift" => self.gauge_drift(fields, for_s),
            _ => return None,
        })
    }

    fn gauge_drift(&mut self, fields: &mut Fields<'_>, for_s: f64) -> Option<Fault> {
        let signal = self.signal(fields);
        let node = fields.need("rate", &mut self.problems)?;
        let unit = Unit::parse(signal?.unit())?;
        let si_per_s = self.quantity(node, unit.dimension.change().over(Dimension::TIME))?;
        Some(Fault::GaugeDrift { signal: signal?, per_s: unit.from_si(si_per_s), for_s })
    }

    fn signal(&mut self, fields: &mut Fields<'_>) -> Option<Signal> {
        let node = fields.need("signal", &mut self.problems)?;
        let name = node.string(&mut self.problems)?;
        let signal = Signal::from_name(&name);
        if signal.is_none() {
            let help = meant(&name, Signal::ALL.iter().map(|signal| signal.name()));
            self.problems.push(node.problem(format!("the microscope has no signal `{name}`"), help));
        }
        signal
    }

    /// Where on the way it happens, and to how many messages.
    fn place(&mut self, fields: &mut Fields<'_>, entry: &mut Planned) {
        match self.stage {
            Stage::Rehearsal(bench) => {
                entry.on = fields.take("channel").and_then(|node| self.channel(node, bench));
            }
            Stage::Mimic(instruments) => {
                entry.on = fields.take("on").and_then(|node| self.instrument(node, instruments));
            }
        }
        entry.times = fields.take("times").and_then(|node| node.whole(&mut self.problems));
    }

    fn link(&mut self, name: &str, fields: &mut Fields<'_>, on: Option<&str>) -> Option<LinkTrouble> {
        let dimension = match self.stage {
            Stage::Rehearsal(bench) => on.and_then(|name| bench.find(name)).map(|id| bench.channel(id)),
            Stage::Mimic(_) => None,
        };
        let dimension = dimension.map_or(Dimension::NONE, |channel| channel.dimension());
        Some(match name {
            "NoReply" => {
                // The mimic hears every message; only a rehearsal can lose one on its way there.
                let rehearsal = matches!(self.stage, Stage::Rehearsal(_));
                let node = if rehearsal { fields.take("heard") } else { None };
                let heard = node.and_then(|node| node.boolean(&mut self.problems));
                LinkTrouble::NoReply { heard: heard.unwrap_or(true) }
            }
            "LateReply" => LinkTrouble::LateReply { by_s: self.need_duration(fields, "by")? },
            "Garbled" => LinkTrouble::Garbled,
            "NotANumber" => LinkTrouble::NotANumber,
            "Refuses" => LinkTrouble::Refuses,
            "Saturated" => LinkTrouble::Saturated { at: self.need(fields, "to", dimension)? },
            "OverRange" => LinkTrouble::OverRange,
            "UnderRange" => LinkTrouble::UnderRange,
            "Stuck" => LinkTrouble::Stuck,
            "Drifting" => {
                let per_s = self.need(fields, "rate", dimension.change().over(Dimension::TIME))?;
                LinkTrouble::Drifting { per_s }
            }
            "Stale" => LinkTrouble::Stale { by_s: self.need_duration(fields, "by")? },
            "Lies" => LinkTrouble::Lies,
            "ReconnectNeeded" => LinkTrouble::ReconnectNeeded,
            "Outage" => LinkTrouble::Outage,
            "NeverDone" => LinkTrouble::NeverDone,
            "DropConnection" => LinkTrouble::DropConnection,
            "HalfReply" => LinkTrouble::HalfReply,
            "DoubleReply" => LinkTrouble::DoubleReply,
            "Rubbish" => LinkTrouble::Rubbish,
            "EndsEarly" => LinkTrouble::EndsEarly,
            "Flood" => {
                let bytes = fields.take("bytes").and_then(|node| node.whole(&mut self.problems));
                LinkTrouble::Flood { bytes: bytes.unwrap_or(FLOOD).min(FLOOD_MAX) }
            }
            other => unreachable!("`{other}` is in the list of names"),
        })
    }

    fn channel(&mut self, node: Node<'_>, bench: &Bench) -> Option<String> {
        let name = node.string(&mut self.problems)?;
        if name == TASKS {
            return Some(name);
        }
        let found = bench.find(&name).map(|id| bench.channel(id).name.clone());
        if found.is_none() {
            let names = bench.names();
            let help = nearest(&name, names.iter().map(String::as_str));
            let help = help.map(|near| format!("did you mean `{near}`?"));
            self.problems.push(node.problem(format!("the bench has no channel `{name}`"), help));
        }
        found
    }

    fn instrument(&mut self, node: Node<'_>, instruments: &[&'static str]) -> Option<String> {
        let name = node.string(&mut self.problems)?;
        if instruments.contains(&name.as_str()) {
            return Some(name);
        }
        let help = match nearest(&name, instruments.iter().copied()) {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("there are {}", instruments.join(", ")),
        };
        self.problems.push(node.problem(format!("the mimic has no instrument `{name}`"), Some(help)));
        None
    }

    /// Something with the runner: none if the name is not one; `Some(None)` if it is faulty.
    fn runner(&mut self, name: &str, fields: &mut Fields<'_>) -> Option<Option<RunnerTrouble>> {
        Some(match name {
            "ClockJump" => {
                self.need(fields, "by", Dimension::TIME).map(|by_s| RunnerTrouble::ClockJump { by_s })
            }
            "DiskFull" => Some(RunnerTrouble::DiskFull),
            "SlowDisk" => self.need_duration(fields, "lag").map(|lag_s| RunnerTrouble::SlowDisk { lag_s }),
            "KeeperLost" => Some(RunnerTrouble::KeeperLost),
            "Operator" => self.said(fields).map(RunnerTrouble::Operator),
            _ => return None,
        })
    }

    fn said(&mut self, fields: &mut Fields<'_>) -> Option<Word> {
        let node = fields.need("says", &mut self.problems)?;
        Some(match node.string(&mut self.problems)?.as_str() {
            "hold" => Word::Hold,
            "refill" => Word::HoldForRefill,
            "release" => Word::Release,
            "stop" => Word::Stop,
            _ => {
                let message = "an operator says `hold`, `refill`, `release` or `stop`";
                self.problems.push(node.problem(message, None));
                return None;
            }
        })
    }

    pub(super) fn problem(&mut self, node: Node<'_>, message: &str) {
        self.problems.push(node.problem(message, None));
    }

    fn need(&mut self, fields: &mut Fields<'_>, name: &'static str, wanted: Dimension) -> Option<f64> {
        let node = fields.need(name, &mut self.problems)?;
        self.quantity(node, wanted)
    }

    pub(super) fn take(
        &mut self,
        fields: &mut Fields<'_>,
        name: &'static str,
        wanted: Dimension,
    ) -> Option<f64> {
        fields.take(name).and_then(|node| self.quantity(node, wanted))
    }

    fn need_duration(&mut self, fields: &mut Fields<'_>, name: &'static str) -> Option<f64> {
        let node = fields.need(name, &mut self.problems)?;
        self.duration(node)
    }

    pub(super) fn length(&mut self, fields: &mut Fields<'_>, name: &'static str) -> Option<f64> {
        fields.take(name).and_then(|node| self.duration(node))
    }

    fn duration(&mut self, node: Node<'_>) -> Option<f64> {
        let seconds = self.quantity(node, Dimension::TIME)?;
        if seconds < 0.0 {
            self.problems.push(node.problem("a time can't be negative", None));
            return None;
        }
        Some(seconds)
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
    use crate::bench::builtin;

    const INSTRUMENTS: &[&str] = &["magnet", "lockin"];

    /// A fault of this name with all that it needs.
    fn one(name: &str) -> String {
        let inside = match name {
            "HeliumLeak" => "loss: \"0.5 L/h\"",
            "PressureBurst" => "height: \"1e-7 mbar\"",
            "WarmUp" => "by: \"2 K\"",
            "TipDrift" => "speed: \"1 pm/s\"",
            "GaugeStuck" | "GaugeNan" => "signal: \"current\"",
            "GaugeDrift" => "signal: \"helium_level\", rate: \"3.6 L/h\"",
            "LateReply" | "Stale" => "by: \"1 s\"",
            "Saturated" => "channel: \"Current\", to: \"10 nA\"",
            "Drifting" => "channel: \"bias\", rate: \"1 mV/s\"",
            "ClockJump" => "by: \"-3 min\"",
            "SlowDisk" => "lag: \"1 s\"",
            "Operator" => "says: \"hold\"",
            "Refill" => "comes_after: \"10 min\"",
            _ => "",
        };
        let lasting = if name == "Refill" { "" } else { "for: \"2 h\", " };
        format!("{name}(at: \"1 h\", {lasting}{inside}),")
    }

    #[test]
    fn a_file_that_goes_by_another_name_is_refused() {
        let bench = builtin();
        let problems = read("Fault(faults: [Quench(at: \"1 h\")])", Stage::Rehearsal(&bench)).unwrap_err();
        assert_eq!(problems.len(), 1, "{problems:?}");
        assert_eq!(problems[0].help.as_deref(), Some("did you mean `Faults`?"));
    }

    #[test]
    fn every_fault_is_read_where_it_is_known_and_refused_where_it_is_not() {
        let bench = builtin();
        for (name, known) in NAMES {
            for stage in [Stage::Rehearsal(&bench), Stage::Mimic(INSTRUMENTS)] {
                let read = read(&format!("Faults(faults: [{}])", one(name)), stage);
                if stage.knows(known) {
                    let entries = read.unwrap_or_else(|problems| panic!("{name}: {problems:?}"));
                    if let Mishap::Refill(refill) = entries[0].mishap {
                        assert_eq!(refill.when, RefillCall::At(3600.0));
                        continue;
                    }
                    assert_eq!((entries[0].at_s, entries[0].for_s), (3600.0, 7200.0), "{name}");
                } else {
                    assert!(read.unwrap_err()[0].message.contains("has no fault"), "{name}");
                }
            }
        }
    }

    #[test]
    fn values_arrive_in_the_units_of_the_simulation() {
        let text = format!("Faults(faults: [{}{}])", one("HeliumLeak"), one("GaugeDrift"));
        let entries = read(&text, Stage::Mimic(INSTRUMENTS)).unwrap();
        let Mishap::World(Fault::HeliumLeak { l_per_h }) = entries[0].mishap else { panic!() };
        assert!((l_per_h - 0.5).abs() < 1e-9);
        let Mishap::World(Fault::GaugeDrift { per_s, for_s, .. }) = entries[1].mishap else { panic!() };
        assert!((per_s - 1e-3).abs() < 1e-15 && for_s == 7200.0);
    }

    #[test]
    fn everything_wrong_is_said_at_once() {
        let text = "Faults(faults: [\n Quensh(at: \"1 h\"),\n Quench(),\n NoReply(at: \"3 T\", channel: \"bais\"),\n WarmUp(at: \"1 h\", by: \"2 K\", colour: 3),\n Saturated(at: \"1 h\", channel: \"current\", to: \"3 V\"),\n Operator(at: \"1 h\", says: \"hop\"),\n Quench(at: \"-1 h\"),\n HalfReply(at: \"1 s\"),\n Quench(at: \"1 h\", every: \"1 ms\"),\n])";
        let bench = builtin();
        let problems = read(text, Stage::Rehearsal(&bench)).unwrap_err();
        let lines: Vec<u32> = problems.iter().map(|problem| problem.line).collect();
        assert_eq!(lines, [2, 3, 4, 4, 5, 6, 7, 8, 9, 10], "{problems:#?}");
        assert_eq!(problems[0].help.as_deref(), Some("did you mean `Quench`?"));
        let text = "Faults(faults: [\n NoReply(at: \"1 s\", on: \"magnett\"),\n NoReply(at: \"1 s\", channel: \"bias\"),\n NoReply(at: \"1 s\", heard: false), Quench(at: \"1 s\", on: \"magnet\"),\n])";
        let problems = read(text, Stage::Mimic(INSTRUMENTS)).unwrap_err();
        let lines: Vec<u32> = problems.iter().map(|problem| problem.line).collect();
        assert_eq!(lines, [2, 3, 4, 4], "{problems:#?}");
        assert!(read("Faults(", Stage::Mimic(INSTRUMENTS)).is_err());
    }
}
