//! Putting the tip on the top of what stands near by: readings at a pattern of places, a paraboloid through
//! them, again until its top lies in the middle; and, where that shows nothing, a search of what is around.

use super::{Context, Input, Next, Reading, Tasking};
use crate::analysis::register::recentre;
use crate::bench::{Bench, ChannelId, Role};
use crate::instrument::{ErrorKind, InstrumentError, Task};
use crate::quantity::TimePoint;
use crate::record::{Answer, CentrePlan, Centred, Failure};
use crate::supervisor::gate;

/// Speed of moves along the surface, m/s: slow enough for the height loop.
pub const MOVE_SPEED_M_S: f64 = 5e-9;
/// Readings at each place.
const SAMPLES: u32 = 8;
/// Time between them, s.
const SPACING_S: f64 = 0.02;
/// Wait after each move, until the height loop has followed, s.
const FOLLOW_S: f64 = 0.1;
/// Rounds of the pattern at most: after these the spot is lost, not just drifted.
const ROUNDS: u32 = 5;
/// A top within this part of the reach is in the middle. Further out the paraboloid would be biased by a flank that is
/// none, by 4 pm and an eighth of the curvature at twice this part (an outline of 0.28 nm, a reach of 0.25 nm).
const MIDDLE_PART: f64 = 0.2;
/// The paraboloid is short by a fifth of the way to a top beside the middle: an outline flattens out, and q/(e^q − 1) of
/// the way is found, q = h²/2σ², 0.81 for an outline of σ = 0.28 nm and a reach h = 0.25 nm (own derivation). Within this
/// part of the reach that is 2 pm of 0.25 nm, and nothing is left to gain by another look.
const CLOSE_PART: f64 = 0.04;
/// The curvature of the same spot, measured with the same pattern, differs by this part at most.
const SAME_SHAPE_PART: f64 = 0.2;
/// Places of a search that are looked at closely.
const CANDIDATES: usize = 3;

#[derive(Debug)]
enum Work {
    Locating(Reading),
    Moving(Tasking),
    Following(TimePoint),
    Reading(Reading),
    /// To where the next round looks, or to where the tip stays; then the end, if there is one.
    Going(Tasking, Option<Box<Centred>>),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Looking {
    Closely,
    Around,
}

/// A re-centring at work.
#[derive(Debug)]
pub struct Centring {
    plan: CentrePlan,
    axes: Option<[ChannelId; 2]>,
    work: Work,
    looking: Looking,
    /// Places of the pattern in units of `spacing_m`, from the middle outwards.
    places: Vec<(i32, i32)>,
    spacing_m: f64,
    readings: Vec<f64>,
    start: Option<(f64, f64)>,
    middle: (f64, f64),
    round: u32,
    /// Places that a search has left to look at, the best last.
    candidates: Vec<(f64, f64)>,
    searched: bool,
    /// Why the last look did not find it.
    why: String,
}

impl Centring {
    /// Not begun.
    pub fn new(bench: &Bench, plan: CentrePlan) -> Self {
        let axes = bench.by_role(Role::TipX).zip(bench.by_role(Role::TipY)).map(|(x, y)| [x, y]);
        let mut centring = Self {
            plan,
            axes,
            work: Work::Locating(Reading::new(bench, &axes.unwrap_or([plan.channel; 2]), 1, 0.0)),
            looking: Looking::Closely,
            places: Vec::new(),
            spacing_m: 0.0,
            readings: Vec::new(),
            start: None,
            middle: (0.0, 0.0),
            round: 0,
            candidates: Vec::new(),
            searched: false,
            why: String::new(),
        };
        centring.look(Looking::Closely);
        centring
    }

    /// Whether the tip is on its way.
    pub fn holds_task(&self) -> bool {
        matches!(&self.work, Work::Moving(task) | Work::Going(task, _) if task.under_way())
    }

    /// The start of its task was kept back and will not leave.
    pub(super) fn not_begun(&mut self) {
        if let Work::Moving(task) | Work::Going(task, _) = &mut self.work {
            task.not_begun();
        }
    }

    /// The current pattern is begun anew: the readings before a hold say nothing about the time after it.
    pub(super) fn rewind(&mut self, bench: &Bench) {
        self.readings.clear();
        if self.start.is_some() {
            self.begin_place();
        } else {
            let axes = self.axes.unwrap_or([self.plan.channel; 2]);
            self.work = Work::Locating(Reading::new(bench, &axes, 1, 0.0));
        }
    }

