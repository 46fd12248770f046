//! The manual as one HTML file.

use super::chapters::Topic;
use super::document::{Block, Span, blocks, spans};
use super::tables;
use std::fmt::Write;

const STYLE: &str = include_str!("page.css");

/// The page: a list of chapters beside the chapters.
pub(super) fn render(topics: &[Topic]) -> String {
    let mut links = String::new();
    let mut chapters = String::new();
    for topic in topics {
        let _ = writeln!(links, "<li><a href=\"#{0}\">{1}</a></li>", topic.id, escape(topic.title));
        let _ = writeln!(
            chapters,
            "<section id=\"{}\">\n{}</section>",
            topic.id,
            body(&topic.source(), topic.id)
        );
    }
    let version = env!("CARGO_PKG_VERSION");
    let contents = body(&tables::contents(), "contents");
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"color-scheme\" content=\"light dark\">\n\
         <title>noctule: the guide</title>\n<style>\n{STYLE}</style>\n</head>\n<body>\n\
         <a class=\"skip\" href=\"#first-night\">To the first chapter</a>\n\
         <nav aria-label=\"Chapters\">\n<p class=\"name\">noctule</p>\n<p class=\"version\">guide, version {version}</p>\n\
         <ol>\n{links}</ol>\n</nav>\n<main>\n<section id=\"contents\">\n{contents}</section>\n{chapters}</main>\n</body>\n</html>\n"
    )
}

fn body(source: &str, id: &str) -> String {
    let mut out = String::new();
    for block in blocks(source) {
        match block {
            Block::Heading(1, title) => {
                let _ = writeln!(out, "<h2>{}</h2>", inline(title));
            }
            Block::Heading(_, title) => {
                let anchor = format!("{id}-{}", slug(title));
                let _ = writeln!(out, "<h3 id=\"{anchor}\">{}</h3>", inline(title));
            }
            Block::Paragraph(text) => {
                let _ = writeln!(out, "<p>{}</p>", inline(&text));
            }
            Block::List(items) => {
                out.push_str("<ul>\n");
                for item in items {
                    let _ = writeln!(out, "<li>{}</li>", inline(&item));
                }
                out.push_str("</ul>\n");
            }
            Block::Caution(text) => {
                let _ = writeln!(
                    out,
                    "<aside class=\"caution\" role=\"note\"><strong>Caution.</strong> {}</aside>",
                    inline(&text)
                );
            }
            Block::Table(rows) => out.push_str(&table(&rows, id)),
            Block::Code(kind, code) => {
                let class = kind.split_whitespace().next().unwrap_or("text");
                let _ = writeln!(
                    out,
                    "<pre tabindex=\"0\" class=\"{class}\"><code>{}</code></pre>",
                    commented(&escape(&code), kind)
                );
            }
        }
    }
    out
}

fn table(rows: &[Vec<&str>], id: &str) -> String {
    let mut out = "<div class=\"table\" tabindex=\"0\"><table>\n".to_owned();
    for (i, row) in rows.iter().enumerate() {
        out.push_str("<tr>");
        for (column, cell) in row.iter().enumerate() {
            let tag = if i == 0 { "th scope=\"col\"" } else { "td" };
            let end = if i == 0 { "th" } else { "td" };
            // The table of contents leads to its chapters.
            let text = if id == "contents" && i > 0 && column == 0 {
                let target = cell.trim_matches('`');
                format!("<a href=\"#{target}\">{}</a>", escape(target))
            } else {
                inline(cell)
            };
            let _ = write!(out, "<{tag}>{text}</{end}>");
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</table></div>\n");
    out
}

fn inline(text: &str) -> String {
    let mut out = String::new();
    for span in spans(text) {
        let _ = match span {
            Span::Plain(words) => write!(out, "{}", escape(words)),
            Span::Code(code) => write!(out, "<code>{}</code>", escape(code)),
            Span::Strong(words) => write!(out, "<strong>{}</strong>", escape(words)),
            Span::Stress(words) => write!(out, "<em>{}</em>", escape(words)),
        };
    }
    out
}

/// Comments stand back in examples of sequences and bench files.
fn commented(code: &str, kind: &str) -> String {
    if !kind.starts_with("rhai") && !kind.starts_with("ron") {
        return code.to_owned();
    }
    let mark = |line: &str| match line.find("//") {
        Some(at) => format!("{}<span class=\"remark\">{}</span>", &line[..at], &line[at..]),
        None => line.to_owned(),
    };
    code.lines().map(mark).collect::<Vec<_>>().join("\n")
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

fn slug(title: &str) -> String {
    let words: String =
        title.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' }).collect();
    words.split('-').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("-")
}
