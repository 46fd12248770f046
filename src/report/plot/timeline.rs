//! One timeline of a run: its spectra side by side over the channels, on one clock, with what happened marked.

use super::{PlotError, above, clock_axis, watched_chart};
use crate::analysis::order;
use crate::bench::Role;
use crate::record::{JudgementKind, RunFile, SweepTable};
use crate::report::account::{Account, SweepOutline};
use crate::report::figure::{
    Anchor, Axis, Chart, Drawing, Ink, Place, Raster, Series, Shape, Style, colour_of,
};

/// Room on the left and on the right of all panels, so that they line up.
const LEFT: f64 = 66.0;
const RIGHT: f64 = 10.0;
/// Height of the panel of spectra, and of a channel.
const SPECTRA: f64 = 150.0;
const CHANNEL: f64 = 82.0;
/// Rows of the panel of spectra.
const ROWS: usize = 96;
/// Spectra that are read for it; more would be narrower than a pixel.
const MOST_SPECTRA: usize = 400;
/// Marks that are drawn; more would cover what they mark.
const MOST_MARKS: usize = 60;

/// Something that is marked: when, until when, and its letter.
struct Event {
    from_s: f64,
    to_s: Option<f64>,
    letter: char,
}

/// The timeline, so wide; as high as its panels.
///
/// # Errors
/// Nothing was recorded over time; the file can't be read.
pub fn timeline(account: &Account, run: &RunFile, width: f64) -> Result<Drawing, PlotError> {
    let end_s = account.history.end_s;
    let channels = channels(account);
    if end_s <= 0.0 || channels.is_empty() {
        return Err(PlotError::Nothing("nothing was recorded over time".to_owned()));
    }
    let spectra = spectra(account, run, width)?;
    let has_spectra = spectra.is_some();
    let mut drawing = Drawing::new(width, 22.0, label(account, has_spectra));
    let top = drawing.height;
    if let Some(spectra) = spectra {
        drawing = above(drawing, spectra);
    }
    let last = channels.len() - 1;
    for (i, mut chart) in channels.into_iter().enumerate() {
        chart.left = LEFT;
        chart.x = clock_axis(account, end_s);
        if i < last {
            chart.x.words.iter_mut().for_each(|(_, words)| words.clear());
        }
        drawing = above(drawing, chart.draw(width, if i < last { CHANNEL } else { CHANNEL + 12.0 }));
    }
    mark(&mut drawing, account, top);
    Ok(drawing)
}

fn label(account: &Account, spectra: bool) -> String {
    let events = events(account);
    let count = |letter: char| events.iter().filter(|event| event.letter == letter).count();
    format!(
        "timeline{}: {} interlocks, {} holds, {} refills, {} tip changes, {} steps skipped",
        if spectra { " of spectra and channels" } else { " of channels" },
        count('I'),
        count('H'),
        count('R'),
        count('T'),
        count('S')
    )
}

/// Letters that the timeline has, and what they mean, for its caption.
pub fn letters(account: &Account) -> String {
    const MEANINGS: [(char, &str); 6] = [
        ('I', "interlock"),
        ('H', "hold"),
        ('R', "refill"),
        ('T', "the tip changed or was changed"),
        ('S', "a step was skipped"),
        ('C', "cut and resumed"),
    ];
    let events = events(account);
    let used = MEANINGS.iter().filter(|(letter, _)| events.iter().any(|event| event.letter == *letter));
    used.map(|(letter, meaning)| format!("{letter} {meaning}")).collect::<Vec<_>>().join(", ")
}

fn events(account: &Account) -> Vec<Event> {
    let history = &account.history;
    let event = |from_s, to_s, letter| Event { from_s, to_s, letter };
    let mut all: Vec<Event> = history.trips.iter().map(|trip| event(trip.at_s, None, 'I')).collect();
    all.extend(history.hold_spans.iter().map(|span| {
        event(span.from_s, Some(span.to_s.unwrap_or(history.end_s)), if span.refill { 'R' } else { 'H' })
    }));
    let of_tip =
        account.tip.iter().filter(|event| matches!(event.what.as_str(), "pulse" | "pick_up" | "put_down"));
    all.extend(of_tip.map(|tip| event(tip.at_s, None, 'T')));
    let changed = account.judged.iter().filter(|judged| judged.1 == JudgementKind::TipChange);
    all.extend(changed.map(|judged| event(judged.0, None, 'T')));
    all.extend(history.steps.iter().filter(|s| s.left_out.is_some()).map(|s| event(s.from_s, None, 'S')));
    all.extend(account.interruptions.iter().map(|cut| event(cut.at_s, None, 'C')));
    all.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
    all.truncate(MOST_MARKS);
    all
}

