//! Heat maps with a colour bar.

use super::{Anchor, Axis, Drawing, Ink, Place, Raster, Scale, Shape, colour_of, decimals, ticks};

/// A map of values over two axes.
#[derive(Debug, Clone, PartialEq)]
pub struct Heat {
    /// Its title; may be empty.
    pub title: String,
    /// A description for those who can't see it.
    pub label: String,
    /// The axis along the bottom; its range must be given.
    pub x: Axis,
    /// The axis on the left; its range must be given.
    pub y: Axis,
    /// What the colours show, with its unit.
    pub z: String,
    /// Columns.
    pub columns: usize,
    /// Values row by row, the first row at the lower end of y; not-a-number where nothing was measured.
    pub values: Vec<f64>,
}

/// Pixels of colour for values; the first row of values lies at the bottom. More than `most` columns or rows are
/// gathered by their mean.
pub fn picture(values: &[f64], columns: usize, most: usize) -> (Raster, f64, f64) {
    let columns = columns.max(1);
    let rows = values.len() / columns;
    let (wide, high) = (columns.min(most).max(1), rows.min(most).max(1));
    let mut sums = vec![(0.0, 0_u32); wide * high];
    for (i, value) in values.iter().take(rows * columns).enumerate().filter(|(_, v)| v.is_finite()) {
        let (column, row) = (i % columns * wide / columns, i / columns * high / rows);
        let cell = &mut sums[row * wide + column];
        *cell = (cell.0 + value, cell.1 + 1);
    }
    let means: Vec<f64> = sums.iter().map(|(sum, count)| sum / f64::from(*count)).collect();
    let finite = means.iter().copied().filter(|v| v.is_finite());
    let (least, greatest) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, g), v| (l.min(v), g.max(v)));
    let (least, greatest) = if least <= greatest { (least, greatest) } else { (0.0, 1.0) };
    let range = if greatest > least { greatest - least } else { 1.0 };
    let mut raster = Raster::white(wide, high);
    for row in 0..high {
        for column in 0..wide {
            let colour = colour_of((means[row * wide + column] - least) / range);
            let at = ((high - 1 - row) * wide + column) * 3;
            raster.rgb[at..at + 3].copy_from_slice(&colour);
        }
    }
    (raster, least, greatest)
}

impl Heat {
    /// Draws it `width` by `height` pixels.
    pub fn draw(&self, width: f64, height: f64) -> Drawing {
        let mut drawing = Drawing::new(width, height, self.label.clone());
        let (left, right, top, bottom) = (62.0, width - 84.0, 24.0, height - 36.0);
        let (cells, least, greatest) = picture(&self.values, self.columns, 1200);
        drawing.shapes.push(Shape::Cells { at: (left, top), size: (right - left, bottom - top), cells });
        let (x0, x1) = self.x.range.unwrap_or((0.0, 1.0));
        let (y0, y1) = self.y.range.unwrap_or((0.0, 1.0));
        let x = Scale::new(x0, x1, left, right);
        let y = Scale::new(y0, y1, bottom, top);
        let (low, high) = x.range();
        let x_ticks = ticks(low, high, ((right - left) / 70.0).max(2.0) as usize);
        for tick in &x_ticks {
            let at = x.at(*tick);
            drawing.line(vec![(at, bottom), (at, bottom + 4.0)], Ink::Frame, 1.0);
            let text = format!("{tick:.*}", decimals(&x_ticks)).replace('-', "−");
            drawing.text((at, bottom + 15.0), text, 11.0, Anchor::Middle, Ink::Faint);
        }
        let (low, high) = y.range();
        side_ticks(&mut drawing, &y, &ticks(low, high, 6), (left, -1.0));
        let frame: Vec<Place> = vec![(left, top), (left, bottom), (right, bottom), (right, top), (left, top)];
        drawing.line(frame, Ink::Frame, 1.0);
        drawing.text((left, 14.0), self.title.clone(), 11.5, Anchor::Start, Ink::Text);
        drawing.text(
            ((left + right) / 2.0, height - 5.0),
            self.x.label.clone(),
            11.0,
            Anchor::Middle,
            Ink::Text,
        );
        turned(&mut drawing, (11.0, (top + bottom) / 2.0), &self.y.label);
        // The colour bar, with its own axis on its right.
        let bar: Vec<f64> = (0..128).map(|i| f64::from(i) / 127.0).collect();
        let (cells, _, _) = picture(&bar, 1, 128);
        drawing.shapes.push(Shape::Cells { at: (right + 14.0, top), size: (10.0, bottom - top), cells });
        let z = Scale::new(least, greatest, bottom, top);
        side_ticks(&mut drawing, &z, &ticks(least, greatest, 5), (right + 24.0, 1.0));
        turned(&mut drawing, (width - 5.0, (top + bottom) / 2.0), &self.z);
        drawing
    }
}

fn turned(drawing: &mut Drawing, at: Place, text: &str) {
    let (text, size, anchor, ink) = (text.to_owned(), 11.0, Anchor::Middle, Ink::Text);
    drawing.shapes.push(Shape::Text { at, text, size, anchor, ink, turned: true });
}

fn side_ticks(drawing: &mut Drawing, scale: &Scale, marks: &[f64], (x, side): (f64, f64)) {
    let places = decimals(marks);
    let anchor = if side < 0.0 { Anchor::End } else { Anchor::Start };
    for tick in marks {
        let at = scale.at(*tick);
        drawing.line(vec![(x, at), (x + 4.0 * side, at)], Ink::Frame, 1.0);
        let text = format!("{tick:.places$}").replace('-', "−");
        drawing.text((x + 6.0 * side, at + 4.0), text, 10.5, anchor, Ink::Faint);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_row_lies_at_the_bottom_and_gaps_are_grey() {
        let (raster, least, greatest) = picture(&[0.0, 1.0, f64::NAN, 3.0], 2, 100);
        assert_eq!((raster.width, raster.height, least, greatest), (2, 2, 0.0, 3.0));
        assert_eq!(raster.rgb[6..9], colour_of(0.0));
        assert_eq!(raster.rgb[0..3], colour_of(f64::NAN));
    }

    #[test]
    fn large_maps_are_gathered_and_empty_ones_are_drawn() {
        let (raster, ..) = picture(&vec![1.0; 3000 * 2000], 3000, 500);
        assert_eq!((raster.width, raster.height), (500, 500));
        assert_eq!(picture(&[], 5, 100).0.rgb.len(), 15);
    }
}
