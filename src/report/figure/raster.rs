//! Drawings painted pixel by pixel, with soft edges.

use super::lettering;
use super::{Anchor, Drawing, Place, Shape};

/// A picture: three bytes a pixel, row by row from the upper left.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Raster {
    /// Pixels in a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Red, green, blue of each pixel.
    pub rgb: Vec<u8>,
}

impl Raster {
    /// A white picture.
    pub fn white(width: usize, height: usize) -> Self {
        Self { width, height, rgb: vec![255; width * height * 3] }
    }

    /// As a PNG file.
    ///
    /// # Panics
    /// Never: a picture has at least one pixel, and writing to memory does not fail.
    pub fn png(&self) -> Vec<u8> {
        let mut bytes = Vec::new();
        let (width, height) = (self.width.max(1) as u32, self.height.max(1) as u32);
        let mut encoder = png::Encoder::new(&mut bytes, width, height);
        encoder.set_color(png::ColorType::Rgb);
        encoder.set_depth(png::BitDepth::Eight);
        let mut writer = encoder.write_header().expect("the header of a PNG in memory");
        writer.write_image_data(&self.rgb).expect("as many bytes as the header says");
        writer.finish().expect("the end of a PNG in memory");
        bytes
    }

    fn mix(&mut self, x: usize, y: usize, colour: [u8; 3], part: f32) {
        let at = (y * self.width + x) * 3;
        for (old, new) in self.rgb[at..at + 3].iter_mut().zip(colour) {
            *old = (f32::from(*old) + (f32::from(new) - f32::from(*old)) * part).round() as u8;
        }
    }
}

/// How much of each pixel one shape covers, so that its own pieces don't darken each other where they meet.
struct Cover {
    width: usize,
    height: usize,
    part: Vec<f32>,
    touched: Vec<usize>,
}

impl Cover {
    fn piece(&mut self, a: Place, b: Place, width: f64) {
        if !(a.0.is_finite() && a.1.is_finite() && b.0.is_finite() && b.1.is_finite()) {
            return;
        }
        let reach = width / 2.0 + 1.0;
        let clip = |low: f64, high: f64, most: usize| {
            let from = (low - reach).floor().clamp(0.0, most as f64) as usize;
            let to = (high + reach).ceil().clamp(0.0, most as f64) as usize;
            from..to
        };
        for y in clip(a.1.min(b.1), a.1.max(b.1), self.height) {
            for x in clip(a.0.min(b.0), a.0.max(b.0), self.width) {
                let d = distance((x as f64 + 0.5, y as f64 + 0.5), a, b);
                let part = (0.5 + width / 2.0 - d).clamp(0.0, 1.0).min(width.max(0.35)) as f32;
                let at = y * self.width + x;
                if part > self.part[at] {
                    if self.part[at] == 0.0 {
                        self.touched.push(at);
                    }
                    self.part[at] = part;
                }
            }
        }
    }

    fn lay_down(&mut self, raster: &mut Raster, colour: [u8; 3]) {
        for at in self.touched.drain(..) {
            raster.mix(at % self.width, at / self.width, colour, self.part[at]);
            self.part[at] = 0.0;
        }
    }
}

fn distance(p: Place, a: Place, b: Place) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length = dx * dx + dy * dy;
    let t = if length > 0.0 { (((p.0 - a.0) * dx + (p.1 - a.1) * dy) / length).clamp(0.0, 1.0) } else { 0.0 };
    (p.0 - a.0 - t * dx).hypot(p.1 - a.1 - t * dy)
}

