//! Until when readings are certain, on a link whose replies carry no mark of their query.
//!
//! A reply that is another's can pass where its own comes later than the proof after it. So a reading is certain once
//! the link was proved after it, and a further time has passed without anything odd in which its own reply would have
//! come: the longest that a reply may be late.

use crate::quantity::TimePoint;
use std::collections::VecDeque;
use std::time::{Duration, Instant};

/// Readings within this part of that time are told together.
const GRAIN: u32 = 64;
/// So many groups are kept; older ones are told together.
const GROUPS_AT_MOST: usize = 1024;
/// A link is quiet when nothing came for so many times the longest that a reply has taken, and for this at least.
const QUIET_FOR: u32 = 10;
const QUIET_AT_LEAST: Duration = Duration::from_millis(20);

/// Some readings.
#[derive(Debug)]
struct Group {
    began: Instant,
    /// The same moment as a time of the run.
    at: TimePoint,
    count: u32,
}

/// What is not certain yet.
#[derive(Debug)]
pub(super) struct InStep {
    longest_late: Duration,
    /// The longest that a reply has taken.
    slowest: Duration,
    groups: VecDeque<Group>,
    /// Of these, so many came before the last proof.
    proved: usize,
    /// Readings up to here are certain.
    certain: TimePoint,
    /// The time of the run now.
    pub(super) now: TimePoint,
}

impl InStep {
    /// Nothing was read yet.
    pub(super) fn new(longest_late: Duration) -> Self {
        let (certain, now) = (TimePoint::START, TimePoint::START);
        Self { longest_late, slowest: Duration::ZERO, groups: VecDeque::new(), proved: 0, certain, now }
    }

    /// Something was read, and the reply took so long.
    pub(super) fn read(&mut self, at: Instant, took: Duration) {
        self.slowest = self.slowest.max(took);
        match self.groups.back_mut() {
            Some(last) if at.duration_since(last.began) < self.longest_late / GRAIN => last.count += 1,
            _ => self.groups.push_back(Group { began: at, at: self.now, count: 1 }),
        }
        self.proved = self.proved.min(self.groups.len() - 1);
        if self.groups.len() > GROUPS_AT_MOST
            && let Some(second) = self.groups.remove(1)
        {
            self.groups[0].count += second.count;
            self.proved = self.proved.saturating_sub(1);
        }
        self.settle(at);
    }

    /// The link is in step now.
    pub(super) fn prove(&mut self, at: Instant) {
        self.proved = self.groups.len();
        self.settle(at);
    }

    /// Nothing lies there. Where nothing was said for long enough that is a proof: replies that are shifted by one
    /// would leave one lying there, as soon as it comes as late as any did.
    pub(super) fn is_quiet(&mut self, last: Option<Instant>) {
        if self.groups.is_empty() {
            return;
        }
        let now = Instant::now();
        let long_enough = (QUIET_FOR * self.slowest).max(QUIET_AT_LEAST).min(self.longest_late);
        if last.is_some_and(|last| now.duration_since(last) > long_enough) {
            self.prove(now);
        }
    }

    fn settle(&mut self, now: Instant) {
        while self.proved > 0
            && self.groups.front().is_some_and(|first| now.duration_since(first.began) > self.longest_late)
            && let Some(first) = self.groups.pop_front()
        {
            self.certain = first.at;
            self.proved -= 1;
        }
    }

    /// Something is odd: until when readings are certain, and how many are not.
    pub(super) fn doubt(&mut self) -> Option<(TimePoint, u32)> {
        let count = self.groups.iter().map(|group| group.count).sum();
        (self.groups, self.proved) = (VecDeque::new(), 0);
        let until = std::mem::replace(&mut self.certain, self.now);
        (count > 0).then_some((until, count))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reading_is_certain_when_it_was_proved_and_its_own_reply_can_not_come_any_more() {
        let late = Duration::from_secs(1);
        let begin = Instant::now();
        let after = |seconds: f64| begin + Duration::from_secs_f64(seconds);
        let read = |in_step: &mut InStep, at_s: f64| {
            in_step.now = TimePoint::from_s(100.0 + at_s);
            in_step.read(after(at_s), Duration::from_millis(1));
        };
        let mut in_step = InStep::new(late);
        assert_eq!(in_step.doubt(), None);
        read(&mut in_step, 0.0);
        read(&mut in_step, 0.5);
        in_step.prove(after(0.6));
        assert_eq!(in_step.groups.len(), 2, "proved, but not old enough");
        read(&mut in_step, 1.2);
        // The first is certain; of the second a reply may still come, and the third is not proved.
        assert_eq!(in_step.doubt(), Some((TimePoint::from_s(100.0), 2)));
        assert_eq!(in_step.doubt(), None, "told once");
        // Without a proof nothing becomes certain, and what is remembered does not grow.
        for k in 0..5000 {
            read(&mut in_step, 2.0 + f64::from(k));
        }
        assert!(in_step.groups.len() <= GROUPS_AT_MOST);
        assert_eq!(in_step.doubt(), Some((TimePoint::from_s(101.2), 5000)));
        for k in 0..5000 {
            read(&mut in_step, 6000.0 + f64::from(k));
            in_step.prove(after(6000.0 + f64::from(k)));
        }
        assert!(in_step.groups.len() <= 2);
    }
}
