//! Evidence that may be looked at after each spectrum.
//!
//! *An e-value* is a number ≥ 0 whose mean is at most one where there is nothing. A product of such numbers, each made from
//! one more spectrum, is a supermartingale, and it ever passes `1/α` with probability α at most, however often one looks
//! and whenever one stops (Ville's inequality; J. R. Stat. Soc. B 86, 1 (2024), 10.1093/jrsssb/qkae010 for the name and
//! the use; from memory, not checked). An average of such products over laws, with weights fixed beforehand, is one too.
//!
//! *Here* the number for a spectrum and a law is the score of a line where the law has it, over the mean score of all places
//! in the same window: [`over_mean`]. What is claimed to be nothing is that the spectrum does not know the field, so that
//! the place that a law names is any place of the window. Then the mean of the number is one **whatever the spectrum looks
//! like**: noise of any colour, glitches, lines that have nothing to do with the field. What is asked for in return is
//! that fields and windows were chosen without regard to each other, which [`design`](super::design) sees to; the ways
//! in which a careless choice is fooled are looked for one by one (`joint::locked`).

/// Natural logarithm of the e-value of a line whose two amplitudes (symmetric and dispersive part) have prior N(0, τ²)
/// each.
///
/// `n` are the scores `Xᵀ y/σ²`, `g` is the information `Xᵀ X/σ²` as (aa, ad, dd).
pub fn line_log_e(n: [f64; 2], g: [f64; 3], tau: f64) -> f64 {
    let p = 1.0 / (tau * tau);
    let (a, b, d) = (g[0] + p, g[1], g[2] + p);
    let det = a * d - b * b;
    let quadratic = (n[0] * n[0] * d - 2.0 * n[0] * n[1] * b + n[1] * n[1] * a) / det;
    0.5 * quadratic - 0.5 * (det / (p * p)).ln()
}

/// Turns log scores of the places of one window into log e-values: each score over their mean, averaged over `blur` places
/// either way (a line wanders), and mixed with `floor` times one (now and then a spectrum shows nothing). The scores are
/// held to `cap`, so that no single feature outweighs all else in its window. All of this keeps the mean at one.
///
/// ```
/// use noctule::analysis::joint::evidence::over_mean;
/// let e = over_mean(&[0.0, 9.0, -1.0, 3.0, 0.0], 5.0, 1, 0.05);
/// let mean: f64 = e.iter().map(|v| v.exp()).sum::<f64>() / 5.0;
/// assert!((mean - 1.0).abs() < 1e-12);
/// ```
pub fn over_mean(log_scores: &[f64], cap: f64, blur: usize, floor: f64) -> Vec<f64> {
    let n = log_scores.len();
    let scores: Vec<f64> = log_scores.iter().map(|l| l.min(cap).exp()).collect();
    let mean = scores.iter().sum::<f64>() / n as f64;
    if !(mean > 0.0 && mean.is_finite()) {
        return vec![0.0; n];
    }
    // Each place gives its share evenly to its neighbours; at the ends there are fewer of them.
    let mut blurred = vec![0.0; n];
    for (i, score) in scores.iter().enumerate() {
        let (from, to) = (i.saturating_sub(blur), (i + blur).min(n - 1));
        let share = score / (to - from + 1) as f64;
        blurred[from..=to].iter_mut().for_each(|b| *b += share);
    }
    blurred.iter().map(|b| ((1.0 - floor) * b / mean + floor).ln()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Natural logarithm of the e-value of a Gaussian mean: null 0, prior N(0, τ²) on the mean, known σ:
    /// `−½ ln(1 + nτ²/σ²) + (Σx)² τ²/(2σ²(σ² + nτ²))`.
    fn mean_log_e(sum: f64, n: usize, sigma: f64, tau: f64) -> f64 {
        let (s2, t2, n) = (sigma * sigma, tau * tau, n as f64);
        -0.5 * (1.0 + n * t2 / s2).ln() + sum * sum * t2 / (2.0 * s2 * (s2 + n * t2))
    }

    #[test]
    fn the_closed_form_is_that_of_one_value() {
        // n = 1, σ = τ = 1, x = 2: −½ ln 2 + 4/4.
        assert!((mean_log_e(2.0, 1, 1.0, 1.0) - (1.0 - 0.5 * 2f64.ln())).abs() < 1e-12);
    }

    #[test]
    fn two_amplitudes_that_do_not_mix_are_two_means() {
        let both = line_log_e([3.0, -1.5], [4.0, 0.0, 4.0], 0.7);
        let apart = mean_log_e(3.0, 4, 1.0, 0.7) + mean_log_e(-1.5, 4, 1.0, 0.7);
        assert!((both - apart).abs() < 1e-12);
    }

    struct Dice(u64);

    impl Dice {
        fn uniform(&mut self) -> f64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((self.0 >> 11) as f64 + 0.5) / (1u64 << 53) as f64
        }
    }

    #[test]
    fn looking_after_each_value_keeps_the_error_rate_of_the_closed_form() {
        // 4,000 walks of 200 values each, looked at 200 times, at α = 0.05.
        let mut dice = Dice(20_261_128);
        let walks = 4_000;
        let mut alarms = 0;
        for _ in 0..walks {
            let mut sum = 0.0;
            let mut alarmed = false;
            for n in 1..=200 {
                sum +=
                    (-2.0 * dice.uniform().ln()).sqrt() * (2.0 * std::f64::consts::PI * dice.uniform()).cos();
                alarmed |= mean_log_e(sum, n, 1.0, 1.0) > (1.0f64 / 0.05).ln();
            }
            alarms += u32::from(alarmed);
        }
        // Four standard errors above α would be 0.064; the bound itself is not tight for discrete looks.
        assert!(f64::from(alarms) / f64::from(walks) < 0.064, "{alarms} of {walks}");
        assert!(alarms > 40, "a test that never alarms shows nothing: {alarms}");
    }

    #[test]
    fn places_taken_at_random_keep_the_error_rate_whatever_the_windows_hold() {
        // Windows full of strong features at places of their own, and a law that names places at random: at α = 0.05.
        let mut dice = Dice(7);
        let walks = 4_000;
        let mut alarms = 0;
        for _ in 0..walks {
            let (mut log_e, mut alarmed) = (0.0, false);
            for _ in 0..30 {
                let mut scores = [0.0; 60];
                scores.iter_mut().for_each(|s| *s = -dice.uniform().ln());
                for _ in 0..3 {
                    scores[(60.0 * dice.uniform()) as usize] = 40.0 * dice.uniform();
                }
                let e = over_mean(&scores, 10.0, 2, 0.05);
                log_e += e[(60.0 * dice.uniform()) as usize];
                alarmed |= log_e > (1.0f64 / 0.05).ln();
            }
            alarms += u32::from(alarmed);
        }
        assert!(f64::from(alarms) / f64::from(walks) < 0.064, "{alarms} of {walks}");
        assert!(alarms > 10, "a test that never alarms shows nothing: {alarms}");
    }
}
