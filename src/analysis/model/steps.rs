//! Inelastic steps in a conductance curve, rounded by temperature.

/// Thermally broadened inelastic step, 0 far below and 1 far above it: `(1 + (s - 1) e^s)/(e^s - 1)²` with
/// `s = (step - x)/broadening` and `broadening` = kT/e, the form given in Phys. Rev. 165, 821 (1968) (from memory,
/// not checked). The peak it makes in the second derivative of the current is 5.4 kT/e wide at half maximum.
///
/// ```
/// use noctule::analysis::model::thermal_step;
/// assert_eq!(thermal_step(0.0), 0.5);
/// assert!((thermal_step(-40.0) - 1.0).abs() < 1e-12 && thermal_step(40.0) < 1e-12);
/// ```
pub fn thermal_step(s: f64) -> f64 {
    if s.abs() < 0.5 {
        // -d/ds of s/(e^s - 1), by the series of the Bernoulli numbers; the closed form cancels here.
        let q = s * s;
        return 0.5
            + s * (-1.0 / 6.0
                + q * (1.0 / 180.0 + q * (-1.0 / 5040.0 + q * (1.0 / 151_200.0 - q / 4_790_016.0))));
    }
    if s > 0.0 {
        let e = (-s).exp();
        return e * (e + s - 1.0) / ((1.0 - e) * (1.0 - e));
    }
    let e = s.exp();
    (1.0 + (s - 1.0) * e) / ((e - 1.0) * (e - 1.0))
}

/// Derivative of [`thermal_step`].
fn thermal_step_slope(s: f64) -> f64 {
    if s.abs() < 0.5 {
        let q = s * s;
        return -1.0 / 6.0
            + q * (3.0 / 180.0 + q * (-5.0 / 5040.0 + q * (7.0 / 151_200.0 - q * 9.0 / 4_790_016.0)));
    }
    // The function mirrors about (0, 1/2), so its slope is even and the decaying exponential serves both sides.
    let s = s.abs();
    let e = (-s).exp();
    e * (2.0 - s - (2.0 + s) * e) / ((1.0 - e) * (1.0 - e) * (1.0 - e))
}

/// Parameters: step and height of each, broadening, zero, offset, slope.
pub(super) fn value(count: usize, x: f64, p: &[f64], gradient: Option<&mut [f64]>) -> f64 {
    let [broadening, zero, offset, slope] =
        [p[2 * count], p[2 * count + 1], p[2 * count + 2], p[2 * count + 3]];
    let mut sum = offset + slope * (x - zero);
    let mut rows = gradient;
    if let Some(g) = rows.as_deref_mut() {
        g[2 * count] = 0.0;
        g[2 * count + 1] = -slope;
        g[2 * count + 2] = 1.0;
        g[2 * count + 3] = x - zero;
    }
    for k in 0..count {
        let (step, height) = (p[2 * k], p[2 * k + 1]);
        let up = (step - (x - zero)) / broadening;
        let down = (step + (x - zero)) / broadening;
        sum += height * (thermal_step(up) + thermal_step(down));
        if let Some(g) = rows.as_deref_mut() {
            let (by_up, by_down) = (thermal_step_slope(up), thermal_step_slope(down));
            g[2 * k] = height * (by_up + by_down) / broadening;
            g[2 * k + 1] = thermal_step(up) + thermal_step(down);
            g[2 * count] -= height * (by_up * up + by_down * down) / broadening;
            g[2 * count + 1] += height * (by_up - by_down) / broadening;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn series_and_closed_form_meet() {
        for edge in [0.5, -0.5] {
            let (inside, outside) = (thermal_step(edge * 0.999_999_999), thermal_step(edge));
            assert!((inside - outside).abs() < 1e-9);
        }
        let (inside, outside) = (thermal_step_slope(0.499_999_999), thermal_step_slope(0.5));
        assert!((inside - outside).abs() < 1e-9);
    }

    /// The well-known 5.4 kT/e (common practice), here from the slope itself.
    #[test]
    fn the_second_derivative_is_five_point_four_wide() {
        let half = 0.5 * thermal_step_slope(0.0);
        let edge = (0..40_000).map(|i| 1e-4 * f64::from(i)).find(|s| thermal_step_slope(*s) > half).unwrap();
        assert!((2.0 * edge - 5.4).abs() < 0.05, "{}", 2.0 * edge);
    }

    #[test]
    fn far_away_it_is_flat_and_finite() {
        for s in [1e3, 1e6, f64::MAX] {
            assert_eq!(thermal_step(s), 0.0);
            assert_eq!(thermal_step(-s), 1.0);
        }
    }
}
