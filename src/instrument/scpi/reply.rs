//! Understanding replies.
//!
//! Numbers are those of IEEE 488.2 response data: NR1 (`12`), NR2 (`1.25`), NR3 (`1.25E-3`).
//! SCPI-99 answers 9.9E37 for infinity and 9.91E37 for not-a-number; both are no reading.
//! (Those two values from memory, not checked.)

use std::borrow::Cow;

/// From here on a number stands for infinity or for none.
const INFINITE: f64 = 9.9e37;
/// What stands for no number at all.
const NONE: f64 = 9.91e37;

/// A number, or that there is more or less than can be shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Number {
    /// A number.
    Finite(f64),
    /// More than can be shown.
    Above,
    /// Less than can be shown.
    Below,
}

/// The reply as text.
///
/// # Errors
/// One sentence, if it is not printable ASCII.
pub fn text(bytes: &[u8]) -> Result<&str, String> {
    let bytes = bytes.trim_ascii();
    let printable = bytes.iter().all(|byte| matches!(byte, b' '..=b'~' | b'\t'));
    match std::str::from_utf8(bytes) {
        Ok(text) if printable => Ok(text),
        _ => Err(format!("{} bytes came that are no text", bytes.len())),
    }
}

/// A finite number.
///
/// ```
/// use noctule::instrument::scpi::reply::number;
/// assert_eq!(number("+1.250E-03"), Ok(1.25e-3));
/// assert!(number("9.91E37").is_err());
/// assert!(number("inf").is_err());
/// ```
///
/// # Errors
/// One sentence.
pub fn number(text: &str) -> Result<f64, String> {
    match any_number(text)? {
        Number::Finite(value) => Ok(value),
        Number::Above | Number::Below => Err(format!("`{}` stands for no finite number", shorten(text))),
    }
}

/// A number, where SCPI's infinities are told apart from what is no number.
///
/// # Errors
/// One sentence.
pub fn any_number(text: &str) -> Result<Number, String> {
    let text = text.trim_ascii();
    // Rust's own parser takes `inf` and `nan` as well.
    let decimal = text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'+' | b'-' | b'.' | b'e' | b'E'));
    let value = text.parse::<f64>().ok().filter(|_| decimal);
    match value {
        Some(value) if value.abs() < INFINITE => Ok(Number::Finite(value)),
        Some(value) if value.abs() < NONE && value > 0.0 => Ok(Number::Above),
        Some(value) if value.abs() < NONE => Ok(Number::Below),
        Some(_) => Err(format!("`{}` stands for no finite number", shorten(text))),
        None => Err(format!("`{}` is no number", shorten(text))),
    }
}

/// Comma-separated numbers; an empty reply has none.
///
/// # Errors
/// One sentence.
pub fn numbers(text: &str) -> Result<Vec<f64>, String> {
    if text.trim_ascii().is_empty() {
        return Ok(Vec::new());
    }
    text.split(',').map(number).collect()
}

/// An entry of the error queue, `-222,"Data out of range"`. None for `0,"No error"`.
///
/// # Errors
/// One sentence.
pub fn error_entry(text: &str) -> Result<Option<(i32, String)>, String> {
    let mut parts = fields(text);
    let code = parts.next().map(str::trim_ascii).and_then(|part| part.parse::<i32>().ok());
    let remark = parts.next();
    match (code, remark) {
        (Some(0), _) => Ok(None),
        (Some(code), Some(remark)) => Ok(Some((code, unquoted(remark).into_owned()))),
        (Some(code), None) => Ok(Some((code, "an error".to_owned()))),
        (None, _) => Err(format!("`{}` is no entry of an error queue", shorten(text))),
    }
}

/// The report of a task, `1,"remark"`.
///
/// # Errors
/// One sentence.
pub fn report(text: &str) -> Result<(bool, String), String> {
    let mut parts = fields(text);
    let achieved = match parts.next().map(number) {
        Some(Ok(0.0)) => false,
        Some(Ok(1.0)) => true,
        _ => return Err(format!("`{}` is no report of a task", shorten(text))),
    };
    Ok((achieved, parts.next().map(|part| unquoted(part).into_owned()).unwrap_or_default()))
}

/// Fields between commas; commas within quotes don't count.
pub fn fields(text: &str) -> impl Iterator<Item = &str> {
    let mut quoted = false;
    text.split(move |c: char| {
        quoted ^= c == '"';
        c == ',' && !quoted
    })
}

/// String response data without its quotes; quotes within are doubled.
pub fn unquoted(field: &str) -> Cow<'_, str> {
    let field = field.trim_ascii();
    match field.strip_prefix('"').and_then(|rest| rest.strip_suffix('"')) {
        Some(inside) if inside.contains("\"\"") => Cow::Owned(inside.replace("\"\"", "\"")),
        Some(inside) => Cow::Borrowed(inside),
        None => Cow::Borrowed(field),
    }
}

/// The beginning of a reply, for messages.
pub fn shorten(text: &str) -> String {
    crate::diagnostic::shorten(text, 40)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_three_numeric_forms_are_read() {
        for (text, value) in [
            ("12", 12.0),
            ("+12", 12.0),
            ("-1.25", -1.25),
            (" 1.25E-3 ", 1.25e-3),
            ("1.5e+03", 1500.0),
            ("0", 0.0),
        ] {
            assert_eq!(number(text), Ok(value), "{text}");
        }
    }

    #[test]
    fn what_is_no_finite_number_is_no_reading() {
        for text in [
            "", "inf", "NaN", "9.9E37", "-9.9E+37", "9.91E37", "1e400", "ON", "1,2", "0x10", "1 2",
            "#15hello", "--1",
        ] {
            assert!(number(text).is_err(), "{text}");
        }
    }

    #[test]
    fn fields_keep_commas_within_quotes() {
        let parts: Vec<&str> = fields("1,\"a, \"\"b\"\"\",2").collect();
        assert_eq!(parts, ["1", "\"a, \"\"b\"\"\"", "2"]);
        assert_eq!(unquoted(parts[1]), "a, \"b\"");
    }

    #[test]
    fn error_queues_and_reports_are_understood() {
        assert_eq!(error_entry("0,\"No error\""), Ok(None));
        assert_eq!(error_entry("+0"), Ok(None));
        assert_eq!(
            error_entry("-222,\"Data out of range;too much\""),
            Ok(Some((-222, "Data out of range;too much".to_owned())))
        );
        assert!(error_entry("1.5").is_err());
        assert!(error_entry("5.0E-02").is_err(), "a reading is no entry of an error queue");
        assert_eq!(report("0,\"the tip, it fell\""), Ok((false, "the tip, it fell".to_owned())));
        assert!(report("2,\"x\"").is_err());
        assert!(report("").is_err());
    }

    proptest! {
        #[test]
        fn whatever_comes_is_met_without_panic_and_never_gives_what_is_not_finite(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            if let Ok(text) = text(&bytes) {
                for value in numbers(text).unwrap_or_default() {
                    prop_assert!(value.is_finite());
                }
                let _ = (error_entry(text), report(text));
            }
        }

        #[test]
        fn numeric_looking_text_never_gives_what_is_not_finite(text in "[-+0-9.eE]{0,12}") {
            if let Ok(value) = number(&text) {
                prop_assert!(value.is_finite() && value.abs() < 9.9e37);
            }
        }
    }
}
