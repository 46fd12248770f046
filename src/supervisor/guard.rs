//! What is precious: permits that rest on the state of the tip, on the places of kept spins, and on the budget of a plan.
//!
//! They are judged beside the [gate](super::gate), for commands of the sequence and on the way back from a hold; what
//! leads to a safe state is never kept back. The state is the fold of what is recorded
//! ([`TipLife`](crate::record::TipLife)), so no sequence can talk it away.

use super::at_work::Purpose;
use super::event::Command;
use super::{Effects, Supervisor};
use crate::bench::expression::Readings;
use crate::bench::{ChannelId, Guard, Role};
use crate::instrument::Task;

/// Where the tip stands must have been read within this time, s.
const PLACE_FRESH_S: f64 = 10.0;

impl Supervisor {
    /// Why a command must not leave for the sake of the tip or of a kept spin, if it must not.
    pub(super) fn guarded(&self, command: &Command) -> Option<String> {
        if !matches!(self.at_work.purpose, Some(Purpose::Call | Purpose::LeaveHold)) {
            return None;
        }
        if let Command::Begin(task) = command
            && let Some(why) = self.goals.beyond(task.kind())
        {
            return Some(format!("{} is not permitted: {why}", named(command)));
        }
        let guard = self.bench.guard.as_ref()?;
        let now_s = self.now.s();
        let harms = self.harms_tip(command, guard);
        if let Some(what) = harms
            && let Some(why) = self.tip.why_guarded(now_s, guard)
        {
            return Some(format!("{what} is not permitted: {why}"));
        }
        let why = touches(command).then(|| self.tip.kept_at(now_s, self.tip_at_m(), guard)).flatten()?;
        Some(format!("{} is not permitted here: {why}", named(command)))
    }

    /// What of a command can harm a tip, in words; nothing for the others.
    fn harms_tip(&self, command: &Command, guard: &Guard) -> Option<String> {
        match *command {
            Command::Begin(
                Task::Pulse { .. }
                | Task::PickUp
                | Task::PutDown
                | Task::CoarseStep { .. }
                | Task::CoarseShift { .. },
            ) => Some(named(command)),
            Command::Begin(Task::Approach) => {
                let setpoint = self.bench.by_role(Role::Setpoint)?;
                let standing = self.latest.standing(setpoint)?;
                let beyond = standing.abs() > guard.setpoint_above_a;
                beyond.then(|| {
                    format!("an approach at a setpoint of {}", self.bench.channel(setpoint).show(standing))
                })
            }
            Command::Set { channel, value } => {
                let mark = match self.bench.channel(channel).role? {
                    Role::Bias => guard.bias_above_v,
                    Role::Setpoint => guard.setpoint_above_a,
                    _ => return None,
                };
                let target = &self.bench.channel(channel);
                (value.abs() > mark).then(|| format!("`{}` at {}", target.name, target.show(value)))
            }
            _ => None,
        }
    }

    fn tip_at_m(&self) -> Option<[f64; 2]> {
        let coordinate = |role| {
            let id = self.bench.by_role(role)?;
            self.latest.latest(id).filter(|_| self.latest.age_s(id) <= PLACE_FRESH_S)
        };
        Some([coordinate(Role::TipX)?, coordinate(Role::TipY)?])
    }

    /// The place of the tip is read before an act that may meet a kept spin.
    pub(super) fn place_channels(&self, command: &Command) -> Vec<ChannelId> {
        if !touches(command) || self.bench.guard.is_none() || self.tip.kept.is_empty() {
            return Vec::new();
        }
        [Role::TipX, Role::TipY].into_iter().filter_map(|role| self.bench.by_role(role)).collect()
    }

    /// A refused act is said.
    pub(super) fn say_guarded(&mut self, why: &str, out: &mut Effects) {
        Self::notify("guard", format!("refused: {why}"), out);
        self.guard_refused = true;
    }
}

/// Whether it does something to what lies under the tip.
fn touches(command: &Command) -> bool {
    matches!(command, Command::Begin(task) if task.kind().changes_tip())
}

fn named(command: &Command) -> String {
    match command {
        Command::Begin(task) => format!("`{}`", task.kind().name()),
        _ => "a command".to_owned(),
    }
}
