//! What is at work: one procedure at a time, its command on the way, its repeats, its time.

use super::event::{Answered, Channels, Command, Owner, Ticket};
use super::permit::{LOOK_AGAIN_S, PATIENCE_S};
use super::procedure::Procedure;
use crate::bench::{Bench, ChannelId};
use crate::instrument::{ErrorKind, InstrumentError, Task};
use crate::quantity::TimePoint;

/// On whose behalf the procedure works.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// A call of the sequence.
    Call,
    /// Going to the hold or refill state.
    EnterHold,
    /// Coming back from it.
    LeaveHold,
    /// Parking because the sequence asked for it.
    ParkCall,
    /// Parking at the end.
    Park,
}

#[derive(Debug, Clone, Copy)]
struct OnItsWay {
    serial: u64,
    command: Command,
    attempts_left: u32,
    sent_at: TimePoint,
    deadline: TimePoint,
    /// An earlier attempt was not answered and may have been heard.
    unsure: bool,
}

/// A command that waits until the channels of its permits have been read.
#[derive(Debug)]
struct AfterReading {
    command: Command,
    attempts_left: u32,
    still_to_read: Vec<ChannelId>,
}

/// A command that is due later.
#[derive(Debug, Clone, Copy)]
struct Again {
    command: Command,
    attempts_left: u32,
    at: TimePoint,
    /// It did not leave because its permit has to be waited for; otherwise it left and failed.
    put_off: bool,
}

/// How long the permit of the current command is waited for.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
enum Patience {
    /// It was not waited for yet.
    #[default]
    Whole,
    /// It is waited for at most until then; the command is kept back.
    Until(TimePoint),
    /// The command has left after a wait; its repeats get none of their own.
    Spent,
}

/// What an answer means to what is at work.
#[derive(Debug)]
pub enum Arrived {
    /// It will be tried again.
    Nothing,
    /// Not for what is at work now.
    TooLate,
    /// For the procedure, and how often the command was sent.
    Deliver(Command, Answered, u32),
    /// Readings for permits: more to read, or the command may now pass the gate.
    ForPermit(Channels, Answered),
}

/// The procedure at work.
#[derive(Debug, Default)]
pub struct AtWork {
    /// The procedure at work.
    pub procedure: Option<Procedure>,
    /// On whose behalf; meaningless without a procedure.
    pub purpose: Option<Purpose>,
    /// When the procedure wants to be woken.
    pub wake: Option<TimePoint>,
    on_its_way: Option<OnItsWay>,
    again: Option<Again>,
    patience: Patience,
    /// A permit has been waited for in vain since this procedure began.
    in_vain: bool,
    unsure: bool,
    /// A task was begun, and nobody has heard yet that it has ended. It outlives the procedure that began it.
    task_open: bool,
    /// It was so already when the current task was begun: an instrument that is busy may be busy with the other one.
    begun_over_another: bool,
    /// The task that was begun last.
    begun: Option<Task>,
    /// Whether the tip was in range when a task that brings it in or out came to its end, and when that was.
    pub tip_left: Option<(bool, TimePoint)>,
    /// Tasks whose start was not answered and that turned out to run.
    pub heard_after_all: u32,
    after_reading: Option<AfterReading>,
    /// A command that has failed for good, while its instrument is asked whether it answers at all.
    pub set_aside: Option<Command>,
    /// Since when the current command has been answered as busy.
    busy_since: Option<TimePoint>,
    serial: u64,
}

impl AtWork {
    /// Puts a procedure to work; whatever was on its way before is not waited for any more.
    pub fn begin(&mut self, procedure: Procedure, purpose: Purpose) {
        self.forget();
        self.procedure = Some(procedure);
        self.purpose = Some(purpose);
    }

    /// Takes the procedure out. A task whose start was kept back was not begun.
    pub fn take(&mut self) -> Option<Procedure> {
        let not_begun = self.keeps_back();
        self.forget();
        self.purpose = None;
        let mut procedure = self.procedure.take();
        if let Some(procedure) = procedure.as_mut().filter(|_| not_begun) {
            procedure.not_begun();
        }
        procedure
    }

    /// Whether a task of the procedure is under way that has to be ended before another can begin.
    pub fn holds_task(&self) -> bool {
        self.procedure.as_ref().is_some_and(Procedure::holds_task) && !self.keeps_back()
    }

    /// Whether a task may be running, of whichever procedure: one that failed because nobody answered has left its own.
    pub fn task_may_run(&self) -> bool {
        self.task_open || self.holds_task()
    }

