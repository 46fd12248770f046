//! Contact with the instruments: who was heard when, who is silent, and who is looked at next.

use super::event::{Command, Owner, Ticket};
use crate::bench::Bench;
use crate::instrument::InstrumentError;
use crate::quantity::TimePoint;

/// A link that has given no answer for so long is told of, s.
const TOLD_AFTER_S: f64 = 2.0;
/// How often a silent instrument is asked whether it is back, s: at first, and after a while.
const ASKED_EVERY_S: (f64, f64) = (1.0, 5.0);
/// What that while is, s.
const AT_FIRST_S: f64 = 60.0;

/// A look on its way.
#[derive(Debug, Clone, Copy)]
pub struct Looking {
    serial: u64,
    deadline: TimePoint,
    /// Whether it is at everything.
    pub all: bool,
    sent_at: TimePoint,
}

/// What is known of one link.
#[derive(Debug, Clone)]
struct Contact {
    /// Whether it is looked at between times, and whether anything there is often.
    real: bool,
    often: bool,
    due_often: TimePoint,
    due_all: TimePoint,
    looking: Option<Looking>,
    /// When the last command that was answered was sent.
    heard: TimePoint,
    /// When the last good looks were sent.
    seen_often: TimePoint,
    seen_all: TimePoint,
    /// The last failure in a row of failures without an answer, and when the row began.
    silent: Option<(TimePoint, InstrumentError)>,
    told: bool,
    /// Its connection was made anew since it was last heard.
    made_anew: bool,
    /// It has answered when it was asked after a command had failed for good, and the command was sent again.
    asked_after: bool,
}

/// What is known of all links.
#[derive(Debug)]
pub struct Contacts {
    links: Vec<Contact>,
    serial: u64,
    every_s: (f64, f64),
}

impl Contacts {
    /// Nobody was heard yet.
    pub fn new(bench: &Bench, now: TimePoint) -> Self {
        let contact = |link: usize| {
            let (often, all) = (bench.looked_at(link, false), bench.looked_at(link, true));
            Contact {
                real: !all.is_empty(),
                often: !often.is_empty(),
                due_often: if often.is_empty() { TimePoint::NEVER } else { now },
                due_all: if all.is_empty() { TimePoint::NEVER } else { now },
                looking: None,
                heard: now,
                seen_often: now,
                seen_all: now,
                silent: None,
                told: false,
                made_anew: false,
                asked_after: false,
            }
        };
        let links = (0..bench.links.len()).map(contact).collect();
        Self {
            links,
            serial: 0,
            every_s: (bench.looks.every_s, bench.looks.others_s.max(bench.looks.every_s)),
        }
    }

    /// When something is due.
    pub fn next_wake(&self) -> TimePoint {
        let of_link = |contact: &Contact| {
            let told = contact.silent.as_ref().filter(|_| !contact.told);
            let told = told.map_or(TimePoint::NEVER, |(since, _)| since.after(TOLD_AFTER_S));
            let due = contact.looking.map_or_else(|| contact.next_due(), |looking| looking.deadline);
            told.min(due)
        };
        self.links.iter().map(of_link).min().unwrap_or(TimePoint::NEVER)
    }

    /// The next look that is due.
    pub fn next_look(&mut self, bench: &Bench, now: TimePoint) -> Option<(Ticket, usize, Command)> {
        let (link, contact) = self
            .links
            .iter_mut()
            .enumerate()
            .find(|(_, contact)| contact.looking.is_none() && contact.next_due() <= now)?;
        let all = contact.due_all <= now;
        contact.due_often = if contact.often { now.after(self.every_s.0) } else { TimePoint::NEVER };
        if all {
            contact.due_all = if contact.real { now.after(self.every_s.1) } else { TimePoint::NEVER };
        }
        self.serial += 1;
        let questions = bench.looked_at(link, all).len() + 2;
        let deadline = now.after(bench.answer_within_s(link) * (3 * questions) as f64 + 1.0);
        contact.looking = Some(Looking { serial: self.serial, deadline, all, sent_at: now });
        let number = u16::try_from(link).unwrap_or(u16::MAX);
        let ticket = Ticket { owner: Owner::Look(number), serial: self.serial };
        Some((ticket, link, Command::Look { link: number, all }))
    }

    /// A link is looked at as soon as it is free.
    pub fn ask(&mut self, link: usize, at: TimePoint) {
        let contact = &mut self.links[link];
        contact.due_all = contact.due_all.min(at);
    }

