//! Reads a bench file and reports every fault of it at once.

use super::messages::read_messages;
use super::read_channel::read_channels;
use super::read_link::read_links;
use super::read_rules::{read_interlocks, read_permits, read_steps};
use super::read_spins::read_spins;
use super::{
    Action, Bench, Helium, Keeper, Lockin, Looks, PulseLimits, Recentre, Refill, Retry, Role, StepAction,
};
use crate::diagnostic::{Code, Diagnostic, has_errors};
use crate::document::{Fields, Node, Problem, Text, nearest};
use crate::quantity::{Dimension, Quantity};
use std::collections::BTreeSet;

/// How long a hold waits where the bench does not say, s: long enough for somebody to come in the morning.
const HOLD_PATIENCE_S: f64 = 12.0 * 3600.0;
/// How long parking is tried again where the bench does not say, s.
const PARK_PATIENCE_S: f64 = 4.0 * 3600.0;

/// Reads the text of a bench file. `file` names it in messages.
///
/// # Errors
/// All faults, in the order of their lines. Warnings come back beside a bench that can be used.
pub fn read(text: &str, file: &str) -> Result<(Bench, Vec<Diagnostic>), Vec<Diagnostic>> {
    let text = Text::new(text);
    let root = match text.parse() {
        Ok(root) => root,
        Err(problem) => return Err(vec![from_problem(Code::BenchUnreadable, file, problem)]),
    };
    let mut reader = Reader { file, found: Vec::new(), lost: BTreeSet::new(), lost_role: false };
    let bench = read_bench(root, &mut reader);
    reader.found.sort_by_key(|d| (d.line, d.column));
    match bench {
        Some(bench) if !has_errors(&reader.found) => Ok((bench, reader.found)),
        _ => Err(reader.found),
    }
}

fn from_problem(code: Code, file: &str, problem: Problem) -> Diagnostic {
    Diagnostic::error(code, file, (problem.line, problem.column), problem.message).with_help(problem.help)
}

/// Collects faults while the parts of a bench are read.
pub(super) struct Reader<'f> {
    file: &'f str,
    pub(super) found: Vec<Diagnostic>,
    /// Names of channels that are there but faulty: that nothing is found under them only follows.
    pub(super) lost: BTreeSet<String>,
    /// Whether a role could not be read: the one that is missing elsewhere may be meant.
    pub(super) lost_role: bool,
}

/// Longest time that a bench file may give, s: ten years.
const LONGEST_TIME_S: f64 = 3.156e8;

