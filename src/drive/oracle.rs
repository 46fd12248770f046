//! An independent look at every command on its way out.
//!
//! The oracle shares no code with the [gate](crate::supervisor::gate): it keeps its own account of what was
//! sent and counts what should never have left. A run with a count above zero is a defect of `noctule`.

use crate::bench::{Bench, StepAction};
use crate::quantity::Moment;
use crate::supervisor::Command;

/// Rounding that is no violation.
const SLACK: f64 = 1e-6;

/// What was sent, and what should not have been.
#[derive(Debug, Clone)]
pub struct Oracle {
    sent: Vec<Option<(f64, Moment)>>,
    /// Commands that should not have left.
    pub violations: u64,
    /// The first of them, in words.
    pub first: Option<String>,
}

impl Oracle {
    /// For a bench.
    pub fn new(bench: &Bench) -> Self {
        Self { sent: vec![None; bench.channels.len()], violations: 0, first: None }
    }

    /// Looks at a command that is about to leave.
    pub fn look(&mut self, bench: &Bench, now: Moment, command: &Command) {
        let Command::Set { channel: id, value } = command else { return };
        let channel = bench.channel(*id);
        if !(*value >= channel.min && *value <= channel.max) {
            self.complain(now, format!("{} was sent {value}, outside its limits", channel.name));
        }
        if let Some((before, at)) = self.sent[id.index()] {
            let size = (value - before).abs();
            if size > channel.step * (1.0 + SLACK) {
                self.complain(now, format!("{} was moved by {size} at once", channel.name));
            }
            let allowed = channel.slew_per_s * now.since(at) * (1.0 + SLACK);
            if channel.slew_per_s.is_finite() && size > allowed + channel.slew_per_s * 1e-8 {
                self.complain(now, format!("{} was moved faster than its slew", channel.name));
            }
        }
        self.sent[id.index()] = Some((*value, now));
    }

    /// At the end of a parked run: channels whose last command is not the park value.
    pub fn not_parked(&self, bench: &Bench) -> Vec<String> {
        let mut wrong = Vec::new();
        for step in &bench.park {
            if let StepAction::Set { channel, value } = step.action {
                let last = self.sent[channel.index()].map(|(value, _)| value);
                if last.is_none_or(|last| (last - value).abs() > SLACK * value.abs().max(1.0)) {
                    wrong.push(bench.channel(channel).name.clone());
                }
            }
        }
        wrong
    }

    fn complain(&mut self, now: Moment, what: String) {
        self.violations += 1;
        self.first.get_or_insert(format!("at {now}: {what}"));
    }
}
