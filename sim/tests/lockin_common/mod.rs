//! Closed forms of n equal RC stages (textbook), written down here a second time.

#![allow(dead_code, reason = "each test file uses its own part")]

use noctule_sim::lockin::LockinParams;

/// The lock-in of the tests.
pub const PARAMS: LockinParams = LockinParams { reference_hz: 95.0, chop_duty: 0.5, overload_a: 1e-9 };

/// Noise bandwidth, Hz: 1/4, 1/8, 3/32, 5/64 over the time constant.
pub fn enbw_hz(order: u32, tau_s: f64) -> f64 {
    [1.0 / 4.0, 1.0 / 8.0, 3.0 / 32.0, 5.0 / 64.0][order as usize - 1] / tau_s
}

/// Step response 1 − e^(−x)·Σ x^k/k! with x = t/τ.
pub fn settled_fraction(order: u32, tau_s: f64, t_s: f64) -> f64 {
    let x = t_s / tau_s;
    let mut term = 1.0;
    let mut sum = 0.0;
    for k in 1..=order {
        sum += term;
        term *= x / f64::from(k);
    }
    1.0 - (-x).exp() * sum
}
