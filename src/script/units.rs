//! Quantities in scripts: `50.mT`, sums and products of them, and back to numbers.

use super::convert::{kind_of, plain_number};
use super::error::{Thrown, argument, unfit, wrong};
use crate::quantity::{Dimension, Quantity, Unit, in_words};
use rhai::{Array, Dynamic, Engine, NativeCallContext};
use std::cmp::Ordering;

/// Units that can be written behind a number: `50.mT`.
pub const UNIT_NAMES: &[&str] = &[
    "V", "mV", "uV", "A", "nA", "pA", "fA", "T", "mT", "uT", "Hz", "kHz", "MHz", "GHz", "s", "ms", "us",
    "min", "h", "m", "mm", "um", "nm", "pm", "K", "mK", "Pa", "mbar", "L", "W", "mW", "uW", "dBm", "dB",
    "eV", "meV", "percent",
];

/// The unit in which such a value is usually written; of none its own symbol.
pub fn usual(dimension: Dimension) -> String {
    match dimension {
        Dimension::TIME => "s".to_owned(),
        Dimension::LENGTH => "nm".to_owned(),
        Dimension::VOLTAGE => "mV".to_owned(),
        Dimension::FIELD => "mT".to_owned(),
        Dimension::FREQUENCY => "GHz".to_owned(),
        Dimension::CURRENT => "pA".to_owned(),
        Dimension::VOLUME => "L".to_owned(),
        other => other.symbol(),
    }
}

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
    if quantity.dimension == Dimension::TIME && quantity.si.abs() >= 60.0 {
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
        quantity.expect(c.dimension).map(|si| c.from_si(si)).map_err(wrong)
    });
}

fn exact(value: f64, name: &str, unit: &Unit) -> Quantity {
    let written = format!("{value}{name}");
    written.parse().unwrap_or_else(|_| Quantity::new(unit.to_si(value), unit.dimension))
}

fn register_arithmetic(engine: &mut Engine) {
    two(engine, "+", |a, b| a.plus(b).map_err(wrong));
    two(engine, "-", |a, b| a.minus(b).map_err(wrong));
    engine.register_fn("-", |a: Quantity| Quantity::new(-a.si, a.dimension));
    engine.register_fn("+", |a: Quantity| a);
    let over = |a: Quantity, b: Quantity| a.over(b).map_err(wrong);
    two(engine, "*", |a, b| a.times(b).map_err(wrong));
    engine.register_fn("/", move |a: Quantity, b: Quantity| -> Result<Dynamic, Thrown> {
        let ratio = over(a, b)?;
        // A ratio of like quantities is a plain number again.
        Ok(if ratio.dimension.is_none() { ratio.si.into() } else { Dynamic::from(ratio) })
    });
    engine.register_fn("/", move |a: Quantity, b: f64| over(a, Quantity::number(b)));
    engine.register_fn("/", move |a: Quantity, b: i64| over(a, Quantity::number(b as f64)));
    engine.register_fn("/", move |a: f64, b: Quantity| over(Quantity::number(a), b));
    engine.register_fn("/", move |a: i64, b: Quantity| over(Quantity::number(a as f64), b));
    engine.register_fn("**", |a: Quantity, n: i64| power(a, n as f64));
    engine.register_fn("**", power);
    engine.register_fn("sqrt", |a: Quantity| power(a, 0.5));
}

/// A function of two values of which at least one has a unit. A plain number in a sum or a comparison lacks its unit.
fn two<T: Clone + Send + Sync + 'static>(
    engine: &mut Engine,
    name: &str,
    of: impl Fn(Quantity, Quantity) -> Result<T, Thrown> + Copy + Send + Sync + 'static,
) {
    engine.register_fn(name, of);
    engine.register_fn(name, move |a: Quantity, b: f64| of(a, Quantity::number(b)));
    engine.register_fn(name, move |a: Quantity, b: i64| of(a, Quantity::number(b as f64)));
    engine.register_fn(name, move |a: f64, b: Quantity| of(Quantity::number(a), b));
    engine.register_fn(name, move |a: i64, b: Quantity| of(Quantity::number(a as f64), b));
}

