//! The manual in the terminal.

use super::document::{Block, Span, blocks, spans};

/// Width of the text in characters.
const WIDTH: usize = 88;

/// Renders a text of the manual for the terminal, without colour.
pub(super) fn render(source: &str) -> String {
    let mut out = String::new();
    for block in blocks(source) {
        match block {
            Block::Heading(1, title) => {
                out.push_str(&format!("{}\n{}\n", title.to_uppercase(), "=".repeat(title.chars().count())));
            }
            Block::Heading(_, title) => {
                out.push_str(&format!("{title}\n{}\n", "-".repeat(title.chars().count())));
            }
            Block::Paragraph(text) => out.push_str(&wrap(&flat(&text), "", "")),
            Block::List(items) => {
                for item in items {
                    out.push_str(&wrap(&flat(&item), "  - ", "    "));
                }
            }
            Block::Caution(text) => out.push_str(&wrap(&flat(&text), "  ! ", "  ! ")),
            Block::Table(rows) => out.push_str(&table(&rows)),
            Block::Code(_, code) => {
                for line in code.lines() {
                    out.push_str(format!("    {line}").trim_end());
                    out.push('\n');
                }
            }
        }
        out.push('\n');
    }
    out.truncate(out.trim_end().len());
    out.push('\n');
    out
}

/// A line without its marks; only code keeps its ticks.
fn flat(text: &str) -> String {
    let mut out = String::new();
    for span in spans(text) {
        match span {
            Span::Plain(words) | Span::Strong(words) | Span::Stress(words) => out.push_str(words),
            Span::Code(code) => {
                out.push('`');
                out.push_str(code);
                out.push('`');
            }
        }
    }
    out
}

fn wrap(text: &str, first: &str, rest: &str) -> String {
    let mut out = first.to_owned();
    let mut column = first.chars().count();
    let mut empty = true;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if !empty && column + 1 + length > WIDTH {
            out.push('\n');
            out.push_str(rest);
            column = rest.chars().count();
            empty = true;
        }
        if !empty {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += length;
        empty = false;
    }
    out.push('\n');
    out
}

/// A table: the last column wraps, the others keep their width.
fn table(rows: &[Vec<&str>]) -> String {
    let rows: Vec<Vec<String>> = rows.iter().map(|row| row.iter().map(|cell| flat(cell)).collect()).collect();
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |column: usize| rows.iter().filter_map(|r| r.get(column)).map(|c| c.chars().count()).max();
    let widths: Vec<usize> = (0..columns.saturating_sub(1)).map(|c| width(c).unwrap_or(0)).collect();
    let indent = " ".repeat(2 + widths.iter().map(|w| w + 2).sum::<usize>());
    let mut out = String::new();
    for (i, row) in rows.iter().enumerate() {
        let mut start = "  ".to_owned();
        for (cell, width) in row.iter().zip(&widths) {
            start.push_str(&format!("{cell:<width$}  "));
        }
        let last = row.get(columns - 1).map_or("", String::as_str);
        // Where nothing is left for the last column, it goes on as it is.
        out.push_str(wrap(last, &start, &indent).trim_end());
        out.push('\n');
        if i == 0 {
            let total: usize = widths.iter().map(|w| w + 2).sum::<usize>() + width(columns - 1).unwrap_or(0);
            out.push_str(&format!("  {}\n", "-".repeat(total.min(WIDTH - 2))));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_wrap_and_tables_line_up() {
        let text = render("# A title\n\nsome words\n\n| a | b |\n|---|---|\n| long cell | x |\n");
        assert_eq!(
            text,
            "A TITLE\n=======\n\nsome words\n\n  a          b\n  ------------\n  long cell  x\n"
        );
        let long = render(&"word ".repeat(100));
        assert!(long.lines().all(|line| line.chars().count() <= WIDTH), "{long}");
    }
}
