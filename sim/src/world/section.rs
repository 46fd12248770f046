//! Takes numbers out of a world file and complains about all that make no sense.

use crate::document::{Fields, Node, Problem};

/// What a number may be.
#[derive(Debug, Clone, Copy)]
pub(super) enum Range {
    /// Any finite number.
    Any,
    /// Above zero.
    Positive,
    /// Zero or above.
    NotNegative,
    /// From 0 to 1.
    Fraction,
    /// Between two bounds, both allowed.
    Within(f64, f64),
}

impl Range {
    fn complaint(self, value: f64) -> Option<String> {
        match self {
            Range::Any => None,
            Range::Positive => (value <= 0.0).then(|| "must be above zero".to_owned()),
            Range::NotNegative => (value < 0.0).then(|| "must not be negative".to_owned()),
            Range::Fraction => (!(0.0..=1.0).contains(&value)).then(|| "must be from 0 to 1".to_owned()),
            Range::Within(low, high) => {
                (value < low || value > high).then(|| format!("must be from {low} to {high}"))
            }
        }
    }

    /// Stands in for a number that has already been complained about. A world with
    /// problems is never built, so it is seen by nobody.
    fn stand_in(self) -> f64 {
        match self {
            Range::Positive => 1.0,
            Range::Within(low, _) => low,
            _ => 0.0,
        }
    }
}

/// One struct of the file while it is read.
pub(super) struct Section<'t, 'p> {
    fields: Fields<'t>,
    /// Where complaints go.
    pub(super) problems: &'p mut Vec<Problem>,
}

impl<'t, 'p> Section<'t, 'p> {
    pub(super) fn open(node: Node<'t>, problems: &'p mut Vec<Problem>) -> Self {
        let fields = node.fields(problems);
        Self { fields, problems }
    }

    /// A number that must be there, times `scale`.
    pub(super) fn scaled(&mut self, name: &'static str, range: Range, scale: f64) -> f64 {
        let Some(node) = self.fields.need(name, self.problems) else { return range.stand_in() * scale };
        number(node, name, range, self.problems) * scale
    }

    /// A number that must be there.
    pub(super) fn number(&mut self, name: &'static str, range: Range) -> f64 {
        self.scaled(name, range, 1.0)
    }

    /// A number that may be left out.
    pub(super) fn number_or(&mut self, name: &'static str, range: Range, default: f64) -> f64 {
        match self.fields.take(name) {
            Some(node) => number(node, name, range, self.problems),
            None => default,
        }
    }

    /// A list of so many numbers, times `scale`.
    pub(super) fn numbers<const N: usize>(
        &mut self,
        name: &'static str,
        range: Range,
        scale: f64,
    ) -> [f64; N] {
        match self.fields.need(name, self.problems) {
            Some(node) => numbers(node, name, range, self.problems).map(|value| value * scale),
            None => [range.stand_in(); N],
        }
    }

    /// A list of so many numbers that may be left out.
    pub(super) fn numbers_or<const N: usize>(
        &mut self,
        name: &'static str,
        range: Range,
        default: [f64; N],
    ) -> [f64; N] {
        match self.fields.take(name) {
            Some(node) => numbers(node, name, range, self.problems),
            None => default,
        }
    }

    /// A text that must be there and say something.
    pub(super) fn text(&mut self, name: &'static str) -> String {
        let Some(node) = self.fields.need(name, self.problems) else { return String::new() };
        let text = node.string(self.problems).unwrap_or_default();
        if text.trim().is_empty() {
            self.problems.push(node.problem(format!("`{name}` must not be empty"), None));
        }
        text
    }

    /// A text that may be left out; empty then.
    pub(super) fn text_or_none(&mut self, name: &'static str) -> String {
        self.fields.take(name).and_then(|node| node.string(self.problems)).unwrap_or_default()
    }

    /// `true` or `false`; `false` where it is left out.
    pub(super) fn flag_or_not(&mut self, name: &'static str) -> bool {
        self.fields.take(name).and_then(|node| node.boolean(self.problems)).unwrap_or(false)
    }

    /// A whole number from 0 that may be left out.
    pub(super) fn whole_or(&mut self, name: &'static str, most: u64, default: u64) -> u64 {
        let Some(node) = self.fields.take(name) else { return default };
        let value = node.whole(self.problems).unwrap_or(default);
        if value > most {
            self.problems.push(node.problem(format!("`{name}` must be at most {most}"), None));
        }
        value.min(most)
    }

    /// `true` or `false`, which must be there.
    pub(super) fn flag(&mut self, name: &'static str) -> bool {
        self.fields.need(name, self.problems).and_then(|node| node.boolean(self.problems)).unwrap_or(false)
    }

    /// The node of a field that must be there.
    pub(super) fn need(&mut self, name: &'static str) -> Option<Node<'t>> {
        self.fields.need(name, self.problems)
    }

    /// The node of a field that may be left out.
    pub(super) fn optional(&mut self, name: &'static str) -> Option<Node<'t>> {
        self.fields.take(name)
    }

    /// The items of a list that may be left out.
    pub(super) fn list(&mut self, name: &'static str) -> Vec<Node<'t>> {
        self.fields.take(name).map(|node| node.items(self.problems)).unwrap_or_default()
    }

    /// A complaint about the whole struct.
    pub(super) fn complain(&mut self, message: impl Into<String>) {
        self.problems.push(self.fields.owner().problem(message, None));
    }

    /// Reports what nobody took.
    pub(super) fn finish(self) {
        self.fields.finish(self.problems);
    }
}

fn number(node: Node<'_>, name: &str, range: Range, problems: &mut Vec<Problem>) -> f64 {
    let Some(value) = node.number(problems) else { return range.stand_in() };
    match range.complaint(value) {
        None => value,
        Some(complaint) => {
            problems.push(node.problem(format!("`{name}` {complaint}, not {value}"), None));
            range.stand_in()
        }
    }
}

fn numbers<const N: usize>(
    node: Node<'_>,
    name: &str,
    range: Range,
    problems: &mut Vec<Problem>,
) -> [f64; N] {
    let items = node.items(problems);
    if items.len() != N {
        problems.push(node.problem(format!("`{name}` needs {N} numbers, not {}", items.len()), None));
        return [range.stand_in(); N];
    }
    let mut values = [0.0; N];
    for (value, item) in values.iter_mut().zip(items) {
        *value = number(item, name, range, problems);
    }
    values
}
