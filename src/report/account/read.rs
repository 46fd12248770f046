//! Reading an account from a run file.

use super::{
    Account, BulkOutline, Fitted, Happening, Interruption, Judged, Law, ParkStep, Remark, SweepOutline,
    TableOutline, TipEvent, salvage,
};
use crate::bench::{Action, Bench, Role, TaskKind};
use crate::history::History;
use crate::quantity::{TimePoint, in_words};
use crate::record::{
    Answer, Change, Column, During, Entry, Failure, Found, JudgementKind, Numbered, OWN_CALL, Place,
    RecordError, Request, RunFile, SafeAct, SalvagedRow, SweepTable, WorkedOut,
};
use serde_json::Value;
use std::collections::BTreeMap;

/// Tasks that belong to the life of the tip.
const OF_TIP: [TaskKind; 7] = [
    TaskKind::Approach,
    TaskKind::Withdraw,
    TaskKind::Pulse,
    TaskKind::PickUp,
    TaskKind::PutDown,
    TaskKind::CoarseStep,
    TaskKind::CoarseShift,
];

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
    if let Err(error) = finish_sweeps(run, &mut account, before) {
        account.integrity.faults.push(format!("points can't be read: {error}"));
    }
    if !account.integrity.faults.is_empty() {
        let mut behind = None;
        let found = crate::record::salvage(run.path(), |_, row, certain| {
            if let (SalvagedRow::Entry { entry, .. }, true) = (row, certain)
                && let Entry::End { ending, parked, .. } = *entry
            {
                behind = Some((ending, parked));
            }
            Ok(())
        });
        account.salvage = found.ok();
        account.ending_behind = behind.filter(|_| account.history.ending.is_none());
    }
    account
}

/// How many points each sweep has, and where its axes were left.
fn finish_sweeps(run: &RunFile, account: &mut Account, before: u64) -> Result<(), RecordError> {
    let mut points = 0;
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
            account.sweeps[i].measured = count;
            if let Some(point) = last.filter(|_| account.history.ending.is_none()) {
                account.history.point(&point);
            }
        }
        points += account.sweeps[i].measured;
    }
    account.history.points = points;
    Ok(())
}

#[derive(Debug)]
pub(super) struct Reader {
    pub(super) account: Account,
}

impl Reader {
    pub(super) fn new(run: &RunFile, bench: Option<Bench>) -> Self {
        let account = Account {
            path: run.path().to_owned(),
            identity: None,
            window_s: None,
            sequence_path: String::new(),
            history: History::new(bench.as_ref()),
            bench,
            sweeps: Vec::new(),
            bulks: Vec::new(),
            tables: Vec::new(),
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
            integrity: crate::record::Integrity::default(),
            salvage: None,
            ending_behind: None,
        };
        Self { account }
    }

