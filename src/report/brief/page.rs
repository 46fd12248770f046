//! Pieces of the page.

use crate::report::figure::Drawing;
use std::fmt::Write;

/// A text inside markup.
pub fn safe(text: &str) -> String {
    crate::report::figure::escape(text)
}

/// A section with its heading in the margin.
pub fn section(out: &mut String, title: &str, remark: &str, content: &str) {
    if content.is_empty() {
        return;
    }
    let small = if remark.is_empty() { String::new() } else { format!("<small>{}</small>", safe(remark)) };
    let _ = write!(out, "<section><h2>{}{small}</h2><div>{content}</div></section>", safe(title));
}

/// A section that is folded until somebody opens it; printed, it is open.
pub fn fold(out: &mut String, title: &str, remark: &str, content: &str) {
    if content.is_empty() {
        return;
    }
    let small = if remark.is_empty() { String::new() } else { format!(" <small>{}</small>", safe(remark)) };
    let _ = write!(
        out,
        "<details><summary><h2>{}</h2>{small}</summary><div>{content}</div></details>",
        safe(title)
    );
}

/// A figure with a caption; the drawing has its own label.
pub fn figure(drawing: &Drawing, caption: &str) -> String {
    let caption = if caption.is_empty() {
        String::new()
    } else {
        format!("<figcaption>{}</figcaption>", safe(caption))
    };
    format!("<figure>{}{caption}</figure>", drawing.svg_for_page())
}

/// A cell: its class and its content, which is markup already.
pub type Cell = (&'static str, String);

/// A table that scrolls by itself where it is too wide.
pub fn table(caption: &str, head: &[(&'static str, &str)], rows: &[(&'static str, Vec<Cell>)]) -> String {
    made(caption, head, rows, false)
}

/// A table whose rows become cards on a narrow screen, so that nothing of them is out of view.
pub fn cards(caption: &str, head: &[(&'static str, &str)], rows: &[(&'static str, Vec<Cell>)]) -> String {
    made(caption, head, rows, true)
}

fn made(
    caption: &str,
    head: &[(&'static str, &str)],
    rows: &[(&'static str, Vec<Cell>)],
    cards: bool,
) -> String {
    if rows.is_empty() {
        return String::new();
    }
    let class = |class: &str| if class.is_empty() { String::new() } else { format!(" class=\"{class}\"") };
    let mut out = format!(
        "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"{0}\"><table{1}><caption>{0}</caption><thead><tr>",
        safe(caption),
        if cards { " class=\"cards\"" } else { "" }
    );
    for (kind, title) in head {
        let _ = write!(out, "<th scope=\"col\"{}>{}</th>", class(kind), safe(title));
    }
    out.push_str("</tr></thead><tbody>");
    for (kind, cells) in rows {
        let _ = write!(out, "<tr{}>", class(kind));
        for (i, (kind, content)) in cells.iter().enumerate() {
            let title = head.get(i).filter(|(_, title)| cards && !title.is_empty());
            let label = title.map_or(String::new(), |(_, title)| format!(" data-l=\"{}\"", safe(title)));
            let _ = write!(out, "<td{}{label}>{content}</td>", class(kind));
        }
        out.push_str("</tr>");
    }
    out.push_str("</tbody></table></div>");
    out
}

/// A list; the items are plain text.
pub fn list(items: &[String], ordered: bool) -> String {
    if items.is_empty() {
        return String::new();
    }
    let tag = if ordered { "ol" } else { "ul" };
    let items: String = items.iter().map(|item| format!("<li>{}</li>", safe(item))).collect();
    format!("<{tag}>{items}</{tag}>")
}
