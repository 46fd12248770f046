//! Drawings as SVG text.

use super::{Anchor, Drawing, Ink, Place, Raster, Shape};
use std::fmt::Write;

/// Writes a drawing. `alone`: with a style of its own, as a file that can be opened by itself.
pub fn write(drawing: &Drawing, alone: bool) -> String {
    let mut out = String::with_capacity(8 << 10);
    let (w, h) = (number(drawing.width), number(drawing.height));
    let label = escape(&drawing.label);
    let _ = write!(
        out,
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"figure\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" role=\"img\" aria-label=\"{label}\">"
    );
    if alone {
        let _ = write!(out, "<title>{label}</title><style>{}</style>", style_alone());
        let _ = write!(out, "<rect width=\"{w}\" height=\"{h}\" fill=\"#fff\"/>");
    }
    for shape in &drawing.shapes {
        write_shape(&mut out, shape);
    }
    out.push_str("</svg>");
    out
}

fn style_alone() -> String {
    let mut style = String::from("text{font-family:system-ui,sans-serif;stroke:none}path{fill:none}");
    for ink in Ink::ALL {
        let [r, g, b] = ink.on_paper();
        let word = ink.word();
        let _ = write!(
            style,
            ".i-{word}{{stroke:#{r:02x}{g:02x}{b:02x}}}text.i-{word}{{fill:#{r:02x}{g:02x}{b:02x};stroke:none}}"
        );
    }
    style
}

fn write_shape(out: &mut String, shape: &Shape) {
    match shape {
        Shape::Line { places, ink, width, dashed } => {
            if places.is_empty() {
                return;
            }
            let dash = if *dashed { " stroke-dasharray=\"4 3\"" } else { "" };
            open_path(out, *ink, *width, dash);
            path_through(out, places);
            out.push_str("\"/>");
        }
        Shape::Pieces { pieces, ink, width } => {
            if pieces.is_empty() {
                return;
            }
            open_path(out, *ink, *width, "");
            for (a, b) in pieces {
                path_through(out, &[*a, *b]);
            }
            out.push_str("\"/>");
        }
        Shape::Dots { places, ink, size } => {
            if places.is_empty() {
                return;
            }
            // A piece of no length with round ends is a dot, and takes a dozen bytes.
            open_path(out, *ink, *size, " stroke-linecap=\"round\"");
            for (x, y) in places {
                let _ = write!(out, "M{} {}h0", number(*x), number(*y));
            }
            out.push_str("\"/>");
        }
        Shape::Text { at, text, size, anchor, ink, turned } => {
            let anchor = match anchor {
                Anchor::Start => "",
                Anchor::Middle => " text-anchor=\"middle\"",
                Anchor::End => " text-anchor=\"end\"",
            };
            let (x, y) = (number(at.0), number(at.1));
            let turn = if *turned { format!(" transform=\"rotate(-90 {x} {y})\"") } else { String::new() };
            let _ = write!(
                out,
                "<text x=\"{x}\" y=\"{y}\" font-size=\"{}\"{anchor}{turn} class=\"i-{}\">{}</text>",
                number(*size),
                ink.word(),
                escape(text)
            );
        }
        Shape::Cells { at, size, cells } => {
            let _ = write!(
                out,
                "<image x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" preserveAspectRatio=\"none\" image-rendering=\"pixelated\" href=\"data:image/png;base64,{}\"/>",
                number(at.0),
                number(at.1),
                number(size.0),
                number(size.1),
                base64(&Raster::png(cells))
            );
        }
    }
}

fn open_path(out: &mut String, ink: Ink, width: f64, more: &str) {
    let _ = write!(
        out,
        "<path fill=\"none\" class=\"i-{}\" stroke-width=\"{}\" stroke-linejoin=\"round\"{more} d=\"",
        ink.word(),
        number(width)
    );
}

fn path_through(out: &mut String, places: &[Place]) {
    for (i, (x, y)) in places.iter().enumerate() {
        let _ = write!(out, "{}{} {}", if i == 0 { 'M' } else { 'L' }, number(*x), number(*y));
    }
}

/// Tenths of a pixel are finer than anybody sees.
fn number(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// A text inside markup.
pub fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            // Control characters are not allowed in markup at all.
            c if c.is_control() && c != '\n' && c != '\t' => safe.push('\u{fffd}'),
            c => safe.push(c),
        }
    }
    safe
}

/// Base 64 of RFC 4648.
pub fn base64(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for group in bytes.chunks(3) {
        let word =
            group.iter().fold(0_u32, |word, byte| word << 8 | u32::from(*byte)) << (8 * (3 - group.len()));
        for i in 0..4 {
            let digit = DIGITS[(word >> (18 - 6 * i) & 63) as usize];
            text.push(if i <= group.len() { char::from(digit) } else { '=' });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_agrees_with_the_vectors_of_the_standard() {
        // RFC 4648, section 10.
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn words_from_a_record_can_not_become_markup() {
        let mut drawing = Drawing::new(10.0, 10.0, "a \"label\" <b>");
        drawing.text((1.0, 1.0), "<script>&\u{7}", 9.0, Anchor::Start, Ink::Text);
        let svg = drawing.svg();
        assert!(!svg.contains("<script>") && !svg.contains("<b>") && !svg.contains('\u{7}'));
        assert!(svg.contains("&lt;script&gt;&amp;"));
    }
}
