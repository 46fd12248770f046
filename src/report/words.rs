//! Numbers with their errors and units, as people write them.

use crate::quantity::{Unit, significant};

pub use crate::quantity::rounded;

/// A value with its standard error in a unit: `14.2031 ± 0.0004 GHz`. The error has two digits, and the value as
/// many decimals as the error.
///
/// ```
/// use noctule::quantity::Unit;
/// use noctule::report::words::with_error;
/// let ghz = Unit::parse("GHz").unwrap();
/// assert_eq!(with_error(Some(14.203_123e9), Some(0.42e6), &ghz), "14.20312 ± 0.00042 GHz");
/// assert_eq!(with_error(Some(14.2e9), None, &ghz), "14.2 GHz");
/// assert_eq!(with_error(Some(-81.12e9), Some(3784e9), &ghz), "-100 ± 3800 GHz");
/// assert_eq!(with_error(None, None, &ghz), "not known");
/// ```
pub fn with_error(value: Option<f64>, error: Option<f64>, unit: &Unit) -> String {
    let Some(value) = value.map(|v| unit.from_si(v)) else { return "not known".to_owned() };
    let suffix = if unit.text.is_empty() { String::new() } else { format!(" {}", unit.text) };
    let error = error.map(|e| unit.from_si(e)).filter(|e| e.is_finite() && *e > 0.0);
    match error {
        Some(error) => format!("{}{suffix}", rounded(value, error)),
        None => format!("{}{suffix}", significant(value, 6)),
    }
}

/// `1 point`, `2 points`, with commas between thousands.
///
/// ```
/// assert_eq!(noctule::report::words::count(1_234_567, "point"), "1,234,567 points");
/// ```
pub fn count(number: u64, what: &str) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    format!("{text} {what}{}", if number == 1 { "" } else { "s" })
}

/// A text in lines of at most so many columns, the first after `lead`, the others after `rest`; a word that is longer
/// stands alone.
///
/// ```
/// assert_eq!(noctule::report::words::wrapped("one two three", "- ", "  ", 9), "- one two\n  three\n");
/// ```
pub fn wrapped(text: &str, lead: &str, rest: &str, columns: usize) -> String {
    let mut out = lead.to_owned();
    let (mut used, mut empty) = (lead.chars().count(), true);
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if !empty && used + 1 + length > columns {
            out = format!("{out}\n{rest}");
            (used, empty) = (rest.chars().count(), true);
        }
        if !empty {
            out.push(' ');
            used += 1;
        }
        out.push_str(word);
        (used, empty) = (used + length, false);
    }
    out + "\n"
}
