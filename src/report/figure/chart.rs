//! Charts: axes with units, data, error bars, fits.

use super::axis::decade_ticks;
use super::{Anchor, Drawing, Ink, Place, Scale, Shape, decimals, thin, ticks};

/// How a series is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    /// Dots; a long series becomes a line through its extremes.
    Dots,
    /// A line.
    Line,
    /// A dashed line.
    Dashed,
    /// Crosses: kept, but not to be trusted.
    Crosses,
    /// A line of steps around the given middles: a histogram.
    Bars,
}

/// Points with what is needed to draw them, in the units of the axes.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// The points.
    pub points: Vec<Place>,
    /// Standard errors along y, one a point; or none.
    pub errors: Vec<f64>,
    /// How.
    pub style: Style,
    /// In which ink.
    pub ink: Ink,
    /// Its name in the key; none where it needs no key.
    pub name: String,
}

impl Series {
    /// Points without errors and without a name.
    pub fn new(points: Vec<Place>, style: Style, ink: Ink) -> Self {
        Self { points, errors: Vec::new(), style, ink, name: String::new() }
    }

    /// With a name.
    #[must_use]
    pub fn named(mut self, name: &str) -> Self {
        self.name = name.to_owned();
        self
    }
}

/// An axis.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Axis {
    /// What it shows, with its unit: `field_z (T)`.
    pub label: String,
    /// Its range; taken from the data where none is given.
    pub range: Option<(f64, f64)>,
    /// Whether each decade has the same length.
    pub decades: bool,
    /// Words at chosen values instead of round numbers: times of day.
    pub words: Vec<(f64, String)>,
}

impl Axis {
    /// An axis of a channel in a unit, its range taken from the data.
    pub fn of(name: &str, unit: &str) -> Self {
        let label = match (name, unit) {
            (name, "") => name.to_owned(),
            ("", unit) => unit.to_owned(),
            (name, unit) => format!("{name} ({unit})"),
        };
        Self { label, ..Self::default() }
    }

    /// The same with decades, if there are values above zero to show on them.
    #[must_use]
    pub fn with_decades(mut self, range: (f64, f64)) -> Self {
        if range.0 > 0.0 && range.1 > range.0 {
            (self.decades, self.range) = (true, Some(range));
        }
        self
    }

    fn scale(&self, range: (f64, f64), pixels: (f64, f64)) -> Scale {
        let make = if self.decades { Scale::decades } else { Scale::new };
        make(range.0, range.1, pixels.0, pixels.1)
    }

    /// What is written along it.
    fn ticks(&self, range: (f64, f64), most: usize) -> Vec<(f64, String)> {
        if !self.words.is_empty() {
            return self.words.iter().filter(|(at, _)| (range.0..=range.1).contains(at)).cloned().collect();
        }
        if self.decades {
            return decade_ticks(range.0, range.1, most);
        }
        let found = ticks(range.0, range.1, most);
        let places = decimals(&found);
        found.into_iter().map(|tick| (tick, shown(tick, places))).collect()
    }
}

/// A horizontal mark with its words.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Where, in the unit of y.
    pub y: f64,
    /// What it is.
    pub text: String,
}

/// A chart.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Chart {
    /// Its title; may be empty.
    pub title: String,
    /// A description for those who can't see it.
    pub label: String,
    /// The axis along the bottom.
    pub x: Axis,
    /// The axis on the left.
    pub y: Axis,
    /// What is drawn, the later above the earlier.
    pub series: Vec<Series>,
    /// Horizontal marks.
    pub marks: Vec<Mark>,
    /// Least room on the left, pixels: charts above one another line up.
    pub left: f64,
}

/// Size of lettering.
const SIZE: f64 = 11.0;
/// Mean width of a letter, parts of its size.
const LETTER: f64 = 0.56;

