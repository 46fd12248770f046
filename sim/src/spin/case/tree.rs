//! One tree for both notations, each value with its place in the text.

use crate::document::{Node, Problem, Text};

/// A value and where it starts, in bytes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Item {
    pub(super) offset: usize,
    pub(super) shape: Shape,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) enum Shape {
    Number(f64),
    Text(String),
    List(Vec<Item>),
    Fields {
        label: Option<String>,
        entries: Vec<(String, Item)>,
    },
    /// Null, a flag and the like.
    Other,
    /// Not readable; already complained about.
    Broken,
}

/// A problem at a place of the text.
pub(super) fn problem_at(text: &str, offset: usize, message: impl Into<String>) -> Problem {
    let before = &text[..offset];
    let line = before.matches('\n').count() + 1;
    let column = before.chars().rev().take_while(|&c| c != '\n').count() + 1;
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    Problem { line: count(line), column: count(column), message: message.into(), help: None, code: None }
}

pub(super) fn from_ron(text: &str, problems: &mut Vec<Problem>) -> Result<Item, Problem> {
    Text::new(text).parse().map(|node| ron_item(text, node, problems))
}

fn ron_item(text: &str, node: Node<'_>, problems: &mut Vec<Problem>) -> Item {
    let source = node.source();
    // Both are slices of one text, so the difference of addresses is the offset.
    let offset = source.as_ptr() as usize - text.as_ptr() as usize;
    let shape = match (source.chars().next(), node.label()) {
        (Some('['), _) => {
            let items = node.items(problems);
            Shape::List(items.into_iter().map(|item| ron_item(text, item, problems)).collect())
        }
        (Some('"'), _) => node.string(problems).map_or(Shape::Broken, Shape::Text),
        (Some('(' | '{'), _) => ron_fields(text, node, problems),
        (_, Some("true" | "false" | "None")) => Shape::Other,
        (_, Some("NaN" | "inf")) | (_, None) => node.number(problems).map_or(Shape::Broken, Shape::Number),
        (_, Some("r")) if source[1..].starts_with(['"', '#']) => {
            node.string(problems).map_or(Shape::Broken, Shape::Text)
        }
        (_, Some(_)) => ron_fields(text, node, problems),
    };
    Item { offset, shape }
}

fn ron_fields(text: &str, node: Node<'_>, problems: &mut Vec<Problem>) -> Shape {
    let before = problems.len();
    let entries = node.fields(problems).rest();
    if problems.len() > before && entries.is_empty() {
        return Shape::Broken;
    }
    let entries = entries.into_iter().map(|(name, value)| (name, ron_item(text, value, problems))).collect();
    Shape::Fields { label: node.label().map(str::to_string), entries }
}

pub(super) fn from_json(text: &str) -> Result<Item, Problem> {
    // The library judges the syntax; the scan below only notes places.
    if let Err(error) = serde_json::from_str::<serde_json::Value>(text) {
        let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        let reason = error.to_string();
        let reason = reason.split(" at line ").next().unwrap_or_default();
        return Err(Problem {
            line: count(error.line()),
            column: count(error.column()),
            message: format!("this is not valid JSON: {reason}"),
            help: None,
            code: None,
        });
    }
    Ok(Scan { text, at: 0 }.item())
}

/// Walks over text that is known to be valid JSON.
struct Scan<'t> {
    text: &'t str,
    at: usize,
}

impl Scan<'_> {
    fn byte(&mut self) -> u8 {
        let rest = &self.text.as_bytes()[self.at..];
        self.at += rest.iter().take_while(|b| b.is_ascii_whitespace()).count();
        self.text.as_bytes().get(self.at).copied().unwrap_or(0)
    }

    fn item(&mut self) -> Item {
        let first = self.byte();
        let offset = self.at;
        let shape = match first {
            b'{' => Shape::Fields { label: None, entries: self.entries() },
            b'[' => {
                let mut items = Vec::new();
                self.at += 1;
                while self.byte() != b']' {
                    items.push(self.item());
                    self.separator();
                }
                self.at += 1;
                Shape::List(items)
            }
            b'"' => Shape::Text(self.string()),
            _ => {
                let word = self.text[self.at..]
                    .split([',', ']', '}', ' ', '\t', '\n', '\r'])
                    .next()
                    .unwrap_or_default();
                self.at += word.len();
                word.parse().map_or(Shape::Other, Shape::Number)
            }
        };
        Item { offset, shape }
    }

    fn entries(&mut self) -> Vec<(String, Item)> {
        let mut entries = Vec::new();
        self.at += 1;
        while self.byte() != b'}' {
            let name = self.string();
            assert_eq!(self.byte(), b':', "the syntax was checked");
            self.at += 1;
            entries.push((name, self.item()));
            self.separator();
        }
        self.at += 1;
        entries
    }

    fn separator(&mut self) {
        if self.byte() == b',' {
            self.at += 1;
        }
    }

    fn string(&mut self) -> String {
        let start = self.at;
        let bytes = self.text.as_bytes();
        self.at += 1;
        while bytes[self.at] != b'"' {
            self.at += if bytes[self.at] == b'\\' { 2 } else { 1 };
        }
        self.at += 1;
        serde_json::from_str(&self.text[start..self.at]).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn plain(item: &Item) -> serde_json::Value {
        match &item.shape {
            Shape::Number(number) => serde_json::json!(number),
            Shape::Text(text) => serde_json::json!(text),
            Shape::List(items) => items.iter().map(plain).collect(),
            Shape::Fields { entries, .. } => {
                serde_json::Value::Object(entries.iter().map(|(k, v)| (k.clone(), plain(v))).collect())
            }
            Shape::Other | Shape::Broken => serde_json::Value::Null,
        }
    }

    fn any_json() -> impl Strategy<Value = serde_json::Value> {
        let leaf = prop_oneof![
            Just(serde_json::Value::Null),
            (-1e9_f64..1e9).prop_map(|v| serde_json::json!(v)),
            ".{0,8}".prop_map(|v| serde_json::json!(v)),
        ];
        leaf.prop_recursive(4, 32, 5, |inner| {
            prop_oneof![
                prop::collection::vec(inner.clone(), 0..5).prop_map(serde_json::Value::from),
                prop::collection::btree_map(".{0,5}", inner, 0..5)
                    .prop_map(|map| serde_json::Value::Object(map.into_iter().collect())),
            ]
        })
    }

    proptest! {
        /// The scan finds what the library finds, in compact and in indented text.
        #[test]
        fn the_scan_reads_json(value in any_json()) {
            for text in [value.to_string(), serde_json::to_string_pretty(&value).unwrap()] {
                prop_assert_eq!(plain(&from_json(&text).unwrap()), value.clone());
            }
        }
    }

    #[test]
    fn places_are_lines_and_columns() {
        let text = "{\n  \"ä\": [1, x]\n}";
        let problem = from_json(text).unwrap_err();
        assert_eq!(problem.line, 2);
        let Shape::Fields { entries, .. } = from_json("{\n  \"ä\": [1, 2]\n}").unwrap().shape else {
            panic!()
        };
        let problem = problem_at("{\n  \"ä\": [1, 2]\n}", entries[0].1.offset, "here");
        assert_eq!((problem.line, problem.column), (2, 8));
    }
}
