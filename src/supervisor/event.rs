//! What comes into the supervisor and what goes out of it.

use super::{Call, Reply};
use crate::bench::{Bench, ChannelId};
use crate::instrument::{InstrumentError, Task, TaskReport};
use crate::record::{Ending, Entry, Outcome, Place, Point, Values, WIDEST_POINT, Word};

/// An operator's word.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spoken {
    /// The word.
    pub word: Word,
    /// Who says that people, tools and the transfer line are clear. Without it nothing is released after which somebody's
    /// hands may be in the machine. Of a word on the plan: who says it.
    pub by: Option<String>,
    /// The goal, or the question, that a word on the plan is about.
    pub goal: Option<String>,
    /// What it answers to a question.
    pub answer: Option<String>,
}

impl Spoken {
    /// A release by somebody who has looked.
    pub fn release(by: &str) -> Self {
        Self { word: Word::Release, by: Some(by.to_owned()), goal: None, answer: None }
    }

    /// What somebody in a rehearsal says: nobody's hands can be in a simulated microscope.
    pub fn rehearsed(word: Word) -> Self {
        Self {
            word,
            by: (word == Word::Release).then(|| "somebody in this rehearsal".to_owned()),
            goal: None,
            answer: None,
        }
    }

    /// The answer of somebody in a rehearsal to a question of the plan.
    pub fn answered(question: &str, says: &str) -> Self {
        Self {
            word: Word::Answer,
            by: Some("somebody in this rehearsal".to_owned()),
            goal: Some(question.to_owned()),
            answer: Some(says.to_owned()),
        }
    }
}

impl From<Word> for Spoken {
    fn from(word: Word) -> Self {
        Self { word, by: None, goal: None, answer: None }
    }
}

/// Something has happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// The sequence calls a verb.
    Request(Call),
    /// An instrument has answered a command.
    Answered {
        /// The command.
        ticket: Ticket,
        /// Its outcome.
        outcome: Answered,
    },
    /// Time has passed.
    Tick,
    /// Everything up to this sequence number is on disk.
    Durable {
        /// The number.
        through: u64,
    },
    /// The record can't be written.
    RecordFailed(String),
    /// The connection of a link was made anew.
    MadeAnew {
        /// The link.
        link: usize,
    },
    /// An operator's word.
    Operator(Spoken),
    /// The keeper process was gone or stopped, and a new one keeps watch.
    KeeperReplaced,
    /// The keeper process is gone.
    KeeperLost,
    /// The clock of the computer was set.
    ClockJumped {
        /// By how much, s.
        by_s: f64,
    },
    /// The sequence has come to its end, or failed by itself.
    SequenceEnded {
        /// Finished or failed, or fault where an instrument's error was not caught.
        outcome: Outcome,
        /// One sentence.
        reason: String,
        /// Where.
        place: Place,
    },
}

/// What an instrument has answered.
#[derive(Debug, Clone, PartialEq)]
pub enum Answered {
    /// A set, a start or an abort was taken.
    Taken,
    /// Readings, in the order of the command.
    Read(Values),
    /// The task still runs.
    Running,
    /// The task has ended.
    Ended(TaskReport),
    /// It failed.
    Failed(InstrumentError),
}

/// Marks a command, so that its answer finds the one who waits for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Ticket {
    /// Who waits.
    pub owner: Owner,
    /// Counts up; an answer to an older command is dropped.
    pub serial: u64,
}

/// Who waits for an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Owner {
    /// The procedure at work: a call of the sequence, hold, park.
    Main,
    /// The watch, over one link.
    Watch(u16),
    /// Whoever looks at the instrument of one link.
    Look(u16),
}

/// Up to [`WIDEST_POINT`] channels of one link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Channels {
    len: u8,
    ids: [ChannelId; WIDEST_POINT],
}

