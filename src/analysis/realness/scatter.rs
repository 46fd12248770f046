//! Honest errors of a field line whose centres scatter more than their own errors allow.
//!
//! The tip field and the energy zero wander between spectra, so centres scatter by something that no fit of a single
//! spectrum knows. Enlarging all errors by one factor (a Birge ratio) would leave the weights to the errors of the fits,
//! though the wandering hits strong and weak spectra alike, and where few centres happen to lie well it would see no
//! wandering at all. So a scatter common to all is added in quadrature, every size of it counts with its probability
//! (restricted likelihood, every size as likely beforehand; common practice for few groups), and an error is half the
//! width of the interval that holds 68.27 % of the posterior. With errors of the fits that do not matter this comes
//! near Student's law, with errors that explain everything near the usual ones.

use super::resonance_law::{ResonanceLaw, straight};
use super::tails::gamma_q;

/// Sizes of the scatter looked at.
const SIZES: usize = 48;
/// Sizes with less than this share of the posterior are left out.
const NEGLIGIBLE: f64 = 1e-5;
/// Share of the posterior that one standard error on both sides holds.
const ONE_ERROR: f64 = 0.682_689_492_137_086;

/// A line for one size of the scatter.
struct Trial {
    scatter: f64,
    ln_weight: f64,
    line: ResonanceLaw,
    /// Square root of what `straight` has enlarged variances by.
    enlarged: f64,
}

/// The line with a scatter common to all centres; the same where no degree of freedom is left to tell.
pub(super) fn with_scatter(
    plain: ResonanceLaw,
    fields_t: &[f64],
    signed_hz: &[f64],
    errors_hz: &[f64],
) -> ResonanceLaw {
    let dof = plain.degrees_of_freedom as f64;
    if dof < 1.0 {
        return plain;
    }
    let n = errors_hz.len() as f64;
    let residual = |(b, f): (&f64, &f64)| f - plain.slope_hz_per_t * (b + plain.tip_field_t);
    let squares: f64 = fields_t.iter().zip(signed_hz).map(|pair| residual(pair).powi(2)).sum();
    let known = errors_hz.iter().map(|e| e * e).sum::<f64>() / n;
    let largest = (squares / dof + known).sqrt() * (1.0 + 7.0 / dof.sqrt());
    let trials: Vec<Trial> = (0..SIZES)
        .filter_map(|k| {
            let share = k as f64 / (SIZES - 1) as f64;
            let t = trial(largest * share * share, fields_t, signed_hz, errors_hz)?;
            // The sizes lie closer where they are small; each stands for those nearest to it.
            Some(Trial { ln_weight: t.ln_weight + (k as f64 + 0.25).ln(), ..t })
        })
        .collect();
    let best = trials.iter().map(|t| t.ln_weight).fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = trials.iter().map(|t| (t.ln_weight - best).exp()).collect();
    let total: f64 = weights.iter().sum();
    if !(total.is_finite() && total > 0.0) {
        return plain;
    }
    let scatter = trials.iter().zip(&weights).map(|(t, w)| t.scatter * w).sum::<f64>() / total;
    let Some(middle) = trial(scatter, fields_t, signed_hz, errors_hz) else { return plain };
    let counted: Vec<(&Trial, f64)> =
        trials.iter().zip(weights).filter(|(_, w)| *w > NEGLIGIBLE * total).collect();
    let counts: f64 = counted.iter().map(|c| c.1).sum();
    let half_width = |error: fn(&ResonanceLaw) -> f64| {
        let all: Vec<(f64, f64)> =
            counted.iter().map(|(t, w)| (error(&t.line) / t.enlarged, w / counts)).collect();
        interval(&all)
    };
    let slope_error = half_width(|l| l.slope_error);
    let moment_error = plain.moment_error * slope_error / plain.slope_error;
    ResonanceLaw {
        moment_error,
        g_error: 2.0 * moment_error,
        tip_field_error: half_width(|l| l.tip_field_error),
        slope_error,
        mean_variance: half_width(|l| l.mean_variance.sqrt()).powi(2),
        scatter_hz: scatter,
        // These say how the centres agree with the errors that they came with.
        chi_square: plain.chi_square,
        p_value: plain.p_value,
        worst_deviation: plain.worst_deviation,
        ..middle.line
    }
}

