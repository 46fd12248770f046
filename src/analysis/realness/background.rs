//! What all spectra share because it stays in place: ripple of the transmission line and its lines.
#![allow(
    clippy::needless_range_loop,
    reason = "rows and columns of small matrices are named by their numbers"
)]

use super::spectrum::Prepared;
use super::tails::median;

/// A ripple of one period in all spectra.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Ripple {
    pub period_hz: f64,
    /// Fall of chi-square over all spectra, outliers held back.
    pub gain: f64,
    /// Largest amplitude in any spectrum, unit of the signal.
    pub amplitude: f64,
}

/// Most ripples taken out.
const MOST_RIPPLES: usize = 5;

/// Removes the ripples in place and says which.
pub(super) fn take_out_ripples(spectra: &mut [Prepared]) -> Vec<Ripple> {
    let mut taken = Vec::new();
    for _ in 0..MOST_RIPPLES {
        let Some((ripple, cleaned)) = strongest_ripple(spectra) else { break };
        for (sp, y) in spectra.iter_mut().zip(cleaned) {
            sp.y = y;
        }
        taken.push(ripple);
    }
    taken
}

/// Chi-square with large deviations held back, so that a line does not pull a ripple after it.
fn held_back(residual: &[f64], scale: f64) -> f64 {
    residual.iter().map(|r| (r / scale).powi(2).min(9.0)).sum()
}

/// A line straightened spectrum and its robust scatter.
fn straightened(sp: &Prepared) -> (Vec<f64>, f64) {
    let r = fit_columns(sp, &sp.y, |_| [0.0, 0.0]).0;
    let mut size: Vec<f64> = r.iter().map(|v| v.abs()).collect();
    let scale = (median(&mut size) / 0.674_489_75).max(sp.sigma);
    (r, scale)
}

/// Searches the period that all spectra share best; `None` when none explains a good part of the scatter.
fn strongest_ripple(spectra: &[Prepared]) -> Option<(Ripple, Vec<Vec<f64>>)> {
    let widest = spectra.iter().map(Prepared::span).fold(0.0, f64::max);
    let step = spectra.iter().map(Prepared::step).fold(0.0, f64::max);
    let flat: Vec<(Vec<f64>, f64)> = spectra.iter().map(straightened).collect();
    let before: f64 = flat.iter().map(|(r, s)| held_back(r, *s)).sum();
    let wave = |period: f64| move |f: f64| (2.0 * std::f64::consts::PI * f / period).sin_cos();
    let after = |period: f64| -> f64 {
        let w = wave(period);
        spectra
            .iter()
            .zip(&flat)
            .map(|(sp, (r, scale))| {
                let (rest, _) = fit_columns(sp, r, |f| w(f).into());
                held_back(&rest, *scale)
            })
            .sum()
    };
    // At least one and a half periods, and at least ten points in each: shorter would be noise.
    let (fewest, most) = (1.5, widest / (10.0 * step));
    let count = ((most - fewest) / 0.34).ceil().clamp(1.0, 120.0) as usize;
    let (mut cycles, mut least) = (fewest, f64::INFINITY);
    for k in 0..=count {
        let trial = fewest + (most - fewest).max(0.0) * k as f64 / count as f64;
        let value = after(widest / trial);
        if value < least {
            (cycles, least) = (trial, value);
        }
    }
    for h in [0.15, 0.07, 0.03] {
        for trial in [cycles - h, cycles + h] {
            let value = after(widest / trial);
            if value < least {
                (cycles, least) = (trial, value);
            }
        }
    }
    let points: usize = spectra.iter().map(|s| s.f_hz.len()).sum();
    let cost = (2 * spectra.len() + 1) as f64 * (points as f64).ln();
    if before - least < (0.12 * before).max(3.0 * cost) {
        return None;
    }
    Some(subtract(spectra, widest / cycles, before - least))
}

