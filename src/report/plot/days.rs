//! The days of a campaign on one clock: its runs with holds and refills, its goals, the tips that were in, the helium.

use super::above;
use crate::record::GoalState;
use crate::report::figure::{Anchor, Axis, Chart, Drawing, Ink, Mark, Place, Series, Shape, Style};
use crate::report::pursuit::{PursuedGoal, PursuedRun, PursuedTip, Pursuit};

/// Room on the left and on the right of all lanes, so that they line up with the chart of the helium.
const LEFT: f64 = 66.0;
const RIGHT: f64 = 10.0;
/// Height of a lane: its words, and the line below them.
const LANE: f64 = 25.0;
/// Height of the helium.
const HELIUM: f64 = 120.0;
/// Room that a time along the clock needs.
const TICK: f64 = 92.0;
/// Size of lettering, and the mean width of a letter.
const SIZE: f64 = 10.5;
const LETTER: f64 = 0.56 * SIZE;

/// The course of the days, so wide; as high as what it shows.
pub fn days(pursuit: &Pursuit, width: f64) -> Drawing {
    let mut lanes = Lanes::new(pursuit, width);
    lanes.runs(pursuit);
    lanes.tips(pursuit);
    for goal in &pursuit.goals {
        lanes.goal(goal);
    }
    let Lanes { mut drawing, y, end_s, .. } = lanes;
    drawing.height = y + 4.0;
    let axis = axis(pursuit, end_s, width);
    let last = match &pursuit.helium {
        Some(bath) => {
            let level = |(at_s, m3): &(f64, f64)| (at_s / 3600.0, bath.unit.from_si(*m3));
            let series = bath.levels.iter().map(|run| {
                Series::new(run.iter().map(level).collect::<Vec<Place>>(), Style::Line, Ink::First)
            });
            let limit = Mark { y: bath.unit.from_si(bath.limit_m3), text: "refill limit".to_owned() };
            let y = Axis::of("helium", &bath.unit.text);
            Chart { x: axis, y, series: series.collect(), marks: vec![limit], left: LEFT, ..Chart::default() }
                .draw(width, HELIUM)
        }
        None => Chart {
            x: axis,
            left: LEFT,
            y: Axis { range: Some((0.0, 1.0)), words: vec![(9.0, String::new())], ..Axis::default() },
            ..Chart::default()
        }
        .draw(width, 30.0),
    };
    above(drawing, last)
}

/// The clock along the bottom, in hours from the beginning of the first run.
fn axis(pursuit: &Pursuit, end_s: f64, width: f64) -> Axis {
    let most = ((width - LEFT - RIGHT) / TICK).max(1.0) as usize;
    // The clock knows no step between a day and a week, so of days only some are written.
    let ticks = pursuit.clock.ticks(end_s, most.max(7));
    let every = ticks.len().div_ceil(most).max(1);
    let ticks = ticks.into_iter().step_by(every);
    Axis {
        range: Some((0.0, (end_s / 3600.0).max(1e-3))),
        words: ticks.map(|(at_s, words)| (at_s / 3600.0, words)).collect(),
        ..Axis::default()
    }
}

fn label(pursuit: &Pursuit) -> String {
    let holds = |refill: bool| {
        pursuit.runs.iter().flat_map(|run| &run.holds).filter(|held| held.refill == refill).count()
    };
    let reached = pursuit.goals.iter().filter(|goal| goal.state == GoalState::Reached.word()).count();
    format!(
        "course of the days: {} runs, {} holds, {} refills, {} tips, {reached} of {} goals reached",
        pursuit.runs.len(),
        holds(false),
        holds(true),
        pursuit.tips.len(),
        pursuit.goals.len()
    )
}

/// Lanes one below the other.
struct Lanes {
    drawing: Drawing,
    /// Where the next one begins.
    y: f64,
    end_s: f64,
}

impl Lanes {
    fn new(pursuit: &Pursuit, width: f64) -> Self {
        Self { drawing: Drawing::new(width, 0.0, label(pursuit)), y: 2.0, end_s: pursuit.to.at_s.max(1.0) }
    }

    fn x(&self, at_s: f64) -> f64 {
        let pixels = self.drawing.width - LEFT - RIGHT;
        LEFT + pixels * (at_s / self.end_s).clamp(0.0, 1.0)
    }

    /// A lane with its words; gives the height of its line.
    fn lane(&mut self, words: &str) -> f64 {
        self.drawing.text((LEFT, self.y + SIZE), words, SIZE, Anchor::Start, Ink::Faint);
        self.y += LANE;
        self.y - 6.0
    }