impl Chart {
    /// Draws it `width` by `height` pixels.
    pub fn draw(&self, width: f64, height: f64) -> Drawing {
        let mut drawing = Drawing::new(width, height, self.label.clone());
        let (x_range, y_range) = (self.x_range(), self.y_range());
        let keyed = self.series.iter().any(|s| !s.name.is_empty());
        let top = if self.title.is_empty() && !keyed { 8.0 } else { 22.0 };
        let bottom = height - if self.x.label.is_empty() { 20.0 } else { 34.0 };
        let y_ticks = self.y.ticks(y_range, ((bottom - top) / 34.0).max(2.0) as usize);
        let widest = y_ticks.iter().map(|t| t.1.chars().count()).max().unwrap_or(1) as f64;
        let left = 8.0 + widest * SIZE * 0.58 + if self.y.label.is_empty() { 0.0 } else { 16.0 };
        let left = left.max(self.left);
        let right = width - 10.0;
        let x = self.x.scale(x_range, (left, right));
        let y = self.y.scale(y_range, (bottom, top));
        self.frame(&mut drawing, &x, &y, (left, right, top, bottom), &y_ticks);
        for mark in &self.marks {
            let at = y.at(mark.y);
            if (top..=bottom).contains(&at) {
                let places = vec![(left, at), (right, at)];
                drawing.shapes.push(Shape::Line { places, ink: Ink::Warn, width: 1.0, dashed: true });
                drawing.text((left + 4.0, at - 3.0), mark.text.clone(), SIZE - 1.0, Anchor::Start, Ink::Warn);
            }
        }
        for series in &self.series {
            draw_series(&mut drawing, series, &x, &y, (left, right, top, bottom));
        }
        let free = self.key(&mut drawing, right);
        // What the figure shows stands in its label and beside it as well, so the key goes first.
        let width = self.title.chars().count() as f64 * SIZE * LETTER;
        if !self.title.is_empty() && left + width < free {
            drawing.text((left, 13.0), self.title.clone(), SIZE + 0.5, Anchor::Start, Ink::Text);
        }
        drawing
    }

    fn frame(
        &self,
        drawing: &mut Drawing,
        x: &Scale,
        y: &Scale,
        (left, right, top, bottom): (f64, f64, f64, f64),
        y_ticks: &[(f64, String)],
    ) {
        let grid = y_ticks.iter().map(|t| ((left, y.at(t.0)), (right, y.at(t.0)))).collect();
        drawing.shapes.push(Shape::Pieces { pieces: grid, ink: Ink::Grid, width: 1.0 });
        for (tick, text) in y_ticks {
            drawing.text(
                (left - 5.0, y.at(*tick) + 0.35 * SIZE),
                text.clone(),
                SIZE,
                Anchor::End,
                Ink::Faint,
            );
        }
        let x_ticks = self.x_ticks(x.range(), right - left);
        let marks = x_ticks.iter().map(|t| ((x.at(t.0), bottom), (x.at(t.0), bottom + 4.0))).collect();
        drawing.shapes.push(Shape::Pieces { pieces: marks, ink: Ink::Frame, width: 1.0 });
        for (tick, text) in x_ticks {
            // A number at the very edge is pulled in, or it would be cut.
            let half = text.chars().count() as f64 * SIZE * 0.29;
            let at = x.at(tick).clamp(half, drawing.width - half);
            drawing.text((at, bottom + 15.0), text, SIZE, Anchor::Middle, Ink::Faint);
        }
        drawing.line(vec![(left, top), (left, bottom), (right, bottom)], Ink::Frame, 1.0);
        if !self.x.label.is_empty() {
            let at = ((left + right) / 2.0, drawing.height - 5.0);
            drawing.text(at, self.x.label.clone(), SIZE, Anchor::Middle, Ink::Text);
        }
        if !self.y.label.is_empty() {
            drawing.shapes.push(Shape::Text {
                at: (11.0, (top + bottom) / 2.0),
                text: self.y.label.clone(),
                size: SIZE,
                anchor: Anchor::Middle,
                ink: Ink::Text,
                turned: true,
            });
        }
    }

    /// Long numbers need more room.
    fn x_ticks(&self, range: (f64, f64), pixels: f64) -> Vec<(f64, String)> {
        let most = (pixels / 62.0).max(2.0) as usize;
        let found = self.x.ticks(range, most);
        let widest = found.iter().map(|t| t.1.chars().count()).max().unwrap_or(1) as f64 * SIZE * 0.6 + 12.0;
        let fewer = most.min((pixels / widest).max(2.0) as usize);
        if found.len() > fewer + 1 { self.x.ticks(range, fewer) } else { found }
    }

