//! Sums, products, comparisons: units that don't mix, divisions that drop something.

use super::program::start;
use super::value::Value;
use super::walk::Walk;
use crate::analysis::joint::Verdict;
use crate::diagnostic::Code;
use crate::quantity::Dimension;
use crate::script::units::power_of;
use rhai::{Expr, Position};

impl<'a> Walk<'a> {
    /// An operator with its operands.
    pub(super) fn operator(
        &mut self,
        name: &str,
        args: &'a [Expr],
        values: &[Value<'a>],
        at: Position,
    ) -> Value<'a> {
        match (name, values) {
            ("-" | "+", [one]) => sign(one, if name == "-" { -1.0 } else { 1.0 }),
            ("!", [Value::Flag(flag)]) => Value::Flag(flag.map(|flag| !flag)),
            ("!", _) => Value::Flag(None),
            ("%", [Value::Number { value: a, whole: x }, Value::Number { value: b, whole: y }]) => {
                let value = a.zip(*b).filter(|(_, b)| *b != 0.0).map(|(a, b)| a % b);
                Value::Number { value, whole: x.zip(*y).map(|(x, y)| x && y) }
            }
            ("..", [from, to]) | ("..=", [from, to]) => {
                for (value, arg) in [from, to].into_iter().zip(args) {
                    self.whole_end(value, arg);
                }
                Value::Unknown
            }
            ("+" | "-", [a, b]) => self.sum(name, a, b, at),
            ("*", [a, b]) if self.scales(a, b, at) => product(a, b, 1),
            ("/", [a, b]) if self.scales(a, b, at) => {
                self.division(args, a, b, at);
                product(a, b, -1)
            }
            ("<" | ">" | "<=" | ">=" | "==" | "!=", [a, b]) => {
                self.word_of_a_verdict(args);
                self.comparison(name, a, b, at)
            }
            ("**", [a @ Value::Quantity { .. }, n]) => {
                let exponent = n.as_quantity().and_then(|(value, _)| value);
                self.power(a, exponent, at)
            }
            ("^", [a, b]) if !matches!(a, Value::Flag(_)) && !matches!(b, Value::Flag(_)) => {
                let help = Some("a power is written x ** 2".to_owned());
                self.report(Code::WrongKind, at, "`^` is no power here", help);
                Value::Unknown
            }
            ("**", [Value::Number { value: a, whole: x }, Value::Number { value: b, whole: y }]) => {
                let whole = x.zip(*y).map(|(x, y)| x && y);
                Value::Number { value: a.zip(*b).map(|(a, b)| a.powf(b)), whole }
            }
            ("in" | "contains" | "!in", _) => Value::Flag(None),
            _ => Value::Unknown,
        }
    }

    fn whole_end(&mut self, value: &Value<'a>, arg: &Expr) {
        let wrong = matches!(value, Value::Quantity { .. } | Value::Text(_))
            || matches!(value, Value::Number { whole: Some(false), .. });
        if let (true, Some(what)) = (wrong, value.describe()) {
            let help = "count in whole numbers and multiply: for i in 0..10 { let x = i * 0.1.mT; }";
            let message = format!("`..` counts in whole numbers, not to {what}");
            self.report(Code::WrongKind, start(arg), message, Some(help.to_owned()));
        }
    }

