//! Reads a faults file; all that is wrong with it is reported at once.

use super::refill::REFILL;
use super::{LinkTrouble, Mishap, Planned, RefillCall, RunnerTrouble};
use crate::bench::Bench;
use crate::diagnostic::meant;
use crate::document::{Node, Problem, Text, nearest};
use crate::instrument::faulty::TASKS;
use crate::quantity::{Dimension, Unit};
use crate::record::Word;
use noctule_ground::fault::Fault;
use noctule_ground::fields;
use noctule_ground::section::{Field, Given, Kind, Range, Section, TIME, Value, quantity};
use noctule_ground::signal::Signal;

/// Where a fault can happen.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Known {
    /// In a rehearsal and in the mimic.
    Everywhere,
    /// In a rehearsal.
    Rehearsal,
    /// In the mimic.
    Mimic,
}

pub(super) const AT: Field = Field::needed("at", TIME, "When it begins, since the run began.");
const FOR: Field = Field::optional("for", TIME, "How long it lasts; else to the end.");
const EVERY: Field = Field::optional(
    "every",
    Kind::Quantity(Dimension::TIME, Range::Within(0.1, 3.156e8)),
    "It comes again and again, so often; after 100 ms at the earliest.",
);
const CHANNEL: Field = Field::optional(
    "channel",
    Kind::Text,
    "In a rehearsal: the channel it is on, or `tasks` for approaching, withdrawing, images; else everything.",
);
const ON: Field = Field::optional("on", Kind::Text, "In a mimic: the instrument it is on; else everything.");
const TIMES: Field = Field::optional(
    "times",
    Kind::Whole(0, u64::MAX),
    "Messages that it meets each time it comes; else all of them.",
);
const SIGNAL: Field = Field::needed(
    "signal",
    Kind::Named(|| Signal::ALL.map(Signal::name).to_vec()),
    "The gauge, by its signal of the simulated microscope.",
);

const fn change(name: &'static str, dimension: Dimension, says: &'static str) -> Field {
    Field::needed(name, Kind::Quantity(dimension, Range::Any), says)
}

/// A kind of fault that a file may speak of.
#[derive(Debug)]
pub struct FaultKind {
    /// Where it can happen.
    pub known: Known,
    /// What is said of it.
    pub section: &'static Section,
    reads: Reads,
}

/// How it is read.
#[derive(Debug)]
enum Reads {
    /// A fault with its times and its place; here what happens is made of the rest.
    Fault(fn(&mut Said<'_, '_>) -> Option<Mishap>),
    /// Somebody who comes, with times of their own.
    Refill,
}

macro_rules! kinds {
    ($($known:ident $name:literal, $says:literal $(, $field:expr)* => $make:expr;)*) => {
        /// Every kind of fault that a file may speak of.
        pub const KINDS: &[FaultKind] = &[
            $(FaultKind {
                known: Known::$known,
                section: &Section::new($name, $says, &[AT, FOR, EVERY $(, $field)*]),
                reads: Reads::Fault($make),
            },)*
            FaultKind { known: Known::Rehearsal, section: REFILL, reads: Reads::Refill },
        ];
    };
}

