//! Going on where a run was cut: what state the sequence had left the bench in, and the way back to it.

use crate::bench::{Bench, ChannelId, Role, StepAction, TaskKind};
use crate::drive::replay::OWN_CALL;
use crate::drive::{Port, RunTally};
use crate::instrument::Task;
use crate::record::{Ending, Entry, Outcome, Place, RecordError, RunFile};
use crate::supervisor::procedure::{CentrePlan, Centred};
use crate::supervisor::{Answer, Call, Denial, Jot, Request};
use serde_json::Value;
use std::collections::BTreeMap;

/// Part of a channel's range within which it counts as standing where it should.
const SAME_PART: f64 = 1e-3;

/// What is known of the bench at the end of a record.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct KnownState {
    /// Channels that the sequence has set, with their last value, SI.
    pub values: BTreeMap<ChannelId, f64>,
    /// Whether the tip was in tunnelling range, where the sequence has approached or withdrawn.
    pub approached: Option<bool>,
    /// The spot on which the sequence had centred the tip, where it has not moved it since.
    pub spot: Option<CentrePlan>,
}

impl KnownState {
    /// Follows a record to its end.
    ///
    /// # Errors
    /// If the record can't be read.
    pub fn from_record(file: &RunFile, bench: &Bench) -> Result<Self, RecordError> {
        Self::at(file, bench, u64::MAX)
    }

    /// Follows a record up to below a row.
    ///
    /// # Errors
    /// If the record can't be read.
    pub fn at(file: &RunFile, bench: &Bench, until: u64) -> Result<Self, RecordError> {
        let mut known = Self::default();
        file.entries_of(&["call", "intent", "judgement", "sweep_begin"], until, |numbered| {
            match &numbered.entry {
                // Nobody may ever know how it ended.
                Entry::Intent { verb, .. } if leaves_spot(verb) => known.spot = None,
                Entry::Call { verb, args, answer, .. } => known.follow_call(bench, verb, args, answer),
                // After a hold the engine itself has put the tip back on its spot.
                Entry::Judgement { n: OWN_CALL, what, body, .. } if what == "recentre" => {
                    let centred = serde_json::from_value::<Centred>(body.clone());
                    if let Some(centred) = centred.ok().filter(|centred| centred.found) {
                        known.tip_at(bench, centred.x_m, centred.y_m);
                    }
                }
                Entry::SweepBegin { sweep, fast, slow, .. } => {
                    let slow = slow.as_ref().and_then(|c| bench.find(&c.channel));
                    let fast = bench.find(&fast.channel);
                    if [fast, slow].into_iter().flatten().any(|id| moves_tip(bench, id)) {
                        known.spot = None;
                    }
                    // Nothing is called while it is measured, so its last point is what stands until its end.
                    if let Some(point) = file.last_point(*sweep, until)? {
                        known.values.extend(fast.map(|id| (id, point.x)));
                        known.values.extend(slow.map(|id| (id, point.y)));
                    }
                }
                _ => {}
            }
            Ok(())
        })?;
        Ok(known)
    }

    /// The same for a call that comes next: where an approach was cut and arrived unseen, the tip comes out first.
    pub fn before(mut self, next: &Request) -> Self {
        if matches!(next, Request::Task(Task::Approach)) {
            self.approached.get_or_insert(false);
        }
        self
    }

    fn tip_at(&mut self, bench: &Bench, x_m: f64, y_m: f64) {
        for (role, value) in [(Role::TipX, x_m), (Role::TipY, y_m)] {
            self.values.extend(bench.by_role(role).map(|id| (id, value)));
        }
    }

    fn follow_centring(&mut self, bench: &Bench, args: &Value, answer: &Value) {
        self.spot = None;
        let centred = answer.get("centred").and_then(|c| serde_json::from_value::<Centred>(c.clone()).ok());
        let Some(centred) = centred else { return };
        self.tip_at(bench, centred.x_m, centred.y_m);
        let number = |key: &str| args.get(key).and_then(Value::as_f64);
        let channel = args.get("channel").and_then(Value::as_str).and_then(|name| bench.find(name));
        if let (Some(channel), Some(reach_m), Some(points)) = (channel, number("reach_m"), number("points"))
            && centred.found
        {
            let expected = Some(centred.curvature);
            self.spot = Some(CentrePlan { channel, reach_m, points: points as u32, search_m: 0.0, expected });
        }
    }

    fn follow_call(&mut self, bench: &Bench, verb: &str, args: &str, answer: &Value) {
        let args: Value = serde_json::from_str(args).unwrap_or(Value::Null);
        let number = |key: &str| args.get(key).and_then(Value::as_f64);
        if leaves_spot(verb) {
            self.spot = None;
        }
        let achieved = answer.pointer("/task/achieved").and_then(Value::as_bool).unwrap_or(false);
        match verb {
            "set" if answer.get("done").is_some() => {
                let channel = args.get("channel").and_then(Value::as_str).and_then(|name| bench.find(name));
                if channel.is_some_and(|id| moves_tip(bench, id)) {
                    self.spot = None;
                }
                self.values.extend(channel.zip(number("value")));
            }
            "recentre" => self.follow_centring(bench, &args, answer),
            "approach" if achieved => self.approached = Some(true),
            "withdraw" if achieved => self.approached = Some(false),
            "move_tip" if achieved => {
                if let (Some(x_m), Some(y_m)) = (number("x_m"), number("y_m")) {
                    self.tip_at(bench, x_m, y_m);
                }
            }
            "park" => {
                for step in &bench.park {
                    match step.action {
                        StepAction::Withdraw => self.approached = Some(false),
                        StepAction::Set { channel, value } => {
                            self.values.insert(channel, value);
                        }
                        StepAction::Keep { .. } => {}
                    }
                }
            }
            _ => {}
        }
    }
}

