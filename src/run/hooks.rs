//! Messages of the bench: a program or a web address is told of chosen events.
//!
//! Each hook has a thread and a short queue of its own. The loop of the run only ever tries to put a message
//! there; if the queue is full the message is counted and left out. A receiver that is dead, slow or wrong costs
//! a line in the log.
//!
//! A message is one JSON object, `{"event", "at_s", "text", "bench", "sequence", "more"}`, with `cautions` where people
//! may be about to work at the bench, posted to an
//! `http://` address, or written to the standard input of a program, which finds event and text also in
//! `NOCTULE_EVENT` and `NOCTULE_TEXT`.

use super::post::post;
use crate::analysis::joint::Verdict;
use crate::bench::{Bench, MessageHook};
use crate::cautions::{Act, in_words};
use crate::drive::RunTally;
use crate::drive::virtual_time::Observer;
use crate::history::Level;
use crate::history::result::{HeliumNow, RunResult, Seen};
use crate::quantity::TimePoint;
use crate::record::{Asking, Entry, Failure, JudgementKind, PlanSaid};
use serde_json::{Value, json};
use std::io::Write;
use std::process::{Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, channel, sync_channel};
use std::time::{Duration, Instant};

/// Messages that may wait for one receiver.
const MOST_WAITING: usize = 64;
/// Attempts to tell one message.
const ATTEMPTS: u32 = 3;
/// Pause after the first failure; doubled after each.
const FIRST_PAUSE: Duration = Duration::from_millis(500);
/// A program that takes longer is ended.
const PROGRAM_PATIENCE: Duration = Duration::from_secs(20);
/// How long the end of a run waits for its last messages, after everything else is done.
const END_PATIENCE: Duration = Duration::from_secs(45);
/// A refill due within this time is told of, s.
const HELIUM_AHEAD_S: f64 = 12.0 * 3600.0;

#[derive(Debug, Clone)]
struct Message {
    event: &'static str,
    body: Value,
}

#[derive(Debug)]
struct Queue {
    on: Vec<String>,
    messages: Option<SyncSender<Message>>,
    done: Receiver<()>,
}

/// Tells the hooks of a bench what happens.
#[derive(Debug)]
pub struct Hooks {
    queues: Vec<Queue>,
    bench: String,
    sequence: String,
    helium: HeliumWatch,
    known: Bench,
    /// The end, until it is told with the result of the run.
    ended: Option<(TimePoint, String)>,
}

impl Hooks {
    /// Starts a thread for each hook of the bench.
    pub fn start(bench: &Bench, sequence: &str) -> Self {
        let queues = bench.messages.iter().filter_map(|hook| {
            start_one(hook).map_err(|error| tracing::warn!(%error, to = ?hook.to, "no messages")).ok()
        });
        Self {
            queues: queues.collect(),
            bench: bench.name.clone(),
            sequence: sequence.to_owned(),
            helium: HeliumWatch::default(),
            known: bench.clone(),
            ended: None,
        }
    }

    fn tell(&self, event: &'static str, at: TimePoint, text: &str) {
        for queue in self.queues.iter().filter(|q| q.on.iter().any(|on| on == event)) {
            let mut body = json!({ "event": event, "at_s": at.s(), "text": text, "bench": self.bench,
                "sequence": self.sequence });
            if let Some(act) = act_of(event) {
                body["cautions"] = in_words(act).into();
            }
            let sent = queue.messages.as_ref().map(|m| m.try_send(Message { event, body }));
            if !matches!(sent, Some(Ok(()))) {
                tracing::warn!(event, "a message was not sent: its receiver is too slow");
            }
        }
    }
}

/// What people may do when they read of an event, or what moves then.
fn act_of(event: &str) -> Option<Act> {
    match event {
        "helium" => Some(Act::Fill),
        "held" | "interlock" | "fault" => Some(Act::Work),
        "released" => Some(Act::GoOn),
        _ => None,
    }
}

