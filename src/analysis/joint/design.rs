//! Fields and windows that nothing can align with.
//!
//! What is said of the evidence rests on fields and windows that know nothing of each other. Equal steps of the field do: a
//! background that repeats moves on with them for some moment. Multiples of the golden ratio modulo one fill a range evenly
//! with steps that have no common measure, and come in an order that goes up and down, so that drift in time does not become
//! slope. Windows are put off by multiples of √2 in the same way, so that a line never stays at one place of them.

use crate::analysis::realness::{MU_B_PER_H_HZ_PER_T, Unusable, at_least};

/// The `k`-th part, from 0 to 1, of a sequence that fills a range evenly without a period.
pub fn irregular(k: usize) -> f64 {
    (0.5 + 0.5 * (5f64.sqrt() - 1.0) * k as f64).fract()
}

/// The `k`-th part, from 0 to 1, of another such sequence, which shares no step with [`irregular`].
pub fn unrelated(k: usize) -> f64 {
    (0.5 + std::f64::consts::SQRT_2 * k as f64).fract()
}

/// `count` fields over a range, in the order they should be visited.
///
/// # Errors
/// Refuses no fields at all and a range without room.
///
/// ```
/// use noctule::analysis::joint::design::fields;
/// let planned = fields((0.5, 0.6), 8).unwrap();
/// assert!(planned.iter().all(|b| (0.5..=0.6).contains(b)));
/// ```
pub fn fields(range_t: (f64, f64), count: usize) -> Result<Vec<f64>, Unusable> {
    at_least(count, 1, "fields")?;
    if !(range_t.1 > range_t.0 && range_t.0.abs() < 100.0 && range_t.1.abs() < 100.0) {
        return Err(Unusable::NotDetermined { what: "A plan of fields without room" });
    }
    Ok((0..count).map(|k| range_t.0 + (range_t.1 - range_t.0) * irregular(k)).collect())
}

/// Where a line of moment `g`/2 may lie at one field, Hz, whatever the tip adds up to `tip_field_t`.
pub fn reach(field_t: f64, g: (f64, f64), tip_field_t: f64) -> (f64, f64) {
    let b = field_t.abs();
    (g.0 * MU_B_PER_H_HZ_PER_T * (b - tip_field_t).max(0.0), g.1 * MU_B_PER_H_HZ_PER_T * (b + tip_field_t))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_have_no_common_measure_and_time_is_no_field() {
        let mut fields = fields((0.5, 0.65), 12).unwrap();
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
    fn a_first_look_holds_every_line_it_is_meant_for() {
        let (low, high) = reach(0.5, (1.4, 2.3), 0.06);
        for g in [1.4, 2.0, 2.3] {
            for tip in [-0.06, 0.0, 0.06] {
                let f = g * MU_B_PER_H_HZ_PER_T * (0.5 + tip);
                assert!(f >= low - 1.0 && f <= high + 1.0);
            }
        }
    }
}
