//! From the text of a reply to a value in SI, and from a value to the text of a message.

use super::reply::{self, Number};
use crate::bench::{Meaning, ReplyForm, ScpiAddress};
use crate::instrument::ErrorKind;

/// Why a reply gives no value: its kind, and one sentence.
pub type Mismatch = (ErrorKind, String);

fn garbled(message: String) -> Mismatch {
    (ErrorKind::Garbled, message)
}

/// The value in SI of a reply to a channel's query.
///
/// # Errors
/// [`ErrorKind::Garbled`] if the reply is not of the form that the bench gives; [`ErrorKind::AboveRange`] or
/// [`ErrorKind::BelowRange`] if it says that the value lies beyond what the instrument can show.
pub fn understand(address: &ScpiAddress, text: &str) -> Result<f64, Mismatch> {
    let form = &address.reply;
    let text = text.trim_ascii();
    let count = reply::fields(text).count();
    if count != form.fields {
        let message = format!("`{}` has {count} fields, {} were expected", reply::shorten(text), form.fields);
        return Err(garbled(message));
    }
    let field = reply::fields(text).nth(form.field).unwrap_or_default().trim_ascii();
    let value = form.pattern.as_ref().map_or(Some(field), |pattern| pattern.value_in(field));
    // A word for too much stands in the place of the whole field as often as in that of the number.
    for (word, kind) in [(&form.beyond.0, ErrorKind::AboveRange), (&form.beyond.1, ErrorKind::BelowRange)] {
        if word.as_deref().is_some_and(|word| word == field || Some(word) == value) {
            return Err(beyond(kind, turned(form), field));
        }
    }
    let Some(value) = value else {
        let pattern = form.pattern.as_ref().map_or("", |pattern| pattern.text.as_str());
        return Err(garbled(format!("`{}` is not like `{pattern}`", reply::shorten(field))));
    };
    let si = value_of(address, value)?;
    if si.is_finite() { Ok(si) } else { Err(garbled(format!("`{}` is too large", reply::shorten(text)))) }
}

/// Whether a larger number of the instrument stands for a smaller value.
fn turned(form: &ReplyForm) -> bool {
    match &form.meaning {
        Meaning::Number { scale, .. } => *scale < 0.0,
        Meaning::Table(points) => points.first().zip(points.last()).is_some_and(|(a, b)| a.1 > b.1),
        _ => false,
    }
}

fn beyond(kind: ErrorKind, turned: bool, value: &str) -> Mismatch {
    let kind = match (kind, turned) {
        (ErrorKind::AboveRange, true) => ErrorKind::BelowRange,
        (ErrorKind::BelowRange, true) => ErrorKind::AboveRange,
        (kind, _) => kind,
    };
    (kind, format!("`{}` stands for a value beyond its range", reply::shorten(value)))
}

/// What the value in a reply stands for, SI.
///
/// # Errors
/// As for [`understand`].
pub fn value_of(address: &ScpiAddress, value: &str) -> Result<f64, Mismatch> {
    let form = &address.reply;
    let number = || match reply::any_number(value) {
        Ok(Number::Finite(number)) => Ok(number),
        Ok(Number::Above) => Err(beyond(ErrorKind::AboveRange, turned(form), value)),
        Ok(Number::Below) => Err(beyond(ErrorKind::BelowRange, turned(form), value)),
        Err(message) => Err(garbled(message)),
    };
    match &form.meaning {
        Meaning::Number { scale, offset } => {
            let si = address.unit.to_si(number()?);
            // A plain number must not gain a rounding error.
            Ok(if *scale == 1.0 { si } else { si * scale } + offset)
        }
        Meaning::Table(points) => {
            let said = address.unit.to_si(number()?);
            between(points, said).ok_or_else(|| garbled(format!("{value} lies outside the table")))
        }
        Meaning::Words(words) => words
            .iter()
            .find(|(word, _)| word.eq_ignore_ascii_case(value))
            .map(|(_, si)| *si)
            .ok_or_else(|| garbled(format!("`{}` is none of its words", reply::shorten(value)))),
        Meaning::Listed { first, values } => {
            let place = whole(value)?.checked_sub(*first).and_then(|place| usize::try_from(place).ok());
            let found = place.and_then(|place| values.get(place));
            found.copied().ok_or_else(|| garbled(format!("its list has no place {value}")))
        }
        Meaning::Bit(bit) => Ok(f64::from(u8::from(whole(value)? >> bit & 1 == 1))),
    }
}

/// A whole number: decimal, or hexadecimal, octal or binary as IEEE 488.2 writes them.
fn whole(value: &str) -> Result<i64, Mismatch> {
    let upper = value.to_ascii_uppercase();
    let radix = [("#H", 16), ("#Q", 8), ("#B", 2)]
        .into_iter()
        .find_map(|(sign, radix)| Some((upper.strip_prefix(sign)?.to_owned(), radix)));
    let read = match &radix {
        Some((digits, radix)) if digits.starts_with(|c: char| c.is_ascii_alphanumeric()) => {
            i64::from_str_radix(digits, *radix).ok()
        }
        Some(_) => None,
        None => match reply::number(value) {
            Ok(number) if number.fract() == 0.0 && number.abs() < 9e15 => Some(number as i64),
            _ => None,
        },
    };
    read.ok_or_else(|| garbled(format!("`{}` is no whole number", reply::shorten(value))))
}

/// Straight lines between the points; nothing beyond them.
fn between(points: &[(f64, f64)], x: f64) -> Option<f64> {
    let pair = points.windows(2).find(|pair| pair[0].0 <= x && x <= pair[1].0)?;
    let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
    Some(y0 + (y1 - y0) * ((x - x0) / (x1 - x0)))
}

