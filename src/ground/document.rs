//! Reads a RON file so that every fault in it is found in one pass.
//!
//! A deserialiser stops at the first field it does not like. Whoever writes a
//! world or a bench at ten in the evening wants the whole list. So the file is
//! read as a tree of [`Node`]s that know their place, and each reader takes
//! what it needs from a node's [`Fields`] and leaves its complaints in one
//! list of [`Problem`]s.
//!
//! ```
//! use noctule_ground::document::Text;
//!
//! let mut problems = Vec::new();
//! let text = Text::new("Cup(volume_l: 0.3, colour: \"red\")");
//! let root = text.parse().unwrap();
//! let mut fields = root.fields(&mut problems);
//! let volume = fields.need("volume_l", &mut problems).and_then(|n| n.number(&mut problems));
//! fields.finish(&mut problems);
//! assert_eq!(volume, Some(0.3));
//! assert_eq!(problems.len(), 1);
//! assert!(problems[0].message.contains("colour"));
//! ```

use crate::diagnostic::{Code, shorten};
use ron::value::RawValue;
use serde::de::{Deserialize, DeserializeOwned, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde_json::value::RawValue as RawJson;
use std::collections::BTreeSet;
use std::fmt;
use std::marker::PhantomData;

/// One fault of a file, with its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Line, counted from 1.
    pub line: u32,
    /// Column in characters, counted from 1.
    pub column: u32,
    /// One plain sentence.
    pub message: String,
    /// What to write instead, where that can be said.
    pub help: Option<String>,
    /// What kind of fault it is, where it is not one of a field.
    pub code: Option<Code>,
}

impl Problem {
    /// The same, of another kind than a fault of a field.
    #[must_use]
    pub fn coded(self, code: Code) -> Self {
        Self { code: Some(code), ..self }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}, column {}: {}", self.line, self.column, self.message)?;
        match &self.help {
            Some(help) => write!(f, " ({help})"),
            None => Ok(()),
        }
    }
}

/// Bytes of one line after which its characters are not counted from its beginning any more.
const LONG_LINE: usize = 1024;

/// A place from which characters are counted.
#[derive(Debug, Clone, Copy)]
struct Mark {
    offset: usize,
    line: u32,
    column: u32,
}

/// The text of a file, and where its lines begin: a file may have as many faults as it has words, and the place of each
/// is asked for.
#[derive(Debug)]
pub struct Text<'t> {
    text: &'t str,
    is_json: bool,
    /// The beginning of each line, and places within long ones, in order.
    marks: Vec<Mark>,
}

impl<'t> Text<'t> {
    /// Looks through a text once.
    pub fn new(text: &'t str) -> Self {
        let mut here = Mark { offset: 0, line: 1, column: 1 };
        let mut marks = vec![here];
        let mut last = 0;
        for (offset, character) in text.char_indices() {
            here.offset = offset;
            if offset - last >= LONG_LINE {
                marks.push(here);
                last = offset;
            }
            here.column = here.column.saturating_add(1);
            if character == '\n' {
                here = Mark { offset: offset + 1, line: here.line.saturating_add(1), column: 1 };
                marks.push(here);
                last = here.offset;
            }
        }
        Self { text, is_json: false, marks }
    }

    /// The same for a text in JSON.
    pub fn json(text: &'t str) -> Self {
        Self { is_json: true, ..Self::new(text) }
    }

    /// Reads it as a tree. The only error is one of syntax: without the tree there is nothing further to check.
    pub fn parse(&'t self) -> Result<Node<'t>, Problem> {
        if self.is_json {
            return match serde_json::from_str::<IgnoredAny>(self.text) {
                Ok(_) => Ok(Node::within(self, self.text)),
                Err(error) => Err(json_problem(&error)),
            };
        }
        let raw: &'t RawValue = ron::from_str(self.text).map_err(|error| Problem {
            line: u32::try_from(error.span.start.line).unwrap_or(u32::MAX),
            column: u32::try_from(error.span.start.col).unwrap_or(u32::MAX),
            message: format!("this is not valid RON: {}", error.code),
            help: None,
            code: None,
        })?;
        Ok(Node::within(self, raw.get_ron()))
    }

    /// Line and column of an offset, counted from 1.
    fn place_at(&self, offset: usize) -> (u32, u32) {
        let before = self.marks.partition_point(|mark| mark.offset <= offset);
        let mark = self.marks[before.saturating_sub(1)];
        let further = self.text[mark.offset..offset].chars().count();
        (mark.line, mark.column.saturating_add(u32::try_from(further).unwrap_or(u32::MAX)))
    }
}

