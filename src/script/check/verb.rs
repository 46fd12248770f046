//! The arguments of verbs: channels that exist, units that fit, values within the limits.

use super::form::{
    DATA, FLAG, FUNCTION, LIST, MAP, MAPS, NUMBER, SWEEPS, TEXT, Wanted, handed_over, out_of_text, prefixed,
    unit_example,
};
use super::program::start;
use super::value::Value;
use super::walk::Walk;
use crate::bench::{Channel, ChannelId, Role};
use crate::diagnostic::Code;
use crate::document::nearest;
use crate::quantity::{Dimension, Quantity};
use crate::script::registry::{Gives, Kind, Param, Verb, with_article};
use crate::script::units;
use rhai::{Expr, Position};

/// Rounding of a value worked out in a sequence that is no trespass.
const SLACK: f64 = 1e-12;

/// Roles whose names begin with the same word, `RfLevel` and `RfOutput` for `RfPower`.
fn kin_of<'n>(name: &str, names: &'n [String]) -> Vec<&'n str> {
    let first = |name: &str| {
        let end = name.char_indices().skip(1).find(|(_, c)| c.is_uppercase() || *c == '_');
        name[..end.map_or(name.len(), |(i, _)| i)].to_lowercase()
    };
    let word = first(name);
    let roles = names.iter().map(String::as_str).filter(|n| n.starts_with(char::is_uppercase));
    roles.filter(|n| word.len() > 1 && first(n) == word).collect()
}

impl<'a> Walk<'a> {
    /// A call of a verb with a fitting number of arguments.
    pub(super) fn verb(
        &mut self,
        verb: &'static Verb,
        args: &'a [Expr],
        values: &[Value<'a>],
        at: Position,
    ) -> Value<'a> {
        self.needs(verb, at);
        if self.running.is_some() {
            self.bench_in_run(verb, values, at);
        }
        let params = matched(verb, args.len());
        if swapped(&params, values) {
            let message = format!("the two values of `{}` stand the other way round", verb.name);
            self.report(Code::WrongUnit, at, message, Some(verb.as_in()));
            return given_by(verb);
        }
        let mut channel = None;
        for ((param, arg), value) in params.iter().zip(args).zip(values) {
            match param.kind {
                Kind::Channel => {
                    channel = self.channel_argument(value, arg);
                    let sets = verb.params.iter().any(|p| p.kind == Kind::OfChannel);
                    if let (true, Some(id)) = (sets, channel) {
                        self.must_be_settable(id, start(arg));
                    }
                }
                // Columns of a table have names of their own.
                Kind::Reading if values.iter().any(|value| value.handle() == Some("sweep")) => {
                    self.channel_argument(value, arg);
                }
                Kind::OfChannel => {
                    if let Some(id) = channel {
                        self.channel_value(id, value, start(arg));
                    }
                }
                _ => self.argument(verb, param, arg, value),
            }
        }
        self.columns(verb.name, values, at);
        if verb.name == "pulse" {
            self.pulse(values, at);
        }
        match (verb.name, channel) {
            ("fit_resonance" | "fit_shape", _) => self.fitted(values),
            ("trace", Some(id)) => {
                Value::Measured("trace", Dimension::TIME, self.bench.channel(id).dimension())
            }
            ("sweep", _) => self.swept(values),
            ("read", Some(id)) => self.reading(id),
            ("note" | "hand_over" | "set" | "wait", _) => Value::Nothing,
            _ => given_by(verb),
        }
    }

