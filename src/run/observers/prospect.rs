//! Keeps account of what lies ahead of a run: time left by its rehearsal and by its own progress, helium, window.

use super::course::{Course, Foreseen};
use super::pace::{Pace, Paces, Rest, Segment};
use crate::drive::outlook::{HeliumAhead, TimeLeft};
use crate::drive::virtual_time::Observer;
use crate::drive::{Outlook, RunTally};
use crate::history::{History, Level, Mark};
use crate::quantity::TimePoint;
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::{Arc, OnceLock};

/// Marks in a row that the rehearsal does not have, after which the run counts as gone another way.
const STRAYED: u32 = 4;

/// The account.
#[derive(Debug)]
pub struct Prospect {
    foreseen: Option<Arc<OnceLock<Foreseen>>>,
    window: Option<TimePoint>,
    /// Marks of the run that the course has been asked about.
    taken: usize,
    /// The course, as soon as it is there, and the pace along it.
    along: Option<Along>,
}

#[derive(Debug)]
struct Along {
    course: Course,
    paces: Paces,
    /// For each mark, how much of what comes after it the rehearsal spent in sweeps, s.
    sweeping_s: Vec<f64>,
    /// The last mark that both have, and when the run set it.
    at: Option<(usize, f64)>,
    /// Holds and resumptions up to the last mark of the run.
    interruptions: u64,
    strays: u32,
}

impl Prospect {
    /// Of a run that begins; `foreseen` is filled when the rehearsal is over.
    pub fn new(window: Option<TimePoint>, foreseen: Option<Arc<OnceLock<Foreseen>>>) -> Self {
        Self { foreseen, window, taken: 0, along: None }
    }

    /// Goes along the course with the marks that have come: it may come a little later than they.
    fn follow(&mut self, history: &History) {
        if self.along.is_none()
            && let Some(Foreseen::Course(course)) = self.foreseen.as_ref().and_then(|cell| cell.get())
        {
            self.along = Some(Along::new(course.clone()));
        }
        if let Some(along) = &mut self.along {
            history.marks[self.taken..].iter().for_each(|mark| along.take(mark));
            self.taken = history.marks.len();
        }
    }

    /// What lies ahead at a moment.
    pub fn outlook(&self, at: TimePoint, tally: &RunTally) -> Outlook {
        let now_s = tally.worked_s(at.s());
        let sweep = SweepNow::of(tally);
        let sweep_left_s = sweep.and_then(|sweep| sweep.left_s(now_s));
        let (left, basis) = match (&self.along, &self.foreseen) {
            (Some(along), _) if along.strays >= STRAYED => {
                (None, "the run has taken another way than its rehearsal".to_owned())
            }
            (Some(along), _) => {
                let along_sweep = sweep.map(|sweep| (sweep.part(), sweep_left_s));
                let held = if tally.hold.is_some() { "; from the end of the hold on" } else { "" };
                (Some(along.left(now_s, along_sweep)), along.basis() + held)
            }
            (None, Some(cell)) => match cell.get() {
                Some(Foreseen::Unknown(why)) => (None, why.clone()),
                _ => (None, "the sequence is being rehearsed".to_owned()),
            },
            (None, None) => (None, String::new()),
        };
        Outlook {
            left,
            basis,
            sweep_points: sweep.map(|sweep| (sweep.done, sweep.planned)),
            sweep_left_s,
            helium: tally.helium.as_ref().and_then(|level| helium_ahead(level, at.s())),
            window_left_s: self.window.map(|window| window.since(at)),
        }
    }
}

/// The sweep that goes on.
#[derive(Debug, Clone, Copy)]
struct SweepNow {
    planned: u64,
    done: u64,
    begun_s: f64,
}

impl SweepNow {
    fn of(history: &History) -> Option<Self> {
        let ((_, plan), begun) = history.sweep.as_ref().zip(history.sweep_begun)?;
        let done = history.points.saturating_sub(begun.points);
        Some(Self { planned: plan.total(), done, begun_s: begun.worked_s })
    }

    fn part(self) -> f64 {
        (self.done as f64 / self.planned.max(1) as f64).clamp(0.0, 1.0)
    }

    /// Time left at its own pace, as soon as that shows.
    fn left_s(self, now_s: f64) -> Option<f64> {
        let part = self.part();
        let gone_s = now_s - self.begun_s;
        let shows = self.done >= 3 && gone_s > 0.0;
        shows.then(|| gone_s * (1.0 - part) / part)
    }
}