kinds! {
    Everywhere "HeliumLeak", "The bath loses helium.", change("loss", Dimension::of([3, 0, -1, 0, 0, 0]), "Extra loss.")
        => |said| world(Fault::HeliumLeak { l_per_h: said.get::<f64>("loss")? * 3.6e6 });
    Everywhere "PressureBurst", "A burst of gas in the microscope's chamber, pumped off again.", change("height", Dimension::PRESSURE, "Height of the burst.")
        => |said| world(Fault::PressureBurst { pa: said.get("height")? });
    Everywhere "WarmUp", "The sample stage gets warmer.", change("by", Dimension::TEMPERATURE, "Rise.")
        => |said| world(Fault::WarmUp { k: said.get("by")? });
    Everywhere "Quench", "The magnet quenches."
        => |_| world(Fault::Quench);
    Everywhere "TipChange", "The apex of the tip changes."
        => |_| world(Fault::TipChange);
    Everywhere "TipCrash", "The tip touches the surface."
        => |_| world(Fault::TipCrash);
    Everywhere "TipDrift", "The sample drifts faster, along x.", change("speed", Dimension::of([1, 0, -1, 0, 0, 0]), "Extra velocity.")
        => |said| world(Fault::TipDrift { m_per_s: said.get("speed")? });
    Everywhere "LockinOverload", "The lock-in's input is overloaded."
        => |said| world(Fault::LockinOverload { for_s: said.for_s });
    Everywhere "RfDropOut", "The RF source gives nothing."
        => |said| world(Fault::RfDropOut { for_s: said.for_s });
    Everywhere "GaugeStuck", "A gauge shows its last value.", SIGNAL
        => |said| world(Fault::GaugeStuck { signal: said.signal()?, for_s: said.for_s });
    Everywhere "GaugeNotANumber", "A gauge shows no number.", SIGNAL
        => |said| world(Fault::GaugeNotANumber { signal: said.signal()?, for_s: said.for_s });
    Everywhere "GaugeDrift", "A gauge drifts off its true value.", SIGNAL, Field::needed("rate", Kind::OfChannel("a change per time"), "How fast.")
        => |said| world(said.gauge_drift()?);
    Everywhere "NoReply", "No reply comes.", CHANNEL, ON, TIMES, Field::or("heard", "true", Kind::Flag, "In a rehearsal: whether the message arrived.")
        => |said| link(LinkTrouble::NoReply { heard: said.get("heard")? });
    Everywhere "LateReply", "Replies come late; in a mimic by wall time.", CHANNEL, ON, TIMES, Field::needed("by", TIME, "How late.")
        => |said| link(LinkTrouble::LateReply { by_s: said.get("by")? });
    Everywhere "Garbled", "Replies are garbled.", CHANNEL, ON, TIMES
        => |_| link(LinkTrouble::Garbled);
    Everywhere "NotANumber", "Readings are no numbers.", CHANNEL, ON, TIMES
        => |_| link(LinkTrouble::NotANumber);
    Everywhere "Refuses", "Commands are refused.", CHANNEL, ON, TIMES
        => |_| link(LinkTrouble::Refuses);
    Rehearsal "Saturated", "Readings stand at one value.", CHANNEL, TIMES, Field::needed("to", Kind::OfChannel("a value"), "That value.")
        => |said| link(LinkTrouble::Saturated { at: said.quantity("to", said.dimension)? });
    Rehearsal "OverRange", "The instrument says that it can't show so much.", CHANNEL, TIMES
        => |_| link(LinkTrouble::OverRange);
    Rehearsal "UnderRange", "The instrument says that it can't show so little.", CHANNEL, TIMES
        => |_| link(LinkTrouble::UnderRange);
    Rehearsal "Stuck", "Readings stay what they were.", CHANNEL, TIMES
        => |_| link(LinkTrouble::Stuck);
    Rehearsal "Drifting", "Readings drift off.", CHANNEL, TIMES, Field::needed("rate", Kind::OfChannel("a change per time"), "How fast.")
        => |said| {
            let rate = said.dimension.change().over(Dimension::TIME);
            link(LinkTrouble::Drifting { per_s: said.quantity("rate", rate)? })
        };
    Rehearsal "Stale", "Readings are old.", CHANNEL, TIMES, Field::needed("by", TIME, "How old.")
        => |said| link(LinkTrouble::Stale { by_s: said.get("by")? });
    Rehearsal "Lies", "What is commanded is said to be done, and is not.", CHANNEL, TIMES
        => |_| link(LinkTrouble::Lies);
    Rehearsal "ReconnectNeeded", "The connection is lost and must be made anew.", CHANNEL, TIMES
        => |_| link(LinkTrouble::ReconnectNeeded);
    Rehearsal "Outage", "Nobody answers: the connection is lost and can't be made anew.", CHANNEL, TIMES
        => |_| link(LinkTrouble::Outage);
    Rehearsal "NeverDone", "Tasks never end.", CHANNEL, TIMES
        => |_| link(LinkTrouble::NeverDone);
    Rehearsal "ClockJump", "The clock of the computer jumps.", change("by", Dimension::TIME, "By how much.")
        => |said| runner(RunnerTrouble::ClockJump { by_s: said.get("by")? });
    Rehearsal "DiskFull", "The disk takes nothing any more."
        => |_| runner(RunnerTrouble::DiskFull);
    Rehearsal "SlowDisk", "The disk is slow.", Field::needed("lag", TIME, "How much later things are on it.")
        => |said| runner(RunnerTrouble::SlowDisk { lag_s: said.get("lag")? });
    Rehearsal "Operator", "An operator says something.", Field::needed("says", Kind::Named(|| SAYS.map(|(says, _)| says).to_vec()), "What they say.")
        => |said| runner(RunnerTrouble::Operator(said.word()?));
    Rehearsal "Answers", "Somebody answers what a plan has asked people.", Field::needed("question", Kind::Text, "The name of the question."), Field::needed("says", Kind::Text, "The answer.")
        => |said| said.answer();
    Rehearsal "KeeperLost", "The keeper process dies."
        => |_| runner(RunnerTrouble::KeeperLost);
    Mimic "Clear", "All that lasts in the apparatus ends."
        => |_| Some(Mishap::Clear);
    Mimic "DropConnection", "The connection is dropped.", ON, TIMES
        => |_| link(LinkTrouble::DropConnection);
    Mimic "HalfReply", "Half of a reply comes.", ON, TIMES
        => |_| link(LinkTrouble::HalfReply);
    Mimic "DoubleReply", "Replies come twice.", ON, TIMES
        => |_| link(LinkTrouble::DoubleReply);
    Mimic "Rubbish", "Something that is no reply comes.", ON, TIMES
        => |_| link(LinkTrouble::Rubbish);
    Mimic "Flood", "Bytes come without end.", ON, TIMES, Field::or("bytes", "4194304", Kind::Whole(0, 1 << 30), "How many.")
        => |said| link(LinkTrouble::Flood { bytes: said.get("bytes")? });
    Mimic "EndsEarly", "A task counts as ended while it runs.", ON, TIMES
        => |_| link(LinkTrouble::EndsEarly);
}