/// Differences below this part of a value come from rounding.
const ROUNDING: f64 = 1e-9;

fn same(a: f64, b: f64) -> bool {
    (a - b).abs() <= ROUNDING * a.abs().max(b.abs())
}

/// The text that stands for a value in a message to the instrument.
///
/// # Errors
/// One phrase, if the instrument has no word for it.
pub fn speak(address: &ScpiAddress, si: f64) -> Result<String, String> {
    if !si.is_finite() {
        return Err(format!("{si} is no finite number"));
    }
    let number = |si: f64| super::template::number(address.unit.from_si(si));
    match &address.reply.meaning {
        Meaning::Number { scale, offset } if *scale == 1.0 && *offset == 0.0 => Ok(number(si)),
        Meaning::Number { scale, offset } => Ok(number((si - offset) / scale)),
        Meaning::Table(points) => {
            let mut turned: Vec<(f64, f64)> = points.iter().map(|(said, value)| (*value, *said)).collect();
            turned.sort_by(|a, b| a.0.total_cmp(&b.0));
            between(&turned, si).map(number).ok_or_else(|| "the value lies outside its table".to_owned())
        }
        Meaning::Words(words) => {
            let word = words.iter().find(|(_, value)| same(*value, si));
            word.map(|(word, _)| word.clone()).ok_or_else(|| "it has no word for this value".to_owned())
        }
        Meaning::Listed { first, values } => {
            let place =
                values.iter().position(|value| same(*value, si)).and_then(|at| i64::try_from(at).ok());
            let place = place.and_then(|at| at.checked_add(*first));
            place.map(|at| at.to_string()).ok_or_else(|| "the value is none of its list".to_owned())
        }
        Meaning::Bit(_) => Err("a single bit can't be set".to_owned()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::Pattern;
    use crate::quantity::Unit;

    fn address(unit: &str, meaning: Meaning) -> ScpiAddress {
        let mut address = ScpiAddress::plain(Some("S {}"), Some("S?"), Unit::parse(unit).unwrap());
        address.reply.meaning = meaning;
        address
    }

    #[test]
    fn every_meaning_leads_there_and_back() {
        let table = Meaning::Table(vec![(0.5, 300.0), (1.0, 20.0), (1.6, 4.0)]);
        let words = Meaning::Words(vec![("ON".to_owned(), 1.0), ("OFF".to_owned(), 0.0)]);
        let list = Meaning::Listed { first: 1, values: vec![1e-3, 3e-3, 1e-2] };
        for (unit, meaning, text, si) in [
            ("A", Meaning::Number { scale: 0.02, offset: 0.0 }, "25", 0.5),
            ("V", Meaning::Number { scale: -1e-9, offset: 0.0 }, "0.02", -2e-11),
            ("%", Meaning::Number { scale: 0.07, offset: 0.0 }, "50", 0.035),
            ("dBm", Meaning::Number { scale: 1.0, offset: -12.0 }, "-8", -20.0),
            ("V", table, "1.3", 12.0),
            ("", words, "OFF", 0.0),
            ("", list, "3", 1e-2),
        ] {
            let address = address(unit, meaning);
            let read = understand(&address, text).unwrap();
            assert!((read - si).abs() <= 1e-12 * si.abs(), "{text}: {read}, not {si}");
            let said: f64 = speak(&address, si).unwrap().parse().unwrap_or(0.0);
            assert!((said - text.parse().unwrap_or(0.0)).abs() < 1e-9, "{text}: {said}");
        }
    }

    #[test]
    fn what_is_beyond_or_no_reply_of_this_form_is_told_apart() {
        let kind = |address: &ScpiAddress, text: &str| understand(address, text).unwrap_err().0;
        let mut current = address("V", Meaning::Number { scale: -1e-9, offset: 0.0 });
        assert_eq!(kind(&current, "9.9E37"), ErrorKind::BelowRange, "the amplifier inverts");
        assert_eq!(kind(&current, "-9.9E+37"), ErrorKind::AboveRange);
        assert_eq!(kind(&current, "9.91E37"), ErrorKind::Garbled);
        current.reply.meaning = Meaning::PLAIN;
        current.reply.pattern = Some(Pattern::parse("I={} V").unwrap());
        current.reply.beyond = (Some("OVLD".to_owned()), Some("-OVLD".to_owned()));
        assert_eq!(kind(&current, "I=OVLD V"), ErrorKind::AboveRange);
        assert_eq!(kind(&current, "-OVLD"), ErrorKind::BelowRange);
        for text in ["0.5", "I=0.5 A", "0,\"No error\"", "I=0.5 V,1", "", "I= V"] {
            assert_eq!(kind(&current, text), ErrorKind::Garbled, "{text}");
        }
        let plain = address("V", Meaning::PLAIN);
        assert_eq!(kind(&plain, "0,\"No error\""), ErrorKind::Garbled);
        let bit = address("", Meaning::Bit(3));
        assert_eq!((understand(&bit, "8").unwrap(), understand(&bit, "#HF7").unwrap()), (1.0, 0.0));
        for text in ["8.5", "#Hxx", "#H-1", "1e300", "ON"] {
            assert_eq!(kind(&bit, text), ErrorKind::Garbled, "{text}");
        }
        let table = address("V", Meaning::Table(vec![(0.0, 1.0), (1.0, 2.0)]));
        assert_eq!(kind(&table, "1.5"), ErrorKind::Garbled);
        assert!(speak(&table, 3.0).is_err() && speak(&bit, 1.0).is_err());
    }
}
