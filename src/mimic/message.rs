//! Program messages: units between semicolons, each a header with arguments.

use super::scpi_error::ScpiError;
use crate::instrument::scpi::reply::{fields, unquoted};

/// One unit of a program message.
#[derive(Debug, PartialEq)]
pub(super) struct Unit<'m> {
    /// The header with its path, without `?`.
    pub(super) header: String,
    /// Whether it asks.
    pub(super) query: bool,
    /// What follows the header.
    pub(super) arguments: Arguments<'m>,
}

/// The arguments of a unit, taken one by one.
#[derive(Debug, PartialEq)]
pub(super) struct Arguments<'m> {
    rest: Vec<&'m str>,
}

/// Units of a message; semicolons within quotes don't count.
pub(super) fn units(message: &str) -> impl Iterator<Item = &str> {
    let mut quoted = false;
    message.split(move |c: char| {
        quoted ^= c == '"';
        c == ';' && !quoted
    })
}

/// Reads a unit. `path` is where the last header left off: `SOUR:VOLT 1;CURR 2` sets `SOUR:CURR`. A leading
/// colon starts from the root; common commands leave the path alone.
pub(super) fn read<'m>(unit: &'m str, path: &mut String) -> Result<Unit<'m>, ScpiError> {
    let unit = unit.trim_ascii();
    let (header, rest) = match unit.find(|c: char| c.is_ascii_whitespace()) {
        Some(at) => (&unit[..at], unit[at..].trim_ascii()),
        None => (unit, ""),
    };
    let (word, query) = match header.strip_suffix('?') {
        Some(word) => (word, true),
        None => (header, false),
    };
    let sound = word.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b':' | b'_' | b'*'));
    if word.is_empty() || !sound {
        return Err(ScpiError::about(-102, unit.chars().take(60).collect::<String>()));
    }
    let header = if word.starts_with('*') {
        word.to_owned()
    } else if let Some(absolute) = word.strip_prefix(':') {
        absolute.to_owned()
    } else {
        format!("{path}{word}")
    };
    if !word.starts_with('*') {
        path.clear();
        path.push_str(header.rfind(':').map_or("", |at| &header[..=at]));
    }
    let rest = if rest.is_empty() { Vec::new() } else { fields(rest).map(str::trim_ascii).collect() };
    Ok(Unit { header, query, arguments: Arguments { rest } })
}

impl Arguments<'_> {
    fn next(&mut self) -> Result<&str, ScpiError> {
        if self.rest.is_empty() {
            return Err(ScpiError::new(-109));
        }
        Ok(self.rest.remove(0))
    }

    /// A decimal number.
    pub(super) fn number(&mut self) -> Result<f64, ScpiError> {
        let text = self.next()?;
        let decimal =
            |text: &str| text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'+' | b'-' | b'.' | b'e' | b'E'));
        match text.parse::<f64>() {
            Ok(value) if decimal(text) && value.is_finite() => Ok(value),
            Ok(_) if decimal(text) => Err(ScpiError::about(-222, text)),
            _ if text.starts_with(|c: char| c.is_ascii_digit() || c == '-' || c == '+' || c == '.') => {
                Err(ScpiError::about(-131, text))
            }
            _ => Err(ScpiError::about(-104, text)),
        }
    }

    /// A number, or `ON` or `OFF`.
    pub(super) fn number_or_state(&mut self) -> Result<f64, ScpiError> {
        match self.rest.first() {
            Some(word) if word.eq_ignore_ascii_case("ON") => self.next().map(|_| 1.0),
            Some(word) if word.eq_ignore_ascii_case("OFF") => self.next().map(|_| 0.0),
            _ => self.number(),
        }
    }

    /// A whole number within a range.
    pub(super) fn whole(&mut self, low: f64, high: f64) -> Result<f64, ScpiError> {
        let value = self.number()?;
        if value.fract() == 0.0 && (low..=high).contains(&value) {
            return Ok(value);
        }
        Err(ScpiError::about(-222, format!("a whole number from {low} to {high} is taken, not {value}")))
    }

    /// A text in quotes.
    pub(super) fn string(&mut self) -> Result<String, ScpiError> {
        let text = self.next()?;
        if text.len() < 2 || !text.starts_with('"') || !text.ends_with('"') {
            return Err(ScpiError::about(-151, text));
        }
        Ok(unquoted(text).into_owned())
    }

    /// Nothing may be left.
    pub(super) fn finish(&self) -> Result<(), ScpiError> {
        match self.rest.first() {
            None => Ok(()),
            Some(text) => Err(ScpiError::about(-108, *text)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(message: &str) -> Vec<String> {
        let mut path = String::new();
        units(message)
            .map(|unit| read(unit, &mut path).map_or_else(|e| e.to_string(), |u| u.header))
            .collect()
    }

    #[test]
    fn a_unit_goes_on_where_the_last_header_left_off() {
        assert_eq!(
            headers("SOUR:VOLT 1;CURR 2;*OPC?;CURR?;:OUTP 1"),
            ["SOUR:VOLT", "SOUR:CURR", "*OPC", "SOUR:CURR", "OUTP"]
        );
        assert_eq!(headers("TASK:TRAC \"a;b\",3;BUSY?"), ["TASK:TRAC", "TASK:BUSY"]);
    }

    #[test]
    fn arguments_are_taken_in_their_kinds() {
        let mut path = String::new();
        let mut unit = read("X 5E-2, on ,\"a, b\",3V", &mut path).unwrap();
        assert_eq!(unit.arguments.number(), Ok(0.05));
        assert_eq!(unit.arguments.number_or_state(), Ok(1.0));
        assert_eq!(unit.arguments.string().unwrap(), "a, b");
        assert_eq!(unit.arguments.number().unwrap_err().code, -131);
        assert_eq!(unit.arguments.number().unwrap_err().code, -109);
        assert_eq!(read("?", &mut path).unwrap_err().code, -102);
        assert_eq!(read("(x)", &mut path).unwrap_err().code, -102);
    }
}
