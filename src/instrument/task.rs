//! Tasks: things the microscope does that take a while.

use crate::bench::{ChannelId, TaskKind};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

/// A task with its arguments, SI. A channel is known by its place on the bench, in records by its name.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Task<C = ChannelId> {
    /// Bring the tip into tunnelling range.
    Approach,
    /// Pull the tip out of tunnelling range.
    Withdraw,
    /// Steps of the coarse motor; away from the surface if negative.
    CoarseStep {
        /// How many.
        steps: i32,
    },
    /// Steps of the coarse motor along the surface.
    CoarseShift {
        /// How many along x.
        x_steps: i32,
        /// How many along y.
        y_steps: i32,
    },
    /// Move the tip, loop closed.
    MoveTip {
        /// Target, m.
        x_m: f64,
        /// Target, m.
        y_m: f64,
        /// Speed, m/s.
        speed_m_s: f64,
    },
    /// A voltage pulse.
    Pulse {
        /// Height, V.
        volts: f64,
        /// Length, s.
        length_s: f64,
    },
    /// Pick up the atom under the tip.
    PickUp,
    /// Put down an atom from the tip; `drop` in older run files.
    #[serde(alias = "drop")]
    PutDown,
    /// Readings of one channel.
    Trace {
        /// The channel.
        channel: C,
        /// How many.
        samples: u32,
        /// Distance in time, s.
        interval_s: f64,
    },
    /// An image.
    Image {
        /// Centre, m.
        x_m: f64,
        /// Centre, m.
        y_m: f64,
        /// Side of the square frame, m.
        size_m: f64,
        /// Pixels along a side.
        pixels: u32,
        /// Time for one line, s.
        line_s: f64,
    },
    /// Regenerate the condensation pot.
    Regenerate,
    /// Persistent mode on or off.
    Persist {
        /// The mode wanted.
        persistent: bool,
    },
}

impl<C: Serialize> Task<C> {
    /// Its arguments by name, for driver processes and exports.
    ///
    /// # Panics
    /// Never: tasks are plain data.
    pub fn arguments(&self) -> Value {
        let mut whole = serde_json::to_value(self).expect("tasks are plain data");
        whole.get_mut(self.kind().name()).map_or_else(|| json!({}), Value::take)
    }
}

impl<C> Task<C> {
    /// Its kind.
    pub fn kind(&self) -> TaskKind {
        match self {
            Task::Approach => TaskKind::Approach,
            Task::Withdraw => TaskKind::Withdraw,
            Task::CoarseStep { .. } => TaskKind::CoarseStep,
            Task::CoarseShift { .. } => TaskKind::CoarseShift,
            Task::MoveTip { .. } => TaskKind::MoveTip,
            Task::Pulse { .. } => TaskKind::Pulse,
            Task::PickUp => TaskKind::PickUp,
            Task::PutDown => TaskKind::PutDown,
            Task::Trace { .. } => TaskKind::Trace,
            Task::Image { .. } => TaskKind::Image,
            Task::Regenerate => TaskKind::Regenerate,
            Task::Persist { .. } => TaskKind::Persist,
        }
    }

    /// The same task on channels that go by other names; nothing if one of them has none.
    pub fn renamed<D>(&self, name: impl FnOnce(&C) -> Option<D>) -> Option<Task<D>> {
        Some(match *self {
            Task::Approach => Task::Approach,
            Task::Withdraw => Task::Withdraw,
            Task::CoarseStep { steps } => Task::CoarseStep { steps },
            Task::CoarseShift { x_steps, y_steps } => Task::CoarseShift { x_steps, y_steps },
            Task::MoveTip { x_m, y_m, speed_m_s } => Task::MoveTip { x_m, y_m, speed_m_s },
            Task::Pulse { volts, length_s } => Task::Pulse { volts, length_s },
            Task::PickUp => Task::PickUp,
            Task::PutDown => Task::PutDown,
            Task::Trace { ref channel, samples, interval_s } => {
                Task::Trace { channel: name(channel)?, samples, interval_s }
            }
            Task::Image { x_m, y_m, size_m, pixels, line_s } => {
                Task::Image { x_m, y_m, size_m, pixels, line_s }
            }
            Task::Regenerate => Task::Regenerate,
            Task::Persist { persistent } => Task::Persist { persistent },
        })
    }

    /// A generous bound on its duration, s, after which it counts as hung.
    pub fn longest_s(&self) -> f64 {
        match *self {
            Task::Approach => 3600.0,
            Task::Withdraw => 300.0,
            Task::CoarseStep { steps } => 30.0 + f64::from(steps.unsigned_abs()),
            Task::CoarseShift { x_steps, y_steps } => {
                30.0 + f64::from(x_steps.unsigned_abs()) + f64::from(y_steps.unsigned_abs())
            }
            Task::MoveTip { .. } => 1800.0,
            Task::Pulse { length_s, .. } => 10.0 + length_s,
            Task::PickUp | Task::PutDown => 120.0,
            Task::Trace { samples, interval_s, .. } => 30.0 + 1.5 * f64::from(samples) * interval_s,
            Task::Image { pixels, line_s, .. } => 60.0 + 4.0 * f64::from(pixels) * line_s,
            Task::Regenerate => 6.0 * 3600.0,
            Task::Persist { .. } => 600.0,
        }
    }
}

/// How a task ended.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct TaskReport {
    /// Whether it did what was asked.
    pub achieved: bool,
    /// One plain sentence.
    pub remark: String,
    /// Trace and image: the numbers, SI. Else empty.
    #[serde(skip)]
    pub data: Vec<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_task_is_read_under_the_name_it_had_before() {
        let read: Task<String> = serde_json::from_str("\"drop\"").unwrap();
        assert_eq!((read, TaskKind::from_name("drop")), (Task::PutDown, Some(TaskKind::PutDown)));
    }

    #[test]
    fn the_bench_knows_the_arguments_of_every_task() {
        let tasks = [
            Task::Approach,
            Task::Withdraw,
            Task::CoarseStep { steps: 1 },
            Task::CoarseShift { x_steps: 1, y_steps: 0 },
            Task::MoveTip { x_m: 0.0, y_m: 0.0, speed_m_s: 1e-9 },
            Task::Pulse { volts: 1.0, length_s: 0.1 },
            Task::PickUp,
            Task::PutDown,
            Task::Trace { channel: ChannelId(0), samples: 1, interval_s: 0.1 },
            Task::Image { x_m: 0.0, y_m: 0.0, size_m: 1e-9, pixels: 4, line_s: 1.0 },
            Task::Regenerate,
            Task::Persist { persistent: true },
        ];
        assert_eq!(tasks.len(), TaskKind::ALL.len());
        for task in tasks {
            let given = task.arguments();
            let mut given: Vec<&str> = given.as_object().expect("a map").keys().map(String::as_str).collect();
            let mut known = task.kind().arguments().to_vec();
            given.sort_unstable();
            known.sort_unstable();
            assert_eq!(given, known, "{}", task.kind().name());
        }
    }
}
