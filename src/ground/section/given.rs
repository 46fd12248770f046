//! One struct of a file while it is read.

use super::{Field, Kind, LeftOut, Range, Section, Value};
use crate::diagnostic::{Code, meant};
use crate::document::{Fields, Node, Problem, Text, nearest};
use crate::quantity::{Dimension, Quantity};

/// Longest time that a file may give, s: ten years.
const LONGEST_TIME_S: f64 = 3.156e8;

/// The fields that a file gives for a section.
#[derive(Debug)]
pub struct Given<'t> {
    section: &'static Section,
    excluded: Vec<&'static str>,
    fields: Fields<'t>,
    taken: Vec<(&'static str, Node<'t>)>,
    /// It is no struct at all, which has been said: that its fields are missing only follows.
    broken: bool,
}

impl Section {
    /// Opens a struct; one that goes by another name is complained about.
    pub fn open<'t>(&'static self, node: Node<'t>, problems: &mut Vec<Problem>) -> Given<'t> {
        if let Some(label) = node.label().filter(|label| *label != self.name && !self.name.is_empty()) {
            let help = nearest(label, [self.name]).map(|near| format!("did you mean `{near}`?"));
            problems.push(node.problem(format!("`{}(…)` is expected here, not `{label}`", self.name), help));
        }
        let before = problems.len();
        let fields = node.fields(problems);
        let broken = problems.len() > before && fields.is_empty();
        Given { section: self, excluded: Vec::new(), fields, taken: Vec::new(), broken }
    }
}

impl<'t> Given<'t> {
    /// These fields, though declared, may not stand here.
    pub fn without(&mut self, names: impl IntoIterator<Item = &'static str>) {
        self.excluded.extend(names);
    }

    /// Whether a field is declared and may stand here.
    pub fn may_have(&self, name: &str) -> bool {
        !self.excluded.contains(&name) && self.section.all().any(|field| field.name == name)
    }

    /// The node of a field, if it is given.
    pub fn find(&mut self, name: &str) -> Option<Node<'t>> {
        let name = self.section.field(name).name;
        if self.excluded.contains(&name) {
            return None;
        }
        if let Some(node) = self.fields.take(name) {
            self.taken.push((name, node));
        }
        self.taken.iter().find(|(taken, _)| *taken == name).map(|(_, node)| *node)
    }

    /// Takes a field that is given under the name it had `before` for the one of today, and says so.
    pub fn renamed(
        &mut self,
        before: &'static str,
        now: &'static str,
        code: Code,
        problems: &mut Vec<Problem>,
    ) {
        if let Some(node) = self.fields.take(before) {
            problems.push(node.problem(format!("`{before}` is called `{now}` now"), None).coded(code));
            self.taken.push((now, node));
        }
    }

    /// The node of a field; that it is missing is reported if it must be there.
    pub fn node(&mut self, name: &str, problems: &mut Vec<Problem>) -> Option<Node<'t>> {
        let found = self.find(name);
        if found.is_none() && !self.broken && self.section.field(name).left_out == LeftOut::Missed {
            problems.push(self.owner().problem(format!("the field `{name}` is missing"), None));
        }
        found
    }

    /// Where a field stands, for complaints; the struct as a whole where it is left out.
    pub fn at(&self, name: &str) -> Node<'t> {
        self.taken.iter().find(|(taken, _)| *taken == name).map_or_else(|| self.owner(), |(_, node)| *node)
    }

    /// The struct these fields belong to.
    pub fn owner(&self) -> Node<'t> {
        self.fields.owner()
    }

    /// The value of a field, or what it means where it is left out; none if there was a fault.
    pub fn get<T: Value>(&mut self, name: &str, problems: &mut Vec<Problem>) -> Option<T> {
        let field = self.section.field(name);
        match (self.node(name, problems), field.left_out) {
            (Some(node), _) => T::read(node, field, problems),
            (None, LeftOut::Means(default)) => Some(field.meant(default)),
            (None, LeftOut::Missed) => None,
            (None, LeftOut::Nothing) => T::absent(),
        }
    }

    /// A quantity whose dimension only the reader knows.
    pub fn quantity(&mut self, name: &str, dimension: Dimension, problems: &mut Vec<Problem>) -> Option<f64> {
        let node = self.node(name, problems)?;
        quantity(node, dimension, problems)
    }

    /// Complaints about the struct as a whole; none if there are any.
    pub fn complain(&self, complaints: Vec<String>, problems: &mut Vec<Problem>) -> Option<()> {
        let sound = complaints.is_empty();
        problems.extend(complaints.into_iter().map(|complaint| self.owner().problem(complaint, None)));
        sound.then_some(())
    }

    /// Takes all that is left without a word.
    pub fn forget(&mut self) {
        self.fields.rest();
    }

    /// Reports every field that is not declared.
    pub fn finish(self, problems: &mut Vec<Problem>) {
        let names = self.section.all().map(|field| field.name);
        let known: Vec<&'static str> = names.filter(|name| !self.excluded.contains(name)).collect();
        self.fields.finish_knowing(&known, problems);
    }
}

