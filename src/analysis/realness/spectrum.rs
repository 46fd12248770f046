//! What is judged: spectra at several fields, and what counts as believable.

use serde::{Deserialize, Serialize};

use super::tails::median;
use super::unusable::{Unusable, at_least, finite, same_length};

/// One resonance spectrum with the conditions it was taken under.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spectrum<'a> {
    /// Applied field along the moment, T.
    pub field_t: f64,
    /// RF power at the source, dBm, where it was varied or known.
    pub level_dbm: Option<f64>,
    /// Tip height above a fixed point, m; spectra of one height share their tip field.
    pub tip_height_m: Option<f64>,
    /// Frequencies, Hz, rising.
    pub f_hz: &'a [f64],
    /// Signal at each frequency, any one unit for all spectra.
    pub y: &'a [f64],
    /// Standard error of each point in the unit of `y`; estimated from the points where absent.
    pub sigma: Option<&'a [f64]>,
}

/// What counts as believable. The defaults suit single atoms and molecules on a thin insulator.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Settings {
    /// Smallest moment considered, μB. A feature slower than this stays in place.
    pub smallest_moment_mu_b: f64,
    /// Largest moment considered, μB.
    pub largest_moment_mu_b: f64,
    /// Largest tip field considered, T.
    pub largest_tip_field_t: f64,
    /// Expected number of chance alignments above which a line is not believed.
    pub chance: f64,
    /// A line this many times stronger than the noise of one point has to show, or there is none.
    pub trusted_signal_to_noise: f64,
    /// Polarisation of the tip with its standard error, where a contrast measurement was made.
    pub polarisation: Option<(f64, f64)>,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            smallest_moment_mu_b: 0.3,
            largest_moment_mu_b: 12.0,
            largest_tip_field_t: 0.3,
            chance: 1e-4,
            trusted_signal_to_noise: 5.0,
            polarisation: None,
        }
    }
}

impl Settings {
    pub(super) fn check(&self) -> Result<(), Unusable> {
        let positive = [
            ("The smallest moment", self.smallest_moment_mu_b),
            ("The largest moment", self.largest_moment_mu_b),
            ("The largest tip field", self.largest_tip_field_t),
            ("The accepted chance", self.chance),
            ("The trusted signal-to-noise ratio", self.trusted_signal_to_noise),
        ];
        for (what, value) in positive {
            if !(value > 0.0 && value < 1e6) {
                return Err(Unusable::OutOfRange { what, value, range: "0 to 1e6" });
            }
        }
        if self.smallest_moment_mu_b >= self.largest_moment_mu_b {
            let value = self.smallest_moment_mu_b;
            return Err(Unusable::OutOfRange {
                what: "The smallest moment",
                value,
                range: "the moments below the largest",
            });
        }
        Ok(())
    }
}

/// A spectrum made ready: spikes tamed, noise known.
#[derive(Debug, Clone)]
pub(super) struct Prepared {
    pub field_t: f64,
    pub level_dbm: Option<f64>,
    pub tip_height_m: Option<f64>,
    pub f_hz: Vec<f64>,
    pub y: Vec<f64>,
    /// Inverse variance of each point.
    pub weight: Vec<f64>,
    /// Typical error of one point.
    pub sigma: f64,
}

impl Prepared {
    pub fn low(&self) -> f64 {
        self.f_hz[0]
    }
    pub fn high(&self) -> f64 {
        self.f_hz[self.f_hz.len() - 1]
    }
    pub fn span(&self) -> f64 {
        self.high() - self.low()
    }
    /// Mean distance of neighbouring points, Hz.
    pub fn step(&self) -> f64 {
        self.span() / (self.f_hz.len() - 1) as f64
    }
    /// Whether a feature of this width would lie inside with room on both sides.
    pub fn covers(&self, f_hz: f64, width_hz: f64) -> bool {
        f_hz - width_hz >= self.low() && f_hz + width_hz <= self.high()
    }
}

/// Fewest points that a spectrum may have.
pub(super) const FEWEST_POINTS: usize = 32;

pub(super) fn prepare(spectrum: &Spectrum) -> Result<Prepared, Unusable> {
    let (f, y) = (spectrum.f_hz, spectrum.y);
    same_length(("frequencies", f), ("signals", y))?;
    at_least(f.len(), FEWEST_POINTS, "points of a spectrum")?;
    finite(f, "frequencies")?;
    finite(y, "signals")?;
    finite(&[spectrum.field_t], "fields")?;
    finite(spectrum.level_dbm.as_slice(), "power levels")?;
    finite(spectrum.tip_height_m.as_slice(), "tip heights")?;
    if f.windows(2).any(|w| w[1] <= w[0]) {
        return Err(Unusable::NotDetermined { what: "A line in frequencies that do not rise" });
    }
    let spread =
        y.iter().copied().fold(f64::NEG_INFINITY, f64::max) - y.iter().copied().fold(f64::INFINITY, f64::min);
    if spread <= 0.0 {
        return Err(Unusable::Constant { what: "signals" });
    }
    // One unit for all sums: signals of any size must neither overflow nor vanish when squared.
    let mut sigma = robust_noise(y);
    let weight = match spectrum.sigma {
        Some(given) => {
            same_length(("signals", y), ("signal errors", given))?;
            finite(given, "signal errors")?;
            if let Some(&value) = given.iter().find(|s| **s <= 0.0) {
                return Err(Unusable::OutOfRange {
                    what: "A signal error",
                    value,
                    range: "the numbers above zero",
                });
            }
            sigma = median(&mut given.to_vec());
            given.iter().map(|s| s.powi(-2)).collect()
        }
        None => {
            // A noise that rounds to nothing would call every bump certain.
            sigma = sigma.max(1e-6 * spread);
            vec![sigma.powi(-2); y.len()]
        }
    };
    if !(sigma.powi(-2).is_finite() && sigma.powi(-2) > 0.0) {
        return Err(Unusable::OutOfRange { what: "The noise", value: sigma, range: "1e-150 to 1e100" });
    }
    Ok(Prepared {
        field_t: spectrum.field_t,
        level_dbm: spectrum.level_dbm,
        tip_height_m: spectrum.tip_height_m,
        f_hz: f.to_vec(),
        y: without_spikes(y, sigma),
        weight,
        sigma,
    })
}

/// Noise of one point from second differences, which smooth features hardly touch.
fn robust_noise(y: &[f64]) -> f64 {
    let mut second: Vec<f64> = y.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs()).collect();
    // Median of |normal| is 0.674 49 sigma; the second difference has variance 6.
    median(&mut second) / (0.674_489_75 * 6f64.sqrt())
}

/// Single points that no neighbour supports are set to the median around them.
fn without_spikes(y: &[f64], sigma: f64) -> Vec<f64> {
    let around = |i: usize, half: usize| {
        let mut near = y[i.saturating_sub(half)..(i + half + 1).min(y.len())].to_vec();
        median(&mut near)
    };
    (0..y.len())
        .map(|i| {
            let close = around(i, 2);
            let off = (y[i] - close).abs();
            let spike = off > 5.0 * sigma && off > 0.5 * (y[i] - around(i, 10)).abs();
            if spike { close } else { y[i] }
        })
        .collect()
}