fn json_problem(error: &serde_json::Error) -> Problem {
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    let reason = error.to_string();
    let reason = reason.split(" at line ").next().unwrap_or_default();
    let message = format!("this is not valid JSON: {reason}");
    Problem { line: count(error.line()), column: count(error.column()), message, help: None, code: None }
}

/// One value of the file and where it stands.
#[derive(Debug, Clone, Copy)]
pub struct Node<'t> {
    whole: &'t Text<'t>,
    raw: &'t str,
    /// A node of another file that has what this one leaves out.
    under: Option<(&'t Text<'t>, &'t str)>,
}

impl<'t> Node<'t> {
    fn within(whole: &'t Text<'t>, raw: &'t str) -> Self {
        let raw = &raw[trivia_length(raw)..];
        Self { whole, raw: raw.trim_end(), under: None }
    }

    /// This node with the fields of `under` where it has none itself, and theirs in turn. Lists and plain values
    /// are not mixed: what stands here is taken whole.
    ///
    /// ```
    /// use noctule_ground::document::Text;
    /// let texts = ["Cup(lid: Lid(red: 1), ml: 300)", "Cup(lid: Lid(red: 2, blue: 3), age: 4)"].map(Text::new);
    /// let [cup, under] = texts.each_ref().map(|text| text.parse().unwrap());
    /// let mut problems = Vec::new();
    /// let mut fields = cup.over(under).fields(&mut problems);
    /// let mut lid = fields.take("lid").unwrap().fields(&mut problems);
    /// let values = [lid.take("red"), lid.take("blue"), fields.take("ml"), fields.take("age")];
    /// let values: Vec<f64> = values.into_iter().flatten().filter_map(|node| node.number(&mut problems)).collect();
    /// assert_eq!(values, [1.0, 3.0, 300.0, 4.0]);
    /// ```
    #[must_use]
    pub fn over(self, under: Node<'t>) -> Self {
        Self { under: Some((under.whole, under.raw)), ..self }
    }

    /// Line and column, counted from 1.
    pub fn place(&self) -> (u32, u32) {
        self.whole.place_at(self.offset())
    }

