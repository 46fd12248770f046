//! Drawings as PDF: one page, vector lines, lettering as text in one of the fonts that every reader of PDF has.
//!
//! The file follows ISO 32000-1. Nothing in it is compressed, so that it can be looked into.

use super::{Anchor, Drawing, Ink, Place, Shape};
use std::fmt::Write;

/// Points in a pixel of a drawing: 96 pixels or 72 points in an inch.
const POINTS: f64 = 0.75;

/// Widths of the letters from the space to the tilde, thousandths of the size (Helvetica, from memory of its published
/// metrics; a sum of them places a text, no measured value depends on it).
const WIDTHS: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556, 556, 556,
    556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667, 611, 778, 722, 278,
    500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667, 667, 611, 278, 278, 278, 469,
    556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500, 222, 833, 556, 556, 556, 556, 333, 500,
    278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
];

/// Writes a drawing.
pub fn write(drawing: &Drawing) -> Vec<u8> {
    let (width, height) = (drawing.width * POINTS, drawing.height * POINTS);
    let mut content = format!("{POINTS} 0 0 -{POINTS} 0 {height:.2} cm 1 j\n");
    let mut images = Vec::new();
    for shape in &drawing.shapes {
        draw(&mut content, shape, &mut images);
    }
    let names: String = (0..images.len()).map(|i| format!("/I{i} {} 0 R ", 6 + i)).collect();
    let label: String =
        drawing.label.chars().map(|c| if c.is_ascii() && !"()\\".contains(c) { c } else { ' ' }).collect();
    let mut objects: Vec<Vec<u8>> = vec![
        b"<< /Type /Catalog /Pages 2 0 R >>".to_vec(),
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>".to_vec(),
        format!(
            "<< /Type /Page /Parent 2 0 R /MediaBox [0 0 {width:.2} {height:.2}] /Contents 4 0 R /Resources << /Font << /F 5 0 R >> /XObject << {names}>> >> >>"
        )
        .into_bytes(),
        stream("", content.as_bytes()),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>".to_vec(),
    ];
    objects.extend(images);
    let mut out = b"%PDF-1.4\n".to_vec();
    let mut places = Vec::new();
    for (i, object) in objects.iter().enumerate() {
        places.push(out.len());
        out.extend(format!("{} 0 obj\n", i + 1).bytes());
        out.extend(object);
        out.extend(b"\nendobj\n");
    }
    let table = out.len();
    let count = objects.len() + 1;
    out.extend(format!("xref\n0 {count}\n0000000000 65535 f \n").bytes());
    places.iter().for_each(|place| out.extend(format!("{place:010} 00000 n \n").bytes()));
    out.extend(
        format!("trailer\n<< /Size {count} /Root 1 0 R /Info << /Title ({label}) >> >>\nstartxref\n{table}\n%%EOF\n").bytes(),
    );
    out
}

fn stream(dictionary: &str, bytes: &[u8]) -> Vec<u8> {
    let mut out = format!("<< {dictionary}/Length {} >>\nstream\n", bytes.len()).into_bytes();
    out.extend(bytes);
    out.extend(b"\nendstream");
    out
}

fn colour(ink: Ink) -> String {
    let [r, g, b] = ink.on_paper().map(|part| f64::from(part) / 255.0);
    format!("{r:.3} {g:.3} {b:.3}")
}

fn draw(out: &mut String, shape: &Shape, images: &mut Vec<Vec<u8>>) {
    match shape {
        Shape::Line { places, ink, width, dashed } => {
            let dash = if *dashed { "[4 3]" } else { "[]" };
            let _ = writeln!(out, "{} RG {width:.2} w 0 J {dash} 0 d", colour(*ink));
            path(out, places);
        }
        Shape::Pieces { pieces, ink, width } => {
            let _ = writeln!(out, "{} RG {width:.2} w 0 J [] 0 d", colour(*ink));
            pieces.iter().for_each(|(a, b)| path(out, &[*a, *b]));
        }
        Shape::Dots { places, ink, size } => {
            let _ = writeln!(out, "{} RG {size:.2} w 1 J [] 0 d", colour(*ink));
            places.iter().for_each(|place| path(out, &[*place, *place]));
        }
        Shape::Text { at, text, size, anchor, ink, turned } => {
            lettering(out, text, *at, *size, (*anchor, *ink, *turned))
        }
        Shape::Cells { at, size, cells } => {
            let _ = writeln!(
                out,
                "q {:.2} 0 0 -{:.2} {:.2} {:.2} cm /I{} Do Q",
                size.0,
                size.1,
                at.0,
                at.1 + size.1,
                images.len()
            );
            let dictionary = format!(
                "/Type /XObject /Subtype /Image /Width {} /Height {} /ColorSpace /DeviceRGB /BitsPerComponent 8 ",
                cells.width, cells.height
            );
            images.push(stream(&dictionary, &cells.rgb));
        }
    }
}

