//! What a cascade of equal RC stages does to steps and to noise, in closed form.
//!
//! n stages of time constant τ: |H(f)|² = [1+(2πfτ)²]⁻ⁿ, noise bandwidth
//! Γ(n−½)/(4√π Γ(n) τ), step response P(n, t/τ), the regularised incomplete gamma
//! function. Filters of other kinds with a "time constant" have other numbers.

use super::gamma::{falling, rising};

/// The highest filter order.
pub const ORDER_MAX: u32 = 4;

/// A setting the lock-in can't take.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum LockinError {
    /// Filter orders are 1 to 4.
    #[error("the filter order must be 1, 2, 3 or 4, not {0}")]
    Order(u32),
    /// Time constants are positive and finite.
    #[error("the time constant must be above zero, not {0} s")]
    TimeConstant(f64),
    /// A step settles to a fraction below one only in finite time.
    #[error("the settled fraction must lie between 0 and 1 (both excluded), not {0}")]
    Fraction(f64),
    /// Phases are finite numbers.
    #[error("the phase must be a number, not {0}")]
    Phase(f64),
}

fn accept(order: u32, tau_s: f64) -> Result<(), LockinError> {
    if !(1..=ORDER_MAX).contains(&order) {
        return Err(LockinError::Order(order));
    }
    if !(tau_s.is_finite() && tau_s > 0.0) {
        return Err(LockinError::TimeConstant(tau_s));
    }
    Ok(())
}

/// Equivalent noise bandwidth in Hz: output noise rms = one-sided density × √bandwidth.
///
/// ```
/// use noctule_sim::lockin::enbw_hz;
/// assert_eq!(enbw_hz(1, 0.5), Ok(0.5)); // 1/(4τ)
/// assert_eq!(enbw_hz(4, 1.0), Ok(0.078125)); // 5/(64τ)
/// ```
///
/// # Errors
/// [`LockinError`] for an order outside 1 to 4 or a time constant that is none.
pub fn enbw_hz(order: u32, tau_s: f64) -> Result<f64, LockinError> {
    accept(order, tau_s)?;
    let gammas: f64 = (1..order).map(|k| f64::from(2 * k - 1) / f64::from(2 * k)).product();
    Ok(0.25 * gammas / tau_s)
}

/// Frequency in Hz at which the power has dropped to one half, √(2^{1/n}−1)/(2πτ).
///
/// # Errors
/// As [`enbw_hz`].
pub fn cutoff_hz(order: u32, tau_s: f64) -> Result<f64, LockinError> {
    accept(order, tau_s)?;
    Ok((2.0_f64.powf(1.0 / f64::from(order)) - 1.0).sqrt() / (std::f64::consts::TAU * tau_s))
}

/// The part of a step that has arrived after `t_s`: P(n, t/τ), 0 to 1.
///
/// # Errors
/// As [`enbw_hz`]. Negative times give 0.
pub fn settled_fraction(order: u32, tau_s: f64, t_s: f64) -> Result<f64, LockinError> {
    accept(order, tau_s)?;
    Ok(if t_s > 0.0 { rising(order, (t_s / tau_s).min(1e6)) } else { 0.0 })
}

/// Time in s after which `fraction` of a step has arrived.
///
/// ```
/// use noctule_sim::lockin::settle_time_s;
/// // 99 % after 10.05 time constants at order 4.
/// assert!((settle_time_s(4, 0.1, 0.99).unwrap() - 1.00451175).abs() < 1e-8);
/// ```
///
/// # Errors
/// As [`enbw_hz`], and for a fraction that is not between 0 and 1.
pub fn settle_time_s(order: u32, tau_s: f64, fraction: f64) -> Result<f64, LockinError> {
    accept(order, tau_s)?;
    if !(fraction > 0.0 && fraction < 1.0) {
        return Err(LockinError::Fraction(fraction));
    }
    // Bisection of a monotonic function. Near one the remainder is compared, since
    // 1 − fraction carries the digits there.
    let arrived = |x: f64| {
        if fraction < 0.5 { rising(order, x) >= fraction } else { falling(order, x) <= 1.0 - fraction }
    };
    let (mut low, mut high) = (0.0, 1.0);
    while !arrived(high) {
        low = high;
        high *= 2.0;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if arrived(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    Ok(high * tau_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bad_settings_are_refused() {
        assert_eq!(enbw_hz(0, 1.0), Err(LockinError::Order(0)));
        assert_eq!(enbw_hz(5, 1.0), Err(LockinError::Order(5)));
        assert_eq!(cutoff_hz(1, 0.0), Err(LockinError::TimeConstant(0.0)));
        assert!(settle_time_s(1, f64::NAN, 0.5).is_err());
        assert_eq!(settle_time_s(1, 1.0, 1.0), Err(LockinError::Fraction(1.0)));
        assert!(settle_time_s(1, 1.0, f64::NAN).is_err());
        assert!(settled_fraction(2, f64::INFINITY, 1.0).is_err());
    }

    #[test]
    fn settling_time_and_settled_fraction_are_inverse() {
        for order in 1..=ORDER_MAX {
            for fraction in [1e-12, 1e-3, 0.3, 0.5, 0.632, 0.99, 1.0 - 1e-9] {
                let t_s = settle_time_s(order, 0.3, fraction).unwrap();
                let back = settled_fraction(order, 0.3, t_s).unwrap();
                assert!((back / fraction - 1.0).abs() < 1e-12, "{order} {fraction} {back}");
            }
        }
    }
}
