//! One Gaussian or two, by expectation and maximisation.

use serde::Serialize;

use crate::analysis::order::median;

/// Two Gaussians fitted to a sample, lower mean first.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Mixture {
    /// Means, unit of the sample.
    pub means: [f64; 2],
    /// Standard deviations, unit of the sample; never below a tenth of the sample's own.
    pub deviations: [f64; 2],
    /// Shares, adding to one.
    pub weights: [f64; 2],
}

impl Mixture {
    /// `|μ1 − μ2| / √((σ1² + σ2²)/2)`. For equal weights and widths there are two maxima exactly when it exceeds 2
    /// (computed; the use of 2 as a mark of a clean split is from memory, not checked: Astron. J. 108, 2348
    /// (1994), 10.1086/117248).
    pub fn separation(&self) -> f64 {
        let [a, b] = self.deviations;
        (self.means[1] - self.means[0]).abs() / (0.5 * (a * a + b * b)).sqrt()
    }

    /// Density at a value.
    pub fn density(&self, x: f64) -> f64 {
        (0..2).map(|k| self.weights[k] * normal(x, self.means[k], self.deviations[k])).sum()
    }
}

fn normal(x: f64, mean: f64, deviation: f64) -> f64 {
    let z = (x - mean) / deviation;
    (-0.5 * z * z).exp() / (deviation * (2.0 * std::f64::consts::PI).sqrt())
}

/// Values with counts: a sample itself, or its bins.
pub(super) struct Weighted {
    pub x: Vec<f64>,
    pub count: Vec<f64>,
}

/// Samples larger than this are binned for the iterations; the final likelihood always uses every value.
const BIN_ABOVE: usize = 600;
const BINS: usize = 200;
/// Floor of a width as a share of the sample's: without it one point can carry a spike and win.
const FLOOR: f64 = 0.1;

impl Weighted {
    pub fn of_sorted(sorted: &[f64]) -> Weighted {
        if sorted.len() <= BIN_ABOVE {
            return Weighted { x: sorted.to_vec(), count: vec![1.0; sorted.len()] };
        }
        let (low, high) = (sorted[0], sorted[sorted.len() - 1]);
        let width = (high - low) / BINS as f64;
        let (mut sum, mut count) = (vec![0.0; BINS], vec![0.0; BINS]);
        for v in sorted {
            let k = (((v - low) / width) as usize).min(BINS - 1);
            sum[k] += v;
            count[k] += 1.0;
        }
        let filled: Vec<usize> = (0..BINS).filter(|k| count[*k] > 0.0).collect();
        Weighted {
            x: filled.iter().map(|k| sum[*k] / count[*k]).collect(),
            count: filled.iter().map(|k| count[*k]).collect(),
        }
    }

    pub fn total(&self) -> f64 {
        self.count.iter().sum()
    }

    pub fn mean(&self) -> f64 {
        self.x.iter().zip(&self.count).map(|(x, c)| x * c).sum::<f64>() / self.total()
    }

    /// Population standard deviation.
    pub fn deviation(&self) -> f64 {
        let m = self.mean();
        (self.x.iter().zip(&self.count).map(|(x, c)| c * (x - m).powi(2)).sum::<f64>() / self.total()).sqrt()
    }
}

/// `−2 ln L` of values under a density.
pub(super) fn minus_two_log_likelihood(data: &Weighted, density: impl Fn(f64) -> f64) -> f64 {
    -2.0 * data.x.iter().zip(&data.count).map(|(x, c)| c * density(*x).max(1e-300).ln()).sum::<f64>()
}

/// `−2 ln L` of the best single Gaussian.
pub(super) fn one_gaussian(data: &Weighted) -> f64 {
    let variance = data.deviation().powi(2);
    data.total() * ((2.0 * std::f64::consts::PI * variance).ln() + 1.0)
}