fn path(out: &mut String, places: &[Place]) {
    if places.len() < 2 || places.iter().any(|p| !(p.0.is_finite() && p.1.is_finite())) {
        return;
    }
    for (i, (x, y)) in places.iter().enumerate() {
        let _ = write!(out, "{x:.2} {y:.2} {} ", if i == 0 { 'm' } else { 'l' });
    }
    out.push_str("S\n");
}

/// A letter as a byte of the font, and whether it is raised.
fn letter(letter: char) -> (u8, bool) {
    let raised = |digit: char| (digit as u8, true);
    match letter {
        ' '..='~' => (letter as u8, false),
        '−' | '–' | '—' => (b'-', false),
        'μ' | 'µ' => (0xb5, false),
        '±' => (0xb1, false),
        '·' => (0xb7, false),
        '°' => (0xb0, false),
        '×' | '✕' => (0xd7, false),
        '…' => (0x85, false),
        '⁻' => raised('-'),
        '⁰' | '⁴'..='⁹' => raised(char::from(b'0' + (letter as u32 - 0x2070) as u8)),
        '¹' => raised('1'),
        '²' => raised('2'),
        '³' => raised('3'),
        _ => (b'?', false),
    }
}

fn lettering(out: &mut String, text: &str, at: Place, size: f64, (anchor, ink, turned): (Anchor, Ink, bool)) {
    let letters: Vec<(u8, bool)> = text.chars().map(letter).collect();
    let width = |(byte, raised): &(u8, bool)| {
        let known = usize::from(*byte).checked_sub(32).and_then(|i| WIDTHS.get(i)).copied().unwrap_or(556);
        f64::from(known) * 1e-3 * size * if *raised { 0.7 } else { 1.0 }
    };
    let whole: f64 = letters.iter().map(width).sum();
    let back = match anchor {
        Anchor::Start => 0.0,
        Anchor::Middle => whole / 2.0,
        Anchor::End => whole,
    };
    // The page is turned upside down for places from the upper edge, so letters are turned back.
    let (matrix, x, y) =
        if turned { ("0 -1 -1 0", at.0, at.1 + back) } else { ("1 0 0 -1", at.0 - back, at.1) };
    let _ = write!(out, "BT {} rg {matrix} {x:.2} {y:.2} Tm ", colour(ink));
    for run in letters.chunk_by(|a, b| a.1 == b.1) {
        let (scale, rise) = if run[0].1 { (0.7, 0.35 * size) } else { (1.0, 0.0) };
        let codes: String = run.iter().map(|(byte, _)| format!("{byte:02x}")).collect();
        let _ = write!(out, "/F {:.2} Tf {rise:.2} Ts <{codes}> Tj ", size * scale);
    }
    out.push_str("ET\n");
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figure::Raster;

    #[test]
    fn the_table_of_a_pdf_points_at_its_objects() {
        let mut drawing = Drawing::new(200.0, 100.0, "a (label)");
        drawing.line(vec![(0.0, 0.0), (10.0, 20.0)], Ink::First, 1.0);
        drawing.text((5.0, 5.0), "10⁻⁹ ± 2 μB", 11.0, Anchor::Middle, Ink::Text);
        drawing.shapes.push(Shape::Cells {
            at: (1.0, 1.0),
            size: (5.0, 5.0),
            cells: Raster { width: 2, height: 2, rgb: vec![0; 12] },
        });
        let pdf = drawing.pdf();
        let text: String = pdf.iter().map(|byte| char::from(*byte)).collect();
        assert!(text.starts_with("%PDF-1.4") && text.ends_with("%%EOF\n"));
        let table: usize =
            text.rsplit("startxref\n").next().unwrap().lines().next().unwrap().parse().unwrap();
        let rows: Vec<&str> = text[table..].lines().skip(3).take_while(|line| line.ends_with("n ")).collect();
        assert_eq!(rows.len(), 6);
        for (i, row) in rows.iter().enumerate() {
            let at: usize = row[..10].parse().unwrap();
            assert!(text[at..].starts_with(&format!("{} 0 obj", i + 1)), "{row}");
        }
        assert!(!text.contains("(label)") && text.contains("/I0 Do"), "{text}");
    }
}
