//! Reading an account from a run file.

use super::{
    Account, BulkOutline, Clock, Fitted, Happening, Identity, Interruption, Judged, Law, ParkStep, Remark,
    State, StepSpan, SweepOutline, TipEvent, salvage,
};
use crate::bench::{Bench, Role};
use crate::quantity::{Moment, in_words};
use crate::record::{Entry, Numbered, Place, RecordError, RunFile, SalvagedRow, SweepTable};
use crate::supervisor::OWN_CALL;
use serde_json::Value;
use std::collections::BTreeMap;

/// Calls that belong to the history of the tip.
const TIP_VERBS: [&str; 6] = ["approach", "withdraw", "pulse", "pick_up", "drop", "coarse_step"];

pub(super) fn read(run: &RunFile) -> Account {
    let integrity = salvage::check(run);
    let intact = integrity.faults.is_empty();
    let bench = run.document("bench").ok().flatten();
    let bench = bench.and_then(|(name, text)| crate::bench::read(&text, &name).ok()).map(|(bench, _)| bench);
    let before = if intact { u64::MAX } else { integrity.intact };
    let mut reader = Reader::new(run, bench);
    let walked = run.entries(None, |numbered| {
        if numbered.seq < before {
            reader.entry(&numbered);
        }
        Ok(())
    });
    let mut account = reader.account;
    account.integrity = integrity;
    if let (Err(error), true) = (walked, intact) {
        account.integrity.faults.push(error.to_string());
    }
    account.open_intents = reader.intents.into_values().collect();
    account.clock =
        Clock::new(reader.started_at.as_deref(), account.bench.as_ref().and_then(|b| b.time_zone.as_deref()));
    if let Err(error) = finish_sweeps(run, &mut account, before) {
        account.integrity.faults.push(format!("points can't be read: {error}"));
    }
    if !account.integrity.faults.is_empty() {
        let mut behind = None;
        let found = crate::record::salvage(run.path(), |_, row, certain| {
            if let (SalvagedRow::Entry { entry: Entry::End { ending, parked, .. }, .. }, true) =
                (row, certain)
            {
                behind = Some((ending, parked));
            }
            Ok(())
        });
        account.salvage = found.ok();
        account.ending_behind = behind.filter(|_| account.ending.is_none());
    }
    account
}

/// How many points each sweep has, and where its axes were left.
fn finish_sweeps(run: &RunFile, account: &mut Account, before: u64) -> Result<(), RecordError> {
    let mut last_moment = account.end_s;
    for i in 0..account.sweeps.len() {
        let sweep = &account.sweeps[i];
        let number = sweep.table.sweep;
        if !sweep.ended || before != u64::MAX {
            let mut last = None;
            let mut count = 0;
            let intact =
                if before == u64::MAX { u64::MAX } else { salvage::intact_points(run, number, before)? };
            run.points(number, |point| {
                if count < intact {
                    count += 1;
                    last = Some(point);
                }
            })?;
            let (fast, slow) = (sweep.table.fast.channel.clone(), sweep.table.slow.clone());
            account.sweeps[i].measured = count;
            if let Some(point) = last {
                last_moment = last_moment.max(point.at.s());
                if account.ending.is_none() {
                    account.state.swept(&fast, point.x, point.at.s());
                    if let Some(slow) = slow {
                        account.state.swept(&slow.channel, point.y, point.at.s());
                    }
                }
            }
        }
        account.points += account.sweeps[i].measured;
    }
    account.end_s = last_moment;
    Ok(())
}

#[derive(Debug)]
pub(super) struct Reader {
    pub(super) account: Account,
    pub(super) started_at: Option<String>,
    /// Actions begun, by the number of their call.
    pub(super) intents: BTreeMap<u64, (f64, String, Place)>,
    pub(super) open_steps: Vec<usize>,
}

impl Reader {
    pub(super) fn new(run: &RunFile, bench: Option<Bench>) -> Self {
        let account = Account {
            path: run.path().to_owned(),
            identity: None,
            clock: Clock::default(),
            window_s: None,
            sequence_path: String::new(),
            bench,
            ending: None,
            parked: false,
            end_s: 0.0,
            steps: Vec::new(),
            sweeps: Vec::new(),
            bulks: Vec::new(),
            fits: Vec::new(),
            laws: Vec::new(),
            verdicts: Vec::new(),
            judged: Vec::new(),
            remarks: Vec::new(),
            interruptions: Vec::new(),
            happenings: Vec::new(),
            tip: Vec::new(),
            centres: Vec::new(),
            park: Vec::new(),
            monitors: BTreeMap::new(),
            state: State::default(),
            open_intents: Vec::new(),
            points: 0,
            integrity: crate::record::Integrity::default(),
            salvage: None,
            ending_behind: None,
        };
        Self { account, started_at: None, intents: BTreeMap::new(), open_steps: Vec::new() }
    }

