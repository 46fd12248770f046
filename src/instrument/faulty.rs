//! Instruments that fail on schedule: for rehearsals with faults and for tests.
//!
//! [`Faulty`] stands between the supervisor and any instrument and spoils what passes. [`Afflicted`] is a
//! simulated microscope to which things happen. Both follow a schedule in the time of the run and draw
//! nothing at random, so a rehearsal with faults repeats like one without.

use super::{ErrorKind, Identity, Instrument, InstrumentError, Simulated, Task, TaskReport};
use crate::bench::Channel;
use crate::instrument::simulated::Chronicle;
use crate::quantity::TimePoint;
use noctule_ground::fault::Fault;
use std::collections::BTreeMap;

/// What happens on the way to an instrument. Some only a simulated instrument in a rehearsal can show, some only a
/// wire: whoever meets one that is not theirs lets it pass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LinkTrouble {
    /// No answer comes. The command itself may have been heard.
    NoReply {
        /// Whether the instrument does what it was told.
        heard: bool,
    },
    /// The right answer comes so much later; beyond the patience of the link this is a driver that hangs.
    LateReply {
        /// How much later, s.
        by_s: f64,
    },
    /// The answer makes no sense. What was commanded is done.
    Garbled,
    /// The answer is not a number, let through by a careless driver.
    NotANumber,
    /// Readings show one value, whatever the truth.
    Saturated {
        /// The value, SI.
        at: f64,
    },
    /// Readings say that the value lies above what can be shown.
    OverRange,
    /// Readings say that the value lies below what can be shown.
    UnderRange,
    /// Readings show the value of the beginning of the trouble.
    Stuck,
    /// Readings drift off.
    Drifting {
        /// SI per second.
        per_s: f64,
    },
    /// Readings show what was there so long ago.
    Stale {
        /// How long ago, s.
        by_s: f64,
    },
    /// Every set and every start is refused.
    Refuses,
    /// Sets and starts are called done and are not done.
    Lies,
    /// The connection is gone until it is made anew.
    ReconnectNeeded,
    /// Nobody is there, however often the connection is made anew: its power, its network or its driver is gone.
    Outage,
    /// A task is said to be running for ever.
    NeverDone,
    /// On a wire: the connection is closed instead of a reply.
    DropConnection,
    /// On a wire: half of the reply comes, and nothing after it.
    HalfReply,
    /// On a wire: the reply comes twice.
    DoubleReply,
    /// On a wire: random bytes come instead of the reply.
    Rubbish,
    /// On a wire: so many bytes come without a terminator.
    Flood {
        /// How many.
        bytes: u64,
    },
    /// On a wire: a task counts as ended while it runs.
    EndsEarly,
}

/// What a trouble calls its place if it meets tasks alone.
pub const TASKS: &str = "tasks";

/// One trouble with its time and place.
#[derive(Debug, Clone, PartialEq)]
pub struct Trouble {
    /// What happens.
    pub kind: LinkTrouble,
    /// From when.
    pub from: TimePoint,
    /// Until when.
    pub until: TimePoint,
    /// Name of the channel, or [`TASKS`]; none for everything on the link, tasks too.
    pub channel: Option<String>,
    /// Messages that it meets; none for all of them.
    pub times: Option<u64>,
}

/// An instrument whose link fails on schedule.
pub struct Faulty {
    inner: Box<dyn Instrument>,
    troubles: Vec<Trouble>,
    now: TimePoint,
    /// How much later the answer comes, s, for each trouble that makes it so, and when that trouble ends.
    late: Vec<(f64, TimePoint)>,
    first_shown: BTreeMap<(usize, String), f64>,
    history: BTreeMap<(usize, String), Vec<(TimePoint, f64)>>,
    reconnected: Vec<bool>,
    /// Messages that each trouble has met.
    met: Vec<u64>,
    pretended: Option<Task>,
}

impl std::fmt::Debug for Faulty {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Faulty").field("troubles", &self.troubles).finish_non_exhaustive()
    }
}

impl Faulty {
    /// Around an instrument.
    pub fn new(inner: Box<dyn Instrument>, troubles: Vec<Trouble>) -> Self {
        let (reconnected, met) = (vec![false; troubles.len()], vec![0; troubles.len()]);
        Self {
            inner,
            troubles,
            now: TimePoint::START,
            late: Vec::new(),
            first_shown: BTreeMap::new(),
            history: BTreeMap::new(),
            reconnected,
            met,
            pretended: None,
        }
    }

    /// The troubles that a message of this moment meets, for a channel or for a task.
    fn active(&mut self, channel: Option<&Channel>) -> impl Iterator<Item = (usize, LinkTrouble)> + use<> {
        let mut found = Vec::new();
        for (index, trouble) in self.troubles.iter().enumerate() {
            if trouble.times.is_some_and(|times| self.met[index] >= times) {
                continue;
            }
            let in_time = trouble.from <= self.now && self.now < trouble.until;
            let here = match (&trouble.channel, channel) {
                (None, _) => true,
                (Some(name), Some(channel)) => *name == channel.name,
                (Some(name), None) => name == TASKS,
            };
            if in_time && here {
                self.met[index] += 1;
                found.push((index, trouble.kind));
            }
        }
        found.into_iter()
    }

