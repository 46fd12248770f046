//! Fields that no periodic background can mimic.
//!
//! A background that repeats with period P looks alike wherever windows move by whole periods, and equal steps do so for
//! some law. Multiples of the golden ratio modulo one fill a range evenly with steps that have no common measure, and
//! come in an order that goes up and down, so that drift in time does not become slope.

use super::spectra::Prior;
use crate::analysis::realness::{MU_B_PER_H_HZ_PER_T, Unusable, at_least};

/// Where the windows are put.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Windows {
    /// One window for all fields, so that what stays in place is seen to stay.
    Fixed {
        /// Its centre, Hz.
        centre_hz: f64,
    },
    /// Windows follow a law; only for one that is proved.
    Follow {
        /// Slope, Hz/T.
        slope_hz_per_t: f64,
        /// Tip field, T.
        tip_field_t: f64,
    },
}

/// One spectrum to take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Planned {
    /// Field, T.
    pub field_t: f64,
    /// Window, Hz.
    pub window_hz: (f64, f64),
    /// Whether the sweep goes up; the direction alternates.
    pub upward: bool,
}

/// `count` spectra over a field range, in the order they should be taken.
///
/// # Errors
/// Refuses a range without room, widths that are not positive, and fewer than four spectra.
///
/// ```
/// use noctule::analysis::joint::design::{Windows, plan};
/// let planned = plan((0.5, 0.6), 8, 0.4e9, Windows::Fixed { centre_hz: 14e9 }).unwrap();
/// assert!(planned.iter().all(|p| (0.5..=0.6).contains(&p.field_t)));
/// ```
pub fn plan(
    range_t: (f64, f64),
    count: usize,
    width_hz: f64,
    windows: Windows,
) -> Result<Vec<Planned>, Unusable> {
    at_least(count, 4, "spectra")?;
    if !(range_t.1 > range_t.0 && range_t.1 < 100.0 && width_hz > 0.0 && width_hz.is_finite()) {
        return Err(Unusable::NotDetermined { what: "A plan without room" });
    }
    let golden = 0.5 * (5f64.sqrt() - 1.0);
    let one = |k: usize| {
        let field_t = range_t.0 + (range_t.1 - range_t.0) * (0.5 + golden * k as f64).fract();
        let centre = match windows {
            Windows::Fixed { centre_hz } => centre_hz,
            Windows::Follow { slope_hz_per_t, tip_field_t } => (slope_hz_per_t * (field_t + tip_field_t)).abs(),
        };
        let window_hz = (centre - 0.5 * width_hz, centre + 0.5 * width_hz);
        Planned { field_t, window_hz, upward: k % 2 == 0 }
    };
    Ok((0..count).map(one).collect())
}

/// The window, Hz, that holds the line of every g of the prior at one field: what a first look has to sweep.
pub fn first_look(field_t: f64, prior: &Prior) -> (f64, f64) {
    let b = field_t.abs();
    let low = prior.g_from * MU_B_PER_H_HZ_PER_T * (b - prior.tip_field_t).max(0.0);
    (low, prior.g_to * MU_B_PER_H_HZ_PER_T * (b + prior.tip_field_t))
}

/// The widest field range, T, over which a line of every g of the prior stays in a fixed window once it was found at
/// its centre at the middle field.
pub fn range_in_window(width_hz: f64, prior: &Prior) -> f64 {
    0.8 * width_hz / (prior.g_to * MU_B_PER_H_HZ_PER_T)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_have_no_common_measure_and_time_is_no_field() {
        let planned = plan((0.5, 0.65), 12, 0.2e9, Windows::Fixed { centre_hz: 14e9 }).unwrap();
        let mut fields: Vec<f64> = planned.iter().map(|p| p.field_t).collect();
        // Order in time and field are nearly uncorrelated.
        let mean = fields.iter().sum::<f64>() / 12.0;
        let (mut xy, mut xx, mut yy) = (0.0, 0.0, 0.0);
        for (k, b) in fields.iter().enumerate() {
            let (t, b) = (k as f64 - 5.5, b - mean);
            xy += t * b;
            xx += t * t;
            yy += b * b;
        }
        assert!((xy / (xx * yy).sqrt()).abs() < 0.35, "{}", xy / (xx * yy).sqrt());
        fields.sort_by(f64::total_cmp);
        let steps: Vec<f64> = fields.windows(2).map(|w| w[1] - w[0]).collect();
        assert!(steps.iter().all(|s| *s > 0.003), "{steps:?}");
    }

    #[test]
    fn a_first_look_holds_the_whole_prior() {
        let (low, high) = first_look(0.5, &Prior::default());
        for g in [1.4, 2.0, 2.3] {
            for tip in [-0.06, 0.0, 0.06] {
                let f = g * MU_B_PER_H_HZ_PER_T * (0.5 + tip);
                assert!(f >= low - 1.0 && f <= high + 1.0);
            }
        }
    }
}