    /// The value as it is written, without comments before it.
    pub fn source(&self) -> &'t str {
        self.raw
    }

    fn offset(&self) -> usize {
        // Both are slices of one text, so the difference of addresses is the offset.
        self.raw.as_ptr() as usize - self.whole.text.as_ptr() as usize
    }

    /// A problem at this node.
    pub fn problem(&self, message: impl Into<String>, help: Option<String>) -> Problem {
        let (line, column) = self.place();
        Problem { line, column, message: message.into(), help, code: None }
    }

    /// The name in front of a struct or variant: `Scpi` of `Scpi(host: "…")`.
    pub fn label(&self) -> Option<&'t str> {
        let length = self.raw.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(self.raw.len());
        let word = &self.raw[..length];
        word.starts_with(|c: char| c.is_alphabetic()).then_some(word)
    }

    /// The named fields of a struct, or the entries of a map with text keys.
    pub fn fields(&self, problems: &mut Vec<Problem>) -> Fields<'t> {
        let mut fields = Fields { owner: *self, entries: Vec::new(), known: Vec::new() };
        match self.entries() {
            Some(entries) => {
                let mut seen = BTreeSet::new();
                for (name, raw) in entries {
                    let node = Node::within(self.whole, raw);
                    if seen.insert(name.clone()) {
                        fields.entries.push((name, node));
                    } else {
                        problems.push(node.problem(format!("`{name}` is given twice"), None));
                    }
                }
            }
            None if matches!(self.label(), Some(label) if label.len() == self.raw.len()) => {}
            None if self.whole.is_json => {
                problems.push(self.problem("fields with names are expected here", None));
            }
            None => problems.push(self.problem("fields like `(name: value)` are expected here", None)),
        }
        if let Some((whole, raw)) = self.under {
            // The other file is sound or has been complained about where it was read.
            for (name, node) in Node::within(whole, raw).fields(&mut Vec::new()).entries {
                match fields.entries.iter_mut().find(|(known, _)| *known == name) {
                    Some((_, own)) => *own = own.over(node),
                    None => fields.entries.push((name, node)),
                }
            }
        }
        fields
    }

    /// The items of a list.
    pub fn items(&self, problems: &mut Vec<Problem>) -> Vec<Node<'t>> {
        let items: Option<Vec<&'t str>> = if self.whole.is_json {
            let items = serde_json::from_str::<Vec<&'t RawJson>>(self.raw).ok();
            items.map(|items| items.into_iter().map(RawJson::get).collect())
        } else {
            let items = ron::from_str::<Vec<&'t RawValue>>(self.raw).ok();
            items.map(|items| items.into_iter().map(RawValue::get_ron).collect())
        };
        match items {
            Some(items) => items.into_iter().map(|raw| Node::within(self.whole, raw)).collect(),
            None => {
                problems.push(self.problem("a list like `[a, b]` is expected here", None));
                Vec::new()
            }
        }
    }

    /// A finite number.
    pub fn number(&self, problems: &mut Vec<Problem>) -> Option<f64> {
        match self.plain::<f64>() {
            Some(value) if value.is_finite() => Some(value),
            Some(_) => self.complain(problems, "a finite number is expected here"),
            None => self.complain(problems, "a number is expected here"),
        }
    }

    /// A whole number from 0.
    pub fn whole(&self, problems: &mut Vec<Problem>) -> Option<u64> {
        self.plain().or_else(|| self.complain(problems, "a whole number is expected here"))
    }

    /// `true` or `false`.
    pub fn boolean(&self, problems: &mut Vec<Problem>) -> Option<bool> {
        self.plain().or_else(|| self.complain(problems, "`true` or `false` is expected here"))
    }

    /// A text in quotes.
    pub fn string(&self, problems: &mut Vec<Problem>) -> Option<String> {
        self.plain().or_else(|| self.complain(problems, "a text in quotes is expected here"))
    }

    /// A value without parts.
    fn plain<T: DeserializeOwned>(&self) -> Option<T> {
        if self.whole.is_json { serde_json::from_str(self.raw).ok() } else { ron::from_str(self.raw).ok() }
    }

    /// Names and texts of the fields.
    fn entries(&self) -> Option<Vec<(String, &'t str)>> {
        if self.whole.is_json {
            let entries: Entries<&'t RawJson> = serde_json::from_str(self.raw).ok()?;
            return Some(entries.0.into_iter().map(|(name, raw)| (name, raw.get())).collect());
        }
        let entries: Entries<&'t RawValue> = ron::from_str(self.raw).ok()?;
        Some(entries.0.into_iter().map(|(name, raw)| (name, raw.get_ron())).collect())
    }

    fn complain<T>(&self, problems: &mut Vec<Problem>, message: &str) -> Option<T> {
        problems.push(self.problem(format!("{message}, not `{}`", shorten(self.raw, 40)), None));
        None
    }
}

/// The fields of one struct, taken one by one; what is left at the end was not known.
#[derive(Debug)]
pub struct Fields<'t> {
    owner: Node<'t>,
    entries: Vec<(String, Node<'t>)>,
    known: Vec<&'static str>,
}

