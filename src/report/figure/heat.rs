//! Heat maps with a colour bar.

use super::chart::shown;
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
    /// Middles of the rows along y, where they are not even; else empty.
    pub rows_at: Vec<f64>,
    /// Whether both axes have one scale, so that round things are round.
    pub one_scale: bool,
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

/// Edges of rows by their middles: half way to the neighbours.
fn edges(middles: &[f64]) -> Vec<(f64, f64)> {
    let half = |i: usize, j: usize| (middles[j] - middles[i]) / 2.0;
    let last = middles.len() - 1;
    let edge = |i: usize| {
        let below = if i > 0 {
            half(i - 1, i)
        } else if last > 0 {
            half(0, 1)
        } else {
            0.5
        };
        let above = if i < last {
            half(i, i + 1)
        } else if last > 0 {
            half(last - 1, last)
        } else {
            0.5
        };
        (middles[i] - below, middles[i] + above)
    };
    (0..middles.len()).map(edge).collect()
}

impl Heat {
    /// With rows at these places: where they are not even, each is as high as its neighbours leave room for.
    #[must_use]
    pub fn with_rows(mut self, middles: &[f64]) -> Self {
        if middles.is_empty() {
            return self;
        }
        let found = edges(middles);
        let ends = (found[0].0, found[found.len() - 1].1);
        self.y.range = Some(ends);
        let step = (ends.1 - ends.0) / middles.len() as f64;
        let even = found.iter().all(|(low, high)| (high - low - step).abs() <= 0.02 * step.abs());
        self.rows_at = if even { Vec::new() } else { middles.to_vec() };
        self
    }

    /// Paints the cells; gives the least and the greatest value.
    fn cells(
        &self,
        drawing: &mut Drawing,
        (left, right, top, bottom): (f64, f64, f64, f64),
        y: &Scale,
    ) -> (f64, f64) {
        let (cells, least, greatest) = picture(&self.values, self.columns, 1200);
        if self.rows_at.is_empty() {
            drawing.shapes.push(Shape::Cells { at: (left, top), size: (right - left, bottom - top), cells });
            return (least, greatest);
        }
        for (row, (low, high)) in edges(&self.rows_at).into_iter().enumerate() {
            let values = self.values.chunks(self.columns.max(1)).nth(row).unwrap_or(&[]);
            let range = if greatest > least { greatest - least } else { 1.0 };
            let mut cells = Raster::white(values.len().max(1), 1);
            for (i, value) in values.iter().enumerate() {
                cells.rgb[3 * i..3 * i + 3].copy_from_slice(&colour_of((value - least) / range));
            }
            let (a, b) = (y.at(low), y.at(high));
            let (at, size) = ((left, a.min(b)), (right - left, (a - b).abs()));
            drawing.shapes.push(Shape::Cells { at, size, cells });
        }
        (least, greatest)
    }

    /// Draws it `width` by `height` pixels; less high where both axes have one scale.
    pub fn draw(&self, width: f64, height: f64) -> Drawing {
        let mut drawing = Drawing::new(width, height, self.label.clone());
        let (left, mut right, top, mut bottom) = (62.0, width - 84.0, 24.0, height - 36.0);
        let (x0, x1) = self.x.range.unwrap_or((0.0, 1.0));
        let (y0, y1) = self.y.range.unwrap_or((0.0, 1.0));
        if self.one_scale && x1 != x0 && y1 != y0 {
            let pixels = ((right - left) / (x1 - x0).abs()).min((bottom - top) / (y1 - y0).abs());
            (right, bottom) = (left + pixels * (x1 - x0).abs(), top + pixels * (y1 - y0).abs());
            drawing.height = bottom + 36.0;
        }
        let x = Scale::new(x0, x1, left, right);
        let y = Scale::new(y0, y1, bottom, top);
        let (least, greatest) = self.cells(&mut drawing, (left, right, top, bottom), &y);
        let (width, height) = (right + 84.0, drawing.height);
        let (low, high) = x.range();
        let x_ticks = ticks(low, high, ((right - left) / 70.0).max(2.0) as usize);
        for tick in &x_ticks {
            let at = x.at(*tick);
            drawing.line(vec![(at, bottom), (at, bottom + 4.0)], Ink::Frame, 1.0);
            let text = shown(*tick, decimals(&x_ticks));
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
        let text = shown(*tick, places);
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
    fn uneven_rows_are_drawn_uneven() {
        assert_eq!(edges(&[0.0, 1.0, 3.0]), [(-0.5, 0.5), (0.5, 2.0), (2.0, 4.0)]);
        let heat = Heat {
            title: String::new(),
            label: String::new(),
            x: Axis { range: Some((0.0, 1.0)), ..Axis::default() },
            y: Axis::default(),
            z: String::new(),
            columns: 2,
            rows_at: Vec::new(),
            one_scale: false,
            values: vec![0.0, 1.0, 2.0, 3.0, 4.0, 5.0],
        };
        assert!(heat.clone().with_rows(&[0.0, 1.0, 2.0]).rows_at.is_empty());
        let uneven = heat.with_rows(&[0.0, 1.0, 3.0]);
        let drawn = uneven.draw(300.0, 200.0);
        let heights = drawn.shapes.iter().filter_map(|shape| match shape {
            Shape::Cells { size, cells, .. } if cells.height == 1 => Some(size.1),
            _ => None,
        });
        let heights: Vec<f64> = heights.collect();
        assert_eq!(heights.len(), 3);
        assert!((heights[2] / heights[0] - 2.0).abs() < 1e-9, "{heights:?}");
    }

    #[test]
    fn large_maps_are_gathered_and_empty_ones_are_drawn() {
        let (raster, ..) = picture(&vec![1.0; 3000 * 2000], 3000, 500);
        assert_eq!((raster.width, raster.height), (500, 500));
        assert_eq!(picture(&[], 5, 100).0.rgb.len(), 15);
    }
}