/// What an operator may say.
const SAYS: [(&str, Word); 4] =
    [("hold", Word::Hold), ("refill", Word::HoldForRefill), ("release", Word::Release), ("stop", Word::Stop)];

fields! {
    /// What a faults file may say.
    FAULTS (pub) = "Faults", "What goes wrong, and when." {
        needed "faults", Kind::List(&Kind::Part(&ALL)), "The faults, in any order.";
    }
}

const ALL: [&Section; KINDS.len()] = {
    let mut all = [REFILL; KINDS.len()];
    let mut at = 0;
    while at < all.len() {
        all[at] = KINDS[at].section;
        at += 1;
    }
    all
};

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
    let mut problems = Vec::new();
    let mut given = FAULTS.open(root, &mut problems);
    let items = given.node("faults", &mut problems).map(|list| list.items(&mut problems));
    let entries: Vec<Planned> =
        items.unwrap_or_default().into_iter().filter_map(|item| entry(item, stage, &mut problems)).collect();
    given.finish(&mut problems);
    if problems.is_empty() {
        return Ok(entries);
    }
    problems.sort_by_key(|problem| (problem.line, problem.column));
    Err(problems)
}

fn entry(item: Node<'_>, stage: Stage<'_>, problems: &mut Vec<Problem>) -> Option<Planned> {
    let kind = kind_of(item, stage, problems)?;
    let mut given = kind.section.open(item, problems);
    // In a rehearsal the places are channels, in a mimic instruments, which hear every message.
    let others: &[&'static str] =
        if matches!(stage, Stage::Mimic(_)) { &["channel", "heard"] } else { &["on"] };
    given.without(others.iter().copied().filter(|name| kind.section.all().any(|field| field.name == *name)));
    let planned = match kind.reads {
        Reads::Refill => super::refill::read(&mut given, stage, problems).map(|refill| {
            let at_s = if let RefillCall::At(at_s) = refill.when { at_s } else { 0.0 };
            Planned::once(at_s, 0.0, Mishap::Refill(refill))
        }),
        Reads::Fault(make) => fault(make, &mut given, stage, problems),
    };
    given.finish(problems);
    planned
}

/// A fault with its times and its place.
fn fault(
    make: fn(&mut Said<'_, '_>) -> Option<Mishap>,
    given: &mut Given<'_>,
    stage: Stage<'_>,
    problems: &mut Vec<Problem>,
) -> Option<Planned> {
    let at_s = given.get("at", problems);
    let for_s = given.get("for", problems).unwrap_or(f64::INFINITY);
    let every_s = given.get("every", problems);
    let mut entry = Planned { every_s, ..Planned::once(0.0, for_s, Mishap::Clear) };
    let mut dimension = Dimension::NONE;
    if given.may_have("times") {
        match stage {
            Stage::Rehearsal(bench) => {
                entry.on = given.find("channel").and_then(|node| channel(node, bench, problems));
                let on = entry.on.as_deref().and_then(|name| bench.find(name));
                dimension = on.map_or(dimension, |id| bench.channel(id).dimension());
            }
            Stage::Mimic(names) => {
                entry.on = given.find("on").and_then(|node| instrument(node, names, problems));
            }
        }
        entry.times = given.get("times", problems);
    }
    let mishap = make(&mut Said { given, for_s: for_s.min(f64::MAX), dimension, problems });
    (entry.at_s, entry.mishap) = (at_s?, mishap?);
    Some(entry)
}

fn kind_of(item: Node<'_>, stage: Stage<'_>, problems: &mut Vec<Problem>) -> Option<&'static FaultKind> {
    let name = item.label().unwrap_or_default();
    let here = || KINDS.iter().filter(|kind| stage.knows(kind.known)).map(|kind| kind.section.name);
    let (message, help) = match KINDS.iter().find(|kind| kind.section.name == name) {
        Some(kind) if stage.knows(kind.known) => return Some(kind),
        Some(FaultKind { known: Known::Rehearsal, .. }) => {
            (format!("the mimic has no fault `{name}`, a rehearsal has"), None)
        }
        Some(_) => (format!("a rehearsal has no fault `{name}`, the mimic has"), None),
        None => {
            // What it was called before.
            let meant = if name == "GaugeNan" { "GaugeNotANumber" } else { name };
            let near = nearest(meant, here()).map(|near| format!("did you mean `{near}`?"));
            let all = || format!("known here: {}", here().collect::<Vec<_>>().join(", "));
            (format!("there is no fault `{name}`"), Some(near.unwrap_or_else(all)))
        }
    };
    problems.push(item.problem(message, help));
    None
}

