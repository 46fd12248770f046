//! The operator of a rehearsal who comes to transfer helium: holds the run, fills the bath, releases it.
//!
//! What a visitor does depends on nothing but the level that the gauge shows, the clock, and whether the bench is
//! ready, so a rehearsal repeats it exactly.

use crate::quantity::TimePoint;
use crate::supervisor::Word;

/// When somebody comes, and what they do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Visit {
    /// What makes them come.
    pub when: Call,
    /// Time from then until they are there and ask for the hold, s.
    pub comes_after_s: f64,
    /// Time from when the bench is ready until helium flows, s.
    pub prepares_s: f64,
    /// Level to which the bath is filled, m³.
    pub to_m3: f64,
    /// Time from when the bath is full until they release the run, s; negative if they do so before.
    pub leaves_after_s: f64,
}

/// What makes an operator come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Call {
    /// A moment; once.
    At(TimePoint),
    /// The gauge shows less than this, m³; each time.
    Below(f64),
}

/// What the visitor wants.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wish {
    /// To say something to the run.
    Say(Word),
    /// To let helium flow until the bath holds so much, m³.
    Fill(f64),
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Stage {
    Away,
    Coming(TimePoint),
    /// Waits until the bench is ready.
    There,
    Preparing(TimePoint),
    /// The helium is about to flow.
    Opening,
    Filling(TimePoint),
    Gone,
}

/// One visitor.
#[derive(Debug, Clone, Copy)]
pub struct Visitor {
    visit: Visit,
    stage: Stage,
}

impl Visitor {
    /// Not called yet.
    pub fn new(visit: Visit) -> Self {
        let stage = match visit.when {
            Call::At(at) => Stage::Coming(at.after(visit.comes_after_s)),
            Call::Below(_) => Stage::Away,
        };
        Self { visit, stage }
    }

    /// When something is due; never while the visitor waits for something else.
    pub fn next_wake(&self) -> TimePoint {
        match self.stage {
            Stage::Coming(at) | Stage::Preparing(at) | Stage::Filling(at) => at,
            Stage::Away | Stage::There | Stage::Opening | Stage::Gone => TimePoint::NEVER,
        }
    }

    /// The gauge has been read.
    pub fn level(&mut self, now: TimePoint, level_m3: f64) {
        if let (Stage::Away, Call::Below(mark)) = (self.stage, self.visit.when)
            && level_m3 < mark
        {
            self.stage = Stage::Coming(now.after(self.visit.comes_after_s));
        }
    }

    /// What the visitor wants now, if anything; `ready` says that the bench is at its refill state.
    pub fn wish(&mut self, now: TimePoint, ready: bool) -> Option<Wish> {
        match self.stage {
            Stage::Coming(at) if at <= now => {
                self.stage = Stage::There;
                Some(Wish::Say(Word::HoldForRefill))
            }
            Stage::There if ready => {
                self.stage = Stage::Preparing(now.after(self.visit.prepares_s));
                None
            }
            Stage::Preparing(at) if at <= now => {
                self.stage = Stage::Opening;
                Some(Wish::Fill(self.visit.to_m3))
            }
            Stage::Filling(at) if at <= now => {
                self.stage = match self.visit.when {
                    Call::At(_) => Stage::Gone,
                    Call::Below(_) => Stage::Away,
                };
                Some(Wish::Say(Word::Release))
            }
            _ => None,
        }
    }

    /// The run that was held has ended: whoever was there goes.
    pub fn run_ended(&mut self) {
        if let Stage::There | Stage::Preparing(_) | Stage::Opening | Stage::Filling(_) = self.stage {
            self.stage = match self.visit.when {
                Call::At(_) => Stage::Gone,
                Call::Below(_) => Stage::Away,
            };
        }
    }

    /// Helium flows, and will for so long, s.
    pub fn flows(&mut self, now: TimePoint, takes_s: f64) {
        self.stage = Stage::Filling(now.after((takes_s + self.visit.leaves_after_s).max(0.0)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_visitor_comes_when_the_level_is_low_and_again_when_it_is_low_again() {
        let visit = Visit {
            when: Call::Below(0.013),
            comes_after_s: 100.0,
            prepares_s: 10.0,
            to_m3: 0.066,
            leaves_after_s: 20.0,
        };
        let mut visitor = Visitor::new(visit);
        let at = TimePoint::from_s;
        for round in 0..2 {
            let base = f64::from(round) * 10_000.0;
            visitor.level(at(base), 0.014);
            assert_eq!(visitor.next_wake(), TimePoint::NEVER);
            visitor.level(at(base), 0.0129);
            assert_eq!(visitor.next_wake(), at(base + 100.0));
            assert_eq!(visitor.wish(at(base + 99.0), true), None);
            assert_eq!(visitor.wish(at(base + 100.0), false), Some(Wish::Say(Word::HoldForRefill)));
            // Nothing flows before the bench is ready.
            assert_eq!(visitor.wish(at(base + 200.0), false), None);
            assert_eq!(visitor.wish(at(base + 300.0), true), None);
            assert_eq!(visitor.wish(at(base + 310.0), true), Some(Wish::Fill(0.066)));
            visitor.flows(at(base + 310.0), 50.0);
            assert_eq!(visitor.wish(at(base + 379.0), true), None);
            assert_eq!(visitor.wish(at(base + 380.0), true), Some(Wish::Say(Word::Release)));
        }
    }
}
