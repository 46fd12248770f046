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

/// Space between two columns.
const GAP: usize = 2;
/// No column is made narrower than this.
const NARROWEST: usize = 14;

/// A table; cells wrap where it would be wider than the text.
fn table(rows: &[Vec<&str>]) -> String {
    let rows: Vec<Vec<String>> = rows.iter().map(|row| row.iter().map(|cell| flat(cell)).collect()).collect();
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let natural = |column: usize| rows.iter().filter_map(|r| r.get(column)).map(|c| c.chars().count()).max();
    let mut widths: Vec<usize> = (0..columns).map(|column| natural(column).unwrap_or(0)).collect();
    let room = WIDTH - GAP * columns;
    let word = |column: usize| {
        let cells = rows.iter().filter_map(|row| row.get(column));
        cells.flat_map(|cell| cell.split_whitespace()).map(|word| word.chars().count()).max()
    };
    let least: Vec<usize> = (0..columns).map(|column| word(column).unwrap_or(0).max(NARROWEST)).collect();
    // The widest column gives way first, but none breaks a word.
    while widths.iter().sum::<usize>() > room {
        let wide = widths.iter_mut().zip(&least).filter(|(width, least)| **width > **least);
        let Some((widest, _)) = wide.max_by_key(|(width, _)| **width) else { break };
        *widest -= 1;
    }
    let mut out = String::new();
    for (i, row) in rows.iter().enumerate() {
        let cells: Vec<Vec<String>> =
            row.iter().zip(&widths).map(|(cell, width)| lines_of(cell, *width)).collect();
        for line in 0..cells.iter().map(Vec::len).max().unwrap_or(0) {
            let mut text = String::new();
            for (cell, width) in cells.iter().zip(&widths) {
                let part = cell.get(line).map_or("", String::as_str);
                text.push_str(&format!("{:GAP$}{part:<width$}", ""));
            }
            out.push_str(text.trim_end());
            out.push('\n');
        }
        if i == 0 {
            let total = widths.iter().sum::<usize>() + GAP * columns.saturating_sub(1);
            out.push_str(&format!("{:GAP$}{}\n", "", "-".repeat(total)));
        }
    }
    out
}

/// A cell in lines of at most so many characters; a longer word stands alone.
fn lines_of(cell: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in cell.split_whitespace() {
        let last = lines.last_mut().expect("there is always a line");
        if !last.is_empty() && last.chars().count() + 1 + word.chars().count() > width {
            lines.push(word.to_owned());
        } else {
            if !last.is_empty() {
                last.push(' ');
            }
            last.push_str(word);
        }
    }
    lines
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
