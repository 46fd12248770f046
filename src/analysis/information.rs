//! How well a spectrum will know its line, and the spectrum that knows it well enough in the shortest time.
//!
//! The errors that a fit will quote follow from the information that the points have on its parameters: the inverse of the
//! sum over the points of the products of derivatives over the variance of a point (the bound of Cramér and Rao; common
//! practice). Many points across a wide window give, for a symmetric line, the closed form δ² = 2 w σ² Δ/(π h²) for the
//! centre, with the width w, the height h, the noise σ of a point and their distance Δ. An asymmetry that has to be fitted
//! as well costs much of it, and needs a wider window.

use super::model::Model;
use nalgebra::{DMatrix, DVector};

/// Numbers of points that are tried.
const POINTS: [usize; 5] = [41, 61, 81, 121, 161];
/// Halves of the window that are tried, in widths of the line.
const HALVES: [f64; 8] = [1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.5, 7.5];

/// A line as it is known so far, and the noise on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Full width at half maximum, in the unit of the axis.
    pub width: f64,
    /// Height, in the unit of the readings.
    pub height: f64,
    /// Its asymmetry, where that is fitted.
    pub asymmetry: Option<f64>,
    /// Noise of a reading of one second, in their unit; it falls with the root of the time.
    pub noise_1s: f64,
}

/// What is wanted of a spectrum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wanted {
    /// An error of the centre, in the unit of the axis.
    Centre(f64),
    /// An error of the height, as a part of it.
    Height(f64),
}

/// A spectrum that is planned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Planned {
    /// Half of the window.
    pub half: f64,
    /// Points across it.
    pub points: usize,
    /// Time at each, s.
    pub dwell_s: f64,
    /// Error of the centre that is expected.
    pub centre_error: f64,
    /// The same of the height, as a part of it.
    pub height_error: f64,
    /// Time of the whole, s.
    pub time_s: f64,
}

/// Errors of the centre, and of the height as a part of it, from evenly spaced points.
///
/// `off` is how far the line lies from the middle of the window. `None` where the points do not determine the line.
pub fn errors(line: &Line, half: f64, points: usize, dwell_s: f64, off: f64) -> Option<(f64, f64)> {
    // In units of width and height, so that the matrix is well conditioned.
    let half = half / line.width;
    let (model, mut parameters) = match line.asymmetry {
        Some(asymmetry) => (Model::Fano { reference: 0.0 }, vec![off / line.width, 1.0, 1.0, asymmetry]),
        None => (Model::Lorentzian { reference: 0.0 }, vec![off / line.width, 1.0, 1.0]),
    };
    parameters.extend([0.0, 0.0]);
    let count = parameters.len();
    let mut information = DMatrix::<f64>::zeros(count, count);
    let mut by = vec![0.0; count];
    let variance = (line.noise_1s / line.height).powi(2) / dwell_s;
    for i in 0..points {
        let x = half * (2.0 * i as f64 / (points - 1) as f64 - 1.0);
        model.with_gradient(x, &parameters, &mut by);
        let by = DVector::from_column_slice(&by);
        information += &by * by.transpose() / variance;
    }
    let covariance = information.cholesky()?.inverse();
    Some((line.width * covariance[(0, 0)].sqrt(), covariance[(2, 2)].sqrt()))
}

/// The spectrum that knows the line as well as it is wanted in the shortest time: at least `least_s` at a point, beside
/// `beside_s` which each point takes anyhow, and no longer than `most_s` in all. The line is expected in the middle of the
/// window, give or take `place_error`.
///
/// Where `most_s` is too short the spectrum is the best one within it. `None` for what is no line.
pub fn plan(
    line: &Line,
    wanted: Wanted,
    place_error: f64,
    (least_s, beside_s, most_s): (f64, f64, f64),
) -> Option<Planned> {
    let usable = line.width > 0.0 && line.height != 0.0 && line.noise_1s > 0.0 && least_s > 0.0;
    if !usable || !(line.width + line.height + line.noise_1s + place_error).is_finite() {
        return None;
    }
    let mut best: Option<Planned> = None;
    for half in HALVES.map(|widths| widths * line.width + 2.0 * place_error) {
        for points in POINTS {
            let Some((centre, height)) = errors(line, half, points, 1.0, place_error) else { continue };
            let needed_s = match wanted {
                Wanted::Centre(error) => (centre / error).powi(2),
                Wanted::Height(error) => (height / error).powi(2),
            };
            let longest_s = most_s / points as f64 - beside_s;
            let dwell_s = needed_s.min(longest_s).max(least_s);
            let root = dwell_s.sqrt();
            let time_s = points as f64 * (dwell_s + beside_s);
            let one = Planned {
                half,
                points,
                dwell_s,
                centre_error: centre / root,
                height_error: height / root,
                time_s,
            };
            if time_s <= most_s && best.is_none_or(|best| better(&one, &best, wanted)) {
                best = Some(one);
            }
        }
    }
    best
}

