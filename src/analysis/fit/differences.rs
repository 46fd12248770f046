//! Derivatives by differences, for models that can only be called.
//!
//! How far a parameter may be moved before the model bends is found by trying, not taken from its value: a centre at
//! 14 GHz of a line of 10 MHz bends after a few megahertz, and a parameter that begins at zero has no size of its own.

use super::general::Precision;

/// Trials of a step before the last one is taken.
const TRIALS: usize = 16;

/// How far each parameter moves until the model bends.
#[derive(Debug, Clone, Default)]
pub(crate) struct Differences {
    reach: Vec<f64>,
    /// Where the reach was found; not a number where it was not looked for yet.
    found_at: Vec<f64>,
}

impl Differences {
    /// Writes the derivative by each wanted parameter as columns over the points.
    pub(crate) fn derivatives(
        &mut self,
        p: &[f64],
        wanted: &[bool],
        precision: Precision,
        columns: &mut [Vec<f64>],
        mut values: impl FnMut(&[f64], &mut [f64]),
    ) {
        let n = columns.first().map_or(0, Vec::len);
        self.reach.resize(p.len(), 0.0);
        self.found_at.resize(p.len(), f64::NAN);
        let mut here = vec![0.0; n];
        values(p, &mut here);
        let (mut low, mut high) = (vec![0.0; n], vec![0.0; n]);
        let mut moved = p.to_vec();
        for j in (0..p.len()).filter(|j| wanted[*j]) {
            // Written so that a place that was never looked at counts as far.
            let near = (p[j] - self.found_at[j]).abs() <= 2.0 * self.reach[j];
            if !near {
                self.reach[j] = reach(p, j, &here, &mut values);
                self.found_at[j] = p[j];
            }
            let mut difference = |step: f64, column: &mut [f64], weight: f64, both: bool| {
                moved[j] = p[j] + step;
                let above = moved[j];
                values(&moved, &mut high);
                moved[j] = p[j] - step;
                let below = if both { moved[j] } else { p[j] };
                if both {
                    values(&moved, &mut low);
                }
                moved[j] = p[j];
                let under = if both { &low } else { &here };
                for i in 0..n {
                    column[i] += weight * (high[i] - under[i]) / (above - below);
                }
            };
            columns[j].fill(0.0);
            // Steps that balance truncation against rounding: second root of the rounding unit to one side, third root for
            // the central difference, fifth root for the one extrapolated from two steps. Never so small that the
            // parameter itself is rounded.
            let least = 1e3 * f64::EPSILON * p[j].abs();
            let step = |share: f64| (share * self.reach[j]).max(least);
            match precision {
                Precision::Rough => difference(step(3e-8), &mut columns[j], 1.0, false),
                Precision::Good => difference(step(6.1e-6), &mut columns[j], 1.0, true),
                Precision::Best => {
                    difference(step(3.7e-4), &mut columns[j], 4.0 / 3.0, true);
                    difference(step(7.4e-4), &mut columns[j], -1.0 / 3.0, true);
                }
            }
        }
    }
}

/// The step at which the change of the model would be no longer in proportion to it.
fn reach(p: &[f64], j: usize, here: &[f64], values: &mut impl FnMut(&[f64], &mut [f64])) -> f64 {
    let size = if p[j] == 0.0 { 1.0 } else { p[j].abs() };
    let magnitude = here.iter().fold(f64::MIN_POSITIVE, |m, v| m.max(v.abs()));
    let mut step = 0.01 * size;
    let mut moved = p.to_vec();
    let (mut low, mut high) = (vec![0.0; here.len()], vec![0.0; here.len()]);
    // Steps that are known to be too short and too long.
    let (mut short, mut long) = (0.0_f64, f64::INFINITY);
    for _ in 0..TRIALS {
        moved[j] = p[j] + step;
        values(&moved, &mut high);
        moved[j] = p[j] - step;
        values(&moved, &mut low);
        let (mut odd, mut even, mut finite) = (0.0_f64, 0.0_f64, true);
        for i in 0..here.len() {
            finite &= high[i].is_finite() && low[i].is_finite();
            odd = odd.max((high[i] - low[i]).abs());
            even = even.max((high[i] + low[i] - 2.0 * here[i]).abs());
        }
        let bend = even / odd.max(f64::MIN_POSITIVE);
        if finite && odd.max(even) < 1e-7 * magnitude {
            short = short.max(step);
        } else if !finite || bend > 0.3 {
            long = long.min(step);
        } else {
            return (step / bend.max(0.05)).min(long);
        }
        step = match (short > 0.0, long.is_finite()) {
            (true, true) => (short * long).sqrt(),
            (true, false) => 300.0 * short,
            _ if finite => long * (0.15 / bend).clamp(1e-2, 0.3),
            _ => 1e-2 * long,
        };
    }
    step
}

#[cfg(test)]
mod tests {
    use super::*;

    fn derivative(p: &[f64], precision: Precision, model: impl Fn(f64, &[f64]) -> f64) -> Vec<Vec<f64>> {
        let x: Vec<f64> = (0..101).map(|i| 14.0e9 + 1.0e6 * f64::from(i)).collect();
        let mut columns = vec![vec![0.0; x.len()]; p.len()];
        let values = |p: &[f64], out: &mut [f64]| {
            for (out, x) in out.iter_mut().zip(&x) {
                *out = model(*x, p);
            }
        };
        Differences::default().derivatives(p, &vec![true; p.len()], precision, &mut columns, values);
        columns
    }

    #[test]
    fn a_far_centre_and_a_zero_are_given_steps_that_suit_them() {
        let model = |x: f64, p: &[f64]| {
            let d = 2.0 * (x - p[0]) / 8.0e6;
            1e-15 * (1.0 + p[1] * d) / (1.0 + d * d) + p[2]
        };
        let p = [14.05e9, 0.0, 0.0];
        for (precision, digits) in
            [(Precision::Rough, 1e-5), (Precision::Good, 1e-8), (Precision::Best, 1e-10)]
        {
            let columns = derivative(&p, precision, model);
            let [centre, lopsided, offset] = columns.as_slice() else { panic!("three columns") };
            for (i, ((c, q), o)) in centre.iter().zip(lopsided).zip(offset).enumerate() {
                let d = 2.0 * (1.0e6 * i as f64 - 50.0e6) / 8.0e6;
                let by_centre = 1e-15 * 2.0 * d / (1.0 + d * d).powi(2) * 2.0 / 8.0e6;
                assert!((c - by_centre).abs() < digits * 1e-22, "{precision:?} {i}");
                assert!((q - 1e-15 * d / (1.0 + d * d)).abs() < digits * 1e-15);
                assert!((o - 1.0).abs() < digits);
            }
        }
    }
}