    /// Whether a command gets through, and what comes back if not. `Ok(false)`: it is only pretended.
    fn command(&mut self, channel: Option<&Channel>) -> Result<Passage, InstrumentError> {
        let mut passage = Passage::Through;
        for (index, kind) in self.active(channel) {
            match kind {
                LinkTrouble::NoReply { heard: true } => passage = Passage::Unanswered,
                LinkTrouble::NoReply { heard: false } => return Err(no_reply()),
                LinkTrouble::LateReply { by_s } => self.late.push((by_s, self.troubles[index].until)),
                LinkTrouble::Garbled => passage = Passage::Garbled,
                LinkTrouble::Refuses => {
                    return Err(InstrumentError::new(ErrorKind::Refused, "the instrument will not do it"));
                }
                LinkTrouble::Lies => passage = Passage::Pretended,
                LinkTrouble::NeverDone => passage = Passage::Endless,
                LinkTrouble::ReconnectNeeded if !self.reconnected[index] => return Err(gone()),
                LinkTrouble::Outage => return Err(gone()),
                _ => {}
            }
        }
        Ok(passage)
    }

    fn spoil(&mut self, channel: &Channel, true_value: f64) -> Result<f64, InstrumentError> {
        let mut value = true_value;
        for (index, kind) in self.active(Some(channel)) {
            let key = || (index, channel.name.clone());
            match kind {
                LinkTrouble::NoReply { .. } => return Err(no_reply()),
                LinkTrouble::LateReply { by_s } => self.late.push((by_s, self.troubles[index].until)),
                LinkTrouble::Garbled => return Err(garbled()),
                LinkTrouble::NotANumber => value = f64::NAN,
                LinkTrouble::Saturated { at } => value = at,
                LinkTrouble::OverRange | LinkTrouble::UnderRange => {
                    let above = kind == LinkTrouble::OverRange;
                    let kind = if above { ErrorKind::AboveRange } else { ErrorKind::BelowRange };
                    return Err(InstrumentError::new(kind, "it shows that the value lies beyond its range"));
                }
                LinkTrouble::Stuck => value = *self.first_shown.entry(key()).or_insert(value),
                LinkTrouble::Drifting { per_s } => {
                    value += per_s * self.now.since(self.troubles[index].from);
                }
                LinkTrouble::Stale { by_s } => {
                    let history = self.history.entry(key()).or_default();
                    history.push((self.now, value));
                    let old = history.iter().rposition(|(at, _)| self.now.since(*at) >= by_s).unwrap_or(0);
                    history.drain(..old);
                    value = history[0].1;
                }
                LinkTrouble::ReconnectNeeded if !self.reconnected[index] => return Err(gone()),
                LinkTrouble::Outage => return Err(gone()),
                _ => {}
            }
        }
        Ok(value)
    }
}

/// What becomes of a command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Passage {
    Through,
    Unanswered,
    Garbled,
    Pretended,
    Endless,
}

impl Passage {
    fn answer(self) -> Result<(), InstrumentError> {
        match self {
            Passage::Through | Passage::Pretended | Passage::Endless => Ok(()),
            Passage::Unanswered => Err(no_reply()),
            Passage::Garbled => Err(garbled()),
        }
    }
}

fn no_reply() -> InstrumentError {
    InstrumentError::new(ErrorKind::TimedOut, "the link did not answer in time")
}

fn garbled() -> InstrumentError {
    InstrumentError::new(ErrorKind::Garbled, "the answer `\u{fffd}7#.` makes no sense")
}

fn gone() -> InstrumentError {
    InstrumentError::new(ErrorKind::Absent, "the connection is gone")
}

impl Instrument for Faulty {
    fn identify(&mut self) -> Result<Identity, InstrumentError> {
        self.inner.identify()
    }

    fn set(&mut self, channel: &Channel, si: f64) -> Result<(), InstrumentError> {
        let passage = self.command(Some(channel))?;
        if passage != Passage::Pretended {
            self.inner.set(channel, si)?;
        }
        passage.answer()
    }

    fn read(&mut self, channel: &Channel) -> Result<f64, InstrumentError> {
        let value = self.inner.read(channel)?;
        self.spoil(channel, value)
    }

    fn begin(&mut self, task: &Task, traced: Option<&Channel>) -> Result<(), InstrumentError> {
        let passage = self.command(None)?;
        if passage == Passage::Pretended {
            self.pretended = Some(*task);
            return Ok(());
        }
        self.pretended = None;
        self.inner.begin(task, traced)?;
        passage.answer()
    }

