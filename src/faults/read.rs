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
use noctule_ground::section::{Field, Given, Kind, Range, Section, TIME, quantity};
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

macro_rules! kinds {
    ($($known:ident $name:literal, $says:literal $(, $field:expr)*;)*) => {
        /// Every kind of fault that a file may speak of.
        pub const KINDS: &[(Known, &Section)] = &[
            $((Known::$known, &Section::new($name, $says, &[AT, FOR, EVERY $(, $field)*])),)*
            (Known::Rehearsal, REFILL),
        ];
    };
}

kinds! {
    Everywhere "HeliumLeak", "The bath loses helium.", change("loss", Dimension::of([3, 0, -1, 0, 0, 0]), "Extra loss.");
    Everywhere "PressureBurst", "A burst of gas in the microscope's chamber, pumped off again.", change("height", Dimension::PRESSURE, "Height of the burst.");
    Everywhere "WarmUp", "The sample stage gets warmer.", change("by", Dimension::TEMPERATURE, "Rise.");
    Everywhere "Quench", "The magnet quenches.";
    Everywhere "TipChange", "The apex of the tip changes.";
    Everywhere "TipCrash", "The tip touches the surface.";
    Everywhere "TipDrift", "The sample drifts faster, along x.", change("speed", Dimension::of([1, 0, -1, 0, 0, 0]), "Extra velocity.");
    Everywhere "LockinOverload", "The lock-in's input is overloaded.";
    Everywhere "RfDropOut", "The RF source gives nothing.";
    Everywhere "GaugeStuck", "A gauge shows its last value.", SIGNAL;
    Everywhere "GaugeNotANumber", "A gauge shows no number.", SIGNAL;
    Everywhere "GaugeDrift", "A gauge drifts off its true value.", SIGNAL, Field::needed("rate", Kind::OfChannel("a change per time"), "How fast.");
    Everywhere "NoReply", "No reply comes.", CHANNEL, ON, TIMES, Field::or("heard", "true", Kind::Flag, "In a rehearsal: whether the message arrived.");
    Everywhere "LateReply", "Replies come late; in a mimic by wall time.", CHANNEL, ON, TIMES, Field::needed("by", TIME, "How late.");
    Everywhere "Garbled", "Replies are garbled.", CHANNEL, ON, TIMES;
    Everywhere "NotANumber", "Readings are no numbers.", CHANNEL, ON, TIMES;
    Everywhere "Refuses", "Commands are refused.", CHANNEL, ON, TIMES;
    Rehearsal "Saturated", "Readings stand at one value.", CHANNEL, TIMES, Field::needed("to", Kind::OfChannel("a value"), "That value.");
    Rehearsal "OverRange", "The instrument says that it can't show so much.", CHANNEL, TIMES;
    Rehearsal "UnderRange", "The instrument says that it can't show so little.", CHANNEL, TIMES;
    Rehearsal "Stuck", "Readings stay what they were.", CHANNEL, TIMES;
    Rehearsal "Drifting", "Readings drift off.", CHANNEL, TIMES, Field::needed("rate", Kind::OfChannel("a change per time"), "How fast.");
    Rehearsal "Stale", "Readings are old.", CHANNEL, TIMES, Field::needed("by", TIME, "How old.");
    Rehearsal "Lies", "What is commanded is said to be done, and is not.", CHANNEL, TIMES;
    Rehearsal "ReconnectNeeded", "The connection is lost and must be made anew.", CHANNEL, TIMES;
    Rehearsal "Outage", "Nobody answers: the connection is lost and can't be made anew.", CHANNEL, TIMES;
    Rehearsal "NeverDone", "Tasks never end.", CHANNEL, TIMES;
    Rehearsal "ClockJump", "The clock of the computer jumps.", change("by", Dimension::TIME, "By how much.");
    Rehearsal "DiskFull", "The disk takes nothing any more.";
    Rehearsal "SlowDisk", "The disk is slow.", Field::needed("lag", TIME, "How much later things are on it.");
    Rehearsal "Operator", "An operator says something.", Field::needed("says", Kind::Named(|| SAYS.map(|(says, _)| says).to_vec()), "What they say.");
    Rehearsal "Answers", "Somebody answers what a plan has asked people.", Field::needed("question", Kind::Text, "The name of the question."), Field::needed("says", Kind::Text, "The answer.");
    Rehearsal "KeeperLost", "The keeper process dies.";
    Mimic "Clear", "All that lasts in the apparatus ends.";
    Mimic "DropConnection", "The connection is dropped.", ON, TIMES;
    Mimic "HalfReply", "Half of a reply comes.", ON, TIMES;
    Mimic "DoubleReply", "Replies come twice.", ON, TIMES;
    Mimic "Rubbish", "Something that is no reply comes.", ON, TIMES;
    Mimic "Flood", "Bytes come without end.", ON, TIMES, Field::or("bytes", "4194304", Kind::Whole(0, 1 << 30), "How many.");
    Mimic "EndsEarly", "A task counts as ended while it runs.", ON, TIMES;
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
        all[at] = KINDS[at].1;
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
    let section = section_of(item, stage, problems)?;
    let mut given = section.open(item, problems);
    // In a rehearsal the places are channels, in a mimic instruments, which hear every message.
    let others: &[&'static str] =
        if matches!(stage, Stage::Mimic(_)) { &["channel", "heard"] } else { &["on"] };
    given.without(others.iter().copied().filter(|name| section.all().any(|field| field.name == *name)));
    let planned = if section.name == REFILL.name {
        super::refill::read(&mut given, stage, problems).map(|refill| {
            let at_s = if let RefillCall::At(at_s) = refill.when { at_s } else { 0.0 };
            Planned::once(at_s, 0.0, Mishap::Refill(refill))
        })
    } else {
        fault(section.name, &mut given, stage, problems)
    };
    given.finish(problems);
    planned
}

/// A fault with its times and its place.
fn fault(
    name: &str,
    given: &mut Given<'_>,
    stage: Stage<'_>,
    problems: &mut Vec<Problem>,
) -> Option<Planned> {
    let at_s = given.get("at", problems);
    let for_s = given.get("for", problems).unwrap_or(f64::INFINITY);
    let every_s = given.get("every", problems);
    let mut entry = Planned { every_s, ..Planned::once(0.0, for_s, Mishap::Clear) };
    if given.may_have("times") {
        entry.on = match stage {
            Stage::Rehearsal(bench) => given.find("channel").and_then(|node| channel(node, bench, problems)),
            Stage::Mimic(names) => given.find("on").and_then(|node| instrument(node, names, problems)),
        };
        entry.times = given.get("times", problems);
    }
    let mishap = if name == "Clear" {
        Some(Mishap::Clear)
    } else if name == "Answers" {
        let (question, says) = (given.get("question", problems), given.get("says", problems));
        question.zip(says).map(|(question, says)| Mishap::Answers { question, says })
    } else if let Some(fault) = world(name, given, for_s, problems) {
        fault.map(Mishap::World)
    } else if let Some(trouble) = runner(name, given, problems) {
        trouble.map(Mishap::Runner)
    } else {
        link(name, given, entry.on.as_deref(), stage, problems).map(Mishap::Link)
    };
    (entry.at_s, entry.mishap) = (at_s?, mishap?);
    Some(entry)
}

fn section_of(item: Node<'_>, stage: Stage<'_>, problems: &mut Vec<Problem>) -> Option<&'static Section> {
    let name = item.label().unwrap_or_default();
    let here = || KINDS.iter().filter(|(known, _)| stage.knows(*known)).map(|(_, section)| section.name);
    let (message, help) = match KINDS.iter().find(|(_, section)| section.name == name) {
        Some((known, section)) if stage.knows(*known) => return Some(section),
        Some((Known::Rehearsal, _)) => (format!("the mimic has no fault `{name}`, a rehearsal has"), None),
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

/// A fault of the apparatus: none if the name is not one; `Some(None)` if it is faulty.
fn world(
    name: &str,
    given: &mut Given<'_>,
    for_s: f64,
    problems: &mut Vec<Problem>,
) -> Option<Option<Fault>> {
    let for_s = for_s.min(f64::MAX);
    Some(match name {
        "HeliumLeak" => {
            given.get("loss", problems).map(|m3_per_s: f64| Fault::HeliumLeak { l_per_h: m3_per_s * 3.6e6 })
        }
        "PressureBurst" => given.get("height", problems).map(|pa| Fault::PressureBurst { pa }),
        "WarmUp" => given.get("by", problems).map(|k| Fault::WarmUp { k }),
        "Quench" => Some(Fault::Quench),
        "TipChange" => Some(Fault::TipChange),
        "TipCrash" => Some(Fault::TipCrash),
        "TipDrift" => given.get("speed", problems).map(|m_per_s| Fault::TipDrift { m_per_s }),
        "LockinOverload" => Some(Fault::LockinOverload { for_s }),
        "RfDropOut" => Some(Fault::RfDropOut { for_s }),
        "GaugeStuck" => signal(given, problems).map(|signal| Fault::GaugeStuck { signal, for_s }),
        "GaugeNotANumber" => signal(given, problems).map(|signal| Fault::GaugeNotANumber { signal, for_s }),
        "GaugeDrift" => gauge_drift(given, for_s, problems),
        _ => return None,
    })
}

fn gauge_drift(given: &mut Given<'_>, for_s: f64, problems: &mut Vec<Problem>) -> Option<Fault> {
    let (signal, rate) = (signal(given, problems), given.node("rate", problems));
    let unit = Unit::parse(signal?.unit())?;
    let si_per_s = quantity(rate?, unit.dimension.change().over(Dimension::TIME), problems)?;
    Some(Fault::GaugeDrift { signal: signal?, per_s: unit.from_si(si_per_s), for_s })
}

fn signal(given: &mut Given<'_>, problems: &mut Vec<Problem>) -> Option<Signal> {
    let name: String = given.get("signal", problems)?;
    let signal = Signal::from_name(&name);
    if signal.is_none() {
        let help = meant(&name, Signal::ALL.map(Signal::name));
        problems.push(given.at("signal").problem(format!("the microscope has no signal `{name}`"), help));
    }
    signal
}

fn link(
    name: &str,
    given: &mut Given<'_>,
    on: Option<&str>,
    stage: Stage<'_>,
    problems: &mut Vec<Problem>,
) -> Option<LinkTrouble> {
    let channel = match stage {
        Stage::Rehearsal(bench) => on.and_then(|name| bench.find(name)).map(|id| bench.channel(id)),
        Stage::Mimic(_) => None,
    };
    let dimension = channel.map_or(Dimension::NONE, |channel| channel.dimension());
    Some(match name {
        "NoReply" => LinkTrouble::NoReply { heard: given.get("heard", problems)? },
        "LateReply" => LinkTrouble::LateReply { by_s: given.get("by", problems)? },
        "Garbled" => LinkTrouble::Garbled,
        "NotANumber" => LinkTrouble::NotANumber,
        "Refuses" => LinkTrouble::Refuses,
        "Saturated" => LinkTrouble::Saturated { at: given.quantity("to", dimension, problems)? },
        "OverRange" => LinkTrouble::OverRange,
        "UnderRange" => LinkTrouble::UnderRange,
        "Stuck" => LinkTrouble::Stuck,
        "Drifting" => {
            let rate = dimension.change().over(Dimension::TIME);
            LinkTrouble::Drifting { per_s: given.quantity("rate", rate, problems)? }
        }
        "Stale" => LinkTrouble::Stale { by_s: given.get("by", problems)? },
        "Lies" => LinkTrouble::Lies,
        "ReconnectNeeded" => LinkTrouble::ReconnectNeeded,
        "Outage" => LinkTrouble::Outage,
        "NeverDone" => LinkTrouble::NeverDone,
        "DropConnection" => LinkTrouble::DropConnection,
        "HalfReply" => LinkTrouble::HalfReply,
        "DoubleReply" => LinkTrouble::DoubleReply,
        "Rubbish" => LinkTrouble::Rubbish,
        "EndsEarly" => LinkTrouble::EndsEarly,
        "Flood" => LinkTrouble::Flood { bytes: given.get("bytes", problems)? },
        other => unreachable!("`{other}` is in the list of kinds"),
    })
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

/// Something with the runner: none if the name is not one; `Some(None)` if it is faulty.
fn runner(name: &str, given: &mut Given<'_>, problems: &mut Vec<Problem>) -> Option<Option<RunnerTrouble>> {
    Some(match name {
        "ClockJump" => given.get("by", problems).map(|by_s| RunnerTrouble::ClockJump { by_s }),
        "DiskFull" => Some(RunnerTrouble::DiskFull),
        "SlowDisk" => given.get("lag", problems).map(|lag_s| RunnerTrouble::SlowDisk { lag_s }),
        "KeeperLost" => Some(RunnerTrouble::KeeperLost),
        "Operator" => said(given, problems).map(RunnerTrouble::Operator),
        _ => return None,
    })
}

fn said(given: &mut Given<'_>, problems: &mut Vec<Problem>) -> Option<Word> {
    let said: String = given.get("says", problems)?;
    let word = SAYS.iter().find(|(says, _)| *says == said).map(|(_, word)| *word);
    if word.is_none() {
        let message = "an operator says `hold`, `refill`, `release` or `stop`";
        problems.push(given.at("says").problem(message, None));
    }
    word
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
        for (known, section) in KINDS {
            let name = section.name;
            for stage in [Stage::Rehearsal(&bench), Stage::Mimic(INSTRUMENTS)] {
                let read = read(&format!("Faults(faults: [{}])", one(name)), stage);
                if stage.knows(*known) {
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