    pub(super) fn step(&mut self, input: Input, ctx: &mut Context<'_>) -> Next {
        if self.axes.is_none() {
            return failed(ErrorKind::Absent, "the bench has no channels of the roles TipX and TipY");
        }
        let mut input = input;
        loop {
            let next = match &mut self.work {
                Work::Following(until) if ctx.now < *until => return Next::Until(*until),
                Work::Following(_) => {
                    self.work =
                        Work::Reading(Reading::new(ctx.bench, &[self.plan.channel], SAMPLES, SPACING_S));
                    continue;
                }
                Work::Locating(reading) | Work::Reading(reading) => {
                    reading.step(std::mem::replace(&mut input, Input::Go), ctx)
                }
                Work::Moving(task) | Work::Going(task, _) => {
                    task.step(std::mem::replace(&mut input, Input::Go), ctx)
                }
            };
            let answer = match next {
                Next::Finished(Ok(answer)) => answer,
                other => return other,
            };
            if let Some(over) = self.go_on(answer, ctx) {
                return over;
            }
            // Between two places nothing is lost by a hold or a stop.
            if matches!(self.work, Work::Moving(_)) {
                ctx.boundary = true;
                return Next::Until(ctx.now);
            }
        }
    }

    /// A part of the work is done; gives the end if there is one.
    fn go_on(&mut self, answer: Answer, ctx: &mut Context<'_>) -> Option<Next> {
        match (&mut self.work, answer) {
            (Work::Locating(_), Answer::Numbers(at)) if at.len() == 2 => {
                self.start = Some((at[0], at[1]));
                self.middle = (at[0], at[1]);
                self.check_limits(ctx)
            }
            (Work::Reading(_), Answer::Numbers(means)) if means.len() == 1 => {
                self.readings.push(means[0]);
                if self.readings.len() < self.places.len() {
                    self.begin_place();
                    return None;
                }
                self.judge();
                None
            }
            (Work::Moving(_), Answer::Task(report)) if report.achieved => {
                self.work = Work::Following(ctx.now.after(FOLLOW_S));
                None
            }
            (Work::Going(_, end), Answer::Task(report)) if report.achieved => match end.take() {
                Some(centred) => Some(Next::Finished(Ok(Answer::Centred(*centred)))),
                None => self.check_limits(ctx),
            },
            (_, Answer::Task(report)) => Some(failed(ErrorKind::Refused, &report.remark)),
            (_, other) => Some(failed(ErrorKind::Garbled, &format!("this was no answer: {other:?}"))),
        }
    }

    fn look(&mut self, looking: Looking) {
        self.looking = looking;
        self.readings.clear();
        let (rings, reach_m) = match looking {
            Looking::Closely => ((self.plan.points / 2).max(1), self.plan.reach_m),
            Looking::Around => {
                ((self.plan.search_m / self.plan.reach_m).ceil().max(2.0) as u32, self.plan.search_m)
            }
        };
        self.spacing_m = reach_m / f64::from(rings);
        self.places = spiral(rings as i32);
    }

    /// A pattern is about to begin: all of it must be within the limits.
    fn check_limits(&mut self, ctx: &Context<'_>) -> Option<Next> {
        let [x, y] = self.axes?;
        let rings = self.places.iter().map(|(i, _)| i.abs()).max().unwrap_or(0);
        let reach_m = f64::from(rings) * self.spacing_m;
        for (channel, at) in [(x, self.middle.0), (y, self.middle.1)] {
            for edge in [at - reach_m, at + reach_m] {
                if let Err(reason) = gate::check_limits(ctx.bench, channel, edge) {
                    return Some(Next::Finished(Err(Failure::Forbidden(reason))));
                }
            }
        }
        self.begin_place();
        None
    }

    fn place(&self, i: usize) -> (f64, f64) {
        let (column, row) = self.places[i];
        (f64::from(column) * self.spacing_m, f64::from(row) * self.spacing_m)
    }

    fn begin_place(&mut self) {
        let (dx, dy) = self.place(self.readings.len());
        self.work = Work::Moving(moving((self.middle.0 + dx, self.middle.1 + dy)));
    }

    fn go_to(&mut self, to: (f64, f64), end: Option<Centred>) {
        self.middle = to;
        self.work = Work::Going(moving(to), end.map(Box::new));
    }

    /// A pattern is complete.
    fn judge(&mut self) {
        match self.looking {
            Looking::Closely => self.judge_closely(),
            Looking::Around => {
                self.candidates = self.tops();
                if self.candidates.is_empty() {
                    "nothing stands out around it".clone_into(&mut self.why);
                }
                self.next_from_list();
            }
        }
    }

