//! Reads a bench file and reports every fault of it at once.

use super::Attended;
use super::messages::{MESSAGE, read_messages};
use super::read_channel::{CHANNEL, read_channels};
use super::read_link::{LINKS, read_links};
use super::read_rules::{
    INTERLOCK, PERMIT, STEPS, read_channel_name, read_condition, read_interlocks, read_permits, read_steps,
};
use super::read_spins::{SPIN, read_spins};
use super::{
    Action, Bench, Guard, Helium, Keeper, LiveWords, Lockin, Looks, Pot, PulseLimits, Recentre, Refill,
    Retry, Role, StepAction, TipTests,
};
use crate::diagnostic::{Code, Diagnostic, has_errors};
use crate::document::{Node, Problem, Text, nearest};
use crate::quantity::Dimension;
use noctule_ground::fields;
use noctule_ground::section::{Described, Given, Kind, Range, TIME, left_out};
use std::collections::BTreeSet;
use std::ops::{Deref, DerefMut};

const LENGTH: Kind = Kind::Quantity(Dimension::LENGTH, Range::Within(0.0, 1e-6));
const VOLUME: Kind = Kind::Quantity(Dimension::VOLUME, Range::NotNegative);

fields! {
    /// What a bench file may say.
    BENCH (pub) = "Bench", "What is connected, what is safe, and what there is of helium and time." {
        needed "name", Kind::Text, "Name of the bench, for people.";
        needed "links", Kind::Map(&Kind::Part(LINKS)), "Ways to instruments, each with a name.";
        optional "tasks", Kind::Text, "The link that approaches, withdraws and scans.";
        optional "lockin", Lockin::PART, "Settling of the lock-in.";
        optional "retry", Retry::PART, "How failures of single commands are met.";
        optional "look", Looks::PART, "How instruments are looked at between times.";
        optional "pulse", PulseLimits::PART, "Limits of a voltage pulse at the junction.";
        optional "tip_tests", TipTests::PART, "How a tip is tested; without it `test_tip` is an error.";
        optional "pot", Pot::PART, "The condensation pot; without it nothing is foretold of it and `recondense` is an error.";
        optional "guard", Guard::PART, "What is precious: proved tips and kept spins. Without it nothing is guarded.";
        or "hold_patience" = "12 h", TIME, "How long a hold waits for a condition that does not clear.";
        or "park_patience" = "4 h", TIME, "How long a step of parking that failed is tried again.";
        or "record_every" = "1 min", Kind::Quantity(Dimension::TIME, Range::Held(0.1, f64::INFINITY)), "How often channel values go into the run file.";
        optional "time_zone", Kind::Text, "Time zone of the laboratory (IANA name); else the machine's.";
        needed "channels", Kind::List(&Kind::Part(&[CHANNEL])), "What can be set and read.";
        optional "permits", Kind::List(&Kind::Part(&[PERMIT])), "Conditions for setting a channel or starting a task.";
        optional "interlocks", Kind::List(&Kind::Part(&[INTERLOCK])), "Conditions that are watched.";
        needed "park", STEPS, "Steps to the safe state.";
        optional "hold", STEPS, "Steps to the state while a sequence is held.";
        optional "refill", Kind::Part(&[REFILL]), "What is done around a helium transfer.";
        optional "recentre", Kind::Part(&[RECENTRE]), "How the spot under the tip is centred and found again.";
        optional "helium", Kind::Part(&[HELIUM]), "The helium budget.";
        optional "keeper", Kind::Part(&[KEEPER]), "The keeper process.";
        or "queue_goes_on" = "false", Kind::Flag, "Whether a queue goes on after a sequence that failed.";
        or "live_words_beyond_loopback" = "false", Kind::Flag, "Whether the live page takes words (hold, release, stop) from other computers too.";
        or "live_release" = "false", Kind::Flag, "Whether the live page may release what an operator holds; else somebody says it at the computer of the run.";
        optional "spare_folder", Kind::Text, "Folder, seen from that of the bench file, that keeps what was recorded if a run's own folder is removed.";
        optional "messages", Kind::List(&Kind::Part(&[MESSAGE])), "Programs and addresses that are told of chosen events.";
        optional "known_spins", Kind::List(&Kind::Part(&[SPIN])), "Kinds of spins that the laboratory knows, for `identify`.";
    }

    REFILL = "Refill", "What is done around a helium transfer." {
        optional "steps", STEPS, "Steps to the state for the transfer.";
        optional "resume_when", Kind::Text, "The condition that must hold before the sequence goes on.";
        or "condense" = "false", Kind::Flag, "Whether the pot is condensed anew on the way back, before field and tip; the bench needs a `pot`.";
    }

    RECENTRE = "Recentre", "How the spot under the tip is centred, and found again after a hold that had the tip out." {
        optional "channel", Kind::Text, "Channel whose maximum is the spot; else the one of the role Height.";
        or "span" = "0.5 nm", Kind::Quantity(Dimension::LENGTH, Range::Within(1e-12, 1e-6)), "Side of the pattern of places: an atom and what is round it.";
        or "search" = "2 nm", LENGTH, "Side of the square that is searched where the pattern does not show the spot; \"0 m\" for no search.";
        or "points" = "3", Kind::Whole(0, u64::MAX), "Places along each side of the pattern: 3, 5, 7 or 9.";
    }

    HELIUM = "Helium", "The helium budget." {
        needed "volume", VOLUME, "Volume of the full bath.";
        needed "refill_limit", VOLUME, "Level at which a refill is due.";
        optional "attended", Kind::Text, "When somebody is there to refill, like \"Mon-Fri 08:00-18:00\": a refill that is due before that is an alarm.";
    }

    KEEPER = "Keeper", "The second process, which parks the bench when the runner gives no sign of life." {
        or "patience" = "1 s", Kind::Quantity(Dimension::TIME, Range::Held(0.05, 60.0)), "Time without a sign of life after which it parks.";
        or "park_if_lost" = "true", Kind::Flag, "Whether the runner parks if the keeper dies and no new one comes up.";
    }
}

