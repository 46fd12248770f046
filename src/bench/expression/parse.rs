//! From text to a [`Condition`], checked for names and dimensions.

use super::super::ChannelId;
use super::{Condition, Number, Relation, Truth, Written};
use crate::quantity::{Dimension, Quantity, QuantityError, Unit};
use std::collections::BTreeSet;
use std::ops::Range;

/// Nesting deeper than this is refused; nobody writes it on purpose.
const DEEPEST: usize = 32;
/// A condition has no more words, numbers and signs: each sum is nested into the next, and a hundred thousand
/// of them would overflow the stack when the condition is worked out.
const MOST_TOKENS: usize = 1000;

/// Why a condition can't be understood, with the column in its text.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{message}")]
pub struct ExpressionError {
    /// One plain sentence.
    pub message: String,
    /// Column in characters, from 0.
    pub column: usize,
    /// A hint where there is one.
    pub help: Option<String>,
    /// The name of a channel that was looked for in vain.
    pub unknown: Option<String>,
}

/// Reads a condition. `lookup` finds a channel and its dimension by name or role;
/// `names` lists what it knows, for suggestions.
pub fn parse(
    text: &str,
    lookup: &dyn Fn(&str) -> Option<(ChannelId, Dimension)>,
    names: &[String],
) -> Result<Condition, ExpressionError> {
    let tokens = tokenize(text)?;
    if let Some((_, column)) = tokens.get(MOST_TOKENS) {
        return Err(fault(*column, "the condition is too long"));
    }
    let mut parser = Parser {
        tokens,
        at: 0,
        end: text.chars().count(),
        depth: 0,
        lookup,
        names,
        channels: BTreeSet::new(),
        written: None,
    };
    let (value, column) = parser.any()?;
    if let Some((_, column)) = parser.tokens.get(parser.at) {
        return Err(fault(*column, "something is left over after the end of the condition"));
    }
    match value {
        Value::Truth(root) => {
            // Of several comparisons none is the one that matters.
            let single = parser.written.filter(|_| matches!(root, Truth::Compare(..)));
            let written = single.map(|(columns, unit)| {
                let what: String = text.chars().take(columns.end).skip(columns.start).collect();
                Written { what: what.trim().to_owned(), unit }
            });
            Ok(Condition { text: text.to_owned(), root, channels: parser.channels, written })
        }
        Value::Number(..) => Err(fault(column, "this is a value, not a condition that is true or false")),
    }
}

fn fault(column: usize, message: impl Into<String>) -> ExpressionError {
    ExpressionError { message: message.into(), column, help: None, unknown: None }
}

#[derive(Debug, Clone, PartialEq)]
enum Token {
    Literal(Quantity, Unit),
    Word(String),
    Sign(&'static str),
}

enum Value {
    Number(Number, Dimension),
    Truth(Truth),
}

const SIGNS: [&str; 12] = ["<=", ">=", "==", "!=", "<", ">", "+", "-", "*", "/", "(", ")"];

fn tokenize(text: &str) -> Result<Vec<(Token, usize)>, ExpressionError> {
    let mut tokens = Vec::new();
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let column = text[..text.len() - rest.len()].chars().count();
        if first.is_whitespace() {
            rest = &rest[first.len_utf8()..];
        } else if first.is_ascii_digit() || first == '.' {
            let (quantity, unit, length) = literal(rest).map_err(|e| fault(column, e.to_string()))?;
            tokens.push((Token::Literal(quantity, unit), column));
            rest = &rest[length..];
        } else if first.is_alphabetic() || first == '_' {
            let length = word_length(rest);
            tokens.push((Token::Word(rest[..length].to_owned()), column));
            rest = &rest[length..];
        } else if let Some(sign) = SIGNS.iter().find(|sign| rest.starts_with(**sign)) {
            tokens.push((Token::Sign(sign), column));
            rest = &rest[sign.len()..];
        } else {
            return Err(fault(column, format!("`{first}` has no meaning here")));
        }
    }
    Ok(tokens)
}

fn word_length(text: &str) -> usize {
    text.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(text.len())
}

/// A number and, if it follows, the longest text that is a unit.
fn literal(text: &str) -> Result<(Quantity, Unit, usize), QuantityError> {
    let mut number = text.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(text.len());
    if text[number..].starts_with(['e', 'E']) {
        let digits = text[number + 1..].trim_start_matches(['+', '-']);
        let signs = text.len() - number - 1 - digits.len();
        let count = digits.find(|c: char| !c.is_ascii_digit()).unwrap_or(digits.len());
        if count > 0 && signs <= 1 {
            number += 1 + signs + count;
        }
    }
    let gap = text[number..].len() - text[number..].trim_start_matches(' ').len();
    let after = &text[number + gap..];
    let longest = after.find(|c: char| c.is_whitespace() || ")<>=!+-".contains(c)).unwrap_or(after.len());
    let unit = (1..=longest)
        .rev()
        .filter(|length| after.is_char_boundary(*length))
        // Half a word is no unit: `mX` must not be read as metres.
        .filter(|length| !after[*length..].starts_with(|c: char| c.is_alphanumeric() || c == '_'))
        .filter(|length| !after[..*length].starts_with(|c: char| c.is_ascii_digit()))
        .find_map(|length| Some((Unit::parse(&after[..length])?, length)));
    let next = after.chars().next();
    match unit {
        Some((unit, length)) => {
            let total = number + gap + length;
            text[..total].parse().map(|quantity| (quantity, unit, total))
        }
        None if next.is_some_and(char::is_alphabetic)
            && !["and", "or"].contains(&&after[..word_length(after)]) =>
        {
            Err(crate::quantity::unknown_unit(&after[..longest.max(1)]))
        }
        None => text[..number].parse().map(|quantity| (quantity, Unit::plain(), number)),
    }
}