/// Whatever moves the tip or changes it takes it off its spot.
fn leaves_spot(verb: &str) -> bool {
    verb == "park" || TaskKind::from_name(verb).is_some_and(TaskKind::leaves_spot)
}

fn moves_tip(bench: &Bench, id: ChannelId) -> bool {
    matches!(bench.channel(id).role, Some(Role::TipX | Role::TipY))
}

/// What a record adds up to so far, so that the report of a resumed run tells of all of it.
///
/// # Errors
/// If the record can't be read.
pub fn tally_so_far(file: &RunFile, bench: &Bench) -> Result<RunTally, RecordError> {
    let mut tally = RunTally::new(bench);
    let mut entries = 0;
    file.entries(None, |numbered| {
        entries += 1;
        match &numbered.entry {
            // It has not ended, after all.
            Entry::End { .. } => {}
            Entry::Monitor { channel, value } => {
                if let Some(id) = bench.find(channel) {
                    tally.read(id, *value);
                }
                tally.entry(numbered.at, &numbered.entry);
            }
            entry => tally.entry(numbered.at, entry),
        }
        Ok(())
    })?;
    // Numbers are given to entries and points together, without a gap.
    tally.points = file.next_seq()? - entries;
    Ok(tally)
}

/// Reads the bench, compares it with what is known, and brings back what differs: channel by channel,
/// within limits and slew, the RF last.
///
/// # Errors
/// The ending, if the bench can't be read or brought back.
pub fn restore(port: &mut dyn Port, bench: &Bench, known: &KnownState) -> Result<(), Ending> {
    let approached = bench.by_role(Role::Approached);
    let mut asked: Vec<ChannelId> = known.values.keys().copied().collect();
    asked.extend(approached.filter(|_| known.approached.is_some()));
    if asked.is_empty() {
        return Ok(());
    }
    let found = match request(port, Request::Read { channels: asked.clone(), samples: 1, spacing_s: 0.0 })? {
        Answer::Numbers(found) => found,
        other => return Err(fault(format!("the bench could not be read back: {other:?}"))),
    };
    let mut values = Vec::new();
    let mut approach = None;
    let mut differences = Vec::new();
    for (id, now) in asked.iter().zip(found) {
        let channel = bench.channel(*id);
        if Some(*id) == approached {
            if known.approached == Some(now < 0.5) {
                approach = known.approached;
                let should = if now < 0.5 { "in range" } else { "withdrawn" };
                differences.push(format!("the tip should be {should} and is not"));
            }
            continue;
        }
        let Some(then) = known.values.get(id).copied() else { continue };
        let range = if channel.max.is_finite() { channel.max - channel.min } else { 1.0 };
        if (now - then).abs() > channel.tolerance.unwrap_or(SAME_PART * range) {
            differences.push(format!(
                "{} was {} and reads {}",
                channel.name,
                channel.show(then),
                channel.show(now)
            ));
            values.push((*id, then));
        }
    }
    values.sort_by_key(|(id, _)| bench.channel(*id).role == Some(Role::RfOutput));
    for difference in &differences {
        let text = format!("resume: {difference}; it is brought back");
        request(port, Request::Record(Jot::Note { text, for_next_shift: false }))?;
    }
    match request(port, Request::Restore { approach, values })? {
        Answer::Number(0.0) => {}
        other => {
            return Err(fault(format!(
                "the bench could not be brought back to where the sequence had left it ({other:?})"
            )));
        }
    }
    match bench.recentre.zip(known.spot).filter(|_| approach == Some(true)) {
        Some((recentre, spot)) => find_again(port, CentrePlan { search_m: 0.5 * recentre.search_m, ..spot }),
        None => Ok(()),
    }
}

/// A tip that was out lands beside its spot: it is put back on it, or the run ends where it can do no harm.
fn find_again(port: &mut dyn Port, spot: CentrePlan) -> Result<(), Ending> {
    match request(port, Request::Recentre(spot))? {
        Answer::Centred(centred) if centred.found => {
            let body = serde_json::to_value(&centred).unwrap_or_default();
            let (what, title) = ("recentre".to_owned(), centred.title());
            request(port, Request::Record(Jot::Judgement { what, sweep: None, title, body })).map(|_| ())
        }
        Answer::Centred(centred) => {
            Err(fault(format!("the spot under the tip was not found again: {}", centred.remark)))
        }
        other => Err(fault(format!("the spot under the tip was not found again: {other:?}"))),
    }
}

fn request(port: &mut dyn Port, request: Request) -> Result<Answer, Ending> {
    let place = Place::default();
    port.request(Call { n: OWN_CALL, place, request }).map_err(|denial| match denial {
        Denial::Ended(ending) => ending,
        Denial::Instrument(error) => fault(error.to_string()),
        Denial::Forbidden(reason) => fault(reason),
    })
}

fn fault(reason: String) -> Ending {
    Ending {
        outcome: Outcome::Fault,
        reason: format!("resume: {reason}"),
        place: Place::default(),
        latched: false,
    }
}