/// Paints a drawing on white.
pub fn paint(drawing: &Drawing, scale: f64) -> Raster {
    let (width, height) =
        ((drawing.width * scale).round() as usize, (drawing.height * scale).round() as usize);
    let mut raster = Raster::white(width.max(1), height.max(1));
    let (width, height) = (raster.width, raster.height);
    let mut cover = Cover { width, height, part: vec![0.0; width * height], touched: Vec::new() };
    let up = |p: &Place| (p.0 * scale, p.1 * scale);
    for shape in &drawing.shapes {
        match shape {
            Shape::Line { places, ink, width, dashed } => {
                let pieces = places.windows(2).map(|w| (up(&w[0]), up(&w[1])));
                for (a, b) in
                    if *dashed { dashes(pieces, 4.0 * scale, 3.0 * scale) } else { pieces.collect() }
                {
                    cover.piece(a, b, width * scale);
                }
                cover.lay_down(&mut raster, ink.on_paper());
            }
            Shape::Pieces { pieces, ink, width } => {
                for (a, b) in pieces {
                    cover.piece(up(a), up(b), width * scale);
                }
                cover.lay_down(&mut raster, ink.on_paper());
            }
            Shape::Dots { places, ink, size } => {
                for place in places {
                    cover.piece(up(place), up(place), size * scale);
                }
                cover.lay_down(&mut raster, ink.on_paper());
            }
            Shape::Text { at, text, size, anchor, ink, turned } => {
                letters(&mut cover, up(at), text, size * scale, *anchor, *turned);
                cover.lay_down(&mut raster, ink.on_paper());
            }
            Shape::Cells { at, size, cells } => put_cells(&mut raster, up(at), up(size), cells),
        }
    }
    raster
}

fn letters(cover: &mut Cover, at: Place, text: &str, size: f64, anchor: Anchor, turned: bool) {
    let wide = lettering::width(text, size);
    let shift = match anchor {
        Anchor::Start => 0.0,
        Anchor::Middle => -wide / 2.0,
        Anchor::End => -wide,
    };
    for stroke in lettering::strokes(text, size) {
        let place = |p: &Place| {
            let (x, y) = (p.0 + shift, p.1);
            if turned { (at.0 + y, at.1 - x) } else { (at.0 + x, at.1 + y) }
        };
        for pair in stroke.windows(2) {
            cover.piece(place(&pair[0]), place(&pair[1]), 0.095 * size);
        }
    }
}

fn dashes(pieces: impl Iterator<Item = (Place, Place)>, on: f64, off: f64) -> Vec<(Place, Place)> {
    let mut found = Vec::new();
    let mut walked = 0.0;
    for (a, b) in pieces {
        let length = (b.0 - a.0).hypot(b.1 - a.1);
        let at = |s: f64| (a.0 + (b.0 - a.0) * s / length, a.1 + (b.1 - a.1) * s / length);
        let mut s = 0.0;
        while s < length && length.is_finite() {
            let phase = (walked + s) % (on + off);
            let step = if phase < on { on - phase } else { on + off - phase };
            let end = (s + step.max(1e-3)).min(length);
            if phase < on {
                found.push((at(s), at(end)));
            }
            s = end;
        }
        walked += length;
    }
    found
}

fn put_cells(raster: &mut Raster, at: Place, size: Place, cells: &Raster) {
    if cells.width == 0 || cells.height == 0 {
        return;
    }
    for y in at.1.round().max(0.0) as usize..((at.1 + size.1).round() as usize).min(raster.height) {
        for x in at.0.round().max(0.0) as usize..((at.0 + size.0).round() as usize).min(raster.width) {
            let column = ((x as f64 + 0.5 - at.0) / size.0 * cells.width as f64).max(0.0) as usize;
            let row = ((y as f64 + 0.5 - at.1) / size.1 * cells.height as f64).max(0.0) as usize;
            let from = (row.min(cells.height - 1) * cells.width + column.min(cells.width - 1)) * 3;
            let to = (y * raster.width + x) * 3;
            raster.rgb[to..to + 3].copy_from_slice(&cells.rgb[from..from + 3]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figure::Ink;

    #[test]
    fn a_line_lies_where_it_was_drawn_and_nowhere_else() {
        let mut drawing = Drawing::new(20.0, 10.0, "a line");
        drawing.line(vec![(0.0, 5.0), (20.0, 5.0)], Ink::Warn, 2.0);
        let raster = paint(&drawing, 1.0);
        let pixel = |x: usize, y: usize| &raster.rgb[(y * 20 + x) * 3..][..3];
        assert_eq!(pixel(10, 4), Ink::Warn.on_paper());
        assert_eq!(pixel(10, 1), [255, 255, 255]);
        let decoded = png::Decoder::new(std::io::Cursor::new(raster.png())).read_info().unwrap();
        assert_eq!((decoded.info().width, decoded.info().height), (20, 10));
    }
}
