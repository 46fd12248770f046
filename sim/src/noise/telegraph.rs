//! A thing with two states that jumps between them.

use super::{Source, Stream};

/// Random telegraph process with rates that may change at any time.
///
/// The next jump is where the integrated rate reaches a number drawn from an
/// exponential, so asking for the state changes nothing.
#[derive(Debug, Clone)]
pub struct Telegraph {
    stream: Stream,
    up: bool,
    leave_up_hz: f64,
    leave_down_hz: f64,
    since_s: f64,
    budget: f64,
}

impl Telegraph {
    /// A process in the state `up` that does not jump until rates are given.
    pub fn new(seed: u64, source: Source, up: bool) -> Self {
        let mut stream = Stream::new(seed, source);
        let budget = stream.exponential();
        Self { stream, up, leave_up_hz: 0.0, leave_down_hz: 0.0, since_s: 0.0, budget }
    }

    /// The state now.
    pub fn is_up(&self) -> bool {
        self.up
    }

    /// Rates of leaving the two states, Hz, from `now_s` on; mean dwell times are their inverses.
    pub fn set_rates(&mut self, now_s: f64, leave_up_hz: f64, leave_down_hz: f64) {
        assert!(leave_up_hz >= 0.0 && leave_down_hz >= 0.0, "a rate is not negative");
        if leave_up_hz == self.leave_up_hz && leave_down_hz == self.leave_down_hz {
            return;
        }
        self.budget = (self.budget - self.rate_hz() * (now_s - self.since_s)).max(0.0);
        self.since_s = now_s;
        self.leave_up_hz = leave_up_hz;
        self.leave_down_hz = leave_down_hz;
    }

    /// Time of the next jump, s; infinite if it never comes.
    pub fn next_s(&self) -> f64 {
        let rate = self.rate_hz();
        if rate > 0.0 { self.since_s + self.budget / rate } else { f64::INFINITY }
    }

    /// Jumps, at the time [`Self::next_s`] gave.
    pub fn jump(&mut self) {
        self.since_s = self.next_s();
        assert!(self.since_s.is_finite(), "a process without a rate does not jump");
        self.up = !self.up;
        self.budget = self.stream.exponential();
    }

    fn rate_hz(&self) -> f64 {
        if self.up { self.leave_up_hz } else { self.leave_down_hz }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dwell_times_have_their_means() {
        let mut process = Telegraph::new(5, Source::Switching, true);
        process.set_rates(0.0, 10.0, 2.5);
        let (mut time, mut dwell, mut count) = (0.0, [0.0; 2], [0_u32; 2]);
        for _ in 0..20_000 {
            let next = process.next_s();
            dwell[usize::from(process.is_up())] += next - time;
            count[usize::from(process.is_up())] += 1;
            time = next;
            process.jump();
        }
        // 10 000 dwells each: the mean is known to 1 %, four of which are allowed.
        assert!((dwell[1] / f64::from(count[1]) - 0.1).abs() < 0.004);
        assert!((dwell[0] / f64::from(count[0]) - 0.4).abs() < 0.016);
    }

    #[test]
    fn a_change_of_rate_keeps_what_was_waited() {
        let mut process = Telegraph::new(5, Source::Switching, true);
        process.set_rates(0.0, 1.0, 1.0);
        let alone = process.next_s();
        process.set_rates(alone / 2.0, 2.0, 2.0);
        assert!((process.next_s() - alone * 0.75).abs() < 1e-12);
        process.set_rates(alone / 2.0, 0.0, 0.0);
        assert_eq!(process.next_s(), f64::INFINITY);
    }
}