impl Reader<'_> {
    pub(super) fn report(
        &mut self,
        code: Code,
        at: Node<'_>,
        message: impl Into<String>,
        help: Option<String>,
    ) {
        self.found.push(Diagnostic::error(code, self.file, at.place(), message).with_help(help));
    }

    pub(super) fn warn(&mut self, code: Code, at: Node<'_>, message: String, help: Option<String>) {
        self.found.push(Diagnostic::error(code, self.file, at.place(), message).as_warning().with_help(help));
    }

    /// Runs a reading of the document and takes over what it complains about.
    pub(super) fn with<T>(&mut self, read: impl FnOnce(&mut Vec<Problem>) -> T) -> T {
        let mut problems = Vec::new();
        let value = read(&mut problems);
        self.found.extend(problems.into_iter().map(|p| from_problem(Code::BenchField, self.file, p)));
        value
    }

    pub(super) fn need<'t>(&mut self, fields: &mut Fields<'t>, name: &'static str) -> Option<Node<'t>> {
        self.with(|p| fields.need(name, p))
    }

    pub(super) fn text(&mut self, node: Node<'_>) -> Option<String> {
        self.with(|p| node.string(p))
    }

    /// Whether a name leads nowhere only because of a fault that is reported elsewhere.
    pub(super) fn follows(&self, name: &str) -> bool {
        self.lost.contains(name) || (self.lost_role && Role::from_name(name).is_some())
    }

    /// The bare word of a choice. One in quotes is understood, and complained about.
    pub(super) fn word<'t>(&mut self, node: Node<'t>) -> Option<&'t str> {
        let source = node.source();
        let inside = source.strip_prefix('"').and_then(|rest| rest.strip_suffix('"'));
        if let Some(inside) = inside {
            let help = Some(format!("write {inside}, without quotes"));
            self.report(Code::BenchField, node, "this is a word, not a text", help);
        }
        inside.or(node.label())
    }

    /// Complains where a struct goes by another name than it has; no name at all is in order.
    pub(super) fn named(&mut self, node: Node<'_>, name: &str) {
        let Some(label) = node.label().filter(|label| *label != name) else { return };
        let help = nearest(label, [name]).map(|near| format!("did you mean `{near}`?"));
        self.report(Code::BenchField, node, format!("`{name}(…)` is expected here, not `{label}`"), help);
    }

    pub(super) fn finish(&mut self, fields: Fields<'_>) {
        self.with(|p| fields.finish(p));
    }

    /// A quantity of a given dimension, written as text with its unit.
    pub(super) fn quantity(&mut self, node: Node<'_>, wanted: Dimension) -> Option<f64> {
        let source = node.source();
        if !source.starts_with('"') && source.parse::<f64>().is_ok() {
            if wanted.is_none() {
                return self.with(|p| node.number(p));
            }
            let help = format!("write it as text with its unit, like \"{source} {}\"", wanted.symbol());
            self.report(Code::BenchQuantity, node, format!("`{source}` has no unit"), Some(help));
            return None;
        }
        let text = self.text(node)?;
        match text.parse::<Quantity>().and_then(|q| q.expect(wanted)) {
            Ok(si) => Some(si),
            Err(error) => {
                let bare = text.trim().parse::<f64>().is_ok();
                let message = if bare { format!("`{text}` has no unit") } else { error.to_string() };
                let help = format!("a value like \"1 {}\" is expected", wanted.symbol());
                self.report(Code::BenchQuantity, node, message, Some(help));
                None
            }
        }
    }

    /// A duration that must not be negative.
    pub(super) fn duration(&mut self, node: Option<Node<'_>>, default: f64) -> f64 {
        let Some(node) = node else { return default };
        match self.quantity(node, Dimension::TIME) {
            Some(seconds) if seconds < 0.0 => {
                self.report(Code::BenchQuantity, node, "a time can't be negative", None);
                default
            }
            Some(seconds) if seconds > LONGEST_TIME_S => {
                let help = Some("no time on a bench is longer than ten years".to_owned());
                self.report(Code::BenchQuantity, node, "this time never ends", help);
                default
            }
            Some(seconds) => seconds,
            None => default,
        }
    }

    pub(super) fn boolean(&mut self, node: Option<Node<'_>>, default: bool) -> bool {
        node.and_then(|n| self.with(|p| n.boolean(p))).unwrap_or(default)
    }

    pub(super) fn whole(&mut self, node: Option<Node<'_>>, default: u64) -> u64 {
        node.and_then(|n| self.with(|p| n.whole(p))).unwrap_or(default)
    }
}

fn read_bench(root: Node<'_>, reader: &mut Reader<'_>) -> Option<Bench> {
    if let Some(label) = root.label().filter(|label| *label != "Bench") {
        reader.named(root, "Bench");
        // Of another kind of file it only follows that it has nothing of a bench.
        nearest(label, ["Bench"])?;
    }
    let mut fields = reader.with(|p| root.fields(p));
    let name = reader.need(&mut fields, "name").and_then(|n| reader.text(n));
    let links = reader.need(&mut fields, "links").map(|n| read_links(n, reader)).unwrap_or_default();
    let channels =
        reader.need(&mut fields, "channels").map(|n| read_channels(n, &links, reader)).unwrap_or_default();
    let mut bench = Bench {
        name: name.unwrap_or_default(),
        links,
        channels,
        task_link: None,
        lockin: Lockin { time_constant_s: 0.3, order: 4, settle_fraction: 0.99 },
        retry: Retry::default(),
        looks: Looks::default(),
        pulse: None,
        record_every_s: 60.0,
        permits: Vec::new(),
        interlocks: Vec::new(),
        park: Vec::new(),
        hold: Vec::new(),
        hold_patience_s: HOLD_PATIENCE_S,
        park_patience_s: PARK_PATIENCE_S,
        refill: Refill::default(),
        recentre: None,
        helium: None,
        time_zone: None,
        keeper: Keeper { patience_ms: 1000, park_if_lost: true },
        queue_goes_on: false,
        live_words_beyond_loopback: false,
        messages: Vec::new(),
        known_spins: Vec::new(),
    };
    read_settings(&mut fields, &mut bench, reader);
    if let Some(node) = fields.take("permits") {
        bench.permits = read_permits(node, &bench, reader);
    }
    if let Some(node) = fields.take("interlocks") {
        bench.interlocks = read_interlocks(node, &bench, reader);
    }
    let park = reader.need(&mut fields, "park");
    bench.park = park.map(|n| read_steps(n, &bench, reader)).unwrap_or_default();
    if let Some(node) = park {
        check_park(node, &bench, reader);
    }
    bench.hold = fields.take("hold").map(|n| read_steps(n, &bench, reader)).unwrap_or_default();
    if let Some(node) = fields.take("refill") {
        bench.refill = read_refill(node, &bench, reader);
    }
    bench.recentre = fields.take("recentre").and_then(|node| read_recentre(node, &bench, reader));
    reader.finish(fields);
    Some(bench)
}