    /// What an answer tells of the task that was begun.
    fn hear_of_task(&mut self, command: &Command, outcome: &Answered, unsure: bool) {
        let refused = matches!(outcome, Answered::Failed(error) if error.kind == ErrorKind::Refused);
        let over = match command {
            Command::Begin(_) => refused && !unsure,
            Command::Poll => refused || matches!(outcome, Answered::Ended(_)),
            Command::Abort => !matches!(outcome, Answered::Failed(_)),
            Command::Set { .. } | Command::Read { .. } | Command::Look { .. } => false,
        };
        self.task_open &= !over;
    }

    /// What the end of a task tells of the tip. One that could not be withdrawn may be anywhere.
    fn hear_of_tip(&mut self, outcome: &Answered, now: TimePoint) {
        let Answered::Ended(report) = outcome else { return };
        match self.begun {
            Some(Task::Approach) => self.tip_left = Some((report.achieved, now)),
            Some(Task::Withdraw) if report.achieved => self.tip_left = Some((false, now)),
            _ => {}
        }
    }

    /// Whether the start of a task is in hand that certainly has not been heard by anybody.
    fn keeps_back(&self) -> bool {
        let read_for = self.after_reading.as_ref().map(|kept| kept.command);
        let kept = read_for.or_else(|| self.again.map(|again| again.command));
        matches!(kept, Some(Command::Begin(_))) && !self.unsure
    }

    fn forget(&mut self) {
        self.serial += 1;
        self.wake = None;
        self.on_its_way = None;
        self.again = None;
        self.patience = Patience::Whole;
        self.in_vain = false;
        self.unsure = false;
        self.after_reading = None;
        self.set_aside = None;
        self.busy_since = None;
    }

    /// When something is due.
    pub fn next_wake(&self) -> TimePoint {
        let deadline = self.on_its_way.map(|w| w.deadline);
        let again = self.again.map(|again| again.at);
        [self.wake, deadline, again, self.patience_ends()]
            .into_iter()
            .flatten()
            .min()
            .unwrap_or(TimePoint::NEVER)
    }

    /// Notes a command as sent and gives its ticket.
    pub fn send(&mut self, bench: &Bench, now: TimePoint, command: Command, attempts_left: u32) -> Ticket {
        self.serial += 1;
        let timeout_s =
            super::procedure::link_of(bench, &command).map_or(1.0, |link| bench.answer_within_s(link));
        let count = if let Command::Read { channels } = &command { channels.as_slice().len() } else { 1 };
        let deadline = now.after(timeout_s * (3 * count) as f64 + 1.0);
        let unsure = self.unsure && matches!(command, Command::Begin(_));
        if let Command::Begin(task) = command {
            self.begun = Some(task);
            if !unsure {
                self.begun_over_another = self.task_open;
            }
            self.task_open = true;
        }
        if !matches!(command, Command::Read { .. }) && self.patience_ends().is_some() {
            self.patience = Patience::Spent;
        }
        let serial = self.serial;
        self.on_its_way = Some(OnItsWay { serial, command, attempts_left, sent_at: now, deadline, unsure });
        Ticket { owner: Owner::Main, serial: self.serial }
    }

    /// Keeps a command back until the channels of its permits have been read.
    pub fn keep_back(&mut self, command: Command, attempts_left: u32, channels: Vec<ChannelId>) {
        self.after_reading = Some(AfterReading { command, attempts_left, still_to_read: channels });
    }

    /// Puts a command off whose permit has to be waited for. Whoever waits longer than the patience is refused.
    pub fn put_off(&mut self, command: Command, attempts_left: u32, now: TimePoint) {
        assert!(self.may_wait(now), "a permit is waited for longer than the patience");
        let until = self.patience_ends().unwrap_or_else(|| now.after(PATIENCE_S));
        self.patience = Patience::Until(until);
        let at = now.after(LOOK_AGAIN_S).min(until);
        self.again = Some(Again { command, attempts_left, at, put_off: true });
    }

    /// Whether the permit of the current command may be waited for, or waited for longer. The way back from a hold has
    /// failed with the first wait in vain, so nothing else on it waits.
    pub fn may_wait(&self, now: TimePoint) -> bool {
        match self.patience {
            _ if self.in_vain && self.purpose == Some(Purpose::LeaveHold) => false,
            Patience::Whole => true,
            Patience::Until(until) => now < until,
            Patience::Spent => false,
        }
    }

    /// When the wait for a permit ends, while there is one.
    pub fn patience_ends(&self) -> Option<TimePoint> {
        if let Patience::Until(until) = self.patience { Some(until) } else { None }
    }

    /// The current command is refused: the next one has its own patience.
    pub fn refused(&mut self) {
        self.in_vain |= self.patience_ends().is_some();
        self.patience = Patience::Whole;
    }

    /// The command that is put off, while its permit's channels are not being read.
    pub fn put_off_command(&self) -> Option<Command> {
        self.again.filter(|again| again.put_off).map(|again| again.command)
    }