/// What suffices goes before what does not; then the shorter, or the surer, one.
fn better(one: &Planned, other: &Planned, wanted: Wanted) -> bool {
    let of = |planned: &Planned| match wanted {
        Wanted::Centre(error) => planned.centre_error / error,
        Wanted::Height(error) => planned.height_error / error,
    };
    let (a, b) = (of(one), of(other));
    // Rounding must not make a spectrum insufficient that was made to suffice.
    let suffices = |part: f64| part <= 1.0 + 1e-9;
    match (suffices(a), suffices(b)) {
        (true, true) => one.time_s < other.time_s,
        (false, false) => a < b,
        (first, _) => first,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LINE: Line = Line { width: 20.0, height: 3.0, asymmetry: None, noise_1s: 0.5 };

    #[test]
    fn a_wide_window_gives_the_closed_form() {
        let (half, points) = (400.0, 8001);
        let step = 2.0 * half / (points - 1) as f64;
        let (centre, _) = errors(&LINE, half, points, 1.0, 0.0).unwrap();
        let closed = (2.0 * LINE.width * 0.25 * step / (std::f64::consts::PI * 9.0)).sqrt();
        assert!((centre / closed - 1.0).abs() < 2e-3, "{centre} against {closed}");
    }

    /// numpy 2.4.6: roots of the diagonal of the inverse of JᵀJ/σ², J by central differences of the same line; 61 points over
    /// ±40, line at 3, σ 0.5. Of 4,000 fits by scipy's `curve_fit` to such data the centres scatter by 0.756, heights by 7.45 %.
    #[test]
    fn errors_are_those_of_a_reference_library() {
        let (centre, height) = errors(&LINE, 40.0, 61, 1.0, 3.0).unwrap();
        assert!((centre / OUTSIDE.0 - 1.0).abs() < 1e-6, "{centre}");
        assert!((height / OUTSIDE.1 - 1.0).abs() < 1e-6, "{height}");
        let (centre, height) = errors(&Line { asymmetry: Some(0.3), ..LINE }, 40.0, 61, 1.0, 3.0).unwrap();
        assert!((centre / ASYMMETRIC.0 - 1.0).abs() < 1e-6, "{centre}");
        assert!((height / ASYMMETRIC.1 - 1.0).abs() < 1e-6, "{height}");
    }
    const ASYMMETRIC: (f64, f64) = (1.808272113703, 0.087874358719);
    const OUTSIDE: (f64, f64) = (0.740_837_189_224, 0.074_367_912_856);

    #[test]
    fn a_spectrum_is_as_long_as_it_must_be() {
        let limits = (0.1, 0.05, 3600.0);
        let coarse = plan(&LINE, Wanted::Centre(1.0), 2.0, limits).unwrap();
        let fine = plan(&LINE, Wanted::Centre(0.2), 2.0, limits).unwrap();
        assert!(coarse.centre_error <= 1.0 + 1e-9 && fine.centre_error <= 0.2 + 1e-9);
        assert!(fine.time_s > 3.0 * coarse.time_s, "{coarse:?} {fine:?}");
        let height = plan(&LINE, Wanted::Height(0.02), 2.0, limits).unwrap();
        assert!(height.height_error <= 0.02 + 1e-9);
        // What can't be had in the time is the best that can.
        let short = plan(&LINE, Wanted::Centre(0.001), 2.0, (0.1, 0.05, 60.0)).unwrap();
        assert!(short.time_s <= 60.0 && short.centre_error > 0.001);
        assert_eq!(plan(&Line { height: 0.0, ..LINE }, Wanted::Centre(1.0), 0.0, limits), None);
        assert_eq!(plan(&LINE, Wanted::Centre(1.0), 0.0, (0.1, 0.05, 1.0)), None, "there is no time for it");
    }
}
