//! How an instrument words what it says: patterns of replies, and what a number of it stands for.
//!
//! Nothing here talks to anybody. The reader of bench files makes these, `instrument::scpi` uses them.

/// A reply with holes: `{}` is the place of the value, `{*}` stands for any text. Everything else must be there as
/// written, and a reply without it is not this reply.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    /// As written.
    pub text: String,
    pieces: Vec<Piece>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Piece {
    Text(String),
    Value,
    Anything,
}

impl Pattern {
    /// Reads a pattern.
    ///
    /// # Errors
    /// One sentence, if it has two places for a value, two holes side by side, or another word in braces.
    ///
    /// ```
    /// use noctule::bench::Pattern;
    /// let pattern = Pattern::parse("Bias={} V").unwrap();
    /// assert_eq!(pattern.value_in("Bias=5E-2 V"), Some("5E-2"));
    /// assert_eq!(pattern.value_in("Current=5E-2 A"), None);
    /// ```
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut pieces: Vec<Piece> = Vec::new();
        let mut rest = text;
        while let Some(open) = rest.find(['{', '}']) {
            let hole = if rest[open..].starts_with("{}") {
                (Piece::Value, 2)
            } else if rest[open..].starts_with("{*}") {
                (Piece::Anything, 3)
            } else {
                return Err(format!(
                    "in `{text}` only `{{}}`, the place of the value, and `{{*}}`, any text, may stand in braces"
                ));
            };
            if open > 0 {
                pieces.push(Piece::Text(rest[..open].to_owned()));
            } else if !pieces.is_empty() {
                return Err(format!("two holes stand side by side in `{text}`"));
            }
            if hole.0 == Piece::Value && pieces.contains(&Piece::Value) {
                return Err(format!("`{text}` has two places `{{}}` for one value"));
            }
            pieces.push(hole.0);
            rest = &rest[open + hole.1..];
        }
        if !rest.is_empty() {
            pieces.push(Piece::Text(rest.to_owned()));
        }
        Ok(Self { text: text.to_owned(), pieces })
    }

    /// Whether it has a place for a value.
    pub fn has_value(&self) -> bool {
        self.pieces.contains(&Piece::Value)
    }

    /// Whether a reply is of this form.
    pub fn fits(&self, reply: &str) -> bool {
        self.look(reply).is_some()
    }

    /// The text in the place of the value; nothing where the reply is not of this form, or the pattern has no place.
    pub fn value_in<'r>(&self, reply: &'r str) -> Option<&'r str> {
        self.look(reply).flatten()
    }

    /// Each hole takes the shortest text up to what stands after it; what stands last must be the end of the reply.
    fn look<'r>(&self, reply: &'r str) -> Option<Option<&'r str>> {
        let mut rest = reply;
        let mut value = None;
        let mut open: Option<&Piece> = None;
        for (at, piece) in self.pieces.iter().enumerate() {
            let Piece::Text(text) = piece else {
                open = Some(piece);
                continue;
            };
            let last = at + 1 == self.pieces.len();
            let Some(hole) = open.take() else {
                rest = rest.strip_prefix(text.as_str())?;
                continue;
            };
            let end = if last { rest.strip_suffix(text.as_str())?.len() } else { rest.find(text.as_str())? };
            if *hole == Piece::Value {
                value = Some(rest[..end].trim_ascii());
            }
            rest = &rest[end + text.len()..];
        }
        match open {
            Some(Piece::Value) => value = Some(rest.trim_ascii()),
            Some(_) => {}
            None if rest.is_empty() => {}
            None => return None,
        }
        Some(value)
    }
}

/// What the value in a reply stands for.
#[derive(Debug, Clone, PartialEq)]
pub enum Meaning {
    /// A number in the instrument's unit; in SI it is multiplied and shifted.
    Number {
        /// Factor, in SI.
        scale: f64,
        /// What is added after that, in SI.
        offset: f64,
    },
    /// A number in the instrument's unit, looked up between the points of a table: pairs in SI of what the
    /// instrument says, which rises, and what that stands for.
    Table(Vec<(f64, f64)>),
    /// One of some words, with the value of each, SI.
    Words(Vec<(String, f64)>),
    /// The position in a list of values, SI.
    Listed {
        /// Number of the first position.
        first: i64,
        /// The values.
        values: Vec<f64>,
    },
    /// One bit of a whole number: 0 or 1.
    Bit(u8),
}