    fn reading(&self, id: ChannelId) -> Value<'a> {
        let dimension = self.bench.channel(id).dimension();
        if dimension.is_none() {
            return Value::number(None, false);
        }
        Value::Quantity { si: None, dimension }
    }

    fn needs(&mut self, verb: &Verb, at: Position) {
        let name = verb.name;
        for role in verb.nature.roles {
            // The bench may name another channel whose maximum is the spot.
            if *role == Role::Height && self.bench.recentre.is_some() {
                continue;
            }
            if self.bench.by_role(*role).is_none() {
                self.missing_role(*role, &format!("`{name}` needs the role {role}"), at);
            }
        }
        if !verb.nature.tasks.is_empty() && self.bench.task_link.is_none() {
            let message =
                format!("`{name}` needs an instrument that moves the tip, and the bench names none");
            let help = format!("name its link in {}, like tasks: \"microscope\"", self.files.bench_file);
            self.report(Code::MissingRole, at, message, Some(help));
        }
    }

    fn missing_role(&mut self, role: Role, message: &str, at: Position) {
        let help = format!("give a channel in {} the role {role}: {}", self.files.bench_file, role.meaning());
        self.report(Code::MissingRole, at, format!("{message}, which the bench lacks"), Some(help));
    }

    fn argument(&mut self, verb: &Verb, param: &Param, arg: &'a Expr, value: &Value<'a>) {
        let at = start(arg);
        let what = format!("`{}`", param.name);
        match param.kind {
            Kind::Channels => self.channels_argument(value, arg),
            Kind::Time => self.time(&what, value, at),
            Kind::Length => self.of_role(role_of(verb, param), Dimension::LENGTH, &what, value, at),
            Kind::Voltage => self.of_role(None, Dimension::VOLTAGE, &what, value, at),
            Kind::Field => self.of_role(role_of(verb, param), Dimension::FIELD, &what, value, at),
            Kind::Number => self.dimension(Dimension::NONE, &what, value, at),
            Kind::Value => self.kind(&what, NUMBER, value, at, |v| {
                matches!(v, Value::Number { .. } | Value::Quantity { .. })
            }),
            Kind::Text if matches!(verb.name, "note" | "hand_over") => {}
            Kind::Text => self.kind(&what, TEXT, value, at, |v| matches!(v, Value::Text(_))),
            Kind::OneOf(known) => self.one_of(&what, known, value, at),
            Kind::Flag => self.kind(&what, FLAG, value, at, |v| matches!(v, Value::Flag(_))),
            Kind::List => self.kind(&what, LIST, value, at, |v| v.is_list()),
            Kind::Sweeps => self.kind(&what, SWEEPS, value, at, |v| {
                v.is_list() || matches!(v.handle(), Some("sweep" | "table"))
            }),
            Kind::Data => self.kind(&what, DATA, value, at, |v| v.handle().is_some() || v.is_list()),
            Kind::Reading => self.kind(&what, TEXT, value, at, |v| matches!(v, Value::Text(_))),
            Kind::Parameters => {
                self.kind(&what, MAP.called("a map or a list of parameters"), value, at, |v| {
                    v.is_list() || v.is_map()
                })
            }
            Kind::Function => {
                self.kind(&what, FUNCTION, value, at, |v| v.is_function());
                if param.name == "condition" {
                    self.must_decide(&what, value);
                }
            }
            Kind::Handle("quantity") => {
                self.kind(&what, NUMBER.called("a value with its unit"), value, at, |v| {
                    matches!(v, Value::Quantity { .. })
                });
            }
            Kind::Handle(wanted) => {
                let fits = |v: &Value<'_>| v.handle() == Some(wanted);
                let words = with_article(wanted);
                let form = handed_over(&words);
                self.kind(&what, Wanted { words: &words, form: &form }, value, at, fits);
            }
            Kind::Fields(grammar) => {
                self.kind(&what, MAP, value, at, |v| v.is_map());
                if let Value::Map(Some(Expr::Map(parts, place))) = value {
                    self.fields(verb.name, grammar, &parts.0, *place);
                }
                if let Value::Entries(entries) = value {
                    self.entries(verb.name, grammar, entries);
                }
            }
            Kind::Steps(grammar) => {
                self.kind(&what, MAPS, value, at, |v| v.is_list());
                if let Value::List(Some(Expr::Array(items, _))) = value {
                    for item in items {
                        self.step_of(verb.name, grammar, item);
                    }
                }
            }
            Kind::Channel | Kind::OfChannel => {}
        }
    }

    /// One of a list of steps.
    fn step_of(&mut self, verb: &str, grammar: &str, item: &'a Expr) {
        let value = self.evaluate(item);
        self.kind("a step", MAP, &value, start(item), |v| v.is_map());
        if let Value::Map(Some(Expr::Map(parts, place))) = value {
            self.fields(verb, grammar, &parts.0, *place);
        }
    }

    /// Complains about a value that is known to be of another kind.
    pub(super) fn kind(
        &mut self,
        what: &str,
        wanted: Wanted<'_>,
        value: &Value<'a>,
        at: Position,
        fits: impl Fn(&Value<'a>) -> bool,
    ) {
        if fits(value) {
            return;
        }
        if let Some(given) = value.describe() {
            let form = match value.as_quantity() {
                Some((_, of)) if wanted == FLAG => {
                    format!("compare it with something, like x > {}", unit_example(of, None))
                }
                _ => wanted.form.to_owned(),
            };
            let message = format!("{what} is {}, not {given}", wanted.words);
            self.report(Code::WrongKind, at, message, Some(form));
        }
    }

    /// A time, which can't be negative.
    pub(super) fn time(&mut self, what: &str, value: &Value<'a>, at: Position) {
        self.dimension(Dimension::TIME, what, value, at);
        if let Value::Quantity { si: Some(si), dimension: Dimension::TIME } = value
            && *si < 0.0
        {
            let help = format!("write {}", unit_example(Dimension::TIME, None));
            self.report(Code::WrongKind, at, format!("{what} can't be negative"), Some(help));
        }
    }

    /// A value of a dimension; with a role, within the limits of its channel.
    pub(super) fn of_role(
        &mut self,
        role: Option<Role>,
        dimension: Dimension,
        what: &str,
        value: &Value<'a>,
        at: Position,
    ) {
        match role.and_then(|role| self.bench.by_role(role)) {
            Some(id) => self.channel_value(id, value, at),
            None => self.dimension(dimension, what, value, at),
        }
    }

    /// Complains about a value of another dimension.
    pub(super) fn dimension(&mut self, wanted: Dimension, what: &str, value: &Value<'a>, at: Position) {
        let example = unit_example(wanted, None);
        match value.as_quantity() {
            Some((_, found)) if found == wanted => {}
            Some((number, found)) => self.wrong_unit(wanted, what, (number, found), &example, at),
            None => {
                if let Some(given) = value.describe() {
                    let message = format!("{what} is {wanted}, not {given}");
                    let own = match value {
                        Value::Text(Some(text)) => out_of_text(text, wanted, &example),
                        _ => None,
                    };
                    let example = own.unwrap_or(example);
                    self.report(Code::WrongKind, at, message, Some(format!("write it like {example}")));
                }
            }
        }
    }

    fn wrong_unit(
        &mut self,
        wanted: Dimension,
        what: &str,
        (number, found): (Option<f64>, Dimension),
        example: &str,
        at: Position,
    ) {
        let given = match number {
            Some(si) if found.is_none() => format!("{si} has no unit"),
            Some(si) => format!("{} is {found}", Quantity::new(si, found)),
            None if found.is_none() => "this has no unit".to_owned(),
            None => format!("this is {found}"),
        };
        let help = match (number, example.split_once('.')) {
            _ if wanted.is_none() => "write it without a unit".to_owned(),
            (Some(si), Some((_, unit))) if found.is_none() => {
                format!("write it like {}", units::written(si, wanted, unit))
            }
            (_, Some((_, unit))) => match self.own_number(at) {
                Some((number, own)) => {
                    format!("write it like {number}.{}", prefixed(own, wanted).as_deref().unwrap_or(unit))
                }
                None => format!("write it like {example}"),
            },
            _ => format!("write it like {example}"),
        };
        self.report(Code::WrongUnit, at, format!("{what} is {wanted}, but {given}"), Some(help));
    }

    /// Number and unit of a value that is written out at this place.
    fn own_number(&self, at: Position) -> Option<(&'a str, &'a str)> {
        let byte = super::scan::byte_at(&self.file.text, super::walk::place(at))?;
        super::scan::plain_quantity(&self.file.text[byte..])
    }

    /// A value for a channel: its unit and its limits.
    pub(super) fn channel_value(&mut self, id: ChannelId, value: &Value<'a>, at: Position) {
        let bench = self.bench;
        let channel = bench.channel(id);
        let wanted = channel.dimension();
        let what = format!("`{}`", channel.name);
        let example = unit_example(wanted, Some(channel));
        match value.as_quantity() {
            Some((Some(si), found)) if found == wanted => self.limits(channel, si, at),
            Some((None, found)) if found == wanted => {}
            Some((number, found)) => self.wrong_unit(wanted, &what, (number, found), &example, at),
            None => self.dimension(wanted, &what, value, at),
        }
    }

    /// A pulse of which height or length is written out, within the limits of the bench.
    fn pulse(&mut self, values: &[Value<'a>], at: Position) {
        let (Some(limits), [volts, length]) = (self.bench.pulse, values) else { return };
        let known = |value: &Value<'a>, wanted: Dimension| match value.as_quantity() {
            Some((Some(si), found)) if found == wanted => Some(si),
            _ => None,
        };
        let (volts, length_s) = (known(volts, Dimension::VOLTAGE), known(length, Dimension::TIME));
        // What is not known is taken to be in order.
        let (volts, length_s) = (volts.unwrap_or(0.0), length_s.unwrap_or(limits.longest_s));
        if let Some(message) = limits.objection(volts, length_s) {
            let help = "choose a value within these limits, or ask who keeps the bench file".to_owned();
            self.report(Code::OutOfLimits, at, message, Some(help));
        }
    }

    fn limits(&mut self, channel: &Channel, si: f64, at: Position) {
        let slack = SLACK * si.abs();
        if !channel.settable || (si >= channel.min - slack && si <= channel.max + slack) {
            return;
        }
        let show = |si| channel.show(si);
        let message = format!(
            "{} lies outside the limits of `{}`, {} to {}",
            show(si),
            channel.name,
            show(channel.min),
            show(channel.max)
        );
        let help = format!("the nearest permitted value is {}", show(si.clamp(channel.min, channel.max)));
        self.report(Code::OutOfLimits, at, message, Some(help));
    }

    /// What may be meant by the name of a channel or role that is called like a verb: `bias(5.mV)`.
    pub(super) fn meant_channel(&self, name: &str, count: usize, at: Position) -> Option<String> {
        let bare = |name: &str| name.replace('_', "").to_lowercase();
        let called =
            ["set_", "read_", "get_"].iter().find_map(|verb| name.strip_prefix(verb)).unwrap_or(name);
        let names = self.bench.names();
        let meant = names.iter().find(|known| bare(known) == bare(called))?;
        let channel = self.bench.channel(self.bench.find(meant)?);
        if count == 0 || !channel.settable {
            return Some(format!("did you mean read(\"{meant}\")?"));
        }
        let byte = super::scan::byte_at(&self.file.text, super::walk::place(at));
        let given = byte.and_then(|byte| {
            let inside = self.file.text[byte..].strip_prefix(name)?.trim_start().strip_prefix('(')?;
            let inside = inside.split_once(')')?.0;
            (!inside.contains(['(', '\n'])).then_some(inside)
        });
        let example = unit_example(channel.dimension(), Some(channel));
        Some(format!("did you mean set(\"{meant}\", {})?", given.unwrap_or(&example)))
    }

    /// The channel that an argument names.
    pub(super) fn channel_argument(&mut self, value: &Value<'a>, arg: &'a Expr) -> Option<ChannelId> {
        let at = start(arg);
        match value {
            Value::Text(Some(name)) => self.channel(name, at),
            Value::Text(None) | Value::Unknown => None,
            other => {
                let given = other.describe().unwrap_or_default();
                let help = Some("name it as a text, like \"Bias\"".to_owned());
                self.report(
                    Code::WrongKind,
                    at,
                    format!("a channel is named by a text, not by {given}"),
                    help,
                );
                None
            }
        }
    }

    /// One channel or a list of them.
    pub(super) fn channels_argument(&mut self, value: &Value<'a>, arg: &'a Expr) {
        let Value::List(Some(Expr::Array(items, _))) = value else {
            if !value.is_list() {
                self.channel_argument(value, arg);
            }
            return;
        };
        for item in items {
            let value = self.evaluate(item);
            self.channel_argument(&value, item);
        }
        let most = crate::record::WIDEST_POINT;
        if items.is_empty() || items.len() > most {
            let message = format!("a point has 1 to {most} readings, this one has {}", items.len());
            self.report(
                Code::WrongKind,
                start(arg),
                message,
                Some("write [\"LockinX\", \"LockinY\"]".to_owned()),
            );
        }
    }

    fn channel(&mut self, name: &str, at: Position) -> Option<ChannelId> {
        if let Some(id) = self.bench.find(name) {
            return Some(id);
        }
        if let Some(role) = Role::from_name(name) {
            self.missing_role(role, &format!("this needs the role {role}"), at);
            return None;
        }
        let names = self.bench.names();
        let near = nearest(name, names.iter().map(String::as_str));
        let help = match near {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => match kin_of(name, &names).as_slice() {
                [] => "`noctule guide roles` lists the roles; channels have the names of the bench file"
                    .to_owned(),
                kin => format!("there are {}", kin.join(", ")),
            },
        };
        let message = format!("the bench has no channel and no role `{name}`");
        self.report(Code::UnknownChannel, at, message, Some(help));
        None
    }

    pub(super) fn must_be_settable(&mut self, id: ChannelId, at: Position) {
        let bench = self.bench;
        let channel = bench.channel(id);
        if channel.settable {
            return;
        }
        let help = match channel.role {
            Some(Role::Current | Role::Height) => {
                Some("the height loop holds the current that \"Setpoint\" asks for".to_owned())
            }
            Some(Role::Approached) => Some("use approach() and withdraw()".to_owned()),
            Some(Role::StageTemperature) => {
                Some("the heater warms it: set(\"StageHeater\", 200.uW), then wait_until(…)".to_owned())
            }
            Some(Role::LockinX | Role::LockinY) => {
                Some("the lock-in is set by its reference, modulation and time constant".to_owned())
            }
            _ => None,
        };
        self.report(Code::NotSettable, at, format!("`{}` can only be read", channel.name), help);
    }
}