    pub(super) fn entry(&mut self, numbered: &Numbered) {
        let Numbered { seq, at, entry } = numbered;
        self.account.state.entry(*at, entry, self.account.bench.as_ref());
        let at_s = at.s();
        self.account.end_s = self.account.end_s.max(at_s);
        self.way_back(entry);
        match entry {
            Entry::Identity { .. } | Entry::Context { .. } | Entry::Resumed { .. } | Entry::End { .. } => {
                self.frame(at_s, entry);
            }
            Entry::StepBegin { .. } | Entry::StepEnd { .. } => self.step(at_s, entry),
            Entry::SweepBegin { .. } | Entry::SweepEnd { .. } | Entry::Bulk { .. } => {
                self.data(*seq, *at, entry);
            }
            Entry::Judgement { what, sweep, title, body, .. } => {
                self.judgement(*seq, at_s, what, *sweep, title, body);
            }
            Entry::Note { text, place, for_next_shift, .. } => self.account.remarks.push(Remark {
                at_s,
                text: text.clone(),
                decided: None,
                place: place.clone(),
                for_next_shift: *for_next_shift,
            }),
            Entry::Decision { question, answer, reason, place, .. } => self.account.remarks.push(Remark {
                at_s,
                text: question.clone(),
                decided: Some((*answer, reason.clone())),
                place: place.clone(),
                for_next_shift: false,
            }),
            Entry::Monitor { channel, value } => {
                // Without an allocation for each reading of a long run.
                match self.account.monitors.get_mut(channel) {
                    Some(list) => list.push((at_s, *value)),
                    None => {
                        self.account.monitors.insert(channel.clone(), vec![(at_s, *value)]);
                    }
                }
            }
            Entry::Intent { n, verb, args, place } => {
                let what = if args == "{}" { verb.clone() } else { format!("{verb} {args}") };
                self.intents.insert(*n, (at_s, what, place.clone()));
            }
            Entry::Call { n, verb, args, answer, .. } => {
                self.intents.remove(n);
                self.call(at_s, verb, args, answer);
            }
            other => self.happening(at_s, other),
        }
    }

    /// After an interruption the engine brings the bench back with calls of its own, until the sequence goes on.
    fn way_back(&mut self, entry: &Entry) {
        let Some(cut) = self.account.interruptions.last_mut().filter(|cut| cut.open) else { return };
        match entry {
            Entry::Judgement { n: OWN_CALL, what, title, .. } if what == "recentre" => {
                cut.centred = Some(title.clone());
            }
            Entry::SafeStep { during, what, achieved, .. } if during == "restore" => {
                cut.brought_back.push((what.clone(), *achieved));
            }
            Entry::SweepBegin { .. } | Entry::SweepEnd { .. } | Entry::Held { .. } | Entry::End { .. } => {
                cut.open = false;
            }
            Entry::Call { n, .. } | Entry::Note { n, .. } if *n != OWN_CALL => cut.open = false,
            _ => {}
        }
    }