impl Observer for Hooks {
    fn entry(&mut self, at: TimePoint, entry: &Entry) {
        match entry {
            Entry::End { ending, parked, .. } => {
                let parked = if *parked { "parked" } else { "NOT parked" };
                self.ended =
                    Some((at, format!("{}; the bench is {parked}", ending.outcome.told(&ending.reason))));
            }
            Entry::Interlock { name, action, because, .. } => {
                let what = entry.what_tripped();
                self.tell("interlock", at, &format!("{name} tripped ({action}): {what} — {because}"));
            }
            Entry::Judgement { what: JudgementKind::TipChange, title, .. } => self.tell("tip", at, title),
            Entry::Judgement { title, .. } if entry.says(Verdict::Undecided) => {
                self.tell("undecided", at, title);
            }
            Entry::Plan { said, .. } => {
                if let PlanSaid::Asked(asked) = &**said {
                    self.tell("question", at, &Asking::new(asked, at.s()).in_words(at.s()));
                }
            }
            Entry::Call { answer: Err(Failure::Guarded(why)), .. } => {
                self.tell("tip", at, &format!("refused: {why}"));
            }
            Entry::Held { by, reason } => self.tell("held", at, &format!("held ({}): {reason}", by.word())),
            Entry::Released { .. } => self.tell("released", at, "the sequence goes on"),
            Entry::Fault { link, trouble } => {
                self.tell("fault", at, &format!("{link}: {}", trouble.in_words()));
            }
            _ => {}
        }
    }

    fn moment(&mut self, at: TimePoint, tally: &RunTally) {
        if let Some((at, _)) = self.ended.take_if(|_| tally.ending.is_some()) {
            let result = RunResult::of(tally, Some(&self.known), Seen::Record);
            let parked = if tally.parked { "" } else { " The bench is NOT parked." };
            self.tell("finished", at, &format!("{}: {}{parked}", result.outcome, result.headline));
        }
        let fresh = |level: &&Level| level.readings.len() != self.helium.seen;
        let Some(level) = tally.helium.as_ref().filter(fresh) else { return };
        let Some(helium) = HeliumNow::of(level, &self.known, at.s()) else { return };
        let nobody = helium.nobody_before(&self.known, &tally.clock);
        if let Some(due_s) = self.helium.due(at, level, nobody.is_some()) {
            let alarm = nobody
                .map(|there_s| format!("; nobody is there before {}", tally.clock.ahead(there_s, at.s())));
            let loss = helium.loss(&self.known).map(|loss| format!(" (loss {loss})"));
            let when = crate::quantity::in_words(due_s);
            let text = format!(
                "the refill is due in {when}{}{}",
                loss.unwrap_or_default(),
                alarm.unwrap_or_default()
            );
            self.tell("helium", at, &text);
        }
    }
}

impl Drop for Hooks {
    fn drop(&mut self) {
        if let Some((at, text)) = self.ended.take() {
            self.tell("finished", at, &text);
        }
        for queue in &mut self.queues {
            queue.messages = None;
        }
        let until = Instant::now() + END_PATIENCE;
        for queue in &self.queues {
            let left = until.saturating_duration_since(Instant::now());
            if let Err(RecvTimeoutError::Timeout) = queue.done.recv_timeout(left) {
                tracing::warn!("the last messages could not be told in time");
            }
        }
    }
}

/// When the refill is due, told once for each filling; and once more if it becomes an alarm after that.
#[derive(Debug, Default)]
struct HeliumWatch {
    /// Readings that were looked at.
    seen: usize,
    /// First reading of the filling of which it was told, s, and whether it was told as an alarm.
    told: Option<(f64, bool)>,
}

impl HeliumWatch {
    /// The time to the refill, s, when it is to be told.
    fn due(&mut self, at: TimePoint, level: &Level, alarm: bool) -> Option<f64> {
        self.seen = level.readings.len();
        let filling = level.since_transfer();
        let ((first_s, _), (_, last_m3)) = (*filling.first()?, *filling.last()?);
        let due_s = if last_m3 <= level.limit_m3 { 0.0 } else { level.due()?.at_s - at.s() };
        let before = self.told.filter(|told| told.0 == first_s);
        let tell = (alarm || due_s < HELIUM_AHEAD_S) && before.is_none_or(|(_, alarmed)| alarm && !alarmed);
        self.told = if tell { Some((first_s, alarm)) } else { self.told };
        tell.then_some(due_s.max(0.0))
    }
}

