//! Line shapes tried at every place and width of one spectrum.
//!
//! Each trial fits a local straight baseline with and without the two parts of an asymmetric line,
//! `a/(1+δ²) + d δ/(1+δ²)`, `δ = (f − f0)/(Γ/2)`, and keeps by how much chi-square falls. A baseline that wanders
//! lowers it everywhere, so the gain is divided by how far its median lies above that of pure noise.

use super::spectrum::Prepared;
use super::tails::median;

/// Median of chi-square with two degrees of freedom, 2 ln 2.
const MEDIAN_CHI_SQUARE_2: f64 = 2.0 * std::f64::consts::LN_2;
/// Half length of the fitted stretch in line widths.
const REACH: f64 = 4.0;
/// Ratio of one trial width to the last.
const WIDTH_RATIO: f64 = 1.5;
/// A spectrum has to be this many widths long to show a line.
const NARROWEST_WINDOW: f64 = 10.0;
/// Features kept from one spectrum.
pub(super) const MOST_FEATURES: usize = 8;

/// A candidate line in one spectrum.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Feature {
    pub spectrum: usize,
    pub centre_hz: f64,
    pub error_hz: f64,
    pub width_hz: f64,
    pub absorptive: f64,
    pub dispersive: f64,
    /// Fall of chi-square in units of the noise around; two parameters.
    pub gain: f64,
    /// By how much the noise at this width exceeds white noise (variance ratio, at least 1).
    pub excess: f64,
}

impl Feature {
    pub fn amplitude(&self) -> f64 {
        self.absorptive.hypot(self.dispersive)
    }
    /// Value of its shape at a frequency.
    pub fn at(&self, f_hz: f64) -> f64 {
        let d = 2.0 * (f_hz - self.centre_hz) / self.width_hz;
        (self.absorptive + self.dispersive * d) / (1.0 + d * d)
    }
}

/// A local fit at a fixed place and width.
pub(super) struct Local {
    pub gain: f64,
    pub absorptive: f64,
    pub dispersive: f64,
}

/// Normal equations solved by Cholesky; the gain of the columns from `nuisance` on, the coefficients,
/// and the standard error of the last. `None` where the columns are not independent.
fn solve<const N: usize>(ata: [[f64; N]; N], atb: [f64; N], nuisance: usize) -> Option<(f64, [f64; N], f64)> {
    let mut l = [[0.0; N]; N];
    for i in 0..N {
        for j in 0..=i {
            let dot: f64 = (0..j).map(|k| l[i][k] * l[j][k]).sum();
            let rest = ata[i][j] - dot;
            if i == j {
                if rest <= 1e-7 * ata[i][i] || rest <= 0.0 {
                    return None;
                }
                l[i][i] = rest.sqrt();
            } else {
                l[i][j] = rest / l[j][j];
            }
        }
    }
    let mut z = [0.0; N];
    for i in 0..N {
        let dot: f64 = (0..i).map(|k| l[i][k] * z[k]).sum();
        z[i] = (atb[i] - dot) / l[i][i];
    }
    let gain: f64 = z[nuisance..].iter().map(|v| v * v).sum();
    let mut c = z;
    for i in (0..N).rev() {
        let dot: f64 = (i + 1..N).map(|k| l[k][i] * c[k]).sum();
        c[i] = (c[i] - dot) / l[i][i];
    }
    Some((gain, c, 1.0 / l[N - 1][N - 1]))
}

/// Points within reach of a trial.
fn stretch(sp: &Prepared, f0: f64, width: f64) -> std::ops::Range<usize> {
    let from = sp.f_hz.partition_point(|f| *f < f0 - REACH * width);
    let to = sp.f_hz.partition_point(|f| *f <= f0 + REACH * width);
    from..to
}

/// A spectrum with what the others have in common, where that is to be allowed for.
#[derive(Clone, Copy)]
pub(super) struct Trace<'a> {
    pub sp: &'a Prepared,
    /// At every point the median of the other spectra; its local gain is left free.
    pub common: Option<&'a [f64]>,
}

