//! Collects the faults of a set of parameters, so that all of them are told at once.

/// Nothing in these rooms is larger than this in its unit, or smaller than its inverse if it must
/// not be zero; products of several stay far from overflow.
const LARGEST: f64 = 1e18;

/// A list of complaints in the making.
pub(crate) struct Bounds {
    faults: Vec<String>,
}

impl Bounds {
    pub(crate) fn new() -> Self {
        Self { faults: Vec::new() }
    }

    /// `value` must be a number above zero, and not so small or large that laws overflow.
    pub(crate) fn positive(&mut self, name: &str, value: f64) {
        if value.is_nan() || value <= 0.0 {
            self.faults.push(format!("`{name}` must be above zero, found {value}"));
        } else if !(1.0 / LARGEST..=LARGEST).contains(&value) {
            self.faults.push(format!("`{name}` is out of all proportion: {value:e}"));
        }
    }

    /// `value` must be a number, zero or above, and not so large that laws overflow.
    pub(crate) fn not_negative(&mut self, name: &str, value: f64) {
        if value.is_nan() || value < 0.0 {
            self.faults.push(format!("`{name}` must be zero or above, found {value}"));
        } else if value > LARGEST {
            self.faults.push(format!("`{name}` is out of all proportion: {value:e}"));
        }
    }

    /// `value` must lie in the closed range.
    pub(crate) fn within(&mut self, name: &str, value: f64, low: f64, high: f64) {
        if !(low..=high).contains(&value) {
            self.faults.push(format!("`{name}` must lie between {low} and {high}, found {value}"));
        }
    }

    /// Any other fault.
    pub(crate) fn forbid(&mut self, found: bool, complaint: impl FnOnce() -> String) {
        if found {
            self.faults.push(complaint());
        }
    }

    pub(crate) fn done(self) -> Vec<String> {
        self.faults
    }
}

/// The longest step that is taken at once, s: a year. Faults that come at random are drawn one by
/// one, so a step without bound could keep a machine busy for ever.
const STEP_MAX_S: f64 = 366.0 * 86_400.0;

/// Time never runs backwards, never jumps by something that is not a number, and never by more than a year.
pub(crate) fn passed_s(dt_s: f64) -> f64 {
    if dt_s > 0.0 && dt_s.is_finite() { dt_s.min(STEP_MAX_S) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_is_kept_and_no_number_passes_that_is_none() {
        let mut bounds = Bounds::new();
        bounds.positive("a_w", 0.0);
        bounds.positive("b_w", f64::NAN);
        bounds.not_negative("c_w", f64::INFINITY);
        bounds.within("d", f64::NAN, 0.0, 1.0);
        bounds.positive("huge", 1e30);
        bounds.positive("tiny", 1e-30);
        bounds.not_negative("huge", 1e30);
        bounds.not_negative("e", 0.0);
        bounds.within("f", 1.0, 0.0, 1.0);
        bounds.forbid(true, || "never".to_owned());
        assert_eq!(bounds.done().len(), 8);
    }

    #[test]
    fn time_that_is_no_time_does_not_pass() {
        assert_eq!(passed_s(-1.0), 0.0);
        assert_eq!(passed_s(f64::NAN), 0.0);
        assert_eq!(passed_s(f64::INFINITY), 0.0);
        assert_eq!(passed_s(2.5), 2.5);
        assert_eq!(passed_s(1e300), STEP_MAX_S);
    }
}