/// Reads the text of a bench file. `file` names it in messages.
///
/// # Errors
/// All faults, in the order of their lines. Warnings come back beside a bench that can be used.
pub fn read(text: &str, file: &str) -> Result<(Bench, Vec<Diagnostic>), Vec<Diagnostic>> {
    let text = Text::new(text);
    let root = match text.parse() {
        Ok(root) => root,
        Err(problem) => return Err(vec![diagnostic(file, problem.coded(Code::BenchUnreadable))]),
    };
    let mut reader = Reader { found: Vec::new(), lost: BTreeSet::new(), lost_role: false };
    let bench = read_bench(root, &mut reader);
    let mut found: Vec<Diagnostic> =
        reader.found.into_iter().map(|problem| diagnostic(file, problem)).collect();
    found.sort_by_key(|d| (d.line, d.column));
    match bench {
        Some(bench) if !has_errors(&found) => Ok((bench, found)),
        _ => Err(found),
    }
}

fn diagnostic(file: &str, problem: Problem) -> Diagnostic {
    let code = problem.code.unwrap_or(Code::BenchField);
    let place = (problem.line, problem.column);
    let found = Diagnostic::error(code, file, place, problem.message).with_help(problem.help);
    if matches!(code, Code::BenchBlind | Code::BenchRenamed) { found.as_warning() } else { found }
}

/// Collects faults while the parts of a bench are read.
pub(super) struct Reader {
    found: Vec<Problem>,
    /// Names of channels that are there but faulty: that nothing is found under them only follows.
    pub(super) lost: BTreeSet<String>,
    /// Whether a role could not be read: the one that is missing elsewhere may be meant.
    pub(super) lost_role: bool,
}

impl Deref for Reader {
    type Target = Vec<Problem>;

    fn deref(&self) -> &Self::Target {
        &self.found
    }
}

impl DerefMut for Reader {
    fn deref_mut(&mut self) -> &mut Self::Target {
        &mut self.found
    }
}

impl Reader {
    pub(super) fn report(
        &mut self,
        code: Code,
        at: Node<'_>,
        message: impl Into<String>,
        help: Option<String>,
    ) {
        self.found.push(at.problem(message, help).coded(code));
    }

    /// Whether a name leads nowhere only because of a fault that is reported elsewhere.
    pub(super) fn follows(&self, name: &str) -> bool {
        self.lost.contains(name) || (self.lost_role && Role::from_name(name).is_some())
    }
}

