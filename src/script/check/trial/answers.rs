//! A bench on which everything is answered at once: nothing is simulated, the numbers only have the right kind.

use super::ways::Way;
use crate::bench::expression::JustRead;
use crate::bench::{Bench, ChannelId, Role, Subject};
use crate::drive::Port;
use crate::instrument::{ErrorKind, InstrumentError, Task, TaskReport};
use crate::record::{Ending, Goals, KnownSpectrum, KnownSpin, Memory, Outcome, Place};
use crate::supervisor::{
    Answer, Call, Centred, Denial, Doubtful, HeliumOutlook, Question, Reply, Request, Statement, SweepData,
    SweepPlan,
};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use std::collections::BTreeSet;
use std::ops::RangeInclusive;
use std::sync::Arc;

/// Calls after which a trial is over.
const MOST_CALLS: u64 = 600;
/// Readings after which it is over.
const MOST_READINGS: u64 = 200_000;
/// Operations of the sequence after which it is over.
const MOST_OPERATIONS: u64 = 400_000;
/// The window that a sequence is told, s.
const WINDOW_S: f64 = 12.0 * 3600.0;
/// Width of what stands out in a sweep, in parts of the sweep.
const WIDTH: f64 = 0.04;
/// Places that stand out on the surface, m, and what they are high and wide.
const SPOTS_M: [[f64; 2]; 5] =
    [[0.0, 0.0], [3.1e-9, 1.9e-9], [-2.6e-9, 2.8e-9], [-3.3e-9, -2.2e-9], [2.4e-9, -3.4e-9]];
/// Field of the tip, T.
const TIP_FIELD_T: f64 = 0.03;
const SPOT_HIGH_M: f64 = 1.5e-10;
const SPOT_WIDE_M: f64 = 3e-10;

/// The make-believe bench.
pub(super) struct Answers {
    bench: Arc<Bench>,
    values: Vec<f64>,
    way: Way,
    /// Whether there is anything to be seen: lines, spots, two levels of a current.
    shows: bool,
    /// Lines that stand in a `try`, and those of them that have failed.
    tried: Vec<RangeInclusive<u32>>,
    failed: BTreeSet<u32>,
    /// The slope of a line against field, from the first window over the RF frequency, Hz/T.
    slope: Option<f64>,
    random: ChaCha8Rng,
    now_s: f64,
    calls: u64,
    readings: u64,
    operations: u64,
    sweeps: u64,
    /// What a plan has said; nothing is ever settled here.
    goals: Goals,
}

impl Answers {
    pub(super) fn new(bench: Arc<Bench>, way: Way, in_range: bool, tried: Vec<RangeInclusive<u32>>) -> Self {
        let first = |channel: &crate::bench::Channel| {
            let value = match channel.role {
                Some(Role::Approached) => f64::from(u8::from(in_range)),
                role => role.map_or(0.0, at_first),
            };
            if channel.settable { value.clamp(channel.min, channel.max) } else { value }
        };
        let values = bench.channels.iter().map(first).collect();
        let random = ChaCha8Rng::seed_from_u64(1);
        let shows = way != Way::Nothing;
        Self {
            bench,
            values,
            way,
            shows,
            tried,
            failed: BTreeSet::new(),
            slope: None,
            random,
            now_s: 0.0,
            calls: 0,
            readings: 0,
            operations: 0,
            sweeps: 0,
            goals: Goals::default(),
        }
    }

    /// From −1 to 1, most often in the middle.
    fn noise(&mut self) -> f64 {
        let mut one = || f64::from(self.random.next_u32()) / f64::from(u32::MAX);
        one() + one() - 1.0
    }

    /// A reading, where something of `high` times the noise may stand out.
    fn reading(&mut self, id: ChannelId, high: f64) -> f64 {
        let role = self.bench.channel(id).role;
        let value = self.values[id.index()];
        let seen = if self.shows && role.is_some_and(shows_lines) { 30.0 * high } else { 0.0 };
        value + role.map_or(0.0, scatter) * (self.noise() + seen)
    }

