//! One thread for each link: a dead instrument holds up nobody but itself.

use super::WireLog;
use crate::bench::Bench;
use crate::drive::virtual_time::carry_out_command;
use crate::instrument::{ErrorKind, Instrument};
use crate::quantity::TimePoint;
use crate::supervisor::{Answered, Command, Ticket};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::{Duration, Instant};
use tokio::sync::mpsc::UnboundedSender;

/// Stack of a link's thread.
const LINK_STACK: usize = 1 << 20;

/// Makes the instrument of a link within the link's own thread.
pub type MakeInstrument = Box<dyn FnOnce() -> Box<dyn Instrument> + Send>;

/// A command on its way to a link.
struct Order {
    ticket: Ticket,
    command: Command,
    now: TimePoint,
}

/// An answer on its way back.
#[derive(Debug)]
pub struct FromLink {
    /// The command.
    pub ticket: Ticket,
    /// What was commanded.
    pub command: Command,
    /// When it was commanded.
    pub sent: TimePoint,
    /// The answer.
    pub outcome: Answered,
    /// Whether the connection was made anew for it.
    pub made_anew: bool,
}

/// The links of a bench.
#[derive(Debug)]
pub struct Links {
    orders: Vec<Sender<Order>>,
}

impl Links {
    /// Starts a thread for each link.
    ///
    /// # Errors
    /// One sentence, if there is no memory for one.
    pub fn start(
        bench: &Arc<Bench>,
        instruments: Vec<MakeInstrument>,
        answers: &UnboundedSender<FromLink>,
        log: Option<&WireLog>,
    ) -> Result<Self, String> {
        assert_eq!(instruments.len(), bench.links.len(), "each link has its instrument");
        let mut orders = Vec::new();
        for (link, make) in bench.links.iter().zip(instruments) {
            let (sender, receiver) = channel();
            let (bench, answers) = (Arc::clone(bench), answers.clone());
            let log = log.cloned().map(|log| (link.name.clone(), log));
            std::thread::Builder::new()
                .name(format!("link {}", link.name))
                .stack_size(LINK_STACK)
                .spawn(move || serve(&bench, make().as_mut(), &receiver, &answers, log.as_ref()))
                .map_err(|error| {
                    format!(
                        "there is no memory left for the link `{}`: {error}; nothing was moved",
                        link.name
                    )
                })?;
            orders.push(sender);
        }
        Ok(Self { orders })
    }

    /// Sends a command; if the link's thread is gone, nobody will answer and the supervisor will notice.
    pub fn send(&self, link: usize, ticket: Ticket, command: Command, now: TimePoint) {
        if self.orders[link].send(Order { ticket, command, now }).is_err() {
            tracing::error!(link, "the link's thread is gone");
        }
    }
}

fn serve(
    bench: &Bench,
    instrument: &mut dyn Instrument,
    orders: &Receiver<Order>,
    answers: &UnboundedSender<FromLink>,
    log: Option<&(String, WireLog)>,
) {
    let mut written = None;
    let mut silence = Silence::default();
    while let Ok(Order { ticket, command, now }) = orders.recv() {
        instrument.pass_time(now);
        let (outcome, _) = carry_out_command(instrument, bench, &command);
        if let Answered::Failed(error) = &outcome {
            let told = silence.is_told(error.kind, Instant::now());
            if told {
                let failed = silence.failed;
                tracing::warn!(command = command.describe(bench), %error, failed, "a command failed");
            }
            let strange = error.kind.is_silence() || error.kind == ErrorKind::Changed;
            if let Some((link, log)) = log.filter(|_| strange) {
                log.keep(link, &mut written, || instrument.recording());
            }
            if error.kind == ErrorKind::Absent
                && let Err(error) = instrument.reconnect()
                && told
            {
                tracing::warn!(%error, "connecting anew failed");
            }
        } else if let Some(failed) = silence.is_over() {
            tracing::info!(failed, command = command.describe(bench), "it answers again");
        }
        let made_anew = instrument.made_anew();
        if answers.send(FromLink { ticket, command, sent: now, outcome, made_anew }).is_err() {
            return;
        }
    }
}

/// Pauses between two lines of the log about a link that gives no answer: the first, and the longest.
const PAUSES: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(600));

/// A link that gives no answer: said at once, then at growing intervals.
#[derive(Debug, Default)]
struct Silence {
    /// Commands that have failed for it.
    failed: u64,
    next: Option<(Instant, Duration)>,
}

impl Silence {
    /// Whether a failure is told of. One that is an answer always is.
    fn is_told(&mut self, kind: ErrorKind, now: Instant) -> bool {
        if !matches!(kind, ErrorKind::Absent | ErrorKind::TimedOut) {
            return true;
        }
        self.failed += 1;
        if self.next.is_some_and(|(at, _)| now < at) {
            return false;
        }
        let pause = self.next.map_or(PAUSES.0, |(_, pause)| (2 * pause).min(PAUSES.1));
        self.next = Some((now + pause, pause));
        true
    }

    /// Something was answered: gives how many commands had failed, where that was kept quiet for a while.
    fn is_over(&mut self) -> Option<u64> {
        self.next = None;
        Some(std::mem::take(&mut self.failed)).filter(|failed| *failed > 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_link_that_is_away_for_an_hour_is_told_of_a_few_times() {
        let (mut silence, began) = (Silence::default(), Instant::now());
        let told_at: Vec<u64> = (0..36_000)
            .filter(|tenths| silence.is_told(ErrorKind::Absent, began + Duration::from_millis(100 * *tenths)))
            .map(|tenths| tenths / 10)
            .collect();
        assert_eq!(told_at, [0, 1, 3, 7, 15, 31, 63, 127, 255, 511, 1023, 1623, 2223, 2823, 3423]);
        assert!(silence.is_told(ErrorKind::Refused, began));
        assert_eq!((silence.is_over(), silence.is_over()), (Some(36_000), None));
        assert!(silence.is_told(ErrorKind::TimedOut, began), "the next silence is news");
    }
}