fn read_bench(root: Node<'_>, reader: &mut Reader) -> Option<Bench> {
    let mut given = BENCH.open(root, reader);
    // Of another kind of file it only follows that it has nothing of a bench.
    nearest(root.label().unwrap_or("Bench"), ["Bench"])?;
    let name = given.get("name", reader);
    let links = given.node("links", reader).map(|n| read_links(n, reader)).unwrap_or_default();
    let channels =
        given.node("channels", reader).map(|n| read_channels(n, &links, reader)).unwrap_or_default();
    let mut bench = Bench {
        name: name.unwrap_or_default(),
        links,
        channels,
        task_link: None,
        lockin: left_out(),
        retry: left_out(),
        looks: left_out(),
        pulse: None,
        tip_tests: None,
        guard: None,
        pot: None,
        record_every_s: given.get("record_every", reader).unwrap_or_default(),
        permits: Vec::new(),
        interlocks: Vec::new(),
        park: Vec::new(),
        hold: Vec::new(),
        hold_patience_s: given.get("hold_patience", reader).unwrap_or_default(),
        park_patience_s: given.get("park_patience", reader).unwrap_or_default(),
        refill: Refill::default(),
        recentre: None,
        helium: None,
        time_zone: given.get("time_zone", reader),
        keeper: Keeper { patience_ms: 1000, park_if_lost: true },
        queue_goes_on: given.get("queue_goes_on", reader).unwrap_or_default(),
        live_words: LiveWords {
            beyond_loopback: given.get("live_words_beyond_loopback", reader).unwrap_or_default(),
            release: given.get("live_release", reader).unwrap_or_default(),
        },
        spare_folder: given.get::<String>("spare_folder", reader).map(Into::into),
        messages: Vec::new(),
        known_spins: Vec::new(),
    };
    read_settings(&mut given, &mut bench, reader);
    let permits = given.find("permits").map(|n| read_permits(n, &bench, reader));
    bench.permits = permits.unwrap_or_default();
    let interlocks = given.find("interlocks").map(|n| read_interlocks(n, &bench, reader));
    bench.interlocks = interlocks.unwrap_or_default();
    if let Some(node) = given.node("park", reader) {
        bench.park = read_steps(node, &bench, reader);
        check_park(node, &bench, reader);
    }
    bench.hold = given.find("hold").map(|n| read_steps(n, &bench, reader)).unwrap_or_default();
    if let Some(node) = given.find("refill") {
        let mut inner = REFILL.open(node, reader);
        bench.refill.steps = inner.find("steps").map(|n| read_steps(n, &bench, reader)).unwrap_or_default();
        bench.refill.resume_when = inner.find("resume_when").and_then(|n| read_condition(n, &bench, reader));
        bench.refill.condenses = inner.get("condense", reader).unwrap_or_default();
        if bench.refill.condenses {
            needs_pot(inner.at("condense"), &bench, reader);
        }
        inner.finish(reader);
    }
    if bench.interlocks.iter().any(|lock| [lock.action, lock.blind].contains(&Action::Condense)) {
        needs_pot(given.at("interlocks"), &bench, reader);
    }
    bench.recentre = given.find("recentre").and_then(|node| read_recentre(node, &bench, reader));
    given.finish(reader);
    Some(bench)
}

fn read_settings(given: &mut Given<'_>, bench: &mut Bench, reader: &mut Reader) {
    if let Some(name) = given.get::<String>("tasks", reader) {
        bench.task_link = bench.links.iter().position(|link| link.name == name);
        if bench.task_link.is_none() {
            reader.report(Code::BenchName, given.at("tasks"), format!("there is no link `{name}`"), None);
        }
    }
    if let Some(lockin) = given.get("lockin", reader) {
        bench.lockin = lockin;
    }
    if let Some(retry) = given.get("retry", reader) {
        bench.retry = retry;
    }
    if let Some(looks) = given.get("look", reader) {
        bench.looks = looks;
    }
    bench.pulse = given.get("pulse", reader);
    bench.tip_tests = given.get("tip_tests", reader);
    bench.guard = given.get("guard", reader);
    bench.pot = given.get("pot", reader);
    if let Some(node) = given.find("keeper") {
        let mut inner = KEEPER.open(node, reader);
        let patience_s: f64 = inner.get("patience", reader).unwrap_or_default();
        bench.keeper.patience_ms = (patience_s * 1e3) as u64;
        bench.keeper.park_if_lost = inner.get("park_if_lost", reader).unwrap_or_default();
        inner.finish(reader);
    }
    bench.helium = given.find("helium").and_then(|node| read_helium(node, bench, reader));
    bench.messages = given.find("messages").map(|n| read_messages(n, reader)).unwrap_or_default();
    bench.known_spins = given.find("known_spins").map(|n| read_spins(n, reader)).unwrap_or_default();
}

