//! Settling of the lock-in.

use super::Latest;
use crate::bench::expression::Readings;
use crate::bench::{Bench, Role};

/// Time until the wanted part of a step has come through, s: with the time constant and
/// order that the channels show, or else those of the bench.
pub fn settle_s(bench: &Bench, latest: &Latest) -> f64 {
    let known = |role| bench.by_role(role).and_then(|id| latest.standing(id).or_else(|| latest.latest(id)));
    let time_constant_s = known(Role::LockinTimeConstant).unwrap_or(bench.lockin.time_constant_s);
    let order = known(Role::LockinOrder).map_or(bench.lockin.order, |o| o.round().clamp(1.0, 4.0) as u8);
    time_constant_s * settle_in_time_constants(order, bench.lockin.settle_fraction)
}

/// Settling time of `order` equal RC stages in units of their time constant: the time at which
/// the step response 1 − e⁻ˣ Σₖ₌₀ⁿ⁻¹ xᵏ/k! reaches `fraction`.
///
/// ```
/// use noctule::supervisor::settle_in_time_constants;
/// // Derived, and the same as the usual published tables: 4.6052 for one stage and 99 %.
/// assert!((settle_in_time_constants(1, 0.99) - 4.6052).abs() < 1e-4);
/// assert!((settle_in_time_constants(4, 0.99) - 10.0451).abs() < 1e-4);
/// ```
pub fn settle_in_time_constants(order: u8, fraction: f64) -> f64 {
    let missing = |x: f64| {
        let mut term = 1.0;
        let mut sum = 1.0;
        for k in 1..order.max(1) {
            term *= x / f64::from(k);
            sum += term;
        }
        (-x).exp() * sum
    };
    let (mut low, mut high) = (0.0_f64, 60.0_f64);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if missing(middle) > 1.0 - fraction { low = middle } else { high = middle }
    }
    high
}