/// Events as lines through all panels, with their letters above; letters that would overlap stand once.
fn mark(drawing: &mut Drawing, account: &Account, top: f64) {
    let end_s = account.history.end_s;
    let pixels = drawing.width - LEFT - RIGHT;
    let at = |s: f64| LEFT + pixels * (s / end_s).clamp(0.0, 1.0);
    let bottom = drawing.height - 20.0;
    let mut pieces = Vec::new();
    let mut letters: Vec<(f64, char)> = Vec::new();
    for event in events(account) {
        let x = at(event.from_s);
        pieces.push(((x, top - 6.0), (x, bottom)));
        if let Some(to_s) = event.to_s {
            // The length of a hold stands as a bar above the panels.
            pieces.push(((x, top - 6.0), (at(to_s), top - 6.0)));
        }
        if letters.last().is_none_or(|last| x - last.0 > 9.0 || last.1 != event.letter) {
            letters.push((x, event.letter));
        }
    }
    drawing.shapes.push(Shape::Pieces { pieces, ink: Ink::Warn, width: 0.8 });
    let mut right = f64::NEG_INFINITY;
    for (x, letter) in letters {
        let x = x.max(right);
        drawing.text((x, top - 9.0), letter.to_string(), 10.5, Anchor::Middle, Ink::Warn);
        right = x + 9.0;
    }
}

/// The channels people ask for, as charts: field, temperatures, pressures, helium, current.
fn channels(account: &Account) -> Vec<Chart> {
    let mut charts = Vec::new();
    let fields: Vec<Place> =
        account.sweeps.iter().filter_map(|s| Some((s.at_s / 3600.0, s.field_t?))).collect();
    let name = account.channel_name(Role::FieldZ.name());
    if !account.monitors.contains_key(&name) && fields.windows(2).any(|w| w[0].1 != w[1].1) {
        charts.push(Chart {
            y: Axis::of("field", "T"),
            series: vec![Series::new(fields, Style::Dots, Ink::First)],
            ..Chart::default()
        });
    }
    let asked = [
        (Role::FieldZ, "field"),
        (Role::StageTemperature, "stage"),
        (Role::ChamberPressure, "chamber"),
        (Role::HeliumLevel, "helium"),
        (Role::Current, "current"),
    ];
    for (role, short) in asked {
        let name = account.channel_name(role.name());
        if account.monitors.get(&name).is_some_and(|readings| readings.len() > 1) {
            let mut chart = watched_chart(account, &name);
            chart.title = String::new();
            chart.y.label = Axis::of(short, &account.unit_of(&name).text).label;
            charts.push(chart);
        }
    }
    charts
}

/// A spectrum in the panel: when, and its readings against the offset from the law, Hz.
struct Column {
    from_s: f64,
    to_s: f64,
    points: Vec<(f64, f64)>,
}

/// Spectra side by side: along the clock, and up the offset from the law, or from the middle of each window where nothing
/// is proved. None where there are fewer than two.
fn spectra(account: &Account, run: &RunFile, width: f64) -> Result<Option<Drawing>, PlotError> {
    let mut columns = Vec::new();
    for outline in account.sweeps.iter().filter(|s| is_spectrum(s)).take(MOST_SPECTRA) {
        let table = account.fill(run, outline)?;
        columns.extend(column(account, outline, &table));
    }
    if columns.len() < 2 {
        return Ok(None);
    }
    let reach = |column: &Column| column.points.iter().map(|p| p.0.abs()).fold(0.0_f64, f64::max);
    // A first look over everything must not squeeze the others together.
    let reach_hz = order::middle(columns.iter().map(reach).collect());
    let end_s = account.history.end_s;
    let pixels = (width - LEFT - RIGHT).max(1.0) as usize;
    let cells = paint(&columns, pixels, end_s, reach_hz);
    let mut drawing = Chart {
        y: Axis { range: Some((-reach_hz * 1e-6, reach_hz * 1e-6)), ..Axis::of("offset", "MHz") },
        x: Axis { words: vec![(-1.0, String::new())], ..clock_axis(account, end_s) },
        left: LEFT,
        ..Chart::default()
    }
    .draw(width, SPECTRA);
    // The panel of a chart without title and label of x, behind its lines.
    let size = (pixels as f64, SPECTRA - 28.0);
    drawing.shapes.insert(0, Shape::Cells { at: (LEFT, 8.0), size, cells });
    Ok(Some(drawing))
}