    pub(super) fn entry(&mut self, numbered: &Numbered) {
        let Numbered { seq, at, entry } = numbered;
        let at_s = at.s();
        if let Entry::Resumed { taken_up_at, .. } = entry {
            Interruption::begin(&mut self.account, at_s, taken_up_at.as_deref());
        }
        self.account.history.entry(*at, entry);
        self.way_back(entry);
        match entry {
            Entry::Identity(_) | Entry::Context { .. } | Entry::Resumed { .. } => self.frame(at_s, entry),
            Entry::SweepBegin { .. } | Entry::SweepEnd { .. } | Entry::Bulk { .. } | Entry::Table { .. } => {
                self.data(*seq, *at, entry);
            }
            Entry::Judgement { what, sweep, title, body, .. } => {
                self.judgement(*seq, at_s, what, *sweep, (title, body));
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
            Entry::Call { request, answer, .. } => self.call(at_s, request, answer),
            Entry::TipTest { test, .. } => {
                let of = |[value, error]: [f64; 2]| format!(", polarisation {value:.3} ± {error:.3}");
                let centred = if test.centred { "" } else { "; not on a top, so it counts for nothing" };
                let shown = test.finding.polarisation.map(of).unwrap_or_default();
                let remark = format!("{}{shown}{centred}", test.finding.verdict.word());
                self.account.tip.push(TipEvent { at_s, what: "test".to_owned(), achieved: None, remark });
            }
            other => self.happening(at_s, other),
        }
    }

    /// After an interruption the engine brings the bench back with calls of its own, until the sequence goes on.
    fn way_back(&mut self, entry: &Entry) {
        let Some(cut) = self.account.interruptions.last_mut().filter(|cut| cut.open) else { return };
        match entry {
            Entry::Judgement { n: OWN_CALL, what: JudgementKind::Recentre, title, .. } => {
                cut.centred = Some(title.clone());
            }
            Entry::SafeStep { during: During::Restore, step, achieved, .. } => {
                cut.brought_back.push((step.clone(), *achieved));
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
            Entry::Identity(identity) => self.account.identity = Some(identity.clone()),
            Entry::Context { window_s, sequence_path, .. } => {
                self.account.window_s = window_s.or(self.account.window_s);
                self.account.sequence_path.clone_from(sequence_path);
            }
            Entry::Resumed { version, changes, window, .. } => {
                self.account.park.clear();
                if let Some(cut) = self.account.interruptions.last() {
                    let text = cut.why();
                    self.say(cut.at_s, "cut", text, true, None);
                }
                let mut text = format!("the run was resumed by version {version}");
                if let Some(window) = window {
                    text += &format!(
                        ", with a new window until {}",
                        crate::history::day_and_minute(&window.until)
                    );
                    self.account.window_s = Some(window.end_s);
                }
                if !changes.is_empty() {
                    let told: Vec<String> = changes.iter().map(Change::in_words).collect();
                    text += &format!("; it differs: {}", told.join("; "));
                }
                self.say(at_s, "resumed", text, !changes.is_empty(), None);
            }
            _ => {}
        }
    }

    fn data(&mut self, seq: u64, at: TimePoint, entry: &Entry) {
        match entry {
            Entry::SweepBegin { sweep, plan, place, settings, .. } => {
                let si = |role: Role| {
                    let bench = self.account.bench.as_ref()?;
                    self.account.history.of_role(bench, role).map(|s| s.si)
                };
                self.account.sweeps.push(SweepOutline {
                    measured: 0,
                    line: Some(plan.fast.points / plan.passes.max(1)),
                    settings: [settings.clone(), None],
                    because: None,
                    at_s: at.s(),
                    to_s: None,
                    ended: false,
                    field_t: si(Role::FieldZ),
                    level_dbm: si(Role::RfLevel),
                    place: place.clone(),
                    table: SweepTable::empty(*sweep, at, (**plan).clone()),
                    plan: (**plan).clone(),
                });
            }
            Entry::SweepEnd { sweep, points, because, settings, .. } => {
                if let Some(open) = self.account.sweeps.iter_mut().rfind(|s| s.table.sweep == *sweep) {
                    (open.ended, open.measured, open.to_s) = (true, *points, Some(at.s()));
                    open.because.clone_from(because);
                    open.settings[1].clone_from(settings);
                }
            }
            Entry::Table { table, place, .. } => {
                let (table, place) = (table.clone(), place.clone());
                self.account.tables.push(TableOutline { seq, at_s: at.s(), table, place });
            }
            Entry::Bulk { task, shape, .. } => {
                let (task, shape) = (task.clone(), shape.clone());
                self.account.bulks.push(BulkOutline { seq, at_s: at.s(), task, shape });
            }
            _ => {}
        }
    }

    fn judgement(
        &mut self,
        seq: u64,
        at_s: f64,
        what: &JudgementKind,
        sweep: Option<u64>,
        (title, body): (&str, &Value),
    ) {
        let account = &mut self.account;
        match what.read(body) {
            WorkedOut::Fit(found) => {
                let mut fit = Fitted::of(seq, at_s, sweep, title, (*found, body));
                let about = account.sweeps.iter().rfind(|s| Some(s.table.sweep) == sweep);
                fit.field_t = about.and_then(|s| s.field_t);
                account.fits.push(fit);
            }
            WorkedOut::Line(found) => {
                account.laws.push(Law::of(at_s, title, &found.line, found.points, body));
            }
            WorkedOut::Verdict(found) => {
                let new = Judged::of(at_s, *found, body);
                account.verdicts.retain(|old| !old.gives_way_to(&new));
                account.verdicts.push(new);
            }
            WorkedOut::Centred(place) => account.centres.extend(place.map(|[x_m, y_m]| (at_s, x_m, y_m))),
            WorkedOut::TipChange { .. } | WorkedOut::Told => {
                if *what == JudgementKind::Contrast {
                    let (what, remark) = (what.word().to_owned(), title.to_owned());
                    account.tip.push(TipEvent { at_s, what, achieved: None, remark });
                }
                account.judged.push((at_s, what.clone(), title.to_owned(), body.clone()));
            }
        }
    }

    fn call(&mut self, at_s: f64, request: &Request<String>, answer: &Result<Answer, Failure>) {
        let Request::Task(task) = request else {
            if let Err(Failure::Guarded(reason)) = answer {
                self.say(at_s, "guarded", format!("refused: {reason}"), true, None);
            }
            return;
        };
        if !OF_TIP.contains(&task.kind()) {
            return;
        }
        let (achieved, said) = match answer {
            Ok(Answer::Task(report)) => (report.achieved, report.remark.clone()),
            Ok(_) => (false, String::new()),
            Err(Failure::Instrument(error)) => (false, error.message.clone()),
            Err(Failure::Guarded(reason)) => {
                self.say(at_s, "guarded", format!("refused: {reason}"), true, None);
                (false, reason.clone())
            }
            Err(Failure::Forbidden(reason)) => (false, reason.clone()),
        };
        let words = request.in_words();
        let arguments = words.strip_prefix(request.verb()).unwrap_or_default();
        let remark = format!("{arguments} {said}").trim().to_owned();
        self.account.tip.push(TipEvent {
            at_s,
            what: request.verb().to_owned(),
            achieved: Some(achieved),
            remark,
        });
    }

    fn happening(&mut self, at_s: f64, entry: &Entry) {
        match entry {
            Entry::Interlock { name, action, because, place, .. } => {
                let text = format!("{name} tripped, action {action}: {} — {because}", entry.what_tripped());
                self.say(at_s, "interlock", text, *action != Action::Warn, Some(place.clone()));
            }
            Entry::Cleared { name } => self.say(at_s, "cleared", format!("{name} has cleared"), false, None),
            Entry::Held { by, reason } => {
                self.say(
                    at_s,
                    "held",
                    format!("the sequence was held ({}): {reason}", by.word()),
                    false,
                    None,
                );
            }
            Entry::Released { after_s } => {
                self.say(at_s, "released", format!("it went on after {}", in_words(*after_s)), false, None);
            }
            Entry::Operator { by, goal: Some(question), answer: Some(says), .. } => {
                let by = by.as_deref().unwrap_or("an operator");
                self.say(at_s, "operator", format!("{by} answered `{question}`: {says}"), false, None);
            }
            Entry::Operator { word, by, goal: Some(goal), .. } => {
                let by = by.as_deref().unwrap_or("an operator");
                self.say(
                    at_s,
                    "operator",
                    format!("{by} said of `{goal}`: {}", word.in_words()),
                    false,
                    None,
                );
            }
            Entry::Operator { word, by, goal: None, .. } => {
                let clear =
                    by.as_ref().map(|by| format!(" ({by}: people, tools and transfer line are clear)"));
                let text = format!("an operator said: {}{}", word.in_words(), clear.unwrap_or_default());
                self.say(at_s, "operator", text, false, None);
            }
            Entry::Gap { sweep, i, channel, error } => {
                let text = format!("sweep {sweep}: `{channel}` gives no value from point {i} on: {error}");
                self.say(at_s, "gap", text, false, None);
            }
            Entry::NotReached { sweep, i, channel, error, readings } => {
                let text = format!(
                    "sweep {sweep}: after {readings} readings of point {i} the error of `{channel}` is still {error:.2e}, in SI units"
                );
                self.say(at_s, "error", text, false, None);
            }
            Entry::Fault { link, trouble } => {
                self.say(at_s, "fault", format!("{link}: {}", trouble.in_words()), true, None);
            }
            Entry::SafeStep { during, step, achieved, found } => {
                self.safe_step(at_s, *during, step, *achieved, found);
            }
            _ => {}
        }
    }

    fn safe_step(
        &mut self,
        at_s: f64,
        during: During,
        step: &SafeAct<Column>,
        achieved: bool,
        found: &Found,
    ) {
        let (what, remark) = (step.in_words(), found.in_words(step));
        if matches!(step, SafeAct::Withdraw | SafeAct::Approach) {
            let kind = if *step == SafeAct::Withdraw { TaskKind::Withdraw } else { TaskKind::Approach };
            let remark = format!("while the bench went to {}; {remark}", during.word());
            let what = kind.name().to_owned();
            self.account.tip.push(TipEvent { at_s, what, achieved: Some(achieved), remark });
        }
        if during == During::Park {
            let step = ParkStep { at_s, what, achieved, remark };
            // A step that failed may be tried again until it is reached: its last word counts.
            match self.account.park.iter_mut().find(|s| s.what == step.what) {
                Some(before) => *before = step,
                None => self.account.park.push(step),
            }
        } else {
            let done = if achieved { "done" } else { "NOT reached" };
            let text = format!("{}: {what} — {done} ({remark})", during.word());
            self.say(at_s, "step", text, !achieved, None);
        }
    }

    fn say(&mut self, at_s: f64, kind: &'static str, text: String, grave: bool, place: Option<Place>) {
        self.account.happenings.push(Happening { at_s, kind, text, grave, place });
    }
}