/// Fits the ripple with outliers left out and subtracts it.
fn subtract(spectra: &[Prepared], period_hz: f64, gain: f64) -> (Ripple, Vec<Vec<f64>>) {
    let mut amplitude = 0.0f64;
    let columns = |f: f64| {
        let (s, c) = (2.0 * std::f64::consts::PI * f / period_hz).sin_cos();
        [s, c]
    };
    let cleaned = spectra
        .iter()
        .map(|sp| {
            let mut kept = sp.clone();
            let (mut rest, mut part) = fit_columns(sp, &sp.y, columns);
            for _ in 0..2 {
                let mut size: Vec<f64> = rest.iter().map(|v| v.abs()).collect();
                let scale = (median(&mut size) / 0.674_489_75).max(sp.sigma);
                for (i, r) in rest.iter().enumerate() {
                    kept.weight[i] = if r.abs() > 3.0 * scale { 0.0 } else { sp.weight[i] };
                }
                (rest, part) = fit_columns(&kept, &sp.y, columns);
            }
            amplitude = amplitude.max(part[0].hypot(part[1]));
            sp.f_hz
                .iter()
                .zip(&sp.y)
                .map(|(f, y)| y - part[0] * columns(*f)[0] - part[1] * columns(*f)[1])
                .collect()
        })
        .collect();
    (Ripple { period_hz, gain, amplitude }, cleaned)
}

/// Weighted fit of a straight line and two columns; gives the residual and the coefficients of the two.
fn fit_columns(sp: &Prepared, y: &[f64], columns: impl Fn(f64) -> [f64; 2]) -> (Vec<f64>, [f64; 2]) {
    let middle = 0.5 * (sp.low() + sp.high());
    let half = 0.5 * sp.span();
    let mut rows = Vec::with_capacity(y.len());
    let mut m = [[0.0; 5]; 4];
    for i in 0..y.len() {
        let f = sp.f_hz[i];
        let [a, b] = columns(f);
        let r = [1.0, (f - middle) / half, a, b];
        for p in 0..4 {
            let weighted = sp.weight[i] * r[p];
            for q in p..4 {
                m[p][q] += weighted * r[q];
            }
            m[p][4] += weighted * y[i];
        }
        rows.push(r);
    }
    for p in 1..4 {
        for q in 0..p {
            m[p][q] = m[q][p];
        }
    }
    let mut c = [0.0; 4];
    // Gauss elimination; a column that adds nothing (an absent ripple) keeps coefficient zero.
    let size = m[0][0].max(f64::MIN_POSITIVE);
    for p in 0..4 {
        if m[p][p] <= 1e-9 * size {
            for row in &mut m {
                row[p] = 0.0;
            }
            m[p] = [0.0; 5];
            m[p][p] = size;
            continue;
        }
        for q in 0..4 {
            if q != p {
                let factor = m[q][p] / m[p][p];
                for k in p..5 {
                    m[q][k] -= factor * m[p][k];
                }
            }
        }
    }
    for p in 0..4 {
        c[p] = m[p][4] / m[p][p];
    }
    let rest = rows.iter().zip(y).map(|(r, y)| y - c[0] - c[1] * r[1] - c[2] * r[2] - c[3] * r[3]).collect();
    (rest, [c[2], c[3]])
}

/// For each spectrum what the others show at its frequencies: the median of three or more, the smaller of two that
/// agree in sign, else nothing. A line that moves is seen by few at any one place, so the median passes it over.
/// `None` when no spectrum has such company.
pub(super) fn common_parts(spectra: &[Prepared]) -> Option<Vec<Vec<f64>>> {
    let flat: Vec<Vec<f64>> = spectra.iter().map(|s| straightened(s).0).collect();
    let mut any = false;
    let parts = (0..spectra.len())
        .map(|i| {
            let at_each = spectra[i].f_hz.iter().map(|&f| {
                let mut seen: Vec<f64> = (0..spectra.len())
                    .filter(|&j| j != i && spectra[j].low() <= f && f <= spectra[j].high())
                    .map(|j| at(&spectra[j].f_hz, &flat[j], f))
                    .collect();
                any |= seen.len() >= 2;
                match seen.len() {
                    0 | 1 => 0.0,
                    2 if seen[0] * seen[1] <= 0.0 => 0.0,
                    2 => {
                        if seen[0].abs() < seen[1].abs() {
                            seen[0]
                        } else {
                            seen[1]
                        }
                    }
                    _ => median(&mut seen),
                }
            });
            at_each.collect()
        })
        .collect();
    any.then_some(parts)
}

/// Linear interpolation, constant beyond the ends.
fn at(x: &[f64], y: &[f64], here: f64) -> f64 {
    let k = x.partition_point(|v| *v <= here);
    if k == 0 {
        return y[0];
    }
    if k == x.len() {
        return y[k - 1];
    }
    let t = (here - x[k - 1]) / (x[k] - x[k - 1]);
    y[k - 1] + t * (y[k] - y[k - 1])
}