    /// Whether the permits of the bench are met by where its channels stand.
    fn permitted(&self, subject: Subject, target: Option<f64>) -> Result<(), Denial> {
        let just_read = JustRead(|id: ChannelId| self.values.get(id.index()).copied());
        let of_this = self.bench.permits.iter().filter(|permit| permit.subject == subject);
        for permit in of_this.filter(|permit| permit.applies_to(target, None)) {
            if permit.condition.holds(&just_read) == Some(false) {
                let (text, because) = (&permit.condition.text, &permit.because);
                let mark = permit.above.zip(channel_of(subject)).map(|(mark, id)| {
                    let channel = self.bench.channel(id);
                    format!("more than {} of `{}` is ", channel.show(mark), channel.name)
                });
                let mark = mark.unwrap_or_default();
                let approached = self.bench.by_role(Role::Approached);
                let remedy = match approached.and_then(|id| permit.condition.wants(id)) {
                    Some(1.0) => ", so approach() comes before it",
                    Some(0.0) => ", so withdraw() comes before it",
                    _ => "",
                };
                return Err(Denial::Forbidden(format!(
                    "{mark}not permitted: {because}; it needs {text}{remedy}"
                )));
            }
        }
        Ok(())
    }

    fn spend(&mut self, readings: u64, seconds: f64) {
        self.readings = self.readings.saturating_add(readings);
        self.now_s += seconds.max(0.0);
    }

    fn sweep(&mut self, plan: &Arc<SweepPlan>, (sweep, first, until): (u64, u64, u64)) -> Reply {
        let ends = [plan.fast.from, plan.fast.to];
        for end in ends.into_iter().chain(plan.places.iter().copied()) {
            self.permitted(Subject::Channel(plan.fast.channel), Some(end))?;
        }
        let count = until.saturating_sub(first);
        self.spend(count * plan.read.len() as u64, count as f64 * (plan.dwell_s + 0.1));
        if self.readings > MOST_READINGS {
            return Err(enough());
        }
        let (from, to) = (plan.fast.from, plan.fast.to);
        let centre = self.centre(plan);
        let mut values = Vec::with_capacity(count as usize * plan.read.len());
        for i in first..until {
            let (fast, slow) = plan.at(i);
            self.values[plan.fast.channel.index()] = fast;
            if let Some(axis) = &plan.slow {
                self.values[axis.channel.index()] = slow;
            }
            let part = match plan.places.is_empty() {
                true => (fast - from) / (to - from),
                false => middle(&plan.places, fast),
            };
            let high = 1.0 / (1.0 + ((part - centre) / WIDTH).powi(2));
            values.extend(plan.read.iter().map(|id| self.reading(*id, high)));
        }
        let (plan, doubtful) = (Arc::clone(plan), Doubtful::default());
        Ok(Answer::Sweep(SweepData { sweep, plan, setpoint_a: None, doubtful, values }))
    }

    /// Where a line lies in a sweep, in parts of it: over the RF frequency it moves with the field, from the middle of the
    /// first window; else it lies in the middle.
    fn centre(&mut self, plan: &SweepPlan) -> f64 {
        let (from, to) = (plan.fast.from, plan.fast.to);
        if self.bench.by_role(Role::RfFrequency) != Some(plan.fast.channel) {
            return 0.5;
        }
        let field_t =
            self.bench.by_role(Role::FieldZ).map_or(0.0, |id| self.values[id.index()]) + TIP_FIELD_T;
        let slope = *self.slope.get_or_insert(0.5 * (from + to) / field_t);
        (slope * field_t - from) / (to - from)
    }

    fn task(&mut self, task: Task) -> Reply {
        self.permitted(Subject::Task(task.kind()), None)?;
        let role = |bench: &Bench, role| bench.by_role(role).map(ChannelId::index);
        let (mut data, mut set) = (Vec::new(), Vec::new());
        match task {
            Task::Approach => set.push((Role::Approached, 1.0)),
            Task::Withdraw => set.push((Role::Approached, 0.0)),
            Task::MoveTip { x_m, y_m, .. } => set.extend([(Role::TipX, x_m), (Role::TipY, y_m)]),
            Task::Trace { channel, samples, interval_s } => {
                self.spend(u64::from(samples), f64::from(samples) * interval_s);
                if self.readings > MOST_READINGS {
                    return Err(enough());
                }
                data = (0..samples).map(|i| self.reading(channel, f64::from(i / 11 % 2))).collect();
            }
            Task::Image { x_m, y_m, size_m, pixels, line_s } => {
                self.spend(u64::from(pixels).pow(2), 2.0 * f64::from(pixels) * line_s);
                if self.readings > MOST_READINGS {
                    return Err(enough());
                }
                let at =
                    |i: u32, centre_m| centre_m + ((f64::from(i) + 0.5) / f64::from(pixels) - 0.5) * size_m;
                let places = (0..pixels * pixels).map(|i| [at(i % pixels, x_m), at(i / pixels, y_m)]);
                data = places.map(|place| self.height(place)).collect();
            }
            _ => {}
        }
        for (of, value) in set {
            if let Some(i) = role(&self.bench, of) {
                self.values[i] = value;
            }
        }
        self.spend(0, 60.0);
        let attempt = matches!(task, Task::Pulse { .. } | Task::PickUp | Task::PutDown);
        let achieved = !(attempt && self.way == Way::Contrary);
        Ok(Answer::Task(TaskReport { achieved, remark: "done".to_owned(), data }))
    }