    fn frame(&mut self, at_s: f64, entry: &Entry) {
        match entry {
            Entry::Identity {
                sequence,
                sequence_hash,
                bench,
                bench_hash,
                world,
                seed,
                rehearsal,
                version,
                ..
            } => {
                self.account.identity = Some(Identity {
                    sequence: sequence.clone(),
                    sequence_hash: sequence_hash.clone(),
                    bench: bench.clone(),
                    bench_hash: bench_hash.clone(),
                    world: world.clone(),
                    seed: *seed,
                    rehearsal: *rehearsal,
                    version: version.clone(),
                });
            }
            Entry::Context { started_at, window_s, sequence_path, .. } => {
                // The first start is the origin of all moments; later ones are of resumed runs.
                self.started_at.get_or_insert_with(|| started_at.clone());
                self.account.window_s = window_s.or(self.account.window_s);
                self.account.sequence_path.clone_from(sequence_path);
            }
            Entry::Resumed { version, differences, window, taken_up_at, .. } => {
                self.account.park.clear();
                Interruption::begin(&mut self.account, at_s, taken_up_at.as_deref());
                if let Some(cut) = self.account.interruptions.last() {
                    let text = cut.why();
                    self.say(cut.at_s, "cut", text, true, None);
                }
                let mut text = format!("the run was taken up again by version {version}");
                if let Some(window) = window {
                    text +=
                        &format!(", with a new window until {}", super::clock::day_and_minute(&window.until));
                    self.account.window_s = Some(window.end_s);
                }
                if !differences.is_empty() {
                    text += &format!("; it differs: {}", differences.join("; "));
                }
                let grave = !differences.is_empty();
                self.say(at_s, "resumed", text, grave, None);
            }
            Entry::End { ending, parked, elapsed_s } => {
                self.account.ending = Some(ending.clone());
                self.account.parked = *parked;
                self.account.end_s = self.account.end_s.max(*elapsed_s);
            }
            _ => {}
        }
    }

    fn step(&mut self, at_s: f64, entry: &Entry) {
        match entry {
            Entry::StepBegin { step, name, place, parent, .. } => {
                let above = parent.and_then(|p| self.account.steps.iter().find(|s| s.step == p));
                let depth = above.map_or(0, |s| s.depth + 1);
                self.open_steps.push(self.account.steps.len());
                self.account.steps.push(StepSpan {
                    step: *step,
                    name: name.clone(),
                    depth,
                    from_s: at_s,
                    to_s: None,
                    left_out: None,
                    place: place.clone(),
                    sweeps: 0,
                });
            }
            Entry::StepEnd { step, left_out, .. } => {
                let open = self.account.steps.iter_mut().rposition(|s| s.step == *step);
                if let Some(i) = open {
                    self.account.steps[i].to_s = Some(at_s);
                    self.account.steps[i].left_out.clone_from(left_out);
                    self.open_steps.retain(|o| *o != i);
                }
            }
            _ => {}
        }
    }

    fn data(&mut self, seq: u64, at: Moment, entry: &Entry) {
        match entry {
            Entry::SweepBegin { sweep, name, args, place, fast, slow, read, points, both_ways, .. } => {
                for i in &self.open_steps {
                    self.account.steps[*i].sweeps += 1;
                }
                let parsed: Value = serde_json::from_str(args).unwrap_or(Value::Null);
                let line = parsed["fast"]["points"].as_u64();
                let si = |role: Role| {
                    let bench = self.account.bench.as_ref()?;
                    self.account.state.of_role(bench, role).map(|s| s.si)
                };
                self.account.sweeps.push(SweepOutline {
                    measured: 0,
                    line,
                    at_s: at.s(),
                    ended: false,
                    field_t: si(Role::FieldZ),
                    level_dbm: si(Role::RfLevel),
                    place: place.clone(),
                    args: args.clone(),
                    table: SweepTable {
                        sweep: *sweep,
                        name: name.clone(),
                        at,
                        fast: fast.clone(),
                        slow: slow.clone(),
                        values: vec![Vec::new(); read.len()],
                        read: read.clone(),
                        planned: *points,
                        both_ways: *both_ways,
                        x: Vec::new(),
                        y: Vec::new(),
                    },
                });
            }
            Entry::SweepEnd { sweep, points, .. } => {
                let Some(open) = self.account.sweeps.iter_mut().rfind(|s| s.table.sweep == *sweep) else {
                    return;
                };
                (open.ended, open.measured) = (true, *points);
                let args: Value = serde_json::from_str(&open.args).unwrap_or(Value::Null);
                // A sweep leaves its axes at their ends.
                for (axis, column) in [("fast", Some(&open.table.fast)), ("slow", open.table.slow.as_ref())] {
                    let side = if axis == "fast" && open.table.both_ways { "from" } else { "to" };
                    if let (Some(column), Some(si)) = (column, args[axis][side].as_f64()) {
                        self.account.state.swept(&column.channel, si, at.s());
                    }
                }
            }
            Entry::Bulk { verb, args, name, unit, shape, interval_s, .. } => {
                self.account.bulks.push(BulkOutline {
                    seq,
                    at_s: at.s(),
                    verb: verb.clone(),
                    name: name.clone(),
                    unit: unit.clone(),
                    shape: shape.clone(),
                    interval_s: *interval_s,
                    args: args.clone(),
                });
            }
            _ => {}
        }
    }

