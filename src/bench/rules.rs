//! Rules of the bench that act below every sequence: permits, interlocks, steps to safe states.

use super::{ChannelId, Condition};
use serde::{Deserialize, Serialize};
use std::fmt;

macro_rules! task_kinds {
    ($($name:ident = $text:literal, $once:literal, $leaves:literal, $meaning:literal;)*) => {
        /// Things the microscope does that take a while.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum TaskKind {
            $(#[doc = $meaning] $name,)*
        }

        impl TaskKind {
            /// All of them.
            pub const ALL: &'static [TaskKind] = &[$(TaskKind::$name,)*];

            /// The name in bench files and records.
            pub fn name(self) -> &'static str {
                match self { $(TaskKind::$name => $text,)* }
            }

            /// Whether doing it a second time is not the same as doing it once.
            /// Such a task has its intent recorded first and is never repeated on its own.
            pub fn once_only(self) -> bool {
                match self { $(TaskKind::$name => $once,)* }
            }

            /// Whether the tip no longer stands on the spot it was centred on, or is no longer the same tip.
            pub fn leaves_spot(self) -> bool {
                match self { $(TaskKind::$name => $leaves,)* }
            }
        }
    };
}

impl TaskKind {
    /// Whether the tip is another one once it was done.
    pub fn changes_tip(self) -> bool {
        matches!(self, TaskKind::PickUp | TaskKind::PutDown | TaskKind::Pulse)
    }

    /// Whether it goes on by itself, wherever the tip is.
    pub fn needs_no_tip(self) -> bool {
        matches!(self, TaskKind::Regenerate)
    }
}

// Name in bench files and records, once only, leaves the spot, meaning.
task_kinds! {
    Approach = "approach", false, true, "Bring the tip into tunnelling range.";
    Withdraw = "withdraw", false, true, "Pull the tip out of tunnelling range.";
    CoarseStep = "coarse_step", true, true, "Steps of the coarse motor.";
    CoarseShift = "coarse_shift", true, true, "Steps of the coarse motor along the surface.";
    MoveTip = "move_tip", false, true, "Move the tip within the scanner's range.";
    Pulse = "pulse", true, true, "A voltage pulse at the junction.";
    PickUp = "pick_up", true, true, "Pick up the atom under the tip.";
    PutDown = "put_down", true, true, "Put down an atom from the tip.";
    Trace = "trace", false, false, "Readings of one channel, evenly spaced in time.";
    Image = "image", false, false, "An image line by line.";
    Regenerate = "regenerate", false, true, "Regenerate the condensation pot.";
    Persist = "persist", false, false, "Put the magnet into persistent mode, or back.";
}

impl TaskKind {
    /// The kind of that name, or of the name that it had before.
    pub fn from_name(name: &str) -> Option<TaskKind> {
        let name = if name == "drop" { TaskKind::PutDown.name() } else { name };
        TaskKind::ALL.iter().copied().find(|kind| kind.name() == name)
    }

    /// Names of its arguments: what may stand in braces in the message that starts it.
    pub fn arguments(self) -> &'static [&'static str] {
        match self {
            TaskKind::CoarseStep => &["steps"],
            TaskKind::CoarseShift => &["x_steps", "y_steps"],
            TaskKind::MoveTip => &["x_m", "y_m", "speed_m_s"],
            TaskKind::Pulse => &["volts", "length_s"],
            TaskKind::Trace => &["channel", "samples", "interval_s"],
            TaskKind::Image => &["x_m", "y_m", "size_m", "pixels", "line_s"],
            TaskKind::Persist => &["persistent"],
            TaskKind::Approach
            | TaskKind::Withdraw
            | TaskKind::PickUp
            | TaskKind::PutDown
            | TaskKind::Regenerate => &[],
        }
    }
}

/// What a permit is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Subject {
    /// Setting a channel.
    Channel(ChannelId),
    /// Starting a task.
    Task(TaskKind),
}

/// A condition for setting a channel or starting a task.
#[derive(Debug, Clone, PartialEq)]
pub struct Permit {
    /// Its name, for messages.
    pub name: String,
    /// What it is about.
    pub subject: Subject,
    /// For channels: it applies only to targets whose size is above this.
    pub above: Option<f64>,
    /// Whether that is a level, of which less is not what is nearer to zero.
    pub of_level: bool,
    /// What must hold.
    pub condition: Condition,
    /// The reason, for people.
    pub because: String,
}

impl Permit {
    /// Whether it speaks of a target, from where a channel stands; of a task, which has none, it always does. What may not
    /// go above a value may always come down to it: a ramp on the way to a safe state must not end halfway.
    pub fn applies_to(&self, target: Option<f64>, standing: Option<f64>) -> bool {
        // A level in dBm is a logarithm: what counts of it is not its size.
        let size = |value: f64| if self.of_level { value } else { value.abs() };
        let same_side = |value: f64, from: f64| self.of_level || value * from >= 0.0;
        self.above.zip(target).is_none_or(|(mark, value)| {
            let comes_down = standing.is_some_and(|from| same_side(value, from) && size(value) < size(from));
            size(value) > mark && !comes_down
        })
    }
}

/// What an interlock does, by severity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Action {
    /// Says so; everything goes on.
    Warn,
    /// The sequence waits, the bench is kept as it is.
    Hold,
    /// The tip is withdrawn first, then the sequence waits.
    Withdraw,
    /// The tip is withdrawn, the pot is condensed anew, then the sequence waits.
    Condense,
    /// The bench goes to its refill state; the sequence waits for an operator's word and the marks.
    Refill,
    /// The sequence ends and the bench is parked.
    Park,
    /// Parked, and nothing runs until an operator has acknowledged it.
    #[serde(rename = "park-and-latch")]
    ParkLatch,
}

impl Action {
    /// The name in bench files and records.
    pub fn name(self) -> &'static str {
        match self {
            Action::Warn => "warn",
            Action::Hold => "hold",
            Action::Withdraw => "withdraw",
            Action::Condense => "condense",
            Action::Refill => "refill",
            Action::Park => "park",
            Action::ParkLatch => "park-and-latch",
        }
    }
}

impl fmt::Display for Action {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A condition that is watched all the time.
#[derive(Debug, Clone, PartialEq)]
pub struct Interlock {
    /// Its name, unique on the bench.
    pub name: String,
    /// Trips when this holds …
    pub trip: Condition,
    /// … for this long, s.
    pub lasting_s: f64,
    /// Clears when this holds; when none is given, as soon as `trip` does not.
    pub clear: Option<Condition>,
    /// How often the channels it needs are read, s.
    pub every_s: f64,
    /// What it does.
    pub action: Action,
    /// Watched only while this holds.
    pub only_while: Option<Condition>,
    /// How long it may not be known whether it trips, s.
    pub patience_s: f64,
    /// What it does after that.
    pub blind: Action,
    /// The reason, for people.
    pub because: String,
}

/// One step towards a safe state.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// What is done.
    pub action: StepAction,
    /// Longest time for it, s.
    pub within_s: f64,
}

/// What a step does.
#[derive(Debug, Clone, PartialEq)]
pub enum StepAction {
    /// Withdraw the tip.
    Withdraw,
    /// Bring a channel to a value, at its permitted slew.
    Set {
        /// The channel.
        channel: ChannelId,
        /// The value, SI.
        value: f64,
    },
    /// Leave a channel as it is, on purpose, and say so.
    Keep {
        /// The channel.
        channel: ChannelId,
    },
}
