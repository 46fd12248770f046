//! The order in which settings are brought back together with a tip that comes in.
//!
//! An approach needs what it needs in the sequence: a current that stops it, so a bias, and a closed loop. The settings
//! of the junction are therefore back before the tip comes in. Where the bench makes a setting of the junction depend on
//! where the tip is, it waits until the tip is in, where its permit is judged: a bias that may only be set with the tip
//! out is never carried in by the way back.

use super::{closes_loop, is_field};
use crate::bench::{Bench, ChannelId, Role, StepAction, Subject};
use crate::record::SafeAct;
use crate::supervisor::Latest;

/// Part of its range within which a bias is none.
const NO_BIAS_PART: f64 = 1e-5;

/// Settings around an approach, each part in its order.
#[derive(Debug, Default)]
pub(in crate::supervisor) struct Around {
    /// Before the tip comes in.
    pub before: Vec<SafeAct>,
    /// As soon as it is in.
    pub after: Vec<SafeAct>,
    /// When everything else is back, also the spot.
    pub last: Vec<SafeAct>,
}

impl Around {
    /// The settings of a way back; `approaches` says whether the tip comes in on it.
    pub fn new(bench: &Bench, latest: &Latest, sets: &[(ChannelId, f64)], approaches: bool) -> Self {
        let mut around = Self::default();
        let mut junction = Vec::new();
        let mut no_bias = None;
        for (channel, value) in sets {
            let act = SafeAct::Set(*channel, *value);
            let role = bench.channel(*channel).role;
            if is_field(bench, act) || closes_loop(bench, act) == Some(true) {
                around.before.push(act);
            } else if closes_loop(bench, act) == Some(false) {
                around.last.push(act);
            } else if approaches && role == Some(Role::Bias) && is_no_bias(bench, *value) {
                no_bias = Some(act);
            } else if approaches
                && matches!(role, Some(Role::Bias | Role::Setpoint))
                && !asks_for_tip(bench, *channel, *value)
            {
                junction.push(act);
            } else {
                around.after.push(act);
            }
        }
        around.before.append(&mut junction);
        if approaches {
            around.close_loop(bench, latest);
            around.last.extend(no_bias);
            around.lend_bias(bench, latest);
        }
        around
    }

    /// A trace or a spectroscopy was cut, which has the loop open; no step of the bench need have touched it.
    fn close_loop(&mut self, bench: &Bench, latest: &Latest) {
        let Some(id) = bench.by_role(Role::Feedback) else { return };
        let is_open = latest.standing(id).is_some_and(|standing| standing < 0.5);
        if !is_open || self.before.iter().any(|act| closes_loop(bench, *act) == Some(true)) {
            return;
        }
        let fields = self.before.iter().take_while(|act| is_field(bench, **act)).count();
        self.before.insert(fields, SafeAct::Set(id, 1.0));
        if self.last.is_empty() {
            self.last.push(SafeAct::Set(id, 0.0));
        }
    }

    /// Without a bias no current would stop the tip: where none would stand there, one is lent for the approach and
    /// taken back at the very end.
    fn lend_bias(&mut self, bench: &Bench, latest: &Latest) {
        let Some(id) = bench.by_role(Role::Bias) else { return };
        let is_bias = |act: &SafeAct| matches!(act, SafeAct::Set(channel, _) if *channel == id);
        let Some(standing) = latest.standing(id) else { return };
        if self.before.iter().any(is_bias) || !is_no_bias(bench, standing) {
            return;
        }
        let Some(lent) = bias_to_approach_with(bench, latest.approached_with()) else { return };
        self.before.push(SafeAct::Set(id, lent));
        if !self.after.iter().chain(&self.last).any(is_bias) {
            self.last.push(SafeAct::Set(id, standing));
        }
    }
}

/// Whether a bias is none, so that no approach can be made with it.
pub(crate) fn is_no_bias(bench: &Bench, value: f64) -> bool {
    let range = bench.by_role(Role::Bias).map(|id| bench.channel(id).max - bench.channel(id).min);
    value.abs() <= range.filter(|range| range.is_finite()).map_or(0.0, |range| NO_BIAS_PART * range)
}

/// A bias for an approach of a sequence that stood without one: that with which the tip had come in last or, where
/// nobody knows it, one that the bench gives for a hold or for parking.
pub(crate) fn bias_to_approach_with(bench: &Bench, last: Option<f64>) -> Option<f64> {
    let id = bench.by_role(Role::Bias)?;
    let of_bench = bench.hold.iter().chain(&bench.park).filter_map(|step| match step.action {
        StepAction::Set { channel, value } if channel == id => Some(value),
        _ => None,
    });
    let fits = |value: &f64| !is_no_bias(bench, *value) && !asks_for_tip(bench, id, *value);
    last.into_iter().chain(of_bench).find(fits)
}

/// Whether a permit for setting a channel to a value looks at where the tip is.
fn asks_for_tip(bench: &Bench, channel: ChannelId, value: f64) -> bool {
    let tip = bench.by_role(Role::Approached);
    bench.permits.iter().any(|permit| {
        permit.subject == Subject::Channel(channel)
            && permit.applies_to(Some(value), None)
            && permit.condition.channels().any(|id| Some(id) == tip)
    })
}