    /// The command that is put off or kept back, taken out.
    pub fn take_kept_back(&mut self) -> Option<(Command, u32)> {
        let again = self.again.take().map(|again| (again.command, again.attempts_left));
        again.or_else(|| self.after_reading.take().map(|kept| (kept.command, kept.attempts_left)))
    }

    /// The next channel to read for a command that is kept back, or that command once all are read.
    pub fn next_for_permit(&mut self) -> Option<Result<ChannelId, (Command, u32)>> {
        let waiting = self.after_reading.as_mut()?;
        match waiting.still_to_read.pop() {
            Some(channel) => Some(Ok(channel)),
            None => self.after_reading.take().map(|w| Err((w.command, w.attempts_left))),
        }
    }

    /// The link of the command on its way, if it has this serial, and when that was sent.
    pub fn link_in_use(&self, bench: &Bench, serial: u64) -> Option<(usize, TimePoint)> {
        let sent = self.on_its_way.filter(|sent| sent.serial == serial)?;
        Some((super::procedure::link_of(bench, &sent.command)?, sent.sent_at))
    }

    /// An answer has come.
    pub fn answered(&mut self, bench: &Bench, now: TimePoint, serial: u64, outcome: Answered) -> Arrived {
        let Some(sent) = self.on_its_way.filter(|w| w.serial == serial) else { return Arrived::TooLate };
        self.on_its_way = None;
        self.hear_of_task(&sent.command, &outcome, sent.unsure);
        self.hear_of_tip(&outcome, now);
        let retry = super::procedure::retry_of(bench, &sent.command);
        let tries = retry.attempts.saturating_sub(sent.attempts_left).max(1);
        if let (Command::Begin(_), Answered::Failed(error)) = (&sent.command, &outcome) {
            if error.kind == ErrorKind::Busy && sent.unsure && !self.begun_over_another {
                // Nothing else starts tasks here: it is busy with what it had heard the first time.
                self.unsure = false;
                self.heard_after_all += 1;
                return Arrived::Deliver(sent.command, Answered::Taken, tries);
            }
            if error.kind == ErrorKind::Refused && sent.unsure {
                self.procedure.iter_mut().for_each(Procedure::maybe_heard);
            }
            self.unsure |= matches!(error.kind, ErrorKind::TimedOut | ErrorKind::Garbled | ErrorKind::Absent);
        } else if matches!(sent.command, Command::Begin(_)) {
            self.unsure = false;
        }
        let busy = matches!(&outcome, Answered::Failed(error) if error.kind == ErrorKind::Busy);
        let busy_since = if busy { *self.busy_since.get_or_insert(now) } else { now };
        // What must not be done twice is not asked for again and again either.
        let once_only = matches!(sent.command, Command::Begin(task) if task.kind().once_only());
        let waits = busy && !once_only && now.since(busy_since) < retry.busy_s;
        if !busy {
            self.busy_since = None;
        }
        if let Answered::Failed(error) = &outcome
            && error.kind.may_pass()
            && (sent.attempts_left > 0 || waits)
            && repeatable(&sent.command, error.kind)
        {
            let at = now.after(retry.pause_s);
            let attempts_left = sent.attempts_left.saturating_sub(1);
            self.again = Some(Again { command: sent.command, attempts_left, at, put_off: false });
            return Arrived::Nothing;
        }
        match (sent.command, self.after_reading.is_some()) {
            (Command::Read { channels }, true) => Arrived::ForPermit(channels, outcome),
            (command, _) => {
                self.patience = Patience::Whole;
                self.busy_since = None;
                Arrived::Deliver(command, outcome, tries)
            }
        }
    }

    /// The serial of a command whose answer is overdue.
    pub fn overdue(&self, now: TimePoint) -> Option<(u64, Answered)> {
        let late = self.on_its_way.filter(|w| w.deadline <= now)?;
        let error = InstrumentError::new(ErrorKind::TimedOut, "the link did not answer at all");
        Some((late.serial, Answered::Failed(error)))
    }

    /// A command that is due to be tried again, or for the first time after its permit was waited for.
    pub fn due_again(&mut self, now: TimePoint) -> Option<(Command, u32, bool)> {
        let again = self.again.filter(|again| again.at <= now)?;
        self.again = None;
        Some((again.command, again.attempts_left, again.put_off))
    }

    /// Whether the procedure's own time has come.
    pub fn is_due(&mut self, now: TimePoint) -> bool {
        let due = self.wake.is_some_and(|at| at <= now);
        if due {
            self.wake = None;
        }
        due
    }
}

/// A task that must not happen twice is started again only if it certainly was not taken.
fn repeatable(command: &Command, kind: ErrorKind) -> bool {
    match command {
        Command::Begin(task) if task.kind().once_only() => kind == ErrorKind::Busy,
        _ => true,
    }
}