    fn judgement(&mut self, seq: u64, at_s: f64, what: &str, sweep: Option<u64>, title: &str, body: &Value) {
        match what {
            "fit" => {
                let mut fit = Fitted::read(seq, at_s, sweep, title, body);
                let about = self.account.sweeps.iter().rfind(|s| Some(s.table.sweep) == sweep);
                fit.field_t = about.and_then(|s| s.field_t);
                self.account.fits.push(fit);
            }
            "field_line" => self.account.laws.push(Law::read(at_s, title, body)),
            "verdict" => self.account.verdicts.push(Judged::read(at_s, body)),
            "recentre" => {
                if let (Some(x), Some(y)) = (body["x_m"].as_f64(), body["y_m"].as_f64()) {
                    self.account.centres.push((at_s, x, y));
                }
            }
            other => {
                if other.contains("contrast") || other.contains("tip") {
                    self.account.tip.push(TipEvent {
                        at_s,
                        what: other.to_owned(),
                        achieved: None,
                        remark: title.to_owned(),
                    });
                }
                self.account.judged.push((at_s, other.to_owned(), title.to_owned(), body.clone()));
            }
        }
    }

    fn call(&mut self, at_s: f64, verb: &str, args: &str, answer: &Value) {
        if !TIP_VERBS.contains(&verb) {
            return;
        }
        let achieved = answer.pointer("/task/achieved").and_then(Value::as_bool);
        let said = ["/task/remark", "/instrument/message", "/forbidden"];
        let remark = said.iter().find_map(|p| answer.pointer(p).and_then(Value::as_str)).unwrap_or_default();
        let remark =
            if args == "{}" || args.is_empty() { remark.to_owned() } else { format!("{args} {remark}") };
        let achieved = achieved.or(Some(false));
        self.account.tip.push(TipEvent { at_s, what: verb.to_owned(), achieved, remark });
    }

    fn happening(&mut self, at_s: f64, entry: &Entry) {
        match entry {
            Entry::Interlock { name, action, value, because, place } => {
                let text = format!("{name} tripped, action {action}: {value} — {because}");
                self.say(at_s, "interlock", text, action != "warn", Some(place.clone()));
            }
            Entry::Cleared { name } => self.say(at_s, "cleared", format!("{name} has cleared"), false, None),
            Entry::Held { by, reason } => {
                self.say(at_s, "held", format!("the sequence was held ({by}): {reason}"), false, None);
            }
            Entry::Released { after_s } => {
                self.say(at_s, "released", format!("it went on after {}", in_words(*after_s)), false, None);
            }
            Entry::Operator { word } => {
                self.say(at_s, "operator", format!("an operator said: {word}"), false, None)
            }
            Entry::Fault { link, what } => self.say(at_s, "fault", format!("{link}: {what}"), true, None),
            Entry::SafeStep { during, what, achieved, remark } => {
                let step = ParkStep {
                    at_s,
                    during: during.clone(),
                    what: what.clone(),
                    achieved: *achieved,
                    remark: remark.clone(),
                };
                self.safe_step(step);
            }
            _ => {}
        }
    }

    fn safe_step(&mut self, step: ParkStep) {
        if step.what == "withdraw the tip" || step.what == "approach the tip" {
            let what = if step.what.starts_with('w') { "withdraw" } else { "approach" };
            let remark = format!("while the bench went to {}; {}", step.during, step.remark);
            let achieved = Some(step.achieved);
            self.account.tip.push(TipEvent { at_s: step.at_s, what: what.to_owned(), achieved, remark });
        }
        if step.during == "park" {
            // A step that failed may be tried again until it is reached: its last word counts.
            match self.account.park.iter_mut().find(|s| s.what == step.what) {
                Some(before) => *before = step,
                None => self.account.park.push(step),
            }
        } else {
            let done = if step.achieved { "done" } else { "NOT reached" };
            let text = format!("{}: {} — {done} ({})", step.during, step.what, step.remark);
            self.say(step.at_s, "step", text, !step.achieved, None);
        }
    }

    fn say(&mut self, at_s: f64, kind: &'static str, text: String, grave: bool, place: Option<Place>) {
        self.account.happenings.push(Happening { at_s, kind, text, grave, place });
    }
}