impl Field {
    /// What it means where it is left out.
    ///
    /// # Panics
    /// If the declared default is none: every one is read by a test.
    pub(super) fn meant<T: Value>(&self, default: &str) -> T {
        let quoted = matches!(self.kind, Kind::Text | Kind::Said | Kind::Named(_) | Kind::Quantity(..));
        let text = if quoted { format!("{default:?}") } else { default.to_owned() };
        let text = Text::new(&text);
        let mut problems = Vec::new();
        let read = text.parse().ok().and_then(|node| T::read(node, self, &mut problems));
        read.unwrap_or_else(|| panic!("the default of `{}` is no value for it: {problems:?}", self.name))
    }
}

/// The bare word of a choice. One in quotes is understood, and complained about.
pub fn word<'t>(node: Node<'t>, problems: &mut Vec<Problem>) -> Option<&'t str> {
    let source = node.source();
    let inside = source.strip_prefix('"').and_then(|rest| rest.strip_suffix('"'));
    if let Some(inside) = inside {
        let help = Some(format!("write {inside}, without quotes"));
        problems.push(node.problem("this is a word, not a text", help).coded(Code::BenchField));
    }
    inside.or(node.label())
}

/// What a bare word means that is one of these; `otherwise` is the complaint about another one.
pub fn choice<T: Copy>(
    node: Node<'_>,
    all: &[(&'static str, T)],
    otherwise: &str,
    problems: &mut Vec<Problem>,
) -> Option<T> {
    let word = word(node, problems).unwrap_or("");
    let found = all.iter().find(|(name, _)| *name == word).map(|(_, means)| *means);
    if found.is_none() {
        let help = meant(word, all.iter().map(|(name, _)| *name));
        problems.push(node.problem(otherwise, help).coded(Code::BenchField));
    }
    found
}

/// A quantity of a given dimension, written as text with its unit.
pub fn quantity(node: Node<'_>, wanted: Dimension, problems: &mut Vec<Problem>) -> Option<f64> {
    let source = node.source();
    if !source.starts_with('"') && source.parse::<f64>().is_ok() {
        if wanted.is_none() {
            return node.number(problems);
        }
        let help = format!("write it as text with its unit, like \"{source} {}\"", wanted.symbol());
        let problem = node.problem(format!("`{source}` has no unit"), Some(help));
        problems.push(problem.coded(Code::BenchQuantity));
        return None;
    }
    let text = node.string(problems)?;
    match text.parse::<Quantity>().and_then(|quantity| quantity.expect(wanted)) {
        Ok(si) => Some(si),
        Err(error) => {
            let bare = text.trim().parse::<f64>().is_ok();
            let message = if bare { format!("`{text}` has no unit") } else { error.to_string() };
            let help = format!("a value like \"1 {}\" is expected", wanted.symbol());
            problems.push(node.problem(message, Some(help)).coded(Code::BenchQuantity));
            None
        }
    }
}

/// A value held against the range of its field.
pub(super) fn held(node: Node<'_>, si: f64, field: &Field, problems: &mut Vec<Problem>) -> Option<f64> {
    let Kind::Quantity(dimension, range) = field.kind else { return Some(si) };
    let says = || Some(field.says.trim().to_owned());
    let show = |si: f64| Quantity::new(si, dimension).to_string();
    let timed = dimension == Dimension::TIME && range != Range::Any;
    let (code, message, help) = match range {
        _ if timed && si < 0.0 => (Code::BenchQuantity, "a time can't be negative".to_owned(), None),
        _ if timed && si > LONGEST_TIME_S => {
            let help = "no time on a bench is longer than ten years";
            (Code::BenchQuantity, "this time never ends".to_owned(), Some(help.to_owned()))
        }
        Range::Positive if si <= 0.0 => {
            (Code::BenchLimits, "this must be greater than zero".to_owned(), says())
        }
        Range::NotNegative if si < 0.0 => (Code::BenchLimits, "this can't be negative".to_owned(), says()),
        Range::Within(low, high) if !(low..=high).contains(&si) => (
            Code::BenchField,
            format!("`{}` must lie between {} and {}", field.name, show(low), show(high)),
            says(),
        ),
        Range::Held(low, high) => return Some(si.clamp(low, high)),
        _ => return Some(si),
    };
    problems.push(node.problem(message, help).coded(code));
    None
}
