//! The loop that holds the current by moving the tip.

/// A first-order height loop in closed form.
///
/// With a logarithmic input the error is the height error, so it dies out as
/// `exp(−2πf·t)` about a target that may itself move (drift). An open loop
/// keeps the height. Asking changes nothing; whoever changes the target says so
/// with [`HeightLoop::reseat`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeightLoop {
    rate_per_s: f64,
    closed: bool,
    /// Height over the target if closed, height if open, m.
    value_m: f64,
    since_s: f64,
}

impl HeightLoop {
    /// A closed loop of the bandwidth `bandwidth_hz`, without error.
    pub fn new(bandwidth_hz: f64) -> Self {
        assert!(bandwidth_hz > 0.0, "a height loop needs a positive bandwidth");
        let rate_per_s = 2.0 * std::f64::consts::PI * bandwidth_hz;
        Self { rate_per_s, closed: true, value_m: 0.0, since_s: 0.0 }
    }

    /// Height at `now_s`, m, if the loop's target is `target_m` now.
    pub fn height_m(&self, now_s: f64, target_m: f64) -> f64 {
        if !self.closed {
            return self.value_m;
        }
        let exponent = self.rate_per_s * (now_s - self.since_s);
        // Past forty decay times the error is below a part in 10¹⁷ of what it was.
        if self.value_m == 0.0 || exponent > 40.0 {
            target_m
        } else {
            target_m + self.value_m * (-exponent).exp()
        }
    }

    /// From `now_s` on the tip is at `height_m` and the loop goes for `target_m`.
    pub fn reseat(&mut self, now_s: f64, height_m: f64, target_m: f64) {
        self.value_m = if self.closed { height_m - target_m } else { height_m };
        self.since_s = now_s;
    }

    /// Opens or closes the loop at `now_s`, the tip being at `height_m`.
    pub fn close(&mut self, now_s: f64, closed: bool, height_m: f64, target_m: f64) {
        self.closed = closed;
        self.reseat(now_s, height_m, target_m);
    }

    /// Whether the loop is closed.
    pub fn is_closed(&self) -> bool {
        self.closed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_error_dies_out_with_the_bandwidth() {
        let mut height_loop = HeightLoop::new(10.0);
        height_loop.reseat(1.0, 5e-10, 3e-10);
        let constant = 1.0 / (2.0 * std::f64::consts::PI * 10.0);
        let after = height_loop.height_m(1.0 + constant, 3e-10);
        assert!((after - (3e-10 + 2e-10 * (-1.0_f64).exp())).abs() < 1e-22);
        assert_eq!(height_loop.height_m(10.0, 3.1e-10), 3.1e-10);
        height_loop.close(10.0, false, 3.1e-10, 3.1e-10);
        assert_eq!(height_loop.height_m(20.0, 9e-10), 3.1e-10);
    }
}