impl<'t> Fields<'t> {
    /// Takes a field that may be left out.
    pub fn take(&mut self, name: &'static str) -> Option<Node<'t>> {
        self.known.push(name);
        let at = self.entries.iter().position(|(entry, _)| entry == name)?;
        Some(self.entries.remove(at).1)
    }

    /// Takes a field that must be there.
    pub fn need(&mut self, name: &'static str, problems: &mut Vec<Problem>) -> Option<Node<'t>> {
        let found = self.take(name);
        if found.is_none() {
            problems.push(self.owner.problem(format!("the field `{name}` is missing"), None));
        }
        found
    }

    /// Takes whatever is left, for maps whose keys are free names.
    pub fn rest(&mut self) -> Vec<(String, Node<'t>)> {
        std::mem::take(&mut self.entries)
    }

    /// Whether nothing is left.
    pub fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// The struct these fields belong to.
    pub fn owner(&self) -> Node<'t> {
        self.owner
    }

    /// Reports every field that nobody took.
    pub fn finish(mut self, problems: &mut Vec<Problem>) {
        let known = std::mem::take(&mut self.known);
        self.finish_knowing(&known, problems);
    }

    /// Reports every field that is none of these.
    pub(crate) fn finish_knowing(self, known: &[&'static str], problems: &mut Vec<Problem>) {
        for (name, node) in self.entries.iter().filter(|(name, _)| !known.contains(&name.as_str())) {
            let help = match nearest(name, known.iter().copied()) {
                Some(near) => Some(format!("did you mean `{near}`?")),
                None if known.is_empty() => None,
                None => Some(format!("known here: {}", known.join(", "))),
            };
            problems.push(node.problem(format!("there is no field `{name}` here"), help));
        }
    }
}

/// The known name nearest to what was written, if one is near enough to be meant.
///
/// ```
/// use noctule_ground::document::nearest;
/// assert_eq!(nearest("wrok", ["work", "field"]), Some("work"));
/// assert_eq!(nearest("xyz", ["work", "field"]), None);
/// ```
pub fn nearest<'n>(written: &str, known: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
    nearest_within(written.chars().count().div_ceil(2).clamp(1, 3), written, known)
}

/// The same among very many names, where a short word is soon like any other.
pub fn nearest_of_many<'n>(written: &str, known: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
    nearest_within((written.chars().count() / 3).clamp(1, 3), written, known)
}

fn nearest_within<'n>(
    limit: usize,
    written: &str,
    known: impl IntoIterator<Item = &'n str>,
) -> Option<&'n str> {
    known
        .into_iter()
        .map(|name| (strsim::damerau_levenshtein(&written.to_lowercase(), &name.to_lowercase()), name))
        .filter(|(distance, _)| *distance <= limit)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, name)| name)
}

/// Length of white space and comments at the start of a text.
fn trivia_length(text: &str) -> usize {
    let mut rest = text;
    loop {
        let trimmed = rest.trim_start();
        rest = if let Some(comment) = trimmed.strip_prefix("//") {
            comment.find('\n').map_or("", |end| &comment[end..])
        } else if let Some(comment) = trimmed.strip_prefix("/*") {
            block_comment_end(comment).map_or("", |end| &comment[end..])
        } else {
            return text.len() - trimmed.len();
        };
    }
}

/// Block comments nest in RON.
fn block_comment_end(comment: &str) -> Option<usize> {
    let mut depth = 1_u32;
    let mut at = 0;
    while depth > 0 {
        let rest = &comment[at..];
        let close = rest.find("*/")?;
        match rest.find("/*") {
            Some(open) if open < close => {
                depth += 1;
                at += open + 2;
            }
            _ => {
                depth -= 1;
                at += close + 2;
            }
        }
    }
    Some(at)
}

struct Entries<R>(Vec<(String, R)>);