    /// The key stands above the frame, from the right, where no data can be; gives where it begins.
    fn key(&self, drawing: &mut Drawing, right: f64) -> f64 {
        let y = 9.0;
        let mut end = right;
        for series in self.series.iter().rev().filter(|s| !s.name.is_empty()) {
            let x = end - series.name.chars().count() as f64 * SIZE * LETTER;
            drawing.text((end, y + 0.35 * SIZE), series.name.clone(), SIZE - 0.5, Anchor::End, Ink::Text);
            let sign = match series.style {
                Style::Dots => {
                    drawing.shapes.push(Shape::Dots {
                        places: vec![(x - 8.0, y)],
                        ink: series.ink,
                        size: 4.0,
                    });
                    16.0
                }
                Style::Crosses => {
                    crosses(drawing, &[(x - 8.0, y)], series.ink);
                    18.0
                }
                Style::Line | Style::Bars | Style::Dashed => {
                    let places = vec![(x - 20.0, y), (x - 4.0, y)];
                    let dashed = series.style == Style::Dashed;
                    drawing.shapes.push(Shape::Line { places, ink: series.ink, width: 1.6, dashed });
                    28.0
                }
            };
            end = x - sign - 4.0;
        }
        end
    }

    fn x_range(&self) -> (f64, f64) {
        self.x.range.unwrap_or_else(|| {
            let all = self.series.iter().flat_map(|s| s.points.iter().map(|p| (p.0, p.0)));
            extent(all, 0.0)
        })
    }

    fn y_range(&self) -> (f64, f64) {
        self.y.range.unwrap_or_else(|| {
            let data = self.series.iter().flat_map(|s| {
                s.points.iter().enumerate().map(|(i, p)| {
                    let error = s.errors.get(i).copied().filter(|e| e.is_finite()).unwrap_or(0.0);
                    (p.1 - error, p.1 + error)
                })
            });
            extent(data.chain(self.marks.iter().map(|m| (m.y, m.y))), 0.06)
        })
    }
}

fn extent(all: impl Iterator<Item = (f64, f64)>, margin: f64) -> (f64, f64) {
    let finite = all.filter(|(low, high)| low.is_finite() && high.is_finite());
    let (low, high) =
        finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), (low, high)| (l.min(low), h.max(high)));
    if low > high {
        return (0.0, 1.0);
    }
    let by = margin * (high - low);
    (low - by, high + by)
}

pub(super) fn shown(value: f64, places: usize) -> String {
    if value == 0.0 && places > 4 {
        return "0".to_owned();
    }
    if value != 0.0 && !(1e-4..1e7).contains(&value.abs()) {
        return crate::quantity::significant(value, 4).replace('-', "−");
    }
    let text = format!("{value:.places$}");
    let text = if text.trim_start_matches('-').bytes().all(|b| b == b'0' || b == b'.') {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    };
    text.replace('-', "−")
}

fn draw_series(
    drawing: &mut Drawing,
    series: &Series,
    x: &Scale,
    y: &Scale,
    (left, right, top, bottom): (f64, f64, f64, f64),
) {
    let inside =
        |p: &Place| p.0 >= left - 0.5 && p.0 <= right + 0.5 && p.1 >= top - 0.5 && p.1 <= bottom + 0.5;
    let whole: Vec<Place> = series.points.iter().map(|p| (x.at(p.0), y.at(p.1))).collect();
    let columns = (right - left).max(1.0) as usize;
    let long = whole.len() > 2 * columns;
    let places = thin(&whole, columns);
    let ink = series.ink;
    match series.style {
        Style::Line | Style::Dashed => {
            let dashed = series.style == Style::Dashed;
            for places in clipped(&places, top, bottom) {
                drawing.shapes.push(Shape::Line { places, ink, width: 1.6, dashed });
            }
        }
        Style::Dots if long => drawing.line(places, ink, 0.8),
        Style::Dots => {
            errors(drawing, series, x, y);
            let size = if series.errors.is_empty() && places.len() > 60 { 2.4 } else { 3.6 };
            let places = places.into_iter().filter(inside).collect();
            drawing.shapes.push(Shape::Dots { places, ink, size });
        }
        Style::Crosses => {
            errors(drawing, series, x, y);
            let places: Vec<Place> = places.into_iter().filter(inside).collect();
            crosses(drawing, &places, ink);
        }
        Style::Bars => drawing.line(steps(&whole, bottom), ink, 1.3),
    }
}