fn read_settings(fields: &mut Fields<'_>, bench: &mut Bench, reader: &mut Reader<'_>) {
    if let Some(node) = fields.take("tasks") {
        bench.task_link = reader.text(node).and_then(|name| {
            let found = bench.links.iter().position(|link| link.name == name);
            if found.is_none() {
                reader.report(Code::BenchName, node, format!("there is no link `{name}`"), None);
            }
            found
        });
    }
    if let Some(node) = fields.take("lockin") {
        read_lockin(node, &mut bench.lockin, reader);
    }
    bench.retry = super::patience::read_own(fields.take("retry"), reader).over(Retry::default());
    bench.looks = super::patience::read_looks(fields.take("look"), reader);
    bench.pulse = fields.take("pulse").and_then(|node| read_pulse(node, reader));
    bench.hold_patience_s = reader.duration(fields.take("hold_patience"), HOLD_PATIENCE_S);
    bench.park_patience_s = reader.duration(fields.take("park_patience"), PARK_PATIENCE_S);
    bench.record_every_s = reader.duration(fields.take("record_every"), 60.0).max(0.1);
    bench.time_zone = fields.take("time_zone").and_then(|n| reader.text(n));
    bench.queue_goes_on = reader.boolean(fields.take("queue_goes_on"), false);
    bench.live_words_beyond_loopback = reader.boolean(fields.take("live_words_beyond_loopback"), false);
    if let Some(node) = fields.take("keeper") {
        reader.named(node, "Keeper");
        let mut inner = reader.with(|p| node.fields(p));
        let patience_s = reader.duration(inner.take("patience"), 1.0).clamp(0.05, 60.0);
        bench.keeper.patience_ms = (patience_s * 1e3) as u64;
        bench.keeper.park_if_lost = reader.boolean(inner.take("park_if_lost"), true);
        reader.finish(inner);
    }
    bench.helium = fields.take("helium").and_then(|node| read_helium(node, bench, reader));
    if let Some(node) = fields.take("messages") {
        bench.messages = read_messages(node, reader);
    }
    if let Some(node) = fields.take("known_spins") {
        bench.known_spins = read_spins(node, reader);
    }
}

fn read_lockin(node: Node<'_>, lockin: &mut Lockin, reader: &mut Reader<'_>) {
    reader.named(node, "Lockin");
    let mut inner = reader.with(|p| node.fields(p));
    lockin.time_constant_s = reader.duration(inner.take("time_constant"), 0.3).max(1e-6);
    if let Some(order) = inner.take("order") {
        match reader.with(|p| order.whole(p)) {
            Some(value @ 1..=4) => lockin.order = value as u8,
            Some(_) => reader.report(Code::BenchField, order, "the filter order is 1, 2, 3 or 4", None),
            None => {}
        }
    }
    if let Some(settle) = inner.take("settle") {
        match reader.quantity(settle, Dimension::NONE) {
            Some(part) if (0.1..1.0).contains(&part) => lockin.settle_fraction = part,
            Some(_) => {
                let help = Some("\"99 %\" waits until 99 % of a step has arrived".to_owned());
                reader.report(Code::BenchField, settle, "this must lie between 10 % and 100 %", help);
            }
            None => {}
        }
    }
    reader.finish(inner);
}

fn read_pulse(node: Node<'_>, reader: &mut Reader<'_>) -> Option<PulseLimits> {
    reader.named(node, "Pulse");
    let mut inner = reader.with(|p| node.fields(p));
    let mut limit = |name, dimension| {
        let node = reader.need(&mut inner, name)?;
        let value = reader.quantity(node, dimension)?;
        if value <= 0.0 {
            reader.report(Code::BenchLimits, node, "this must be greater than zero", None);
        }
        Some(value)
    };
    let (max_v, longest_s) = (limit("max", Dimension::VOLTAGE), limit("longest", Dimension::TIME));
    reader.finish(inner);
    Some(PulseLimits { max_v: max_v?, longest_s: longest_s? })
}