impl Meaning {
    /// A plain number.
    pub const PLAIN: Self = Self::Number { scale: 1.0, offset: 0.0 };

    /// Whether such a value can be put into a message.
    pub fn can_be_said(&self) -> bool {
        !matches!(self, Self::Bit(_))
    }
}

/// The form of a reply to a channel's query.
#[derive(Debug, Clone, PartialEq)]
pub struct ReplyForm {
    /// Fields between commas; exactly so many must come.
    pub fields: usize,
    /// Which of them is meant, from 0.
    pub field: usize,
    /// Form of that field; none if it is the bare value.
    pub pattern: Option<Pattern>,
    /// What the value stands for.
    pub meaning: Meaning,
    /// Text that stands for more than the instrument can show, and for less.
    pub beyond: (Option<String>, Option<String>),
}

impl ReplyForm {
    /// One bare number.
    pub const PLAIN: Self =
        Self { fields: 1, field: 0, pattern: None, meaning: Meaning::PLAIN, beyond: (None, None) };
}

/// A set is checked by reading it back at once.
#[derive(Debug, Clone, PartialEq)]
pub struct Verify {
    /// Largest difference, SI.
    pub within: f64,
    /// Query that brings what the channel was told; none for the channel's own. Looks ask it as well.
    pub query: Option<String>,
}

/// A set is done when a query answers so.
#[derive(Debug, Clone, PartialEq)]
pub struct Ready {
    /// The query.
    pub query: String,
    /// Its answer once the set is done.
    pub answer: Pattern,
    /// Longest wait, s.
    pub within_s: f64,
    /// Time between two looks, s.
    pub every_s: f64,
}

/// What must be answered before a link counts as being in step.
#[derive(Debug, Clone, PartialEq)]
pub struct Proof {
    /// The query.
    pub query: String,
    /// Its answer.
    pub answer: Pattern,
    /// Asked after a reading if the last proof is older than this, s; 0 for every reading.
    pub every_s: f64,
}

/// Who is expected at the end of a link.
#[derive(Debug, Clone, PartialEq)]
pub struct WhoIsThere {
    /// The query for the identity; none if the instrument has no such query.
    pub query: Option<String>,
    /// What it answers; none if anybody is welcome.
    pub answer: Option<Pattern>,
}

impl Default for WhoIsThere {
    fn default() -> Self {
        Self { query: Some("*IDN?".to_owned()), answer: None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn holes_take_what_stands_in_their_place() {
        let value =
            |pattern: &str, reply| Pattern::parse(pattern).unwrap().value_in(reply).map(str::to_owned);
        for (pattern, reply, expected) in [
            ("{}", "5", Some("5")),
            ("Bias={} V", "Bias=5E-2 V", Some("5E-2")),
            ("{} T", "+0.3 T", Some("+0.3")),
            ("{*}={} A", "I(tunnel)=2e-11 A", Some("2e-11")),
            ("F{}T{*}", "F12.5T7", Some("12.5")),
            ("V: {}", "V:  7 ", Some("7")),
            ("{} V V", "3 V V", Some("3")),
            ("Bias={} V", "Bias=5E-2 A", None),
            ("Bias={} V", " V", None),
            ("{} V", "", None),
            ("OK", "OK", None),
        ] {
            assert_eq!(value(pattern, reply).as_deref(), expected, "{pattern} in {reply}");
        }
        let ok = Pattern::parse("OK").unwrap();
        assert!(ok.fits("OK") && !ok.fits("OK!") && !ok.fits("NOK") && !ok.fits(""));
        assert!(Pattern::parse("ACME,{*}").unwrap().fits("ACME,source 7,3,1.0"));
    }

    #[test]
    fn what_is_no_pattern_is_said() {
        for text in ["{x}", "{", "}", "{}{*}", "{} and {}", "a{*}{}"] {
            assert!(Pattern::parse(text).is_err(), "{text}");
        }
    }
}