/// The pieces of a line between two heights; where it crosses one it ends there, and is not bent along it.
fn clipped(places: &[Place], top: f64, bottom: f64) -> Vec<Vec<Place>> {
    let mut pieces: Vec<Vec<Place>> = vec![Vec::new()];
    let inside = |p: &Place| p.1 >= top && p.1 <= bottom;
    let edge = |a: Place, b: Place| {
        let (out, within) = if inside(&a) { (b, a) } else { (a, b) };
        let at = if out.1 < top { top } else { bottom };
        let part = (at - within.1) / (out.1 - within.1);
        (within.0 + part * (out.0 - within.0), at)
    };
    for (i, place) in places.iter().enumerate() {
        let before = i.checked_sub(1).map(|i| places[i]);
        match (before.filter(|b| inside(b) != inside(place)), inside(place)) {
            (Some(before), true) => pieces.push(vec![edge(before, *place), *place]),
            (Some(before), false) => pieces.last_mut().expect("there is one").push(edge(before, *place)),
            (None, true) => pieces.last_mut().expect("there is one").push(*place),
            (None, false) => {}
        }
    }
    pieces.retain(|piece| piece.len() > 1);
    pieces
}

fn errors(drawing: &mut Drawing, series: &Series, x: &Scale, y: &Scale) {
    let bars = series.points.iter().zip(&series.errors).filter(|(_, e)| e.is_finite() && **e > 0.0);
    let pieces = bars.map(|(p, e)| ((x.at(p.0), y.at(p.1 - e)), (x.at(p.0), y.at(p.1 + e)))).collect();
    drawing.shapes.push(Shape::Pieces { pieces, ink: series.ink, width: 1.0 });
}

fn crosses(drawing: &mut Drawing, places: &[Place], ink: Ink) {
    let arm = 3.2;
    let cross = |(px, py): &Place| {
        [((px - arm, py - arm), (px + arm, py + arm)), ((px - arm, py + arm), (px + arm, py - arm))]
    };
    drawing.shapes.push(Shape::Pieces { pieces: places.iter().flat_map(cross).collect(), ink, width: 1.4 });
}

fn steps(middles: &[Place], bottom: f64) -> Vec<Place> {
    let half = match middles {
        [a, b, ..] => (b.0 - a.0) / 2.0,
        _ => 4.0,
    };
    let mut outline = Vec::with_capacity(2 * middles.len() + 2);
    if let (Some(first), Some(last)) = (middles.first(), middles.last()) {
        outline.push((first.0 - half, bottom));
        outline.extend(middles.iter().flat_map(|(px, py)| [(px - half, *py), (px + half, *py)]));
        outline.push((last.0 + half, bottom));
    }
    outline
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_chart_and_one_of_nonsense_can_be_drawn() {
        let mut chart = Chart { x: Axis::of("field", "T"), ..Chart::default() };
        assert!(chart.draw(300.0, 150.0).svg().contains("field (T)"));
        let points = vec![(f64::NAN, 1.0), (1.0, f64::INFINITY), (2.0, 3.0)];
        chart.series.push(Series::new(points, Style::Dots, Ink::First));
        let svg = chart.draw(300.0, 150.0).svg();
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
    }

    #[test]
    fn a_line_that_leaves_the_frame_ends_there() {
        let pieces = clipped(&[(0.0, 5.0), (10.0, 25.0), (20.0, 5.0), (30.0, 15.0)], 0.0, 10.0);
        assert_eq!(pieces, [vec![(0.0, 5.0), (2.5, 10.0)], vec![(17.5, 10.0), (20.0, 5.0), (25.0, 10.0)]]);
    }

    #[test]
    fn a_million_points_make_a_small_figure() {
        let points = (0..1_000_000).map(|i| (f64::from(i), (f64::from(i) * 1e-3).sin())).collect();
        let chart = Chart { series: vec![Series::new(points, Style::Dots, Ink::First)], ..Chart::default() };
        assert!(chart.draw(320.0, 170.0).svg().len() < 20_000);
    }
}