impl Along {
    fn new(course: Course) -> Self {
        let mut sweeping_s = vec![0.0; course.marks.len()];
        let mut until_s = course.total_s;
        let mut after_s = 0.0;
        for (mark, sweeping_s) in course.marks.iter().zip(&mut sweeping_s).rev() {
            if mark.is_sweep() {
                after_s += until_s - mark.at_s;
            }
            *sweeping_s = after_s;
            until_s = mark.at_s;
        }
        let all_s = sweeping_s.first().copied().unwrap_or(0.0);
        let rest = Rest { sweeping_s: all_s, other_s: course.total_s - all_s };
        Self { course, paces: Paces::new(rest), sweeping_s, at: None, interruptions: 0, strays: 0 }
    }

    /// What the rehearsal still had before it at its mark of this number.
    fn rest_at(&self, place: usize) -> Rest {
        let Some(mark) = self.course.marks.get(place) else { return Rest::default() };
        let sweeping_s = self.sweeping_s[place];
        Rest { sweeping_s, other_s: self.course.total_s - mark.at_s - sweeping_s }
    }

    fn take(&mut self, mark: &Mark) {
        // A stretch with a hold in it says nothing about the pace: there may be a way back in it.
        let held = std::mem::replace(&mut self.interruptions, mark.interruptions) != mark.interruptions;
        let next = self.at.map_or(0, |(place, _)| place + 1);
        let Some(ahead) = self.course.marks[next..].iter().position(|m| m.key == mark.key) else {
            self.strays += 1;
            return;
        };
        // Only a stretch that both went through is evidence, and only one without a hold.
        if ahead == 0 && self.strays == 0 && !held {
            let (from_s, since_s) =
                self.at.map_or((0.0, 0.0), |(place, at_s)| (self.course.marks[place].at_s, at_s));
            let foreseen_s = self.course.marks[next].at_s - from_s;
            let of = self.pace_at();
            of.take_in(Segment { foreseen_s, took_s: mark.worked_s - since_s });
        }
        self.at = Some((next + ahead, mark.worked_s));
        self.strays = 0;
    }

    fn in_sweep(&self) -> bool {
        self.at.is_some_and(|(place, _)| self.course.marks[place].is_sweep())
    }

    /// The pace of what is in hand.
    fn pace_at(&mut self) -> &mut Pace {
        if self.in_sweep() { &mut self.paces.sweeping } else { &mut self.paces.other }
    }

    /// Time left; of the current sweep, the part that is done and the rest at its own pace are known better.
    fn left(&self, now_s: f64, sweep: Option<(f64, Option<f64>)>) -> TimeLeft {
        let marks = &self.course.marks;
        let next = self.at.map_or(0, |(place, _)| place + 1);
        let (from_s, since_s) = self.at.map_or((0.0, 0.0), |(place, at_s)| (marks[place].at_s, at_s));
        let until_s = marks.get(next).map_or(self.course.total_s, |mark| mark.at_s);
        let mut rest = self.rest_at(next);
        let (whole_s, gone_s) = (until_s - from_s, (now_s - since_s).max(0.0));
        let mut paces = self.paces.clone();
        let mut own_s = 0.0;
        match sweep.filter(|_| self.in_sweep()) {
            Some((part, Some(left_s))) => {
                own_s = left_s;
                // What it shows of the pace holds for the sweeps after it.
                paces.sweeping.glance_at(Segment { foreseen_s: part * whole_s, took_s: gone_s });
            }
            Some((part, None)) => rest.sweeping_s += (1.0 - part) * whole_s,
            None if self.in_sweep() => rest.sweeping_s += paces.sweeping.still_of(whole_s, gone_s),
            None => rest.other_s += paces.other.still_of(whole_s, gone_s),
        }
        let (left_s, between) = paces.left(rest);
        let between_s = between.map(|(least, most)| (least + own_s, most + own_s));
        TimeLeft { s: left_s + own_s, between_s }
    }

    fn basis(&self) -> String {
        match (self.paces.seen(), self.paces.words()) {
            (0, _) => "by the rehearsal of just before the run".to_owned(),
            (_, None) => "by its rehearsal and its own pace".to_owned(),
            (_, Some(words)) => format!("by its rehearsal and its own pace: {words}"),
        }
    }
}

/// Helium at a moment, and when the refill is due.
fn helium_ahead(level: &Level, now_s: f64) -> Option<HeliumAhead> {
    let (_, last_m3) = *level.readings.last()?;
    let level_l = 1e3 * level.line().map_or(last_m3, |(line, _)| line.at(now_s).0);
    let due = level.due();
    Some(HeliumAhead {
        level_l,
        above_limit_l: level_l - level.limit_m3 * 1e3,
        due_in_s: due.map(|due| due.at_s - now_s),
        due_between_s: due.map(|due| (due.earliest_s - now_s, due.latest_s.map(|s| s - now_s))),
    })
}