/// Least squares of a stretch on `N` columns, `nuisance` of which are allowed in any case.
fn fit_stretch<const N: usize>(
    sp: &Prepared,
    range: std::ops::Range<usize>,
    nuisance: usize,
    column: impl Fn(usize) -> [f64; N],
) -> Option<(f64, [f64; N], f64)> {
    if range.len() < N + 3 {
        return None;
    }
    let level = sp.y[(range.start + range.end) / 2];
    let mut ata = [[0.0; N]; N];
    let mut atb = [0.0; N];
    for i in range {
        let column = column(i);
        let (w, v) = (sp.weight[i], sp.y[i] - level);
        for r in 0..N {
            let wr = w * column[r];
            atb[r] += wr * v;
            for c in 0..=r {
                ata[r][c] += wr * column[c];
            }
        }
    }
    solve(ata, atb, nuisance)
}

/// Fits baseline and both parts of the line at a fixed place and width.
pub(super) fn local_fit(trace: Trace, f0: f64, width: f64) -> Option<Local> {
    let sp = trace.sp;
    let range = stretch(sp, f0, width);
    let parts = |i: usize| {
        let d = 2.0 * (sp.f_hz[i] - f0) / width;
        (d, 1.0 / (1.0 + d * d))
    };
    if let Some(common) = trace.common {
        let with = fit_stretch(sp, range.clone(), 3, |i| {
            let (d, a) = parts(i);
            [1.0, d, common[i], a, d * a]
        });
        if let Some((gain, c, _)) = with {
            return Some(Local { gain, absorptive: c[3], dispersive: c[4] });
        }
    }
    let (gain, c, _) = fit_stretch(sp, range, 2, |i| {
        let (d, a) = parts(i);
        [1.0, d, a, d * a]
    })?;
    Some(Local { gain, absorptive: c[2], dispersive: c[3] })
}

/// How much of a feature's shape a spectrum shows at a place: ratio and standard error.
pub(super) fn shape_ratio(trace: Trace, at_hz: f64, like: &Feature) -> Option<(f64, f64)> {
    let sp = trace.sp;
    let range = stretch(sp, at_hz, like.width_hz);
    let parts = |i: usize| {
        let d = 2.0 * (sp.f_hz[i] - at_hz) / like.width_hz;
        (d, (like.absorptive + like.dispersive * d) / (1.0 + d * d))
    };
    let noise = like.excess.sqrt();
    if let Some(common) = trace.common {
        let with = fit_stretch(sp, range.clone(), 3, |i| {
            let (d, shape) = parts(i);
            [1.0, d, common[i], shape]
        });
        if let Some((_, c, error)) = with {
            return Some((c[3], error * noise));
        }
    }
    let (_, c, error) = fit_stretch(sp, range, 2, |i| {
        let (d, shape) = parts(i);
        [1.0, d, shape]
    })?;
    Some((c[2], error * noise))
}

/// Separate bumps counted in one spectrum, listed or not.
const MOST_COUNTED: usize = 40;

/// What the scan of one spectrum found.
pub(super) struct Scan {
    /// The strongest separate features, strongest first.
    pub features: Vec<Feature>,
    /// Gains of further separate bumps that are not followed.
    pub lesser: Vec<f64>,
    /// Independent places and widths tried.
    pub trials: f64,
    /// Every width tried, Hz, and by how much the noise there exceeds white noise.
    pub excess: Vec<(f64, f64)>,
}

