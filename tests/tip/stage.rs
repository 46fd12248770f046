//! Rehearsals with a tip of which something is known before, and what became of it.

use noctule::bench::{Bench, TaskKind};
use noctule::drive::virtual_time::Observer;
use noctule::quantity::TimePoint;
use noctule::record::{
    Answer, Beforehand, Declared, DigestOnly, Entry, JudgementKind, KeptSpin, Outcome, Request, TipFinding,
    TipLife, TipTest, TipVerdict,
};
use noctule::run::faults::{FaultPlan, read_faults};
use noctule::run::{BenchSource, Setup, rehearse_with_faults};
use noctule::script::Sequence;
use std::cell::RefCell;
use std::rc::Rc;

/// Marks of the guard of the built-in bench.
pub const BIAS_MARK_V: f64 = 0.2;
pub const SETPOINT_MARK_A: f64 = 150e-12;
/// Places of two adatoms of the shipped world, m.
pub const A1: [f64; 2] = [3.20e-9, -1.85e-9];
pub const A2: [f64; 2] = [-4.60e-9, 5.30e-9];

/// What happened in a rehearsal.
#[derive(Debug, Clone, Default)]
pub struct Seen {
    /// Harmful acts that were done.
    pub harm: Vec<String>,
    /// Acts that the guard refused.
    pub refused: usize,
    /// Words to people about that.
    pub said: usize,
    pub outcome: Option<Outcome>,
    pub reason: String,
    pub declared: Option<Declared>,
    pub tip: TipLife,
    /// Apexes that the simulated microscope had.
    pub apexes: usize,
    /// Sites whose atoms were lifted or moved.
    pub lifted: Vec<String>,
    /// Commands that should not have left.
    pub violations: u64,
    pub notes: Vec<String>,
    /// When a watch found the tip changed, s.
    pub changes_s: Vec<f64>,
    /// When each apex came, s.
    pub came_s: Vec<f64>,
    /// How long it took, s.
    pub took_s: f64,
    /// Sites over which the tip stood for a minute or more, in order.
    pub stays: Vec<String>,
}

#[derive(Clone, Default)]
struct Looker(Rc<RefCell<Seen>>);

impl Observer for Looker {
    fn entry(&mut self, at: TimePoint, entry: &Entry) {
        let mut seen = self.0.borrow_mut();
        match entry {
            Entry::Note { text, .. } => seen.notes.push(text.clone()),
            Entry::Judgement { what: JudgementKind::TipChange, .. } => seen.changes_s.push(at.s()),
            Entry::Call { request: Request::Task(task), answer: Ok(Answer::Task(report)), .. } => {
                use TaskKind::{CoarseShift, CoarseStep, PickUp, Pulse, PutDown};
                if [PickUp, PutDown, Pulse, CoarseStep, CoarseShift].contains(&task.kind()) {
                    seen.harm.push(format!("{}: {}", task.kind().name(), report.remark));
                }
            }
            _ => {}
        }
    }

    fn notice(&mut self, _at: TimePoint, notice: &noctule::supervisor::Notice) {
        self.0.borrow_mut().said += usize::from(notice.topic == "guard");
    }
}

/// A tip that was proved an hour ago, by tests on two atoms of the shipped world.
pub fn proved() -> TipLife {
    let test = |at_s: f64, at_m: [f64; 2]| TipTest {
        at_s,
        finding: TipFinding { verdict: TipVerdict::Contrast, polarisation: Some([0.22, 0.001]) },
        at_m,
        field_t: [0.0, 0.4],
        stage_k: 0.3,
        centred: true,
    };
    TipLife {
        proved_s: Some(-3600.0),
        tests: vec![test(-6000.0, A1), test(-3600.0, A2)],
        ..TipLife::default()
    }
}

/// A spin that is kept from before.
pub fn kept(name: &str, at_m: [f64; 2]) -> KeptSpin {
    KeptSpin { name: name.to_owned(), at_m, seen_s: 0.0, area: [0, 0], shifts: 0 }
}

pub fn rehearse(text: &str, world: &str, seed: u64, tip: Option<TipLife>, faults: &str) -> Seen {
    rehearse_within(text, world, seed, tip, faults, None)
}

pub fn rehearse_within(
    text: &str,
    world: &str,
    seed: u64,
    tip: Option<TipLife>,
    faults: &str,
    window_s: Option<f64>,
) -> Seen {
    let source = BenchSource::load(None).unwrap();
    let window = window_s.map(TimePoint::from_s);
    let sequence = Sequence::from_text("harm.rhai", text);
    let setup = Setup::for_rehearsal(sequence, source, Some(world), seed, window);
    let setup = setup.unwrap().knowing(Beforehand { tip: tip.map(Box::new), ..Beforehand::default() });
    let plan = if faults.is_empty() {
        FaultPlan::default()
    } else {
        read_faults(&format!("Faults(faults: [{faults}])"), &setup.bench).unwrap()
    };
    let looker = Looker::default();
    let began = "2026-11-20T20:00:00+00:00[UTC]";
    let done =
        rehearse_with_faults(&setup, &plan, Box::new(DigestOnly::default()), Box::new(looker.clone()), began);
    let mut seen = looker.0.borrow().clone();
    let bench: &Bench = &setup.bench;
    for (name, mark) in [("bias", BIAS_MARK_V), ("setpoint", SETPOINT_MARK_A)] {
        let sent = done.tally.sent[bench.find(name).unwrap().index()];
        if sent.count > 0 && sent.most.abs().max(sent.least.abs()) > mark * (1.0 + 1e-9) {
            seen.harm.push(format!("{name} up to {}", sent.most));
        }
    }
    let truth = done.truth.as_ref().unwrap();
    seen.came_s = truth.tips.iter().map(|tip| tip.from_s).collect();
    seen.took_s = done.tally.end_s;
    seen.stays = truth.stays.iter().map(|stay| stay.site.clone()).collect();
    (seen.apexes, seen.lifted) = (truth.tips.len(), truth.lifted.clone());
    seen.refused = done.tally.tip.refused as usize;
    seen.outcome = done.tally.ending.as_ref().map(|ending| ending.outcome);
    seen.reason = done.tally.ending.as_ref().map(|ending| ending.reason.clone()).unwrap_or_default();
    seen.declared = done.tally.declared.clone();
    seen.tip = done.tally.tip.clone();
    seen.violations = done.oracle.violations;
    seen
}