fn read_helium(node: Node<'_>, bench: &Bench, reader: &mut Reader<'_>) -> Option<Helium> {
    reader.named(node, "Helium");
    let mut inner = reader.with(|p| node.fields(p));
    let volume = reader.need(&mut inner, "volume").and_then(|n| reader.quantity(n, Dimension::VOLUME));
    let mark_node = reader.need(&mut inner, "refill_mark");
    let mark = mark_node.and_then(|n| reader.quantity(n, Dimension::VOLUME));
    reader.finish(inner);
    let (volume_m3, refill_mark_m3) = (volume?, mark?);
    if refill_mark_m3 >= volume_m3
        && let Some(node) = mark_node
    {
        reader.report(Code::BenchLimits, node, "the refill mark lies above the full volume", None);
    }
    match bench.by_role(Role::HeliumLevel) {
        Some(channel) => Some(Helium { channel, volume_m3, refill_mark_m3 }),
        None if reader.follows(Role::HeliumLevel.name()) => None,
        None => {
            let help = Some("give the channel of the level gauge the role HeliumLevel".to_owned());
            reader.report(Code::BenchName, node, "no channel has the role HeliumLevel", help);
            None
        }
    }
}

fn read_refill(node: Node<'_>, bench: &Bench, reader: &mut Reader<'_>) -> Refill {
    reader.named(node, "Refill");
    let mut inner = reader.with(|p| node.fields(p));
    let steps = inner.take("steps").map(|n| read_steps(n, bench, reader)).unwrap_or_default();
    let resume_when =
        inner.take("resume_when").and_then(|n| super::read_rules::read_condition(n, bench, reader));
    reader.finish(inner);
    Refill { steps, resume_when }
}

/// Side of the pattern of a re-centring where the bench gives none, m: an atom and what is round it.
pub(super) const SPAN_M: f64 = 0.5e-9;
/// Side of the square that is searched where the bench gives none, m.
const SEARCH_M: f64 = 2e-9;

fn read_recentre(node: Node<'_>, bench: &Bench, reader: &mut Reader<'_>) -> Option<Recentre> {
    reader.named(node, "Recentre");
    let mut inner = reader.with(|p| node.fields(p));
    let channel_node = inner.take("channel");
    let channel = match channel_node {
        Some(node) => super::read_rules::read_channel_name(node, bench, reader),
        None => bench.by_role(Role::Height),
    };
    let length = |reader: &mut Reader<'_>, node: Option<Node<'_>>, default: f64, least: f64| match node {
        None => default,
        Some(node) => match reader.quantity(node, Dimension::LENGTH) {
            Some(length) if length >= least && length <= 1e-6 => length,
            Some(_) => {
                reader.report(Code::BenchField, node, "this length makes no pattern of places", None);
                default
            }
            None => default,
        },
    };
    let span_m = length(reader, inner.take("span"), SPAN_M, 1e-12);
    let search_m = length(reader, inner.take("search"), SEARCH_M, 0.0);
    let points_node = inner.take("points");
    let points = reader.whole(points_node, 3);
    if let (Some(node), false) = (points_node, points % 2 == 1 && (3..=9).contains(&points)) {
        let message = "the places along a side are 3, 5, 7 or 9: the spot lies in the middle";
        reader.report(Code::BenchField, node, message, None);
    }
    // More places than this would take longer than the drift allows.
    if search_m > 40.0 * span_m {
        reader.report(Code::BenchField, node, "the search is more than forty spans wide", None);
    }
    reader.finish(inner);
    for role in [Role::TipX, Role::TipY] {
        if bench.by_role(role).is_none() && !reader.follows(role.name()) {
            let message = format!("the spot can't be centred without a channel of the role {role}");
            reader.report(Code::BenchName, node, message, None);
        }
    }
    if channel.is_none() && channel_node.is_none() && !reader.follows(Role::Height.name()) {
        let help = Some("name the channel whose maximum is sought".to_owned());
        reader.report(Code::BenchName, node, "no channel has the role Height", help);
    }
    Some(Recentre { channel: channel?, span_m, points: points as u32, search_m })
}

pub(super) fn read_texts(node: Node<'_>, reader: &mut Reader<'_>) -> Vec<String> {
    reader.with(|p| node.items(p)).into_iter().filter_map(|item| reader.text(item)).collect()
}

/// Parking must deal with everything that can hurt the tip, the sample or a person.
fn check_park(node: Node<'_>, bench: &Bench, reader: &mut Reader<'_>) {
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
            reader.report(
                Code::BenchPark,
                node,
                format!("the park steps don't say what becomes of {role}"),
                help,
            );
        }
    }
    let withdraws = bench.park.iter().any(|step| step.action == StepAction::Withdraw);
    if bench.task_link.is_some() && !withdraws {
        reader.report(
            Code::BenchPark,
            node,
            "the park steps never withdraw the tip",
            Some("begin with `Withdraw()`".to_owned()),
        );
    }
    let latching = bench.interlocks.iter().any(|lock| lock.action >= Action::Park);
    if bench.park.is_empty() && latching {
        reader.report(Code::BenchPark, node, "an interlock parks, but there are no park steps", None);
    }
}