impl<'de, R: Deserialize<'de>> Deserialize<'de> for Entries<R> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Collect<R>(PhantomData<R>);
        impl<'de, R: Deserialize<'de>> Visitor<'de> for Collect<R> {
            type Value = Entries<R>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("named fields")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut entries = Vec::new();
                while let Some(key) = map.next_key::<String>()? {
                    entries.push((key, map.next_value()?));
                }
                Ok(Entries(entries))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
                match seq.next_element::<IgnoredAny>()? {
                    None => Ok(Entries(Vec::new())),
                    Some(_) => Err(serde::de::Error::custom("a list where fields were expected")),
                }
            }
            fn visit_unit<E>(self) -> Result<Self::Value, E> {
                Ok(Entries(Vec::new()))
            }
        }
        deserializer.deserialize_any(Collect(PhantomData))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_of_a_file_is_found_in_one_pass() {
        let text = "// a cup\nCup(\n    volume_l: \"much\",\n    colr: \"red\",\n    handles: [Handle(side: 1), Handle()],\n)";
        let mut problems = Vec::new();
        let text = Text::new(text);
        let root = text.parse().unwrap();
        assert_eq!(root.label(), Some("Cup"));
        let mut fields = root.fields(&mut problems);
        fields.need("volume_l", &mut problems).and_then(|n| n.number(&mut problems));
        fields.take("colour");
        fields.need("height_mm", &mut problems);
        for handle in fields.take("handles").unwrap().items(&mut problems) {
            let mut inner = handle.fields(&mut problems);
            inner.need("side", &mut problems);
            inner.finish(&mut problems);
        }
        fields.finish(&mut problems);
        let lines: Vec<u32> = problems.iter().map(|p| p.line).collect();
        assert_eq!(lines, [3, 2, 5, 4], "{problems:#?}");
        assert_eq!(problems[3].help.as_deref(), Some("did you mean `colour`?"));
    }

    #[test]
    fn places_are_those_of_counting_from_the_beginning() {
        // Lines of every length about the one that counts as long, with characters of one to four bytes.
        let line = |length: usize| "aµ€𝄞".chars().cycle().take(length).collect::<String>();
        let text: String = [0, 1, 5, 300, 1023, 1024, 1025, 4000, 0].map(|n| line(n) + "\n").concat();
        for text in [text.as_str(), text.trim_end(), "", "\n\n", "x"] {
            let table = Text::new(text);
            let (mut place, mut at) = ((1, 1), 0);
            for character in text.chars() {
                assert_eq!(table.place_at(at), place, "at byte {at}");
                at += character.len_utf8();
                place = if character == '\n' { (place.0 + 1, 1) } else { (place.0, place.1 + 1) };
            }
            assert_eq!(table.place_at(at), place, "at the end");
        }
    }

    #[test]
    fn a_syntax_fault_has_its_place() {
        let problem = Text::new("Cup(\n  volume_l: ,\n)").parse().unwrap_err();
        assert_eq!(problem.line, 2);
    }

    #[test]
    fn json_is_read_with_its_places() {
        let text = Text::json("{\n  \"ä\": [1, 2.5e0],\n  \"b\\u0041\": \"x\\u00e9\", \"n\": null\n}");
        let mut problems = Vec::new();
        let mut rest = text.parse().unwrap().fields(&mut problems).rest();
        let numbers = rest[0].1.items(&mut problems);
        assert_eq!((numbers[1].number(&mut problems), numbers[1].place()), (Some(2.5), (2, 12)));
        assert_eq!((rest[1].0.as_str(), rest[1].1.string(&mut problems).unwrap().as_str()), ("bA", "xé"));
        assert!(problems.is_empty(), "{problems:?}");
        let null = rest.remove(2).1;
        assert_eq!(null.number(&mut problems), None);
        assert_eq!(problems[0].message, "a number is expected here, not `null`");
        assert_eq!(Text::json("{\n  \"a\": [1, x]\n}").parse().unwrap_err().line, 2);
    }

    #[test]
    fn maps_variants_and_comments_are_read() {
        let mut problems = Vec::new();
        let text = Text::new("{ \"a\": /* one /* two */ */ Scpi(host: \"h\"), \"b\": Off }");
        let root = text.parse().unwrap();
        let mut fields = root.fields(&mut problems);
        let rest = fields.rest();
        assert_eq!(rest[0].1.label(), Some("Scpi"));
        assert_eq!(rest[1].1.label(), Some("Off"));
        assert_eq!(rest[1].1.fields(&mut problems).rest().len(), 0);
        assert!(problems.is_empty(), "{problems:?}");
    }
}