struct Parser<'p> {
    tokens: Vec<(Token, usize)>,
    at: usize,
    end: usize,
    depth: usize,
    lookup: &'p dyn Fn(&str) -> Option<(ChannelId, Dimension)>,
    names: &'p [String],
    channels: BTreeSet<ChannelId>,
    /// Of the last comparison with a limit: columns of what is compared, and the unit of the limit.
    written: Option<(Range<usize>, Unit)>,
}

impl Parser<'_> {
    fn column(&self) -> usize {
        self.tokens.get(self.at).map_or(self.end, |(_, column)| *column)
    }

    fn accept(&mut self, sign: &str) -> bool {
        let found = matches!(self.tokens.get(self.at), Some((Token::Sign(s), _)) if *s == sign);
        self.at += usize::from(found);
        found
    }

    fn accept_word(&mut self, word: &str) -> bool {
        let found = matches!(self.tokens.get(self.at), Some((Token::Word(w), _)) if w == word);
        self.at += usize::from(found);
        found
    }

    fn any(&mut self) -> Result<(Value, usize), ExpressionError> {
        self.depth += 1;
        if self.depth > DEEPEST {
            return Err(fault(self.column(), "the condition is nested too deeply"));
        }
        let column = self.column();
        let mut left = self.all()?;
        while self.accept_word("or") {
            let place = self.column();
            let right = self.all()?;
            left = Value::Truth(Truth::Or(Box::new(truth(left, column)?), Box::new(truth(right, place)?)));
        }
        self.depth -= 1;
        Ok((left, column))
    }

    fn all(&mut self) -> Result<Value, ExpressionError> {
        let column = self.column();
        let mut left = self.negation()?;
        while self.accept_word("and") {
            let place = self.column();
            let right = self.negation()?;
            left = Value::Truth(Truth::And(Box::new(truth(left, column)?), Box::new(truth(right, place)?)));
        }
        Ok(left)
    }

    fn negation(&mut self) -> Result<Value, ExpressionError> {
        let mut flips = 0_usize;
        while self.accept_word("not") {
            flips += 1;
        }
        let column = self.column();
        let inner = self.comparison()?;
        if flips == 0 {
            return Ok(inner);
        }
        let inner = truth(inner, column)?;
        Ok(Value::Truth(if flips % 2 == 1 { Truth::Not(Box::new(inner)) } else { inner }))
    }

    fn comparison(&mut self) -> Result<Value, ExpressionError> {
        let (column, first) = (self.column(), self.at);
        let left = self.sum()?;
        let (sign, sign_at) = (self.column(), self.at);
        let relations = [
            ("<=", Relation::LessOrEqual),
            (">=", Relation::GreaterOrEqual),
            ("==", Relation::Equal),
            ("!=", Relation::Unequal),
            ("<", Relation::Less),
            (">", Relation::Greater),
        ];
        let Some((_, relation)) = relations.into_iter().find(|(sign, _)| self.accept(sign)) else {
            return Ok(left);
        };
        let place = self.column();
        let right = self.sum()?;
        let ((left, a), (right, b)) = (number(left, column)?, number(right, place)?);
        if a != b {
            return Err(fault(place, format!("{a} and {b} can't be compared")));
        }
        let (what, limit) = match (left.mark(), right.mark()) {
            (None, Some(_)) => (column..sign, sign_at + 1..self.at),
            (Some(_), None) => (place..self.column(), first..sign_at),
            _ => return Ok(Value::Truth(Truth::Compare(relation, left, right))),
        };
        self.written = self.tokens[limit].iter().find_map(|(token, _)| match token {
            Token::Literal(_, unit) => Some((what.clone(), unit.clone())),
            _ => None,
        });
        Ok(Value::Truth(Truth::Compare(relation, left, right)))
    }

    fn sum(&mut self) -> Result<Value, ExpressionError> {
        let column = self.column();
        let mut left = self.product()?;
        loop {
            let adds = self.accept("+");
            if !adds && !self.accept("-") {
                return Ok(left);
            }
            let place = self.column();
            let right = self.product()?;
            let ((a, kind), (b, other)) = (number(left, column)?, number(right, place)?);
            let joined = if adds { kind.sum(other) } else { kind.difference(other) };
            let Some(joined) = joined else {
                return Err(fault(place, format!("{kind} and {other} can't be added")));
            };
            let (a, b) = (Box::new(a), Box::new(b));
            left = Value::Number(if adds { Number::Sum(a, b) } else { Number::Difference(a, b) }, joined);
        }
    }

    fn product(&mut self) -> Result<Value, ExpressionError> {
        let column = self.column();
        let mut left = self.unary()?;
        loop {
            let divides = if self.accept("*") {
                false
            } else if self.accept("/") {
                true
            } else {
                return Ok(left);
            };
            let place = self.column();
            let right = self.unary()?;
            let ((a, kind), (b, other)) = (number(left, column)?, number(right, place)?);
            if !kind.scales() || !other.scales() {
                return Err(fault(place, "a level in dBm can't be multiplied or divided"));
            }
            let (a, b) = (Box::new(a), Box::new(b));
            left = if divides {
                Value::Number(Number::Quotient(a, b), kind.over(other))
            } else {
                Value::Number(Number::Product(a, b), kind.times(other))
            };
        }
    }

    fn unary(&mut self) -> Result<Value, ExpressionError> {
        let column = self.column();
        let mut flips = 0_usize;
        while self.accept("-") {
            flips += 1;
        }
        let inner = self.atom()?;
        if flips == 0 {
            return Ok(inner);
        }
        let (inner, kind) = number(inner, column)?;
        Ok(Value::Number(if flips % 2 == 1 { Number::Negative(Box::new(inner)) } else { inner }, kind))
    }

    fn atom(&mut self) -> Result<Value, ExpressionError> {
        let column = self.column();
        let token = self.tokens.get(self.at).map(|(token, _)| token.clone());
        self.at += 1;
        match token {
            Some(Token::Literal(quantity, _)) => {
                Ok(Value::Number(Number::Literal(quantity.si), quantity.dimension))
            }
            Some(Token::Sign("(")) => {
                let (inner, _) = self.any()?;
                self.close()?;
                Ok(inner)
            }
            Some(Token::Word(word)) if self.accept("(") => self.function(&word, column),
            Some(Token::Word(word)) => {
                let (channel, dimension) = self.channel(&word, column)?;
                Ok(Value::Number(Number::Latest(channel), dimension))
            }
            _ => Err(fault(column, "a channel, a number or a bracket is expected here")),
        }
    }

    fn close(&mut self) -> Result<(), ExpressionError> {
        let column = self.column();
        if self.accept(")") { Ok(()) } else { Err(fault(column, "a closing bracket is missing")) }
    }

    fn function(&mut self, name: &str, column: usize) -> Result<Value, ExpressionError> {
        if name == "clock_jump" {
            self.close()?;
            return Ok(Value::Number(Number::ClockJump, Dimension::TIME));
        }
        if name == "abs" {
            let (inner, place) = self.any()?;
            let (inner, kind) = number(inner, place)?;
            self.close()?;
            return Ok(Value::Number(Number::Absolute(Box::new(inner)), kind));
        }
        let known = ["rate", "age", "frozen", "unreadable", "abs", "clock_jump"];
        if !known.contains(&name) {
            let help = crate::document::nearest(name, known).map(|near| format!("did you mean `{near}`?"));
            let message = format!("there is no function `{name}`");
            return Err(ExpressionError { message, column, help, unknown: None });
        }
        let place = self.column();
        let Some((Token::Word(word), _)) = self.tokens.get(self.at).cloned() else {
            return Err(fault(place, format!("`{name}` takes the name of a channel")));
        };
        self.at += 1;
        let (channel, dimension) = self.channel(&word, place)?;
        self.close()?;
        Ok(match name {
            "rate" => Value::Number(Number::Rate(channel), dimension.change().over(Dimension::TIME)),
            "age" => Value::Number(Number::Age(channel), Dimension::TIME),
            "frozen" => Value::Number(Number::Frozen(channel), Dimension::TIME),
            _ => Value::Truth(Truth::Unreadable(channel)),
        })
    }

    fn channel(&mut self, word: &str, column: usize) -> Result<(ChannelId, Dimension), ExpressionError> {
        if let Some((channel, dimension)) = (self.lookup)(word) {
            self.channels.insert(channel);
            return Ok((channel, dimension));
        }
        let help = crate::diagnostic::meant(word, self.names.iter().map(String::as_str));
        let message = format!("there is no channel `{word}`");
        Err(ExpressionError { message, column, help, unknown: Some(word.to_owned()) })
    }
}

fn truth(value: Value, column: usize) -> Result<Truth, ExpressionError> {
    match value {
        Value::Truth(truth) => Ok(truth),
        Value::Number(..) => Err(fault(column, "a condition is needed here, this is a value")),
    }
}

fn number(value: Value, column: usize) -> Result<(Number, Dimension), ExpressionError> {
    match value {
        Value::Number(number, dimension) => Ok((number, dimension)),
        Value::Truth(_) => Err(fault(column, "a value is needed here, this is a condition")),
    }
}