    fn judge_closely(&mut self) {
        self.round += 1;
        let places: Vec<(f64, f64)> = (0..self.places.len()).map(|i| self.place(i)).collect();
        let reach_m = self.plan.reach_m;
        let fit = recentre(&places, &self.readings, None);
        let top = fit.as_ref().ok().filter(|top| top.x_error.hypot(top.y_error) < reach_m);
        let Some(top) = top else {
            // No top here, but one side may rise: it lies further out.
            self.why = fit.err().map_or_else(
                || "the place of the maximum is uncertain".to_owned(),
                |error| error.to_string(),
            );
            let highest = (0..places.len()).max_by(|a, b| self.readings[*a].total_cmp(&self.readings[*b]));
            let way = highest.map_or((0.0, 0.0), |i| places[i]);
            let goes_on = way != (0.0, 0.0) && self.round < ROUNDS;
            return self.step_or_lose(way, goes_on);
        };
        // A top outside the pattern is not to be trusted: the way leads to its edge, no further.
        let way = (top.x.clamp(-reach_m, reach_m), top.y.clamp(-reach_m, reach_m));
        let beside_m = way.0.abs().max(way.1.abs());
        let middle = beside_m < MIDDLE_PART * reach_m;
        let again = beside_m > CLOSE_PART * reach_m && self.round < ROUNDS;
        if !middle || again {
            "the maximum left the search area".clone_into(&mut self.why);
            return self.step_or_lose(way, self.round < ROUNDS);
        }
        if let Some(expected) = self.plan.expected
            && (top.curvature / expected - 1.0).abs() > SAME_SHAPE_PART
        {
            self.why = format!(
                "what is there falls off {:.2} times as steeply as the spot did",
                top.curvature / expected
            );
            return self.step_or_lose(way, false);
        }
        let at = (self.middle.0 + way.0, self.middle.1 + way.1);
        let from = self.start.unwrap_or(at);
        let centred = Centred {
            found: true,
            x_m: at.0,
            y_m: at.1,
            dx_m: at.0 - from.0,
            dy_m: at.1 - from.1,
            x_error_m: top.x_error,
            y_error_m: top.y_error,
            curvature: top.curvature,
            searched: self.searched,
            remark: "the tip stands on the maximum".to_owned(),
        };
        self.go_to(at, Some(centred));
    }

    fn step_or_lose(&mut self, way: (f64, f64), goes_on: bool) {
        if goes_on {
            let to = (self.middle.0 + way.0, self.middle.1 + way.1);
            self.look(Looking::Closely);
            return self.go_to(to, None);
        }
        if !self.searched && self.plan.search_m > 0.0 {
            self.searched = true;
            self.look(Looking::Around);
            return self.go_to(self.start.unwrap_or(self.middle), None);
        }
        self.next_from_list();
    }

    /// The next place of the search, or back to where it all began.
    fn next_from_list(&mut self) {
        self.round = 0;
        self.look(Looking::Closely);
        if let Some(to) = self.candidates.pop() {
            return self.go_to(to, None);
        }
        let back = self.start.unwrap_or(self.middle);
        let lost = Centred {
            found: false,
            x_m: back.0,
            y_m: back.1,
            dx_m: 0.0,
            dy_m: 0.0,
            x_error_m: 0.0,
            y_error_m: 0.0,
            curvature: 0.0,
            searched: self.searched,
            remark: std::mem::take(&mut self.why),
        };
        self.go_to(back, Some(lost));
    }

    /// Places of a search that stand above all their neighbours, by how much; the highest last.
    fn tops(&self) -> Vec<(f64, f64)> {
        let reading = |column: i32, row: i32| {
            self.places.iter().position(|place| *place == (column, row)).map(|i| self.readings[i])
        };
        let around = [(-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1)];
        let mut tops: Vec<(f64, (f64, f64))> = Vec::new();
        for (i, (column, row)) in self.places.iter().enumerate() {
            let near: Vec<f64> = around.iter().filter_map(|(c, r)| reading(column + c, row + r)).collect();
            let here = self.readings[i];
            if near.iter().all(|other| *other < here) {
                let rise = here - near.iter().sum::<f64>() / near.len().max(1) as f64;
                let (dx, dy) = self.place(i);
                tops.push((rise, (self.middle.0 + dx, self.middle.1 + dy)));
            }
        }
        tops.sort_by(|a, b| a.0.total_cmp(&b.0));
        let least = tops.len().saturating_sub(CANDIDATES);
        tops.split_off(least).into_iter().map(|(_, place)| place).collect()
    }
}

fn moving((x_m, y_m): (f64, f64)) -> Tasking {
    Tasking::new(Task::MoveTip { x_m, y_m, speed_m_s: MOVE_SPEED_M_S })
}

fn failed(kind: ErrorKind, message: &str) -> Next {
    Next::Finished(Err(Failure::Instrument(InstrumentError::new(kind, message))))
}

/// The places of a square grid, from the middle outwards ring by ring, each next to the one before.
fn spiral(rings: i32) -> Vec<(i32, i32)> {
    let mut places = vec![(0, 0)];
    for k in 1..=rings {
        places.extend((1 - k..=k).map(|row| (k, row)));
        places.extend((-k..k).rev().map(|column| (column, k)));
        places.extend((-k..k).rev().map(|row| (-k, row)));
        places.extend((1 - k..=k).map(|column| (column, -k)));
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spiral_has_every_place_once_and_no_jumps() {
        for rings in 1..6 {
            let places = spiral(rings);
            let side = 2 * rings + 1;
            assert_eq!(places.len(), (side * side) as usize);
            let mut sorted = places.clone();
            sorted.sort_unstable();
            sorted.dedup();
            assert_eq!(sorted.len(), places.len());
            assert!(places.windows(2).all(|w| (w[0].0 - w[1].0).abs() <= 1 && (w[0].1 - w[1].1).abs() <= 1));
        }
        assert_eq!(spiral(1)[..4], [(0, 0), (1, 0), (1, 1), (0, 1)]);
    }
}