    fn sum(&mut self, name: &str, a: &Value<'a>, b: &Value<'a>, at: Position) -> Value<'a> {
        if matches!(a, Value::Text(_)) || matches!(b, Value::Text(_)) {
            return Value::Text(None);
        }
        let (Some((x, of_a)), Some((y, of_b))) = (a.as_quantity(), b.as_quantity()) else {
            return Value::Unknown;
        };
        let adds = name == "+";
        let Some(dimension) = (if adds { of_a.sum(of_b) } else { of_a.difference(of_b) }) else {
            let verb = if adds { "added" } else { "subtracted" };
            let message = match (of_a, of_b) {
                (Dimension::LEVEL, Dimension::LEVEL) => "two levels in dBm can't be added".to_owned(),
                _ => format!("{of_a} and {of_b} can't be {verb}"),
            };
            self.report(Code::WrongUnit, at, message, sum_hint((x, of_a), (y, of_b)));
            return Value::Unknown;
        };
        let combined = x.zip(y).map(|(x, y)| if adds { x + y } else { x - y });
        combine(a, b, combined, dimension)
    }

    /// Complains about a multiple of a level.
    fn scales(&mut self, a: &Value<'a>, b: &Value<'a>, at: Position) -> bool {
        let level = |value: &Value<'a>| value.as_quantity().is_some_and(|(_, of)| !of.scales());
        let scaled = level(a) || level(b);
        if scaled {
            let help = "add decibels instead, 3.dB for twice the power; `level.dBm` is the plain number";
            let message = "a level in dBm can't be multiplied or divided";
            self.report(Code::WrongUnit, at, message, Some(help.to_owned()));
        }
        !scaled
    }

    /// A power or a root of a value with a unit.
    pub(super) fn power(&mut self, base: &Value<'a>, exponent: Option<f64>, at: Position) -> Value<'a> {
        let (Some((_, dimension)), Some(exponent)) = (base.as_quantity(), exponent) else {
            return Value::Unknown;
        };
        let Some(raised) = power_of(dimension, exponent) else {
            let message =
                format!("{dimension} can't be raised to the power {exponent}: no unit comes of that");
            let help = "take the plain number first, like x.mV";
            self.report(Code::WrongUnit, at, message, Some(help.to_owned()));
            return Value::Unknown;
        };
        if raised.is_none() {
            return Value::number(None, false);
        }
        Value::Quantity { si: None, dimension: raised }
    }

    /// Compares two values, with the answer where both are known.
    pub(super) fn comparison(&mut self, name: &str, a: &Value<'a>, b: &Value<'a>, at: Position) -> Value<'a> {
        if let (Value::Text(Some(a)), Value::Text(Some(b)), "==" | "!=") = (a, b, name) {
            return Value::Flag(Some((a == b) == (name == "==")));
        }
        let (Some((x, of_a)), Some((y, of_b))) = (a.as_quantity(), b.as_quantity()) else {
            let texts = [a, b].iter().filter(|value| matches!(value, Value::Text(_))).count();
            let numbers = [a, b].iter().filter(|value| value.as_quantity().is_some()).count();
            let flags = [a, b].iter().filter(|value| matches!(value, Value::Flag(_))).count();
            if (texts, flags) == (1, 1) {
                let help = "ask if x { … } or if !x { … }".to_owned();
                self.report(Code::WrongKind, at, "a text is never true or false", Some(help));
            } else if (texts, numbers) == (1, 1) {
                let help = "a value stands without quotes, like 1.h or 5.mV".to_owned();
                self.report(Code::WrongKind, at, "a text and a number can't be compared", Some(help));
            }
            return Value::Flag(None);
        };
        let flags = matches!(a, Value::Flag(_)) || matches!(b, Value::Flag(_));
        if matches!(a, Value::Flag(_)) && matches!(name, "<" | ">" | "<=" | ">=") {
            let help = "compare twice: 1 < x && x < 3".to_owned();
            self.report(Code::WrongKind, at, "true or false can't be larger or smaller", Some(help));
            return Value::Flag(None);
        }
        if of_a != of_b && !flags {
            let message = format!("{of_a} and {of_b} can't be compared");
            self.report(Code::WrongUnit, at, message, unit_hint((x, of_a), (y, of_b)));
            return Value::Flag(None);
        }
        let answer = |(x, y): (f64, f64)| match name {
            "<" => x < y,
            ">" => x > y,
            "<=" => x <= y,
            ">=" => x >= y,
            "==" => x == y,
            _ => x != y,
        };
        Value::Flag(x.zip(y).map(answer))
    }

    /// `judged.verdict == "proved"`: a word that no verdict has.
    fn word_of_a_verdict(&mut self, args: &'a [Expr]) {
        let [one, other] = args else { return };
        for (asked, word) in [(one, other), (other, one)] {
            let Expr::StringConstant(word, at) = word else { continue };
            if !is_verdict(asked) || VERDICTS.contains(&word.as_str()) {
                continue;
            }
            let near = VERDICTS.iter().find(|known| known.eq_ignore_ascii_case(word));
            let help = match (near, word.as_str()) {
                (Some(near), _) => format!("did you mean \"{near}\"?"),
                (None, "proved") => "ask judged.proved".to_owned(),
                (None, "good") => "ask seen.good".to_owned(),
                _ => format!("there are {}", VERDICTS.join(", ")),
            };
            self.report(Code::WrongKind, *at, format!("no verdict says \"{word}\""), Some(help));
        }
    }

    fn division(&mut self, args: &'a [Expr], a: &Value<'a>, b: &Value<'a>, at: Position) {
        if b.as_quantity().is_some_and(|(value, _)| value == Some(0.0)) {
            let help = "divide by something else, or ask first: if x != 0 { … }".to_owned();
            self.report(Code::DivisionByZero, at, "this divides by zero", Some(help));
            return;
        }
        let (
            Value::Number { value: x, whole: Some(true) },
            Value::Number { value: Some(y), whole: Some(true) },
        ) = (a, b)
        else {
            return;
        };
        let help = match args {
            [_, Expr::IntegerConstant(value, _)] => format!("write {value}.0 to get the fraction"),
            _ => "write one of them with a point, like 2.0, to get the fraction".to_owned(),
        };
        match x {
            Some(x) if x % y != 0.0 => {
                let message =
                    format!("{x} / {y} is {} here: whole numbers drop the remainder", (x / y).trunc());
                self.warn(Code::WholeDivision, at, message, &help);
            }
            None if y.abs() != 1.0 => {
                let message = "this division of whole numbers drops the remainder";
                self.warn(Code::WholeDivision, at, message, &help);
            }
            _ => {}
        }
    }
}

