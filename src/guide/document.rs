//! The small markup of the chapters: headings, paragraphs, lists, tables, cautions, examples.

use super::chapters::topics;

/// A block of a chapter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Block<'t> {
    /// A heading and its level, 1 or 2.
    Heading(u8, &'t str),
    /// A paragraph.
    Paragraph(String),
    /// Items of a list.
    List(Vec<String>),
    /// A caution.
    Caution(String),
    /// Rows of cells, the first one names the columns.
    Table(Vec<Vec<&'t str>>),
    /// Lines to type, and what they are.
    Code(&'t str, String),
}

/// A stretch of text within a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Span<'t> {
    /// Plain words.
    Plain(&'t str),
    /// Something to type.
    Code(&'t str),
    /// Something to notice.
    Strong(&'t str),
    /// A word with stress.
    Stress(&'t str),
}

/// An example of the manual.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Example {
    /// Chapter it stands in.
    pub topic: &'static str,
    /// What it is: `rhai`, `rhai wrong`, `ron`, `ron bench`, `json`, `sql`, `sh`, `text`.
    pub kind: String,
    /// Its lines.
    pub text: String,
}

/// Every example in the chapters, for the test that runs them.
pub fn examples() -> Vec<Example> {
    let mut found = Vec::new();
    for topic in topics() {
        let source = topic.source();
        for block in blocks(&source) {
            if let Block::Code(kind, text) = block {
                found.push(Example { topic: topic.id, kind: kind.to_owned(), text });
            }
        }
    }
    found
}

/// The blocks of a text.
pub(super) fn blocks(text: &str) -> Vec<Block<'_>> {
    let mut blocks = Vec::new();
    let mut lines = text.lines().peekable();
    while let Some(line) = lines.next() {
        if let Some(kind) = line.strip_prefix("```") {
            let code: Vec<&str> = lines.by_ref().take_while(|line| *line != "```").collect();
            blocks.push(Block::Code(kind.trim(), code.join("\n")));
        } else if let Some(title) = line.strip_prefix("## ") {
            blocks.push(Block::Heading(2, title));
        } else if let Some(title) = line.strip_prefix("# ") {
            blocks.push(Block::Heading(1, title));
        } else if line.starts_with('|') {
            let mut rows = vec![cells(line)];
            while let Some(row) = lines.next_if(|line| line.starts_with('|')) {
                if !row.starts_with("|-") {
                    rows.push(cells(row));
                }
            }
            blocks.push(Block::Table(rows));
        } else if let Some(item) = line.strip_prefix("- ") {
            let mut items = vec![item.to_owned()];
            while let Some(next) = lines.next_if(|line| line.starts_with("- ")) {
                items.push(next[2..].to_owned());
            }
            blocks.push(Block::List(items));
        } else if let Some(caution) = line.strip_prefix("> ") {
            blocks.push(Block::Caution(caution.to_owned()));
        } else if !line.trim().is_empty() {
            blocks.push(Block::Paragraph(line.to_owned()));
        }
    }
    blocks
}

fn cells(row: &str) -> Vec<&str> {
    row.trim_matches('|').split(" | ").map(str::trim).collect()
}

/// The spans of a line: `` `code` ``, `**strong**`, `*stress*`.
pub(super) fn spans<'t>(text: &'t str) -> Vec<Span<'t>> {
    let mut spans = Vec::new();
    let mut rest = text;
    while !rest.is_empty() {
        let next = rest.find(['`', '*']).unwrap_or(rest.len());
        let (before, mark) = rest.split_at(next);
        if !before.is_empty() {
            spans.push(Span::Plain(before));
        }
        let (sign, make): (&str, fn(&'t str) -> Span<'t>) = match mark {
            "" => break,
            m if m.starts_with("**") => ("**", Span::Strong),
            m if m.starts_with('*') => ("*", Span::Stress),
            _ => ("`", Span::Code),
        };
        let inside = &mark[sign.len()..];
        match inside.find(sign).filter(|length| *length > 0) {
            Some(length) => {
                spans.push(make(&inside[..length]));
                rest = &inside[length + sign.len()..];
            }
            // A sign that stands alone is itself.
            None => {
                spans.push(Span::Plain(&mark[..sign.len()]));
                rest = inside;
            }
        }
    }
    spans
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_and_spans_are_told_apart() {
        let text = "# Title\n\nWords with `code` and **weight**.\n\n- one\n- two\n\n| a | b |\n|---|---|\n| 1 | 2 |\n\n> Mind.\n\n```rhai\nlet x = 1;\n```\n";
        let found = blocks(text);
        assert_eq!(found.len(), 6, "{found:?}");
        assert_eq!(found[3], Block::Table(vec![vec!["a", "b"], vec!["1", "2"]]));
        assert_eq!(found[5], Block::Code("rhai", "let x = 1;".to_owned()));
        let Block::Paragraph(words) = &found[1] else { panic!("{found:?}") };
        assert_eq!(spans(words)[1], Span::Code("code"));
        assert_eq!(spans(words)[3], Span::Strong("weight"));
        assert_eq!(spans("2 * 3 ` 4 **"), spans("2 * 3 ` 4 **"));
    }
}
