//! Honest errors of a field line whose centres scatter more than their own errors allow.
//!
//! The tip field and the energy zero wander between spectra, so centres scatter by something that no fit of a single
//! spectrum knows. Enlarging all errors by one factor (a Birge ratio) would leave the weights to the errors of the fits,
//! though the wandering hits strong and weak spectra alike. So a scatter common to all is added in quadrature until
//! chi-square equals the degrees of freedom (Paule and Mandel's condition; common practice). As few centres tell the
//! scatter only roughly, errors are widened by Student's factor for 68.27 %, with the effective degrees of freedom of
//! Welch and Satterthwaite (JCGM 100:2008, G.3 and G.4).

use super::field_line::{FieldLine, straight};

/// The line with a scatter common to all centres, where their own errors do not suffice.
pub(super) fn with_scatter(
    plain: FieldLine,
    fields_t: &[f64],
    signed_hz: &[f64],
    errors_hz: &[f64],
) -> FieldLine {
    let dof = plain.degrees_of_freedom as f64;
    if plain.chi_square <= dof || dof < 1.0 {
        return plain;
    }
    let trial = |scatter: f64| {
        let errors: Vec<f64> = errors_hz.iter().map(|e| e.hypot(scatter)).collect();
        straight(fields_t, signed_hz, &errors).map(|line| (line, scatter))
    };
    let largest = errors_hz.iter().copied().fold(0.0, f64::max);
    let (mut low, mut high) = (0.0, largest);
    let mut found = None;
    for _ in 0..200 {
        match trial(high) {
            Some((line, _)) if line.chi_square > dof => (low, high) = (high, 2.0 * high),
            other => {
                found = other;
                break;
            }
        }
    }
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        match trial(middle) {
            Some((line, _)) if line.chi_square > dof => low = middle,
            Some(better) => {
                high = middle;
                found = Some(better);
            }
            None => break,
        }
    }
    let Some((line, scatter)) = found else { return plain };
    let known = errors_hz.iter().map(|e| e * e).sum::<f64>() / errors_hz.len() as f64;
    let effective = dof * (1.0 + known / (scatter * scatter)).powi(2);
    let factor = student(effective);
    FieldLine {
        moment_error: factor * line.moment_error,
        g_error: factor * line.g_error,
        tip_field_error: factor * line.tip_field_error,
        slope_error: factor * line.slope_error,
        mean_variance: factor * factor * line.mean_variance,
        scatter_hz: scatter,
        // These say how the centres agree with the errors that they came with.
        chi_square: plain.chi_square,
        p_value: plain.p_value,
        worst_deviation: plain.worst_deviation,
        ..line
    }
}

/// Student's factor for 68.27 %: the series of the quantile about that of the normal law at one standard deviation
/// (Abramowitz and Stegun 26.7.5).
fn student(freedom: f64) -> f64 {
    let r = 1.0 / freedom.max(1.0);
    1.0 + r * (0.5 + r * (0.25 + r * 0.0625))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::realness::field_line;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    #[test]
    fn the_factor_is_that_of_the_table() {
        // JCGM 100:2008, table G.2, 68.27 %: 1.84, 1.32, 1.20, 1.11, 1.05 for 1, 2, 3, 5, 10 degrees of freedom.
        for (freedom, want) in [(1.0, 1.84), (2.0, 1.32), (3.0, 1.20), (5.0, 1.11), (10.0, 1.05)] {
            assert!((student(freedom) - want).abs() < 0.03, "{freedom}: {}", student(freedom));
        }
        assert_eq!(student(f64::INFINITY), 1.0);
    }

    #[test]
    fn wandering_centres_of_unequal_errors_keep_their_promise() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(4);
        let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
        let fields: Vec<f64> = (0..7).map(|k| 0.5 + 0.003 * f64::from(k)).collect();
        let (mut one, mut two) = (0, 0);
        for _ in 0..2000 {
            let errors: Vec<f64> = (0..7).map(|k| if k % 3 == 0 { 0.02e6 } else { 0.4e6 }).collect();
            let place = |b: &f64, e: &f64, n: [f64; 2]| 27.992_489_834e9 * b + 1e6 * n[0] + e * n[1];
            let centres: Vec<f64> =
                fields.iter().zip(&errors).map(|(b, e)| place(b, e, [normal(), normal()])).collect();
            let line = field_line(&fields, &centres, &errors).unwrap();
            let off = (line.moment_mu_b - 1.0).abs() / line.moment_error;
            one += usize::from(off < 1.0);
            two += usize::from(off < 2.0);
        }
        println!("within one error {:.1} %, within two {:.1} %", f64::from(one as u32) / 20.0, f64::from(two as u32) / 20.0);
        assert!((1240..=1480).contains(&one), "{one} of 2000 within one error");
        assert!((1800..=1940).contains(&two), "{two} of 2000 within two errors");
    }
}