/// Whether each of two values is what the other one ought to be.
fn swapped(params: &[&Param], values: &[Value<'_>]) -> bool {
    let dimension = |param: &Param| match param.kind {
        Kind::Time => Some(Dimension::TIME),
        Kind::Length => Some(Dimension::LENGTH),
        Kind::Voltage => Some(Dimension::VOLTAGE),
        Kind::Field => Some(Dimension::FIELD),
        _ => None,
    };
    let ([one, other], [a, b]) = (params, values) else { return false };
    let (Some(one), Some(other)) = (dimension(one), dimension(other)) else { return false };
    let of = |value: &Value<'_>| value.as_quantity().map(|(_, of)| of);
    one != other && of(a) == Some(other) && of(b) == Some(one)
}

/// The parameters that so many arguments stand for. Where the last one is a function, those before it are left out.
fn matched(verb: &'static Verb, count: usize) -> Vec<&'static Param> {
    let left_out = verb.params.len().saturating_sub(count);
    match verb.params.split_last() {
        Some((last, before)) if last.kind == Kind::Function && left_out > 0 => {
            before.iter().take(before.len() - left_out).chain([last]).collect()
        }
        _ => verb.params.iter().collect(),
    }
}

/// What a verb gives back, as far as the registry says.
fn given_by<'a>(verb: &Verb) -> Value<'a> {
    match verb.gives {
        Gives::Nothing => Value::Nothing,
        Gives::Time => Value::Quantity { si: None, dimension: Dimension::TIME },
        Gives::Volume => Value::Quantity { si: None, dimension: Dimension::VOLUME },
        Gives::Number => Value::number(None, false),
        Gives::Flag => Value::Flag(None),
        Gives::Text => Value::Text(None),
        Gives::Handle(name) => Value::Handle(name.to_owned()),
        Gives::Never | Gives::Told(_) => Value::Unknown,
    }
}

/// The channel whose limits hold for an argument.
fn role_of(verb: &Verb, param: &Param) -> Option<Role> {
    match (verb.name, param.name) {
        ("go_to", "x") => Some(Role::TipX),
        ("go_to", "y") => Some(Role::TipY),
        ("ramp_field", _) => Some(Role::FieldZ),
        _ => None,
    }
}