/// A whole or half power, where its unit can be written.
fn power(a: Quantity, exponent: f64) -> Result<Dynamic, Thrown> {
    let Some(dimension) = power_of(a.dimension, exponent) else {
        return Err(wrong(format!("{a} can't be raised to the power {exponent}: no unit comes of that")));
    };
    // A half power by way of the root: both are rounded as well as they can be.
    let whole = exponent.fract() == 0.0;
    let si = if whole { a.si.powi(exponent as i32) } else { a.si.sqrt().powi((2.0 * exponent) as i32) };
    if si.is_nan() {
        return Err(wrong(format!("{a} has no power {exponent}: it is negative")));
    }
    Ok(as_value(Quantity::new(si, dimension)))
}

/// The dimension of a whole or half power; none where there is none.
pub fn power_of(dimension: Dimension, exponent: f64) -> Option<Dimension> {
    let doubled = 2.0 * exponent;
    let known = dimension.scales() && doubled.fract() == 0.0 && doubled.abs() <= 16.0;
    let squared = dimension.power(if known { doubled as i8 } else { return None });
    (squared.root().power(2) == squared).then(|| squared.root())
}

fn register_order(engine: &mut Engine) {
    let order = |a: Quantity, b: Quantity| a.compare(b).map_err(wrong);
    two(engine, "<", move |a, b| order(a, b).map(|o| o == Some(Ordering::Less)));
    two(engine, ">", move |a, b| order(a, b).map(|o| o == Some(Ordering::Greater)));
    two(engine, "<=", move |a, b| order(a, b).map(|o| matches!(o, Some(Ordering::Less | Ordering::Equal))));
    two(engine, ">=", move |a, b| {
        order(a, b).map(|o| matches!(o, Some(Ordering::Greater | Ordering::Equal)))
    });
    two(engine, "==", move |a, b| order(a, b).map(|o| o == Some(Ordering::Equal)));
    two(engine, "!=", move |a, b| order(a, b).map(|o| o != Some(Ordering::Equal)));
    for (name, wanted) in [("min", Ordering::Less), ("max", Ordering::Greater)] {
        let pick = move |a, b| order(a, b).map(|o| if o == Some(wanted) { a } else { b });
        two(engine, name, pick);
        engine.register_fn(name, move |ctx: NativeCallContext, list: Array| -> Result<Dynamic, Thrown> {
            let all = quantities(&ctx, &list)?;
            let first = *all.first().ok_or_else(|| unfit(&ctx, "the list is empty"))?;
            all.into_iter().try_fold(first, |best, next| pick(next, best)).map(as_value)
        });
    }
    engine.register_fn("sum", |ctx: NativeCallContext, list: Array| -> Result<Dynamic, Thrown> {
        let all = quantities(&ctx, &list)?;
        let total = all.into_iter().map(Ok).reduce(|a, b| a?.plus(b?).map_err(wrong));
        Ok(as_value(total.unwrap_or(Ok(Quantity::number(0.0)))?))
    });
    engine.register_fn("sort", move |ctx: NativeCallContext, list: &mut Array| -> Result<(), Thrown> {
        if list.iter().all(Dynamic::is_string) {
            list.sort_by_key(ToString::to_string);
            return Ok(());
        }
        let all = quantities(&ctx, list)?;
        for pair in all.windows(2) {
            order(pair[0], pair[1])?;
        }
        let mut both: Vec<(f64, Dynamic)> = all.into_iter().map(|q| q.si).zip(list.drain(..)).collect();
        both.sort_by(|a, b| a.0.total_cmp(&b.0));
        list.extend(both.into_iter().map(|(_, item)| item));
        Ok(())
    });
}

/// The numbers of a list, with or without units.
fn quantities(ctx: &NativeCallContext<'_>, list: &Array) -> Result<Vec<Quantity>, Thrown> {
    let number = |(i, item): (usize, &Dynamic)| {
        let plain = plain_number(item).map(Quantity::number);
        let found = plain.or_else(|| item.clone().try_cast::<Quantity>());
        found.ok_or_else(|| argument(ctx, format!("item {i} of the list is {}, not a number", kind_of(item))))
    };
    list.iter().enumerate().map(number).collect()
}

/// Plain numbers are numbers in scripts, everything else keeps its unit.
pub fn as_value(quantity: Quantity) -> Dynamic {
    if quantity.dimension.is_none() { quantity.si.into() } else { Dynamic::from(quantity) }
}