fn trial(scatter: f64, fields_t: &[f64], signed_hz: &[f64], errors_hz: &[f64]) -> Option<Trial> {
    let errors: Vec<f64> = errors_hz.iter().map(|e| e.hypot(scatter)).collect();
    let line = straight(fields_t, signed_hz, &errors)?;
    let enlarged = (line.chi_square / line.degrees_of_freedom as f64).max(1.0).sqrt();
    let ln_errors: f64 = errors.iter().map(|e| e.ln()).sum();
    let free = (line.slope_error / enlarged).ln() + (line.mean_variance.sqrt() / enlarged).ln();
    let ln_weight = free - ln_errors - 0.5 * line.chi_square;
    ln_weight.is_finite().then_some(Trial { scatter, ln_weight, line, enlarged })
}

/// Half the width of the interval about the middle that holds one standard error's share of a sum of normal laws.
fn interval(laws: &[(f64, f64)]) -> f64 {
    // The share held is concave in the half width, so steps along the tangent from below never pass the root.
    let mut half = laws.iter().map(|l| l.0).fold(f64::INFINITY, f64::min);
    for _ in 0..40 {
        let (mut held, mut slope) = (0.0, 0.0);
        for (sigma, weight) in laws {
            let z = half / sigma;
            held += weight * within(z);
            slope += weight * (2.0 / std::f64::consts::PI).sqrt() * (-0.5 * z * z).exp() / sigma;
        }
        let step = (ONE_ERROR - held) / slope;
        if !step.is_finite() {
            break;
        }
        half += step;
        if step.abs() < 1e-9 * half {
            break;
        }
    }
    half
}

/// Probability that a normal deviate lies within `z` standard deviations of its mean.
fn within(z: f64) -> f64 {
    1.0 - gamma_q(0.5, 0.5 * z * z)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::realness::resonance_law;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    #[test]
    fn the_interval_is_that_of_the_normal_law() {
        assert!((within(1.0) - ONE_ERROR).abs() < 1e-12);
        assert!((interval(&[(3.0, 1.0)]) - 3.0).abs() < 1e-9);
        assert!((interval(&[(1.0, 0.5), (3.0, 0.5)]) - 1.0) > 0.3);
    }

    #[test]
    fn errors_that_explain_the_scatter_stay_as_they_are() {
        let fields: Vec<f64> = (0..200).map(|k| 0.5 + 0.001 * f64::from(k)).collect();
        let centres: Vec<f64> = fields
            .iter()
            .enumerate()
            .map(|(k, b)| 27.99e9 * b + 1e6 * if k % 2 == 0 { 0.9 } else { -0.9 })
            .collect();
        let errors = [1e6; 200];
        let line = resonance_law(&fields, &centres, &errors).unwrap();
        let mean = fields.iter().sum::<f64>() / 200.0;
        let sbb: f64 = fields.iter().map(|b| (b - mean).powi(2)).sum();
        assert!((line.slope_error / (1e6 / sbb.sqrt()) - 1.0).abs() < 0.06, "{line:?}");
    }

    #[test]
    fn wandering_centres_of_unequal_errors_keep_their_promise() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(4);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let fields: Vec<f64> = (0..7).map(|k| 0.5 + 0.003 * f64::from(k)).collect();
        let (mut one, mut two) = (0_u32, 0_u32);
        for _ in 0..400 {
            let errors: Vec<f64> = (0..7).map(|k| if k % 3 == 0 { 0.02e6 } else { 0.4e6 }).collect();
            let place = |b: &f64, e: &f64, n: [f64; 2]| 27.992_489_834e9 * b + 1e6 * n[0] + e * n[1];
            let centres: Vec<f64> =
                fields.iter().zip(&errors).map(|(b, e)| place(b, e, [normal(), normal()])).collect();
            let line = resonance_law(&fields, &centres, &errors).unwrap();
            let off = (line.moment_mu_b - 1.0).abs() / line.moment_error;
            one += u32::from(off < 1.0);
            two += u32::from(off < 2.0);
        }
        println!("within one error {:.1} %, within two {:.1} %", f64::from(one) / 4.0, f64::from(two) / 4.0);
        // Three standard deviations of the count about 68 % and 95 %, with room above: few centres tell little.
        assert!((244..=324).contains(&one), "{one} of 400 within one error");
        assert!((360..=396).contains(&two), "{two} of 400 within two errors");
    }
}
