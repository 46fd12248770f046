//! One kind of message for everything that is wrong with a file: a code, a
//! place, one sentence and a hint. Rendered for people by [`render`], for
//! programs by serde.

mod codes;
mod render;

pub use codes::{CODES, Code, CodeEntry};
pub use render::render;

use serde::Serialize;
use std::fmt;

/// The beginning of what somebody or something else wrote, at most so many characters, for messages: what would move the
/// cursor of a terminal is shown as `?`.
///
/// ```
/// use noctule_ground::diagnostic::shorten;
/// assert_eq!((shorten("1.5", 3), shorten("1.5 V", 3)), ("1.5".to_owned(), "1.5…".to_owned()));
/// assert_eq!(shorten("a\n\u{1b}b", 9), "a ?b");
/// ```
pub fn shorten(text: &str, most: usize) -> String {
    let plain = |c: char| match c {
        _ if !c.is_control() => c,
        _ if c.is_whitespace() => ' ',
        _ => '?',
    };
    let mut rest = text.chars();
    let mut first: String = rest.by_ref().take(most).map(plain).collect();
    if rest.next().is_some() {
        first.push('…');
    }
    first
}

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Likely not what was meant; the sequence may run.
    Warning,
    /// Nothing runs until this is mended.
    Error,
}

/// One thing that is wrong with a sequence, a bench or a world.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Diagnostic {
    /// Error or warning.
    pub severity: Severity,
    /// The code to look up in the guide.
    pub code: Code,
    /// One plain sentence.
    pub message: String,
    /// The file, as it was named on the command line.
    pub file: String,
    /// Line, from 1; 0 where the file as a whole is meant.
    pub line: u32,
    /// Column in characters, from 1.
    pub column: u32,
    /// What to do, where that can be said.
    pub help: Option<String>,
}

impl Diagnostic {
    /// An error at a place.
    pub fn error(code: Code, file: &str, place: (u32, u32), message: impl Into<String>) -> Self {
        Self {
            severity: Severity::Error,
            code,
            message: message.into(),
            file: file.to_owned(),
            line: place.0,
            column: place.1,
            help: None,
        }
    }

    /// The same as a warning.
    #[must_use]
    pub fn as_warning(mut self) -> Self {
        self.severity = Severity::Warning;
        self
    }

    /// With a hint.
    #[must_use]
    pub fn with_help(mut self, help: impl Into<Option<String>>) -> Self {
        self.help = help.into();
        self
    }
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = match self.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
        };
        write!(f, "{}:{}:{}: {word}[{}]: {}", self.file, self.line, self.column, self.code, self.message)?;
        match &self.help {
            Some(help) => write!(f, "\n  hint: {help}"),
            None => Ok(()),
        }
    }
}

/// The hint for a name that is not known: the one that is near, or those that begin in the same way.
///
/// ```
/// use noctule_ground::diagnostic::meant;
/// assert_eq!(meant("Bais", ["Bias", "Current"]).unwrap(), "did you mean `Bias`?");
/// assert_eq!(meant("helium", ["helium_level", "current"]).unwrap(), "did you mean `helium_level`?");
/// assert_eq!(meant("lockin", ["lockin_x", "lockin_y", "bias"]).unwrap(), "there are `lockin_x`, `lockin_y`");
/// assert_eq!(meant("zz", ["bias"]), None);
/// ```
pub fn meant<'n>(written: &str, known: impl IntoIterator<Item = &'n str>) -> Option<String> {
    let known: Vec<&str> = known.into_iter().collect();
    let plain = |name: &str| name.replace('_', "").to_lowercase();
    let start = plain(written);
    let begins = |name: &&&str| start.len() >= 3 && plain(name).starts_with(&start);
    let kin: Vec<String> = known.iter().filter(begins).map(|name| format!("`{name}`")).collect();
    if kin.len() > 1 {
        return Some(format!("there are {}", kin.join(", ")));
    }
    let near = crate::document::nearest(written, known.iter().copied()).map(|near| format!("`{near}`"));
    near.or(kin.into_iter().next()).map(|name| format!("did you mean {name}?"))
}

/// Whether any of them is an error.
pub fn has_errors(diagnostics: &[Diagnostic]) -> bool {
    diagnostics.iter().any(|d| d.severity == Severity::Error)
}