fn read_helium(node: Node<'_>, bench: &Bench, reader: &mut Reader) -> Option<Helium> {
    let mut given = HELIUM.open(node, reader);
    let volume: Option<f64> = given.get("volume", reader);
    given.renamed("refill_mark", "refill_limit", Code::BenchRenamed, reader);
    let limit: Option<f64> = given.get("refill_limit", reader);
    let at = given.at("refill_limit");
    let hours: Option<String> = given.get("attended", reader);
    let attended = hours.as_deref().and_then(Attended::parse);
    if hours.is_some() && attended.is_none() {
        let help = Some("write it like \"Mon-Fri 08:00-18:00\"".to_owned());
        let here = given.at("attended");
        reader.report(Code::BenchField, here, "`attended` says no days and hours", help);
    }
    given.finish(reader);
    let (volume_m3, refill_limit_m3) = (volume?, limit?);
    if refill_limit_m3 >= volume_m3 {
        reader.report(Code::BenchLimits, at, "the refill limit lies above the full volume", None);
    }
    match bench.by_role(Role::HeliumLevel) {
        Some(channel) => Some(Helium { channel, volume_m3, refill_limit_m3, attended }),
        None if reader.follows(Role::HeliumLevel.name()) => None,
        None => {
            let help = Some("give the channel of the level gauge the role HeliumLevel".to_owned());
            reader.report(Code::BenchName, node, "no channel has the role HeliumLevel", help);
            None
        }
    }
}

fn read_recentre(node: Node<'_>, bench: &Bench, reader: &mut Reader) -> Option<Recentre> {
    let mut given = RECENTRE.open(node, reader);
    let channel = match given.find("channel") {
        Some(node) => read_channel_name(node, bench, reader),
        None => bench.by_role(Role::Height),
    };
    let (span_m, search_m) = (given.get("span", reader), given.get("search", reader));
    let points: Option<u64> = given.get("points", reader);
    if points.is_some_and(|points| points % 2 != 1 || !(3..=9).contains(&points)) {
        let message = "the places along a side are 3, 5, 7 or 9: the spot lies in the middle";
        reader.report(Code::BenchField, given.at("points"), message, None);
    }
    // More places than this would take longer than the drift allows.
    if let (Some(span_m), Some(search_m)) = (span_m, search_m)
        && search_m > 40.0 * span_m
    {
        reader.report(Code::BenchField, node, "the search is more than forty spans wide", None);
    }
    for role in [Role::TipX, Role::TipY] {
        if bench.by_role(role).is_none() && !reader.follows(role.name()) {
            let message = format!("the spot can't be centred without a channel of the role {role}");
            reader.report(Code::BenchName, node, message, None);
        }
    }
    if channel.is_none() && given.find("channel").is_none() && !reader.follows(Role::Height.name()) {
        let help = Some("name the channel whose maximum is sought".to_owned());
        reader.report(Code::BenchName, node, "no channel has the role Height", help);
    }
    given.finish(reader);
    Some(Recentre { channel: channel?, span_m: span_m?, points: points? as u32, search_m: search_m? })
}

/// Parking must deal with everything that can hurt the tip, the sample or a person.
/// Nobody can say how long condensing takes where the bench does not tell of its pot.
fn needs_pot(node: Node<'_>, bench: &Bench, reader: &mut Reader) {
    if bench.pot.is_none() {
        let help = Some("add `pot: Pot(…)` to the file".to_owned());
        let message = "the pot is to be condensed anew, but the bench does not tell of a pot";
        reader.report(Code::BenchField, node, message, help);
    }
}

fn check_park(node: Node<'_>, bench: &Bench, reader: &mut Reader) {
    let touched = |role: Role| {
        bench.by_role(role).is_none_or(|id| {
            bench.park.iter().any(|step| match step.action {
                StepAction::Set { channel, .. } | StepAction::Keep { channel } => channel == id,
                StepAction::Withdraw => false,
            })
        })
    };
    for role in [Role::RfOutput, Role::Bias, Role::FieldZ] {
        if !touched(role) {
            let help = Some("add a step `Set(…)`, or `Keep(…)` to leave it on purpose".to_owned());
            let message = format!("the park steps don't say what becomes of {role}");
            reader.report(Code::BenchPark, node, message, help);
        }
    }
    let withdraws = bench.park.iter().any(|step| step.action == StepAction::Withdraw);
    if bench.task_link.is_some() && !withdraws {
        let help = Some("begin with `Withdraw()`".to_owned());
        reader.report(Code::BenchPark, node, "the park steps never withdraw the tip", help);
    }
    let latching = bench.interlocks.iter().any(|lock| lock.action >= Action::Park);
    if bench.park.is_empty() && latching {
        reader.report(Code::BenchPark, node, "an interlock parks, but there are no park steps", None);
    }
}
