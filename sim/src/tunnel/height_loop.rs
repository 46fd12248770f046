//! The loop that holds the current by moving the tip.

/// A first-order height loop in closed form.
///
/// With a logarithmic input the error is the height error, so the tip goes to
/// its target as `exp(−2πf·t)`. Between two commits the target stands still.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeightLoop {
    rate_per_s: f64,
    closed: bool,
    height_m: f64,
    target_m: f64,
    since_s: f64,
}

impl HeightLoop {
    /// A closed loop of the bandwidth `bandwidth_hz` with the tip at `height_m`.
    pub fn new(bandwidth_hz: f64, height_m: f64) -> Self {
        assert!(bandwidth_hz > 0.0, "a height loop needs a positive bandwidth");
        let rate_per_s = 2.0 * std::f64::consts::PI * bandwidth_hz;
        Self { rate_per_s, closed: true, height_m, target_m: height_m, since_s: 0.0 }
    }

    /// Height at `now_s`, m. Does not change the loop, however often it is asked.
    pub fn height_m(&self, now_s: f64) -> f64 {
        let elapsed = now_s - self.since_s;
        if !self.closed || elapsed <= 0.0 {
            return self.height_m;
        }
        self.target_m + (self.height_m - self.target_m) * (-self.rate_per_s * elapsed).exp()
    }

    /// From `now_s` on the loop goes for `target_m`.
    pub fn aim(&mut self, now_s: f64, target_m: f64) {
        self.height_m = self.height_m(now_s);
        self.since_s = now_s;
        self.target_m = target_m;
    }

    /// Opens or closes the loop at `now_s`; an open loop keeps its height.
    pub fn close(&mut self, now_s: f64, closed: bool) {
        self.height_m = self.height_m(now_s);
        self.since_s = now_s;
        self.closed = closed;
    }

    /// Puts the tip at `height_m` at once: a coarse move, a crash.
    pub fn place(&mut self, now_s: f64, height_m: f64) {
        self.height_m = height_m;
        self.target_m = height_m;
        self.since_s = now_s;
    }

    /// Whether the loop is closed.
    pub fn is_closed(&self) -> bool {
        self.closed
    }
}