/// The account, for those who show it: the one who is told first keeps it.
#[derive(Debug, Clone)]
pub struct SharedProspect(pub Rc<RefCell<Prospect>>);

impl SharedProspect {
    /// Shares an account.
    pub fn new(prospect: Prospect) -> Self {
        Self(Rc::new(RefCell::new(prospect)))
    }

    /// What lies ahead at a moment.
    pub fn ahead(&self, at: TimePoint, tally: &RunTally) -> Outlook {
        let mut prospect = self.0.borrow_mut();
        prospect.follow(tally);
        prospect.outlook(at, tally)
    }
}

impl Observer for SharedProspect {
    fn outlook(&self, at: TimePoint, tally: &RunTally) -> Option<Outlook> {
        Some(self.ahead(at, tally))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::builtin;
    use crate::record::{Axis, Column, Entry, HeldBy, SweepPlan};

    fn begin(step: u64, name: &str) -> Entry {
        Entry::StepBegin {
            n: 0,
            step,
            name: name.into(),
            place: crate::record::Place::default(),
            parent: None,
        }
    }

    fn end(step: u64) -> Entry {
        Entry::StepEnd { n: 0, step, left_out: None }
    }

    /// Ten steps of 100 s, then 50 s of parking.
    fn course() -> Course {
        let mut marks = Vec::new();
        for i in 0..10 {
            let at_s = 100.0 * f64::from(i);
            marks.push(mark(format!("step/{i}"), at_s));
            marks.push(mark(format!("end/{i}"), at_s + 100.0));
        }
        Course { marks, total_s: 1050.0 }
    }

    fn mark(key: String, at_s: f64) -> Mark {
        Mark { key, at_s, worked_s: at_s, interruptions: 0 }
    }

    /// A run and what lies ahead of it.
    struct Run {
        tally: RunTally,
        prospect: SharedProspect,
    }

    impl Run {
        fn with(foreseen: Foreseen) -> Self {
            let cell = Arc::new(OnceLock::new());
            cell.set(foreseen).unwrap();
            let window = Some(TimePoint::from_s(5000.0));
            let prospect = SharedProspect::new(Prospect::new(window, Some(cell)));
            Self { tally: RunTally::new(&builtin()), prospect }
        }

        fn entry(&mut self, at_s: f64, entry: &Entry) {
            self.tally.entry(TimePoint::from_s(at_s), entry);
        }

        fn ahead(&self, at_s: f64) -> Outlook {
            self.prospect.ahead(TimePoint::from_s(at_s), &self.tally)
        }
    }

    #[test]
    fn the_rehearsal_is_believed_first_and_the_run_then() {
        let mut one = Run::with(Foreseen::Course(course()));
        let at_first = one.ahead(0.0);
        assert_eq!(at_first.left.unwrap(), TimeLeft { s: 1050.0, between_s: None });
        assert!(at_first.basis.contains("rehearsal"));
        // Each step takes twice as long as it should.
        for i in 0..5 {
            one.entry(200.0 * i as f64, &begin(i, &i.to_string()));
            one.entry(200.0 * (i + 1) as f64, &end(i));
        }
        let later = one.ahead(1000.0);
        let left = later.left.unwrap();
        assert!((left.s - 1100.0).abs() < 30.0, "{left:?}");
        assert!(left.between_s.is_some() && later.basis.contains("longer"), "{later:?}");
        assert!((later.window_left_s.unwrap() - 4000.0).abs() < 1e-6);
        assert!(!later.is_too_long());
        // The current step is never thought to be over before it is.
        one.entry(1000.0, &begin(5, "5"));
        let stuck = one.ahead(2500.0).left.unwrap();
        assert!((stuck.s - 2.0 * 450.0).abs() < 30.0, "{stuck:?}");
    }

    fn sweep_begin(sweep: u64) -> Entry {
        let column = |name: &str| Column { channel: name.into(), unit: "V".into(), si_unit: "V".into() };
        let fast = Axis { channel: column("bias"), from: 0.0, to: 1.0, points: 100 };
        let plan = SweepPlan::plain("s", fast, vec![column("current")]);
        Entry::SweepBegin {
            n: 0,
            sweep,
            plan: Box::new(plan),
            place: crate::record::Place::default(),
            settings: None,
        }
    }

    #[test]
    fn a_ramp_that_falls_away_says_nothing_about_the_sweeps() {
        // Six steps: a ramp and a sweep of 400 s each. The first ramp takes 290 s from zero field in the rehearsal,
        // the others 60 s; in the run the field stands there already.
        let (mut marks, mut at_s) = (Vec::new(), 0.0);
        for i in 0..6 {
            marks.push(mark(format!("step/{i}"), at_s));
            at_s += if i == 0 { 290.0 } else { 60.0 };
            marks.push(mark(format!("sweep/{i}/s"), at_s));
            at_s += 400.0;
            marks.push(mark(format!("swept/{i}/s"), at_s));
            marks.push(mark(format!("end/{i}"), at_s));
        }
        let mut one = Run::with(Foreseen::Course(Course { marks, total_s: at_s }));
        one.entry(0.0, &begin(0, "0"));
        one.entry(50.0, &sweep_begin(0));
        one.tally.points = 25;
        // A quarter of a sweep at a pace of 1.1 is done.
        let left = one.ahead(160.0).left.unwrap();
        let truth = 330.0 + 5.0 * (60.0 + 440.0);
        assert!((left.s / truth - 1.0).abs() < 0.12, "{left:?} instead of {truth}");
        // In a hold nothing goes on, so nothing is left more or less; afterwards it goes on as before.
        one.entry(160.0, &Entry::Held { by: HeldBy::Operator, reason: "a refill".into() });
        let held = one.ahead(4000.0);
        assert_eq!(held.left.unwrap().s, left.s);
        assert!((held.sweep_left_s.unwrap() - 330.0).abs() < 1e-6 && held.basis.contains("hold"), "{held:?}");
        one.entry(4000.0, &Entry::Released { after_s: 3840.0 });
        one.tally.points = 50;
        let later = one.ahead(4110.0);
        assert!((later.sweep_left_s.unwrap() - 220.0).abs() < 1e-6, "{later:?}");
        assert!(!later.basis.contains("hold"));
    }

    #[test]
    fn a_step_that_is_left_out_shortens_the_rest_and_a_hold_is_no_pace() {
        let mut one = Run::with(Foreseen::Course(course()));
        one.entry(0.0, &begin(0, "0"));
        one.entry(50.0, &Entry::Held { by: HeldBy::Operator, reason: "tea".into() });
        one.entry(5000.0, &end(0));
        one.entry(5000.0, &begin(7, "7"));
        let outlook = one.ahead(5000.0);
        assert!((outlook.left.unwrap().s - 350.0).abs() < 1e-6, "{outlook:?}");
    }

    #[test]
    fn another_way_than_the_rehearsal_is_said_and_so_is_one_that_failed() {
        let mut one = Run::with(Foreseen::Course(course()));
        for i in 0..4 {
            one.entry(1.0, &begin(i, "somewhere else"));
        }
        let outlook = one.ahead(10.0);
        assert_eq!(outlook.left, None);
        assert!(outlook.basis.contains("another way"), "{outlook:?}");
        let failed = Run::with(Foreseen::Unknown("its rehearsal ended after 3 h: no line".into()));
        assert_eq!(failed.ahead(1.0).basis, "its rehearsal ended after 3 h: no line");
        let waiting = Prospect::new(None, Some(Arc::new(OnceLock::new())));
        let outlook = waiting.outlook(TimePoint::START, &RunTally::new(&builtin()));
        assert_eq!((outlook.left, outlook.basis.as_str()), (None, "the sequence is being rehearsed"));
    }

    #[test]
    fn helium_is_foretold_after_half_an_hour_and_anew_after_a_transfer() {
        let mut level = Level::of(&builtin()).unwrap();
        let noise = |m: u32| 0.01e-3 * f64::from(m % 3);
        for m in 0..10 {
            level.note(60.0 * f64::from(m), 40e-3 - noise(m));
        }
        assert_eq!(helium_ahead(&level, 600.0).unwrap().due_in_s, None);
        for m in 10..=120 {
            level.note(60.0 * f64::from(m), (40.0 - f64::from(m) / 60.0) * 1e-3 - noise(m));
        }
        // 1 L/h from 38 L to the mark at 10 L: 28 h.
        let helium = helium_ahead(&level, 7200.0).unwrap();
        let due_h = helium.due_in_s.unwrap() / 3600.0;
        let (least, most) = helium.due_between_s.unwrap();
        assert!((due_h - 28.0).abs() < 1.5 && least < helium.due_in_s.unwrap(), "{helium:?}");
        assert!(most.is_some_and(|most| most > helium.due_in_s.unwrap()));
        level.note(7300.0, 70e-3);
        let filled = helium_ahead(&level, 7300.0).unwrap();
        assert_eq!((filled.level_l, filled.due_in_s), (70.0, None));
    }
}