    fn pieces(&mut self, y: f64, spans: impl IntoIterator<Item = (f64, f64)>, ink: Ink, width: f64) {
        // What is shorter than a pixel is still there.
        let piece = |(from_s, to_s): (f64, f64)| {
            let (from, to) = (self.x(from_s), self.x(to_s));
            ((from, y), (to.max(from + 1.0), y))
        };
        let pieces: Vec<(Place, Place)> = spans.into_iter().map(piece).collect();
        if !pieces.is_empty() {
            self.drawing.shapes.push(Shape::Pieces { pieces, ink, width });
        }
    }

    fn runs(&mut self, pursuit: &Pursuit) {
        let y = self.lane("");
        self.pieces(y, pursuit.runs.iter().map(|run| (run.from.at_s, run.to.at_s)), Ink::First, 7.0);
        let holds = |refill: bool| {
            let held =
                pursuit.runs.iter().flat_map(|run| &run.holds).filter(move |held| held.refill == refill);
            held.map(|held| (held.at_s, held.at_s + held.lasted_s)).collect::<Vec<_>>()
        };
        self.pieces(y, holds(false), Ink::Warn, 7.0);
        self.pieces(y, holds(true), Ink::Fit, 7.0);
        self.drawing.text((LEFT - 5.0, y + 4.0), "runs", SIZE, Anchor::End, Ink::Faint);
        let above = |(i, run): (usize, &PursuedRun)| (run.from.at_s, (i + 1).to_string());
        self.words(y - 7.0, pursuit.runs.iter().enumerate().map(above), Ink::Text);
        let held = pursuit.runs.iter().flat_map(|run| &run.holds);
        let letters: Vec<(f64, String)> =
            held.map(|held| (held.at_s, if held.refill { "R" } else { "H" }.to_owned())).collect();
        if !letters.is_empty() {
            self.words(y + 5.0 + SIZE, letters, Ink::Warn);
            self.y += SIZE;
        }
    }

    /// Words along a lane; those that find no room stay away.
    fn words(&mut self, y: f64, words: impl IntoIterator<Item = (f64, String)>, ink: Ink) {
        let mut right = f64::NEG_INFINITY;
        for (at_s, word) in words {
            let x = self.x(at_s);
            if x >= right {
                right = x + LETTER * (word.len() as f64 + 0.5);
                self.drawing.text((x, y), word, SIZE, Anchor::Start, ink);
            }
        }
    }

    fn tips(&mut self, pursuit: &Pursuit) {
        if pursuit.tips.is_empty() {
            return;
        }
        let y = self.lane("");
        self.drawing.text((LEFT - 5.0, y + 4.0), "tip", SIZE, Anchor::End, Ink::Faint);
        let from_s = |tip: &PursuedTip| tip.spans.first().map_or(0.0, |span| span[0]);
        self.words(y - 5.0, pursuit.tips.iter().map(|tip| (from_s(tip), tip.id.to_string())), Ink::Text);
        for (i, tip) in pursuit.tips.iter().enumerate() {
            let ink = if i % 2 == 0 { Ink::Second } else { Ink::Frame };
            self.pieces(y, tip.spans.iter().map(|span| (span[0], span[1])), ink, 4.0);
            let changes = tip.changed.iter().map(|change| self.x(change.when.at_s));
            let pieces: Vec<_> = changes.map(|x| ((x, y - 6.0), (x, y + 5.0))).collect();
            self.drawing.shapes.push(Shape::Pieces { pieces, ink: Ink::Warn, width: 1.4 });
        }
    }

    /// Faint while it is open, thick from when it is reached, crossed where it is lost or given up.
    fn goal(&mut self, goal: &PursuedGoal) {
        let y = self.lane(&goal.name);
        let mut spans: Vec<(f64, f64)> = Vec::new();
        let mut since: Option<f64> = None;
        let mut crosses = Vec::new();
        for turn in &goal.course {
            let at_s = turn.when.at_s;
            match GoalState::of(turn.state) {
                Some(GoalState::Reached) => since = since.or(Some(at_s)),
                state => {
                    spans.extend(since.take().map(|since| (since, at_s)));
                    if state != Some(GoalState::Open) {
                        let x = self.x(at_s);
                        crosses.push(((x - 3.0, y - 3.0), (x + 3.0, y + 3.0)));
                        crosses.push(((x - 3.0, y + 3.0), (x + 3.0, y - 3.0)));
                    }
                }
            }
        }
        let reached: Vec<Place> =
            spans.iter().map(|span| span.0).chain(since).map(|at_s| (self.x(at_s), y)).collect();
        spans.extend(since.map(|since| (since, self.end_s)));
        self.pieces(y, [(0.0, self.end_s)], Ink::Grid, 1.5);
        self.pieces(y, spans, Ink::First, 3.0);
        self.drawing.shapes.push(Shape::Dots { places: reached, ink: Ink::First, size: 7.0 });
        self.drawing.shapes.push(Shape::Pieces { pieces: crosses, ink: Ink::Warn, width: 1.6 });
    }
}
