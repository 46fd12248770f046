//! Quantities in scripts: `50.mT`, sums and products of them, and back to numbers.

use super::error::Thrown;
use crate::quantity::{Quantity, QuantityError, Unit, in_words};
use rhai::{Engine, EvalAltResult, Position};
use std::cmp::Ordering;

/// Units that can be written behind a number: `50.mT`.
pub const UNIT_NAMES: &[&str] = &[
    "V", "mV", "uV", "A", "nA", "pA", "fA", "T", "mT", "uT", "Hz", "kHz", "MHz", "GHz", "s", "ms", "us",
    "min", "h", "m", "mm", "um", "nm", "pm", "K", "mK", "Pa", "mbar", "L", "W", "mW", "uW", "dBm", "dB",
    "eV", "meV", "percent",
];

/// Registers the type, its arithmetic, and the unit names.
pub fn register(engine: &mut Engine) {
    engine.register_type_with_name::<Quantity>("quantity");
    for name in UNIT_NAMES {
        let Some(unit) = Unit::parse(name) else { continue };
        register_unit(engine, name, unit);
    }
    register_arithmetic(engine);
    register_order(engine);
    engine.register_fn("to_string", |q: &mut Quantity| show(*q));
    engine.register_fn("to_debug", |q: &mut Quantity| show(*q));
    engine.register_fn("abs", |q: Quantity| Quantity::new(q.si.abs(), q.dimension));
}

/// Times read better in words, and what is beyond six digits is noise.
fn show(quantity: Quantity) -> String {
    if quantity.dimension == crate::quantity::Dimension::TIME && quantity.si.abs() >= 60.0 {
        return in_words(quantity.si);
    }
    format!("{quantity:.6}")
}

fn register_unit(engine: &mut Engine, name: &'static str, unit: Unit) {
    let (a, b, c) = (unit.clone(), unit.clone(), unit);
    // Written numbers are short decimals, so the nearest double to the decimal is what was meant.
    engine.register_get(name, move |value: &mut i64| exact(*value as f64, name, &a));
    engine.register_get(name, move |value: &mut f64| exact(*value, name, &b));
    engine.register_get(name, move |quantity: &mut Quantity| -> Result<f64, Thrown> {
        quantity.expect(c.dimension).map(|si| c.from_si(si)).map_err(complain)
    });
}

fn exact(value: f64, name: &str, unit: &Unit) -> Quantity {
    let written = format!("{value}{name}");
    written.parse().unwrap_or_else(|_| Quantity::new(unit.to_si(value), unit.dimension))
}

fn complain(error: QuantityError) -> Thrown {
    EvalAltResult::ErrorRuntime(error.to_string().into(), Position::NONE).into()
}

fn register_arithmetic(engine: &mut Engine) {
    engine.register_fn("+", |a: Quantity, b: Quantity| a.plus(b).map_err(complain));
    engine.register_fn("-", |a: Quantity, b: Quantity| a.minus(b).map_err(complain));
    engine.register_fn("-", |a: Quantity| Quantity::new(-a.si, a.dimension));
    engine.register_fn("+", |a: Quantity| a);
    let times = |a: Quantity, b: Quantity| a.times(b).map_err(complain);
    let over = |a: Quantity, b: Quantity| a.over(b).map_err(complain);
    engine.register_fn("*", times);
    engine.register_fn("/", move |a: Quantity, b: Quantity| -> Result<rhai::Dynamic, Thrown> {
        let ratio = over(a, b)?;
        // A ratio of like quantities is a plain number again.
        Ok(if ratio.dimension.is_none() { ratio.si.into() } else { rhai::Dynamic::from(ratio) })
    });
    engine.register_fn("*", move |a: Quantity, b: f64| times(a, Quantity::number(b)));
    engine.register_fn("*", move |a: f64, b: Quantity| times(Quantity::number(a), b));
    engine.register_fn("*", move |a: Quantity, b: i64| times(a, Quantity::number(b as f64)));
    engine.register_fn("*", move |a: i64, b: Quantity| times(Quantity::number(a as f64), b));
    engine.register_fn("/", move |a: Quantity, b: f64| over(a, Quantity::number(b)));
    engine.register_fn("/", move |a: Quantity, b: i64| over(a, Quantity::number(b as f64)));
    engine.register_fn("/", move |a: f64, b: Quantity| over(Quantity::number(a), b));
    engine.register_fn("/", move |a: i64, b: Quantity| over(Quantity::number(a as f64), b));
    for sign in ["+", "-"] {
        engine.register_fn(sign, move |a: Quantity, b: f64| refuse_mixed(a, Quantity::number(b), sign));
        engine
            .register_fn(sign, move |a: Quantity, b: i64| refuse_mixed(a, Quantity::number(b as f64), sign));
        engine.register_fn(sign, move |a: f64, b: Quantity| refuse_mixed(Quantity::number(a), b, sign));
        engine
            .register_fn(sign, move |a: i64, b: Quantity| refuse_mixed(Quantity::number(a as f64), b, sign));
    }
}

/// A plain number in a sum lacks its unit; only plain quantities may join it.
fn refuse_mixed(a: Quantity, b: Quantity, sign: &str) -> Result<Quantity, Thrown> {
    if sign == "+" { a.plus(b).map_err(complain) } else { a.minus(b).map_err(complain) }
}

fn register_order(engine: &mut Engine) {
    let order = |a: Quantity, b: Quantity| a.compare(b).map_err(complain);
    engine.register_fn("<", move |a: Quantity, b: Quantity| order(a, b).map(|o| o == Some(Ordering::Less)));
    engine
        .register_fn(">", move |a: Quantity, b: Quantity| order(a, b).map(|o| o == Some(Ordering::Greater)));
    engine.register_fn("<=", move |a: Quantity, b: Quantity| {
        order(a, b).map(|o| matches!(o, Some(Ordering::Less | Ordering::Equal)))
    });
    engine.register_fn(">=", move |a: Quantity, b: Quantity| {
        order(a, b).map(|o| matches!(o, Some(Ordering::Greater | Ordering::Equal)))
    });
    engine.register_fn("==", move |a: Quantity, b: Quantity| order(a, b).map(|o| o == Some(Ordering::Equal)));
    engine.register_fn("!=", move |a: Quantity, b: Quantity| order(a, b).map(|o| o != Some(Ordering::Equal)));
}
