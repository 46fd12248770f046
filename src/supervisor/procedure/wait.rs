//! Letting time pass.

use super::{Context, Input, Next};
use crate::quantity::TimePoint;
use crate::record::Answer;

/// A wait; time spent on hold does not count.
#[derive(Debug)]
pub struct Waiting {
    remaining_s: f64,
    until: Option<TimePoint>,
}

impl Waiting {
    /// Wait so long.
    pub fn new(seconds: f64) -> Self {
        Self { remaining_s: seconds, until: None }
    }

    pub(super) fn step(&mut self, _: Input, ctx: &mut Context<'_>) -> Next {
        let until = *self.until.get_or_insert_with(|| ctx.now.after(self.remaining_s));
        ctx.boundary = true;
        if ctx.now >= until { Next::Finished(Ok(Answer::Done)) } else { Next::Until(until) }
    }

    pub(super) fn suspend(&mut self, now: TimePoint) {
        if let Some(until) = self.until.take() {
            self.remaining_s = until.since(now);
        }
    }
}