/// A plain number with the unit that was left out. Very small and very large ones were meant in SI units.
pub fn written(number: f64, dimension: Dimension, unit: &str) -> String {
    let in_si = Quantity::new(number, dimension).to_string();
    match in_si.split_once(' ') {
        Some((digits, prefixed))
            if number != 0.0 && !(1e-3..1e6).contains(&number.abs()) && UNIT_NAMES.contains(&prefixed) =>
        {
            format!("{digits}.{prefixed}")
        }
        _ => format!("{number}.{unit}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::script::error::meaning;

    fn shown(expression: &str) -> String {
        let mut engine = crate::script::bare();
        register(&mut engine);
        match engine.eval::<Dynamic>(expression) {
            Ok(value) => value.try_cast_result::<Quantity>().map_or_else(|other| other.to_string(), show),
            Err(error) => meaning(&error, "test.rhai").reason,
        }
    }

    #[test]
    fn functions_of_the_language_take_values_with_units() {
        for (expression, wanted) in [
            ("min(5.mV, 3.mV)", "3 mV"),
            ("max([1.nm, 3.nm, 2.nm])", "3 nm"),
            ("max([1, 3.5, 2])", "3.5"),
            ("sum([1.pA, 2.pA])", "3 pA"),
            ("sum([])", "0.0"),
            ("let l = [3.mT, 1.mT, 2.mT]; l.sort(); `${l}`", "[1 mT, 2 mT, 3 mT]"),
            ("let l = [3, 1.5, 2]; l.sort(); `${l}`", "[1.5, 2, 3]"),
            ("let l = [\"b\", \"a\"]; l.sort(); `${l}`", "[\"a\", \"b\"]"),
            ("sqrt((3.nm) ** 2 + (4.nm) ** 2)", "5 nm"),
            ("2.s ** -1", "500 mHz"),
            ("(4.V / 1.V) ** 0.5", "2.0"),
            ("(-3.nm).abs()", "3 nm"),
            ("abs(-3.nm)", "3 nm"),
            ("40.percent < 0.5", "true"),
        ] {
            assert_eq!(shown(expression), wanted, "{expression}");
        }
    }

    #[test]
    fn what_cannot_be_worked_out_is_told_without_the_names_of_types() {
        for (expression, wanted) in [
            (
                "min(5.mV, 3.nm)",
                "a voltage and a length can't be compared; look which of the two has the wrong unit; both need the same one",
            ),
            (
                "5.mV < 5",
                "a voltage and a plain number can't be compared; give the plain number its unit, like 5.mV, or take the other one without, x.mV",
            ),
            ("max([])", "the list is empty"),
            ("sum([1.pA, \"x\"])", "item 1 of the list is the text \"x\", not a number"),
            (
                "sum([1.pA, 1.V])",
                "a current and a voltage can't be added; look which of the two has the wrong unit; both need the same one",
            ),
            (
                "let l = [1.pA, 2.s]; l.sort();",
                "a current and a time can't be compared; look which of the two has the wrong unit; both need the same one",
            ),
            ("sqrt(-4.s)", "-4 s has no power 0.5: it is negative"),
            ("(-12.dBm) ** 2", "-12 dBm can't be raised to the power 2: no unit comes of that"),
            ("2.nm ** 0.3", "2 nm can't be raised to the power 0.3: no unit comes of that"),
            (
                "sin(5.mV)",
                "`sin` doesn't take a value with a unit; the units in its brackets must cancel: divide by one of the same kind, and `**` goes before `/` and `-`",
            ),
            ("2.nm % 3", "`%` can't be used with a value with a unit and a whole number"),
        ] {
            assert_eq!(shown(expression), wanted, "{expression}");
        }
    }

    #[test]
    fn a_unit_that_was_left_out_is_put_behind_what_was_meant() {
        assert_eq!(written(1e-11, Dimension::CURRENT, "pA"), "10.pA");
        assert_eq!(written(60.0, Dimension::CURRENT, "pA"), "60.pA");
        assert_eq!(written(14.2e9, Dimension::FREQUENCY, "GHz"), "14.2.GHz");
    }
}