/// What a file says of a fault.
struct Said<'s, 't> {
    given: &'s mut Given<'t>,
    /// How long it lasts, s; finite.
    for_s: f64,
    /// Of the channel it is on, where it is on one.
    dimension: Dimension,
    problems: &'s mut Vec<Problem>,
}

impl Said<'_, '_> {
    fn get<T: Value>(&mut self, name: &str) -> Option<T> {
        self.given.get(name, self.problems)
    }

    fn quantity(&mut self, name: &str, dimension: Dimension) -> Option<f64> {
        self.given.quantity(name, dimension, self.problems)
    }

    fn signal(&mut self) -> Option<Signal> {
        let name: String = self.get("signal")?;
        let signal = Signal::from_name(&name);
        if signal.is_none() {
            let help = meant(&name, Signal::ALL.map(Signal::name));
            let message = format!("the microscope has no signal `{name}`");
            self.problems.push(self.given.at("signal").problem(message, help));
        }
        signal
    }

    fn gauge_drift(&mut self) -> Option<Fault> {
        let (signal, rate) = (self.signal(), self.given.node("rate", self.problems));
        let unit = Unit::parse(signal?.unit())?;
        let si_per_s = quantity(rate?, unit.dimension.change().over(Dimension::TIME), self.problems)?;
        Some(Fault::GaugeDrift { signal: signal?, per_s: unit.from_si(si_per_s), for_s: self.for_s })
    }