impl Channels {
    /// From a slice.
    ///
    /// # Panics
    /// If it is longer than [`WIDEST_POINT`].
    pub fn new(channels: &[ChannelId]) -> Self {
        let mut ids = [ChannelId(0); WIDEST_POINT];
        ids[..channels.len()].copy_from_slice(channels);
        Self { len: channels.len() as u8, ids }
    }

    /// The channels.
    pub fn as_slice(&self) -> &[ChannelId] {
        &self.ids[..usize::from(self.len)]
    }
}

/// A command to the instrument at the end of one link.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Command {
    /// Set a channel, SI.
    Set {
        /// The channel.
        channel: ChannelId,
        /// The value.
        value: f64,
    },
    /// Read channels of one link.
    Read {
        /// The channels.
        channels: Channels,
    },
    /// Start a task.
    Begin(Task),
    /// Ask for its end.
    Poll,
    /// End it safely.
    Abort,
    /// Look whether an instrument is as it was left.
    Look {
        /// Its link.
        link: u16,
        /// Everything that can be set, not only what is looked at often.
        all: bool,
    },
}

impl Command {
    /// For people: `set bias to 50 mV`, `read current, height`.
    pub fn describe(&self, bench: &Bench) -> String {
        let name = |id: &ChannelId| bench.channel(*id).name.as_str();
        match self {
            Command::Set { channel, value } => {
                format!("set {} to {}", name(channel), bench.channel(*channel).show(*value))
            }
            Command::Read { channels } => {
                let names: Vec<&str> = channels.as_slice().iter().map(name).collect();
                format!("read {}", names.join(", "))
            }
            Command::Begin(Task::Trace { channel, .. }) => format!("begin trace of {}", name(channel)),
            Command::Begin(task) => format!("begin {}", task.kind().name()),
            Command::Poll => "ask for the end of the task".to_owned(),
            Command::Abort => "end the task".to_owned(),
            Command::Look { link, .. } => format!("look at {}", bench.links[usize::from(*link)].name),
        }
    }
}

/// Something is to be done by the driver.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    /// Send a command over a link.
    Command {
        /// Marks its answer.
        ticket: Ticket,
        /// Index of the link.
        link: usize,
        /// The command.
        command: Command,
    },
    /// Append an entry to the run file.
    Append {
        /// Its number; they come without gaps.
        seq: u64,
        /// The entry.
        entry: Box<Entry>,
        /// Numbers that go with it: a trace, an image.
        data: Vec<f64>,
        /// Whether somebody waits until it is on disk.
        urgent: bool,
    },
    /// Append a point of a sweep.
    AppendPoint {
        /// Its number; they come without gaps.
        seq: u64,
        /// The point.
        point: Point,
    },
    /// Answer the sequence.
    Answer(Reply),
    /// End the sequence, whatever it is doing.
    Interrupt(Ending),
    /// Tell people.
    Notify(Notice),
    /// The bench is parked and the last entry is written: nothing more will come.
    Over,
}

/// Something people should know as it happens.
#[derive(Debug, Clone, PartialEq)]
pub struct Notice {
    /// One of `interlock`, `cleared`, `held`, `released`, `waiting`, `fault`, `park`, `ending`.
    pub topic: &'static str,
    /// One plain sentence.
    pub text: String,
}

/// Where effects are collected; reused from event to event.
pub type Effects = Vec<Effect>;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn people_are_told_names_not_numbers() {
        let bench = crate::bench::builtin();
        let id = |name: &str| bench.find(name).unwrap();
        let said = |command: Command| command.describe(&bench);
        assert_eq!(said(Command::Set { channel: id("bias"), value: 0.05 }), "set bias to 50 mV");
        let channels = Channels::new(&[id("current"), id("height")]);
        assert_eq!(said(Command::Read { channels }), "read current, height");
        assert_eq!(said(Command::Begin(Task::CoarseStep { steps: 3 })), "begin coarse_step");
        let trace = Task::Trace { channel: id("current"), samples: 9, interval_s: 0.1 };
        assert_eq!(said(Command::Begin(trace)), "begin trace of current");
    }
}