/// The best two Gaussians from several starts.
pub(super) fn two_gaussians(data: &Weighted) -> Mixture {
    let deviation = data.deviation();
    let floor = FLOOR * deviation;
    let total = data.total();
    let (low, high) = (data.x[0], data.x[data.x.len() - 1]);
    let mut best: Option<(f64, Mixture)> = None;
    // Splits of the sorted sample at several shares, and a spike at either end.
    let mut starts: Vec<Mixture> =
        [0.1, 0.25, 0.5, 0.75, 0.9].iter().map(|share| split(data, share * total, floor)).collect();
    let spike = (1.0 / total).max(0.01);
    let mean = data.mean();
    starts.push(Mixture {
        means: [low, mean],
        deviations: [floor, deviation],
        weights: [spike, 1.0 - spike],
    });
    starts.push(Mixture {
        means: [mean, high],
        deviations: [deviation, floor],
        weights: [1.0 - spike, spike],
    });
    for start in starts {
        let fitted = iterate(data, start, floor);
        let value = minus_two_log_likelihood(data, |x| fitted.density(x));
        if best.is_none_or(|(b, _)| value < b) {
            best = Some((value, fitted));
        }
    }
    let mut m = best.expect("there are always starts").1;
    if m.means[0] > m.means[1] {
        m.means.swap(0, 1);
        m.deviations.swap(0, 1);
        m.weights.swap(0, 1);
    }
    m
}

/// Means and widths of the two parts of a sample cut at a count.
fn split(data: &Weighted, cut: f64, floor: f64) -> Mixture {
    let mut m = Mixture { means: [0.0; 2], deviations: [floor; 2], weights: [0.5; 2] };
    let mut seen = 0.0;
    let mut sums = [[0.0; 3]; 2];
    for (x, c) in data.x.iter().zip(&data.count) {
        let part = &mut sums[usize::from(seen >= cut)];
        part[0] += c;
        part[1] += c * x;
        part[2] += c * x * x;
        seen += c;
    }
    for (k, [n, s, q]) in sums.into_iter().enumerate() {
        let n: f64 = n.max(1e-9);
        m.means[k] = s / n;
        m.deviations[k] = (q / n - m.means[k].powi(2)).max(0.0).sqrt().max(floor);
        m.weights[k] = n / data.total();
    }
    m
}

/// Repeats the two steps until the parameters stand still.
fn iterate(data: &Weighted, mut m: Mixture, floor: f64) -> Mixture {
    let total = data.total();
    for _ in 0..600 {
        let mut sums = [[0.0; 3]; 2];
        for (x, c) in data.x.iter().zip(&data.count) {
            let a = m.weights[0] * normal(*x, m.means[0], m.deviations[0]);
            let b = m.weights[1] * normal(*x, m.means[1], m.deviations[1]);
            let share = if a + b > 0.0 { a / (a + b) } else { 0.5 };
            for (k, r) in [share, 1.0 - share].into_iter().enumerate() {
                // Deviations from the present mean keep the sums well conditioned.
                let d = x - m.means[k];
                sums[k][0] += c * r;
                sums[k][1] += c * r * d;
                sums[k][2] += c * r * d * d;
            }
        }
        let before = m;
        for (k, [n, s, q]) in sums.into_iter().enumerate() {
            if n > 1e-9 * total {
                let step = s / n;
                m.means[k] += step;
                m.deviations[k] = (q / n - step * step).max(0.0).sqrt().max(floor);
            }
            m.weights[k] = n / total;
        }
        let moved = (0..2)
            .map(|k| {
                (m.means[k] - before.means[k]).abs()
                    + (m.deviations[k] - before.deviations[k]).abs()
                    + 10.0 * floor * (m.weights[k] - before.weights[k]).abs()
            })
            .fold(0.0, f64::max);
        if moved < 1e-7 * floor {
            break;
        }
    }
    m
}

/// How far the density of the sample dips between the two means: the smaller of the counts at the two
/// means less the count at the lowest place between, in standard errors of that difference.
pub(super) fn valley(sorted: &[f64], m: &Mixture) -> f64 {
    let count = |from: f64, to: f64| {
        (sorted.partition_point(|v| *v < to) - sorted.partition_point(|v| *v < from)) as f64
    };
    // The fitted density names the places, the sample itself gives the counts.
    let steps = 200;
    let at = |k: usize| m.means[0] + (m.means[1] - m.means[0]) * k as f64 / steps as f64;
    let lowest =
        (0..=steps).map(at).min_by(|a, b| m.density(*a).total_cmp(&m.density(*b))).unwrap_or(m.means[0]);
    let half = 0.4 * median(&mut [m.deviations[0], m.deviations[1]]).min((m.means[1] - m.means[0]) / 3.0);
    let peaks = count(m.means[0] - half, m.means[0] + half).min(count(m.means[1] - half, m.means[1] + half));
    let floor = count(lowest - half, lowest + half);
    (peaks - floor) / (peaks + floor).max(1.0).sqrt()
}