    /// The word of an operator.
    fn word(&mut self) -> Option<Word> {
        let said: String = self.get("says")?;
        let word = SAYS.iter().find(|(says, _)| *says == said).map(|(_, word)| *word);
        if word.is_none() {
            let message = "an operator says `hold`, `refill`, `release` or `stop`";
            self.problems.push(self.given.at("says").problem(message, None));
        }
        word
    }

    fn answer(&mut self) -> Option<Mishap> {
        let (question, says) = (self.get("question"), self.get("says"));
        Some(Mishap::Answers { question: question?, says: says? })
    }
}

#[allow(clippy::unnecessary_wraps, reason = "rows of the table end with it")]
fn world(fault: Fault) -> Option<Mishap> {
    Some(Mishap::World(fault))
}

#[allow(clippy::unnecessary_wraps, reason = "rows of the table end with it")]
fn link(trouble: LinkTrouble) -> Option<Mishap> {
    Some(Mishap::Link(trouble))
}

#[allow(clippy::unnecessary_wraps, reason = "rows of the table end with it")]
fn runner(trouble: RunnerTrouble) -> Option<Mishap> {
    Some(Mishap::Runner(trouble))
}

fn channel(node: Node<'_>, bench: &Bench, problems: &mut Vec<Problem>) -> Option<String> {
    let name = node.string(problems)?;
    if name == TASKS {
        return Some(name);
    }
    let found = bench.find(&name).map(|id| bench.channel(id).name.clone());
    if found.is_none() {
        let names = bench.names();
        let help = nearest(&name, names.iter().map(String::as_str));
        let help = help.map(|near| format!("did you mean `{near}`?"));
        problems.push(node.problem(format!("the bench has no channel `{name}`"), help));
    }
    found
}

fn instrument(node: Node<'_>, instruments: &[&'static str], problems: &mut Vec<Problem>) -> Option<String> {
    let name = node.string(problems)?;
    if instruments.contains(&name.as_str()) {
        return Some(name);
    }
    let help = match nearest(&name, instruments.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("there are {}", instruments.join(", ")),
    };
    problems.push(node.problem(format!("the mimic has no instrument `{name}`"), Some(help)));
    None
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
            "GaugeStuck" | "GaugeNotANumber" => "signal: \"current\"",
            "GaugeDrift" => "signal: \"helium_level\", rate: \"3.6 L/h\"",
            "LateReply" | "Stale" => "by: \"1 s\"",
            "Saturated" => "channel: \"Current\", to: \"10 nA\"",
            "Drifting" => "channel: \"bias\", rate: \"1 mV/s\"",
            "ClockJump" => "by: \"-3 min\"",
            "SlowDisk" => "lag: \"1 s\"",
            "Operator" => "says: \"hold\"",
            "Answers" => "question: \"pulse\", says: \"yes\"",
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
        for kind in KINDS {
            let name = kind.section.name;
            for stage in [Stage::Rehearsal(&bench), Stage::Mimic(INSTRUMENTS)] {
                let read = read(&format!("Faults(faults: [{}])", one(name)), stage);
                if stage.knows(kind.known) {
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