    fn poll(&mut self) -> Result<Option<TaskReport>, InstrumentError> {
        // Asking is not doing, so one who refuses to act or lies about it still answers.
        let passage = match self.command(None) {
            Err(error) if error.kind == ErrorKind::Refused => Passage::Through,
            passage => passage?,
        };
        if passage == Passage::Endless {
            return Ok(None);
        }
        if let Some(task) = self.pretended {
            let remark = format!("the {} is done", task.kind().name());
            return Ok(Some(TaskReport { achieved: true, remark, data: Vec::new() }));
        }
        let report = self.inner.poll()?;
        passage.answer().map(|()| report)
    }

    fn abort(&mut self) -> Result<(), InstrumentError> {
        let passage = self.command(None)?;
        self.pretended = None;
        if passage != Passage::Pretended {
            self.inner.abort()?;
        }
        passage.answer()
    }

    fn look(&mut self, channels: &[&Channel]) -> Result<(), InstrumentError> {
        for (index, trouble) in self.troubles.iter().enumerate() {
            let used_up = trouble.times.is_some_and(|times| self.met[index] >= times);
            let in_time = trouble.from <= self.now && self.now < trouble.until;
            if used_up || !in_time || trouble.channel.is_some() {
                continue;
            }
            match trouble.kind {
                LinkTrouble::NoReply { .. } => return Err(no_reply()),
                LinkTrouble::LateReply { by_s } => self.late.push((by_s, trouble.until)),
                LinkTrouble::Garbled => return Err(garbled()),
                LinkTrouble::ReconnectNeeded if !self.reconnected[index] => return Err(gone()),
                LinkTrouble::Outage => return Err(gone()),
                _ => {}
            }
        }
        self.inner.look(channels)
    }

    fn made_anew(&mut self) -> bool {
        self.inner.made_anew()
    }

    fn reconnect(&mut self) -> Result<(), InstrumentError> {
        for (index, trouble) in self.troubles.iter().enumerate() {
            if trouble.kind == LinkTrouble::ReconnectNeeded && trouble.from <= self.now {
                self.reconnected[index] = true;
            }
        }
        self.inner.reconnect()
    }

    fn set_pace(&mut self, pace: f64) -> Result<(), InstrumentError> {
        self.inner.set_pace(pace)
    }

    fn fill_helium(&mut self, to_m3: f64) -> Option<f64> {
        self.inner.fill_helium(to_m3)
    }

    fn chronicle(&self) -> Option<Chronicle> {
        self.inner.chronicle()
    }

    fn pass_time(&mut self, now: TimePoint) {
        self.now = now;
        self.late.clear();
        self.inner.pass_time(now);
    }

    fn lateness_s(&self, turn: TimePoint) -> f64 {
        let lasting = self.late.iter().filter(|(_, until)| turn < *until);
        lasting.map(|(late_s, _)| *late_s).fold(0.0, f64::max)
    }
}

/// A simulated microscope to which things happen.
#[derive(Debug)]
pub struct Afflicted {
    inner: Simulated,
    /// In the order of time.
    schedule: Vec<(TimePoint, Fault)>,
    next: usize,
}

impl Afflicted {
    /// Around a simulated microscope.
    pub fn new(inner: Simulated, mut schedule: Vec<(TimePoint, Fault)>) -> Self {
        schedule.sort_by_key(|(at, _)| *at);
        Self { inner, schedule, next: 0 }
    }
}

impl Instrument for Afflicted {
    fn identify(&mut self) -> Result<Identity, InstrumentError> {
        self.inner.identify()
    }

    fn set(&mut self, channel: &Channel, si: f64) -> Result<(), InstrumentError> {
        self.inner.set(channel, si)
    }

    fn read(&mut self, channel: &Channel) -> Result<f64, InstrumentError> {
        self.inner.read(channel)
    }

    fn begin(&mut self, task: &Task, traced: Option<&Channel>) -> Result<(), InstrumentError> {
        self.inner.begin(task, traced)
    }

    fn poll(&mut self) -> Result<Option<TaskReport>, InstrumentError> {
        self.inner.poll()
    }

    fn abort(&mut self) -> Result<(), InstrumentError> {
        self.inner.abort()
    }

    fn reconnect(&mut self) -> Result<(), InstrumentError> {
        self.inner.reconnect()
    }

    fn set_pace(&mut self, pace: f64) -> Result<(), InstrumentError> {
        self.inner.set_pace(pace)
    }

    fn fill_helium(&mut self, to_m3: f64) -> Option<f64> {
        self.inner.fill_helium(to_m3)
    }

    fn chronicle(&self) -> Option<Chronicle> {
        self.inner.chronicle()
    }

    fn pass_time(&mut self, now: TimePoint) {
        while let Some((at, fault)) = self.schedule.get(self.next).filter(|(at, _)| *at <= now) {
            self.inner.pass_time(*at);
            self.inner.microscope_mut().inflict(*fault);
            self.next += 1;
        }
        self.inner.pass_time(now);
    }
}