/// Words of verdicts on resonances and on contrast.
const VERDICTS: &[&str] = &[
    Verdict::Real.word(),
    Verdict::Artefact.word(),
    Verdict::Absent.word(),
    Verdict::Curved.word(),
    Verdict::Splitting.word(),
    Verdict::Undecided.word(),
    "contrast",
    "none",
    "jump",
    // A watch that had nothing to test.
    "",
];

/// Whether something ends with `.verdict`.
fn is_verdict(expr: &Expr) -> bool {
    match expr {
        Expr::Dot(parts, ..) | Expr::Index(parts, ..) => is_verdict(&parts.rhs),
        Expr::Property(name, _) => name.2.as_str() == "verdict",
        _ => false,
    }
}

/// What to do about a sum of kinds that don't mix.
fn sum_hint(a: (Option<f64>, Dimension), b: (Option<f64>, Dimension)) -> Option<String> {
    let level = Dimension::LEVEL;
    match (a, b) {
        ((_, of_a), (number, of_b)) if of_a == level && (of_b == level || of_b.is_none()) => {
            Some(format!("what is added to a level is written in dB, like {}.dB", number.unwrap_or(3.0)))
        }
        ((number, of_a), (_, of_b)) if of_a.is_none() && of_b == level => {
            Some(format!("what is added to a level is written in dB, like {}.dB", number.unwrap_or(3.0)))
        }
        (a, b) => unit_hint(a, b),
    }
}

/// What to do where a plain number meets one with a unit.
fn unit_hint(a: (Option<f64>, Dimension), b: (Option<f64>, Dimension)) -> Option<String> {
    let (number, with_unit) = match (a.1.is_none(), b.1.is_none()) {
        (true, _) => (a.0, b.1),
        (_, true) => (b.0, a.1),
        _ => return None,
    };
    let number = number.unwrap_or(1.0);
    Some(format!("give the plain number its unit, like {number}.{}", with_unit.symbol()))
}

fn sign<'a>(value: &Value<'a>, factor: f64) -> Value<'a> {
    match value {
        Value::Number { value, whole } => Value::Number { value: value.map(|v| v * factor), whole: *whole },
        Value::Quantity { si, dimension } => {
            Value::Quantity { si: si.map(|v| v * factor), dimension: *dimension }
        }
        _ => Value::Unknown,
    }
}

fn product<'a>(a: &Value<'a>, b: &Value<'a>, power: i8) -> Value<'a> {
    let (Some((x, of_a)), Some((y, of_b))) = (a.as_quantity(), b.as_quantity()) else {
        return Value::Unknown;
    };
    let dimension = of_a.times(of_b.power(power));
    let whole =
        matches!((a, b), (Value::Number { whole: Some(true), .. }, Value::Number { whole: Some(true), .. }));
    let value = x.zip(y).map(|(x, y)| match power {
        1 => x * y,
        _ if whole => (x / y).trunc(),
        _ => x / y,
    });
    combine(a, b, value, dimension)
}

fn combine<'a>(a: &Value<'a>, b: &Value<'a>, value: Option<f64>, dimension: Dimension) -> Value<'a> {
    if !dimension.is_none() {
        return Value::Quantity { si: value, dimension };
    }
    let whole = match (a, b) {
        (Value::Number { whole: x, .. }, Value::Number { whole: y, .. }) => match (x, y) {
            (Some(false), _) | (_, Some(false)) => Some(false),
            (Some(true), Some(true)) => Some(true),
            _ => None,
        },
        _ => Some(false),
    };
    Value::Number { value, whole }
}
