//! Errors with the numbers and words of SCPI-99 (volume 2, chapter 21; from memory, not checked).

use noctule_sim::Refusal;
use std::fmt;

/// One entry of an error queue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct ScpiError {
    pub(super) code: i16,
    text: &'static str,
    /// What it was about; empty if there is nothing to say.
    about: String,
}

/// Longest description, characters.
const LONGEST: usize = 255;

impl ScpiError {
    pub(super) const fn new(code: i16) -> Self {
        Self { code, text: words(code), about: String::new() }
    }

    pub(super) fn about(code: i16, about: impl Into<String>) -> Self {
        Self { about: about.into(), ..Self::new(code) }
    }

    /// The bit that it sets in the standard event status register (IEEE 488.2, 11.5.1; from memory, not checked).
    pub(super) fn event_bit(&self) -> u8 {
        match self.code {
            -199..=-100 => 1 << 5,
            -299..=-200 => 1 << 4,
            -499..=-400 => 1 << 2,
            _ => 1 << 3,
        }
    }
}

impl From<Refusal> for ScpiError {
    fn from(refusal: Refusal) -> Self {
        let code = match refusal {
            Refusal::Invalid(_) => -222,
            Refusal::NotNow(_) => -221,
            Refusal::Busy(_) => -213,
        };
        Self::about(code, refusal.to_string())
    }
}

impl fmt::Display for ScpiError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut text = self.text.to_owned();
        if !self.about.is_empty() {
            text.push(';');
            // Quotes would have to be doubled, and only printable characters may be there.
            text.extend(
                self.about.chars().map(|c| if c == '"' || !(' '..='~').contains(&c) { '\'' } else { c }),
            );
        }
        text.truncate(LONGEST);
        write!(f, "{},\"{text}\"", self.code)
    }
}

const fn words(code: i16) -> &'static str {
    match code {
        0 => "No error",
        -101 => "Invalid character",
        -102 => "Syntax error",
        -104 => "Data type error",
        -108 => "Parameter not allowed",
        -109 => "Missing parameter",
        -113 => "Undefined header",
        -131 => "Invalid suffix",
        -151 => "Invalid string data",
        -213 => "Init ignored",
        -221 => "Settings conflict",
        -222 => "Data out of range",
        -224 => "Illegal parameter value",
        -300 => "Device-specific error",
        -350 => "Queue overflow",
        -363 => "Input buffer overrun",
        _ => "Error",
    }
}