/// The strongest separate features of one spectrum.
pub(super) fn features(index: usize, trace: Trace) -> Scan {
    let sp = trace.sp;
    let mut trials = 0.0;
    let mut excesses = Vec::new();
    let mut found: Vec<(f64, f64, f64, f64)> = Vec::new();
    let mut width = 3.0 * sp.step();
    while width <= sp.span() / NARROWEST_WINDOW {
        let places = (4.0 * sp.span() / width).ceil() as usize;
        let gains: Vec<(f64, f64)> = (0..=places)
            .map(|k| sp.low() + sp.span() * k as f64 / places as f64)
            .filter_map(|f0| local_fit(trace, f0, width).map(|l| (f0, l.gain)))
            .collect();
        if gains.len() > 8 {
            let excess =
                (median(&mut gains.iter().map(|g| g.1).collect::<Vec<_>>()) / MEDIAN_CHI_SQUARE_2).max(1.0);
            for k in 0..gains.len() {
                let here = gains[k].1;
                let left = if k > 0 { gains[k - 1].1 } else { 0.0 };
                let right = gains.get(k + 1).map_or(0.0, |g| g.1);
                if here >= left && here >= right {
                    found.push((gains[k].0, width, here / excess, excess));
                }
            }
            trials += sp.span() / width;
            excesses.push((width, excess));
        }
        width *= WIDTH_RATIO;
    }
    found.sort_by(|a, b| b.2.total_cmp(&a.2));
    let mut kept: Vec<Feature> = Vec::new();
    let mut lesser: Vec<(f64, f64, f64)> = Vec::new();
    for (f0, width, gain, excess) in found {
        if kept.len() + lesser.len() == MOST_COUNTED {
            break;
        }
        let near = |centre: f64, w: f64| (centre - f0).abs() < 0.8 * w.max(width);
        if kept.iter().any(|k| near(k.centre_hz, k.width_hz)) || lesser.iter().any(|l| near(l.0, l.1)) {
            continue;
        }
        if kept.len() == MOST_FEATURES {
            lesser.push((f0, width, gain));
        } else if let Some(feature) = refine(index, trace, f0, width, excess) {
            kept.push(feature);
        }
    }
    kept.sort_by(|a, b| b.gain.total_cmp(&a.gain));
    let lesser = lesser.into_iter().map(|l| l.2).collect();
    Scan { features: kept, lesser, trials, excess: excesses }
}

/// Walks to the summit of the gain in place and width; the curvature in place gives the error of the centre.
pub(super) fn refine(index: usize, trace: Trace, f0: f64, width: f64, excess: f64) -> Option<Feature> {
    let sp = trace.sp;
    let gain = |f: f64, w: f64| local_fit(trace, f, w).map_or(0.0, |l| l.gain);
    let (mut f0, mut width) = (f0, width);
    let narrowest = 2.0 * sp.step();
    for round in 0..4 {
        let h = width / (8.0 * (round + 1) as f64);
        f0 = summit(f0, h, |f| gain(f, width)).clamp(sp.low(), sp.high());
        let u = 0.2 / (round + 1) as f64;
        width = summit(width.ln(), u, |lw| gain(f0, lw.exp()))
            .exp()
            .clamp(narrowest, sp.span() / (0.8 * NARROWEST_WINDOW));
    }
    let best = local_fit(trace, f0, width)?;
    let h = width / 10.0;
    let curvature = (2.0 * best.gain - gain(f0 - h, width) - gain(f0 + h, width)) / (h * h);
    // Where chi-square is f0's parabola, it rises by one at one standard error.
    let error = if curvature > 0.0 { (2.0 * excess / curvature).sqrt() } else { return None };
    Some(Feature {
        spectrum: index,
        centre_hz: f0,
        error_hz: error.clamp(1e-3 * sp.step(), width),
        width_hz: width,
        absorptive: best.absorptive,
        dispersive: best.dispersive,
        gain: best.gain / excess,
        excess,
    })
}

/// One parabola step towards a maximum, never further than 1.5 h.
fn summit(x: f64, h: f64, value: impl Fn(f64) -> f64) -> f64 {
    let (left, here, right) = (value(x - h), value(x), value(x + h));
    let bend = left - 2.0 * here + right;
    if bend < 0.0 {
        x + (0.5 * h * (left - right) / bend).clamp(-1.5 * h, 1.5 * h)
    } else if left > right {
        x - h
    } else {
        x + h
    }
}