    fn height(&mut self, [x_m, y_m]: [f64; 2]) -> f64 {
        let bump = |[at_x, at_y]: &[f64; 2]| {
            let away = ((x_m - at_x).hypot(y_m - at_y) / SPOT_WIDE_M).powi(2);
            SPOT_HIGH_M * (-0.5 * away).exp()
        };
        let spots: f64 = if self.shows { SPOTS_M.iter().map(bump).sum() } else { 0.0 };
        spots + scatter(Role::Height) * self.noise()
    }

    fn ask(&self, question: Question) -> Answer {
        let helium_m3 = (0.05 - 3e-8 * self.now_s).max(0.0);
        match question {
            Question::Elapsed => Answer::Number(self.now_s),
            Question::TimeLeft => Answer::Number(WINDOW_S - self.now_s),
            Question::HeliumLeft => Answer::Number(helium_m3),
            Question::HeliumOutlook => {
                Answer::HeliumOutlook(HeliumOutlook { left_m3: helium_m3, ..HeliumOutlook::default() })
            }
            Question::Tip => Answer::Tip { life: Box::default(), guarded: None },
            Question::Goals => Answer::Goals(Box::new(self.goals.clone())),
            Question::Earlier => Answer::Earlier(None),
            Question::SinceCondensed => Answer::Number(3600.0 + self.now_s),
        }
    }

    fn answer(&mut self, request: Request) -> Reply {
        match request {
            Request::Set { channel, value } => {
                self.permitted(Subject::Channel(channel), Some(value))?;
                self.values[channel.index()] = value;
                self.spend(1, 1.0);
                Ok(Answer::Done)
            }
            Request::Read { channels, samples, spacing_s } => {
                self.spend(channels.len() as u64, f64::from(samples) * spacing_s + 0.1);
                Ok(Answer::Numbers(channels.into_iter().map(|id| self.reading(id, 0.0)).collect()))
            }
            Request::Wait { seconds } => {
                self.spend(0, seconds);
                Ok(Answer::Done)
            }
            Request::Sweep(plan) => {
                let number = self.sweeps;
                self.sweeps += 1;
                let until = plan.until.unwrap_or_else(|| plan.total());
                self.sweep(&plan, (number, plan.first, until))
            }
            Request::SweepOn { sweep, first, until, plan: Some(plan) } => {
                self.sweep(&plan, (sweep, first, until))
            }
            Request::Task(task) => self.task(task),
            Request::Recentre(_) => Ok(Answer::Centred(self.centred())),
            Request::Ask(question) => Ok(self.ask(question)),
            Request::Restore { .. } => Ok(Answer::Number(0.0)),
            Request::Record(Statement::Plan(said)) => {
                self.goals.said(self.now_s, &said);
                Ok(Answer::Done)
            }
            Request::SweepOn { .. } | Request::Settle | Request::Record(_) | Request::Park => {
                Ok(Answer::Done)
            }
        }
    }

    fn centred(&self) -> Centred {
        let at = |role| self.bench.by_role(role).map_or(0.0, |id| self.values[id.index()]);
        Centred {
            found: self.shows,
            x_m: at(Role::TipX),
            y_m: at(Role::TipY),
            dx_m: 0.0,
            dy_m: 0.0,
            x_error_m: 1e-12,
            y_error_m: 1e-12,
            curvature: -1e8,
            searched: false,
            remark: String::new(),
        }
    }
}

impl Port for Answers {
    fn bench(&self) -> Arc<Bench> {
        Arc::clone(&self.bench)
    }