fn is_spectrum(outline: &SweepOutline) -> bool {
    outline.table.fast.si_unit == "Hz" && outline.table.slow.is_none() && outline.measured > 10
}

fn column(account: &Account, outline: &SweepOutline, table: &SweepTable) -> Option<Column> {
    let wanted = account.channel_name("LockinX");
    let read = table.read.iter().position(|column| column.channel == wanted)?;
    let (low, high) =
        table.x.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(*x), h.max(*x)));
    let law = account.proved_for(outline.table.sweep).and_then(|law| law.at(outline.field_t?));
    let middle = law.filter(|at| (low..=high).contains(at)).unwrap_or((low + high) / 2.0);
    let values = &table.values[read];
    let known: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    let usual = (!known.is_empty()).then(|| order::middle(known))?;
    let mut points: Vec<(f64, f64)> =
        table.x.iter().zip(values).map(|(x, v)| (x - middle, v - usual)).collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let to_s = outline.to_s.unwrap_or(account.history.end_s);
    Some(Column { from_s: outline.at_s, to_s, points })
}

fn paint(columns: &[Column], pixels: usize, end_s: f64, reach_hz: f64) -> Raster {
    let mut raster = Raster::white(pixels, ROWS);
    let mut all: Vec<f64> = columns.iter().flat_map(|c| c.points.iter().map(|p| p.1)).collect();
    all.retain(|value| value.is_finite());
    all.sort_by(f64::total_cmp);
    // One spike must not hide all lines.
    let part = |part: f64| all.get((part * (all.len() - 1) as f64) as usize).copied().unwrap_or(0.0);
    let (least, most) = (part(0.01), part(0.998));
    let range = if most > least { most - least } else { 1.0 };
    for column in columns {
        let at = |s: f64| ((s / end_s).clamp(0.0, 1.0) * pixels as f64) as usize;
        let (from, to) = (at(column.from_s).min(pixels - 1), at(column.to_s).min(pixels));
        for row in 0..ROWS {
            let offset = reach_hz * (1.0 - 2.0 * (row as f64 + 0.5) / ROWS as f64);
            let Some(value) = nearest(&column.points, offset, reach_hz / ROWS as f64) else { continue };
            let colour = colour_of(((value - least) / range).clamp(0.0, 1.0));
            for x in from..to.max(from + 1) {
                let at = (row * pixels + x) * 3;
                raster.rgb[at..at + 3].copy_from_slice(&colour);
            }
        }
    }
    raster
}

/// The reading nearest to an offset, if there is one within a row or the distance of its neighbours.
fn nearest(points: &[(f64, f64)], offset: f64, within: f64) -> Option<f64> {
    let i = points.partition_point(|p| p.0 < offset);
    let candidates = [i.checked_sub(1), Some(i)].into_iter().flatten().filter_map(|i| points.get(i));
    let best = candidates.min_by(|a, b| (a.0 - offset).abs().total_cmp(&(b.0 - offset).abs()))?;
    let step = match points {
        [first, .., last] => (last.0 - first.0) / (points.len() - 1) as f64,
        _ => 0.0,
    };
    ((best.0 - offset).abs() <= within.max(step)).then_some(best.1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spectra_stand_side_by_side_with_their_line_at_one_height() {
        let line = |from_s: f64| Column {
            from_s,
            to_s: from_s + 10.0,
            points: (-10..=10).map(|i| (f64::from(i), if i == 0 { 9.0 } else { 0.0 })).collect(),
        };
        let raster = paint(&[line(0.0), line(20.0)], 30, 30.0, 10.0);
        let colour = |x: usize, row: usize| raster.rgb[(row * 30 + x) * 3..][..3].to_vec();
        assert_eq!(colour(5, ROWS / 2), colour(25, ROWS / 2), "the line of both");
        assert_ne!(colour(5, ROWS / 2), colour(5, 0), "and beside it the ground");
        assert_eq!(colour(15, ROWS / 2), [255, 255, 255], "nothing was measured in between");
        assert_eq!(nearest(&[(0.0, 1.0), (1.0, 2.0)], 5.0, 0.5), None);
    }
}
