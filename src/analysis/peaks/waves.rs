//! Taking a wavy background out of a spectrum: the transmission of an RF line, which ripples with frequency.

use super::noise::median;

/// Rounds in which points far off the waves are pulled towards them, so that lines are not fitted by waves.
const ROUNDS: usize = 12;

/// Takes out all cosines on the range that are at least `longest` points long, lines left out of account as far as they stand
/// out. `sigma` is the noise of one point.
pub(super) fn take_out(level: &mut [f64], longest: f64, sigma: f64) {
    let n = level.len();
    let count = ((2.0 * n as f64 / longest) as usize).min(n / 4);
    let cosine = |k: usize, i: usize| (std::f64::consts::PI * k as f64 * (i as f64 + 0.5) / n as f64).cos();
    let table: Vec<Vec<f64>> = (0..=count).map(|k| (0..n).map(|i| cosine(k, i)).collect()).collect();
    let mut waves = vec![0.0; n];
    let mut kept = level.to_vec();
    for _ in 0..ROUNDS {
        waves.fill(0.0);
        for (k, row) in table.iter().enumerate() {
            let norm = if k == 0 { 1.0 } else { 2.0 } / n as f64;
            let size = norm * row.iter().zip(&kept).map(|(c, v)| c * v).sum::<f64>();
            waves.iter_mut().zip(row).for_each(|(w, c)| *w += size * c);
        }
        let mut off: Vec<f64> = level.iter().zip(&waves).map(|(v, w)| (v - w).abs()).collect();
        let reach = 2.5 * (1.4826 * median(&mut off)).max(sigma);
        for ((kept, value), wave) in kept.iter_mut().zip(level.iter()).zip(&waves) {
            *kept = wave + (value - wave).clamp(-reach, reach);
        }
    }
    level.iter_mut().zip(&waves).for_each(|(v, w)| *v -= w);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waves_go_and_a_line_stays() {
        let wave = |i: usize| 5.0 * (0.03 * i as f64).sin() + 2.0 * (0.011 * i as f64).cos();
        let line = |i: usize| 20.0 / (1.0 + ((i as f64 - 300.0) / 6.0).powi(2));
        let mut level: Vec<f64> = (0..1000).map(|i| wave(i) + line(i)).collect();
        take_out(&mut level, 80.0, 0.5);
        // Waves that knew of no line would take the share of it that is slower than they are: a line of 12 points in cosines
        // down to 80 points keeps exp(-6 * 2 pi / 80) of its height. Left out of account as far as it goes, it keeps more.
        assert!(level[300] > 1.1 * 20.0 * (-6.0 * std::f64::consts::TAU / 80.0_f64).exp(), "{}", level[300]);
        let far = level.iter().enumerate().filter(|(i, _)| i.abs_diff(300) > 100 && *i > 40 && *i < 960);
        let most = far.fold(0.0_f64, |m, (_, v)| m.max(v.abs()));
        assert!(most < 0.8, "{most}");
    }
}