    fn request(&mut self, call: Call) -> Reply {
        self.calls += 1;
        if self.calls > MOST_CALLS || self.readings > MOST_READINGS || self.now_s > 40.0 * WINDOW_S {
            return Err(enough());
        }
        let says = matches!(call.request, Request::Record(_) | Request::Ask(_));
        let line = call.place.line;
        let fails = self.way == Way::Failing && !says && self.tried.iter().any(|lines| lines.contains(&line));
        if fails && self.failed.insert(line) {
            return Err(Denial::Instrument(InstrumentError::new(ErrorKind::TimedOut, "no answer")));
        }
        self.answer(call.request)
    }

    fn computed(&mut self, operations: u64) -> Option<Ending> {
        self.operations += operations;
        (self.operations > MOST_OPERATIONS).then(over)
    }

    fn seed(&self) -> u64 {
        1
    }

    fn memory(&self) -> Arc<Memory> {
        let contrary = self.way == Way::Contrary;
        Arc::new(if contrary { remembered(&self.bench) } else { Memory::default() })
    }
}

/// What a logbook may know: a spin, and a spectrum of it.
fn remembered(bench: &Bench) -> Memory {
    let name = |role| bench.by_role(role).map_or_else(String::new, |id| bench.channel(id).name.clone());
    let spin = KnownSpin {
        id: "A1".to_owned(),
        names: String::new(),
        area: 0,
        at_m: SPOTS_M[0],
        last_s: -3600.0,
        moment: Some([0.9, 0.01]),
    };
    let x: Vec<f64> = (0..41).map(|i| 14e9 + 5e6 * f64::from(i)).collect();
    let spectrum = KnownSpectrum {
        run: "20260101_200000".to_owned(),
        sweep: 0,
        name: "background".to_owned(),
        channel: name(Role::RfFrequency),
        ends: [14e9, 14.2e9],
        points: 41,
        at_s: -3600.0,
        tip: 1,
        spin: Some("A1".to_owned()),
        field_t: Some(0.3),
        verdict: "real".to_owned(),
        columns: vec![(name(Role::LockinX), vec![5e-14; x.len()])],
        x,
    };
    Memory {
        areas: vec![SPOTS_M.map(|[x, y]| [x, y, SPOT_HIGH_M]).to_vec()],
        spins: vec![spin],
        spectra: vec![spectrum],
    }
}

fn channel_of(subject: Subject) -> Option<ChannelId> {
    match subject {
        Subject::Channel(id) => Some(id),
        Subject::Task(_) => None,
    }
}

fn enough() -> Denial {
    Denial::Ended(over())
}

/// A trial that has gone far enough; nobody reads this.
fn over() -> Ending {
    Ending { outcome: Outcome::Stopped, reason: String::new(), place: Place::default(), latched: false }
}

/// How far along a list of places one is.
fn middle(places: &[f64], at: f64) -> f64 {
    let rank = places.iter().filter(|place| **place < at).count();
    rank as f64 / places.len() as f64
}

/// What a channel of a role reads before anybody has set it, SI: any value of the usual size.
fn at_first(role: Role) -> f64 {
    match role {
        Role::Bias => 0.06,
        Role::Setpoint | Role::Current => 1e-11,
        Role::Feedback | Role::LockinOrder => 1.0,
        Role::FieldZ => 0.3,
        Role::RfFrequency => 14e9,
        Role::RfLevel => -20.0,
        Role::LockinX => 5e-14,
        Role::LockinTimeConstant => 0.3,
        Role::StageTemperature | Role::PotTemperature => 0.31,
        Role::HeliumLevel => 0.06,
        Role::ChamberPressure | Role::PreparationPressure => 1e-8,
        _ => 0.0,
    }
}

/// How much its readings scatter, SI.
fn scatter(role: Role) -> f64 {
    match role {
        Role::Current => 5e-14,
        Role::LockinX | Role::LockinY => 3e-15,
        Role::Height => 1e-12,
        Role::StageTemperature | Role::PotTemperature => 1e-3,
        Role::HeliumLevel => 1e-5,
        Role::ChamberPressure | Role::PreparationPressure => 1e-10,
        Role::FieldZ | Role::FieldX | Role::MagnetVoltage => 1e-5,
        _ => 0.0,
    }
}

/// Whether lines and levels are seen in its readings.
fn shows_lines(role: Role) -> bool {
    matches!(role, Role::Current | Role::LockinX | Role::LockinY | Role::Height)
}