    /// A silent instrument is asked again after a while.
    pub fn ask_again(&mut self, link: usize, now: TimePoint, silent_since: TimePoint) {
        let long = now.since(silent_since) > AT_FIRST_S;
        let pause_s = if long { ASKED_EVERY_S.1 } else { ASKED_EVERY_S.0 };
        let contact = &mut self.links[link];
        contact.due_all = now.after(pause_s);
        contact.due_often = TimePoint::NEVER;
    }

    /// The look that is answered; none if the answer is to an older one.
    pub fn answered(&mut self, link: usize, serial: u64) -> Option<Looking> {
        let looking = &mut self.links.get_mut(link)?.looking;
        let found = looking.filter(|looking| looking.serial == serial)?;
        *looking = None;
        Some(found)
    }

    /// A look whose answer is overdue: its link and serial.
    pub fn overdue(&self, now: TimePoint) -> Option<(usize, u64)> {
        let late = |(link, contact): (usize, &Contact)| {
            contact.looking.filter(|looking| looking.deadline <= now).map(|looking| (link, looking.serial))
        };
        self.links.iter().enumerate().find_map(late)
    }

    /// Whether a link is looked at for the sake of others.
    pub fn is_real(&self, link: usize) -> bool {
        self.links[link].real
    }

    /// Whether a look is on its way, or due at once.
    pub fn is_asked(&self, link: usize, now: TimePoint) -> bool {
        let contact = &self.links[link];
        contact.looking.is_some() || contact.due_all <= now
    }

    /// An instrument has answered a command that was sent then. How long it had been silent, s, if that was told.
    pub fn hear(&mut self, link: usize, sent_at: TimePoint, now: TimePoint) -> Option<f64> {
        let contact = &mut self.links[link];
        contact.heard = contact.heard.max(sent_at);
        contact.made_anew = false;
        let silent = contact.silent.take();
        let told = std::mem::take(&mut contact.told);
        silent.filter(|_| told).map(|(since, _)| now.since(since))
    }

    /// A look has found everything as it was left.
    pub fn see(&mut self, link: usize, looking: Looking) {
        let contact = &mut self.links[link];
        contact.seen_often = contact.seen_often.max(looking.sent_at);
        if looking.all {
            contact.seen_all = contact.seen_all.max(looking.sent_at);
        }
    }

    /// An instrument has not answered.
    pub fn miss(&mut self, link: usize, now: TimePoint, error: &InstrumentError) {
        let silent = &mut self.links[link].silent;
        match silent {
            Some((_, last)) if last == error => {}
            Some((_, last)) => last.clone_from(error),
            None => *silent = Some((now, error.clone())),
        }
    }

    /// Since when an instrument has not answered.
    pub fn silent_since(&self, link: usize) -> Option<TimePoint> {
        self.links[link].silent.as_ref().map(|(since, _)| *since)
    }

    /// That a link is silent is told now; the last failure, unless it was told before.
    pub fn tell(&mut self, link: usize) -> Option<InstrumentError> {
        let contact = &mut self.links[link];
        let (_, error) = contact.silent.as_ref()?;
        (!std::mem::replace(&mut contact.told, true)).then(|| error.clone())
    }

    /// The next link whose silence has lasted long enough to be told.
    pub fn untold(&self, now: TimePoint) -> Option<usize> {
        let untold = |contact: &Contact| {
            let since = contact.silent.as_ref().filter(|_| !contact.told).map(|(since, _)| *since);
            since.is_some_and(|since| now.since(since) >= TOLD_AFTER_S)
        };
        self.links.iter().position(untold)
    }

    /// When the last good look at everything was sent.
    pub fn seen_since(&self, link: usize) -> TimePoint {
        self.links[link].seen_all
    }

    /// Whether a connection was made anew since its instrument was last heard.
    pub fn is_made_anew(&self, link: usize) -> bool {
        self.links[link].made_anew
    }

    /// A connection was made anew.
    pub fn made_anew(&mut self, link: usize) {
        self.links[link].made_anew = true;
    }

    /// Until when an instrument was certainly as it was left, now that it is not. A connection that held shows that it
    /// was not restarted; another hand may have been there since the last look.
    pub fn good_until(&self, link: usize, often: bool) -> TimePoint {
        let contact = &self.links[link];
        let seen = if often { contact.seen_often } else { contact.seen_all };
        if contact.made_anew { contact.heard.max(seen) } else { seen }
    }

    /// Whether a command that had failed for good was sent again since the link last obeyed.
    pub fn was_asked_after(&self, link: usize) -> bool {
        self.links[link].asked_after
    }

    /// Notes that, or that it obeys.
    pub fn set_asked_after(&mut self, link: usize, asked: bool) {
        self.links[link].asked_after = asked;
    }
}

impl Contact {
    fn next_due(&self) -> TimePoint {
        self.due_often.min(self.due_all)
    }
}
