//! What every room holds time within.

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
    fn time_that_is_no_time_does_not_pass() {
        assert_eq!(passed_s(-1.0), 0.0);
        assert_eq!(passed_s(f64::NAN), 0.0);
        assert_eq!(passed_s(f64::INFINITY), 0.0);
        assert_eq!(passed_s(2.5), 2.5);
        assert_eq!(passed_s(1e300), STEP_MAX_S);
    }
}