fn start_one(hook: &MessageHook) -> std::io::Result<Queue> {
    let (sender, receiver) = sync_channel(MOST_WAITING);
    let (over, done) = channel();
    let mine = hook.clone();
    std::thread::Builder::new().name("messages".to_owned()).spawn(move || {
        work(&mine, &receiver);
        // If nobody waits for the end, nobody needs to know.
        let _ = over.send(());
    })?;
    Ok(Queue { on: hook.on.clone(), messages: Some(sender), done })
}

/// Tells messages as they come, but no sooner than the hook allows; of those that came in between only the last
/// is told, with the number of the others. The end of the run does not wait for that.
fn work(hook: &MessageHook, messages: &Receiver<Message>) {
    let every = Duration::from_secs(hook.at_most_every_s);
    let mut pending: Option<Message> = None;
    let mut more = 0_u64;
    let mut free_at = Instant::now();
    loop {
        let heard = match &pending {
            Some(_) => messages.recv_timeout(free_at.saturating_duration_since(Instant::now())),
            None => messages.recv().map_err(|_| RecvTimeoutError::Disconnected),
        };
        match heard {
            Ok(message) => {
                more += u64::from(pending.replace(message).is_some());
                if Instant::now() < free_at {
                    continue;
                }
            }
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => {
                if let Some(message) = pending.take() {
                    deliver(hook, message, more);
                }
                return;
            }
        }
        if let Some(message) = pending.take() {
            deliver(hook, message, std::mem::take(&mut more));
            free_at = Instant::now() + every;
        }
    }
}

fn deliver(hook: &MessageHook, mut message: Message, more: u64) {
    message.body["more"] = json!(more);
    let text = message.body.to_string();
    let mut pause = FIRST_PAUSE;
    for attempt in 1..=ATTEMPTS {
        let told = match hook.to.as_slice() {
            [] => Err("it has no receiver".to_owned()),
            [address] if address.starts_with("http://") => post(address, &text),
            [address] if address.starts_with("https://") => {
                Err("only http:// is posted to; for https:// name a program that does it".to_owned())
            }
            [program, arguments @ ..] => run(program, arguments, &message, &text),
        };
        match told {
            Ok(()) => return,
            Err(reason) => tracing::warn!(attempt, to = ?hook.to, "a message was not taken: {reason}"),
        }
        if attempt < ATTEMPTS {
            std::thread::sleep(pause);
            pause *= 2;
        }
    }
}

fn run(program: &str, arguments: &[String], message: &Message, text: &str) -> Result<(), String> {
    let words = message.body["text"].as_str().unwrap_or_default();
    let mut child = Command::new(program)
        .args(arguments)
        .env("NOCTULE_EVENT", message.event)
        .env("NOCTULE_TEXT", words)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .map_err(|error| format!("`{program}` does not start: {error}"))?;
    if let Some(mut stdin) = child.stdin.take() {
        // A program that does not care for its input is fine; a message is shorter than a pipe.
        let _ = writeln!(stdin, "{text}");
    }
    let until = Instant::now() + PROGRAM_PATIENCE;
    loop {
        match child.try_wait() {
            Ok(Some(status)) if status.success() => return Ok(()),
            Ok(Some(status)) => return Err(format!("`{program}` ended with {status}")),
            Ok(None) if Instant::now() < until => std::thread::sleep(Duration::from_millis(20)),
            Ok(None) => {
                let _ = child.kill();
                let _ = child.wait();
                return Err(format!("`{program}` took too long"));
            }
            Err(error) => return Err(error.to_string()),
        }
    }
}

#[cfg(test)]
mod tests;
