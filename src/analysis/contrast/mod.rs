//! Contrast: does a current have one level or two?
//!
//! A magnetic tip over a switching spin gives two levels. Three looks decide: the dip of the sample from any shape with
//! one mode, two Gaussians against one, and the depth of the valley between them; a trace in time adds the dwell times.

mod dip;
mod dip_table;
mod mixture;
mod slow;
mod telegraph;

use serde::Serialize;

pub use mixture::Mixture;
pub use telegraph::{Switching, telegraph_psd};

use super::realness::{Unusable, at_least, finite};
use dip::{dip_p_value, dip_sorted};
use mixture::{Weighted, minus_two_log_likelihood, one_gaussian, two_gaussians, valley};
use telegraph::switching;

/// Whether two levels are there.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ContrastVerdict {
    /// Two separate levels.
    Contrast,
    /// Two levels, but the trace changes from one to the other once and stays.
    Jump,
    /// One level, as far as this sample tells.
    None,
    /// The shape is not that of one Gaussian, but two levels are not proved.
    Undecided,
}

/// The dip statistic.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Dip {
    /// The statistic, between 1/(2n) and 1/4.
    pub statistic: f64,
    /// Probability of a larger one in a uniform sample; the table ends at 1e-4.
    pub p_value: f64,
}

/// What a current tells about contrast.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Contrast {
    /// Contrast, none or undecided.
    pub verdict: ContrastVerdict,
    /// The dip of the sample.
    pub dip: Dip,
    /// Bayesian information criterion of one Gaussian, `−2 ln L + 2 ln n`.
    pub bic_one: f64,
    /// The same of two, `−2 ln L + 5 ln n`.
    pub bic_two: f64,
    /// `bic_one − bic_two`: above 10 counts as very strong for two (J. Am. Stat. Assoc. 90, 773 (1995),
    /// 10.1080/01621459.1995.10476572; from memory, not checked).
    pub delta_bic: f64,
    /// The two Gaussians.
    pub mixture: Mixture,
    /// Separation of the two in widths.
    pub separation: f64,
    /// Depth of the valley between them in its own standard errors.
    pub valley: f64,
    /// Bimodality coefficient with sample corrections; 5/9 is that of a uniform shape.
    pub bimodality: f64,
    /// `(I1 − I2)/(I1 + I2)` of the two levels, larger less smaller, and its standard error; absent where the levels
    /// have opposite signs or nearly cancel.
    pub polarisation: Option<(f64, f64)>,
    /// Dwell times and rates, where a trace in time was given and switches.
    pub switching: Option<Switching>,
    /// Gain in log likelihood of two levels with persistence over one level with slow Gaussian noise of any colour;
    /// absent without a trace in time.
    pub over_slow_noise: Option<f64>,
    /// Reasons in words and numbers.
    pub reasons: Vec<String>,
}

/// Fewest values that can be judged.
const FEWEST: usize = 20;
/// Dips less likely than this in a uniform sample prove two modes.
const DIP_PROVES: f64 = 1e-3;
/// Valleys deeper than this many errors prove two modes.
const VALLEY_PROVES: f64 = 4.0;

/// The dip of a sample from any distribution with one mode.
///
/// # Errors
/// Refuses fewer than four values and unusable numbers.
///
/// ```
/// use noctule::analysis::contrast::dip;
/// assert_eq!(dip(&[0.0, 1.0, 0.0, 1.0]).unwrap().statistic, 0.25);
/// ```
pub fn dip(values: &[f64]) -> Result<Dip, Unusable> {
    at_least(values.len(), 4, "values")?;
    finite(values, "values")?;
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let statistic = dip_sorted(&sorted);
    Ok(Dip { statistic, p_value: dip_p_value(statistic, values.len()) })
}

/// Probability that a uniform sample of `n` values has a dip above `statistic`.
///
/// Interpolated in √n·dip from a table drawn by this project (400,000 samples a row up to n = 1000, else 100,000);
/// outside its rows (4 to 5000) the nearest row is used. The table ends at 1e-4.
///
/// ```
/// use noctule::analysis::contrast::dip_tail;
/// // 5 % point at n = 100 in the Python package diptest 0.12.0: 0.051128.
/// assert!((dip_tail(0.051128, 100) - 0.05).abs() < 0.003);
/// ```
pub fn dip_tail(statistic: f64, n: usize) -> f64 {
    dip_p_value(statistic, n)
}

/// Bimodality coefficient `(g² + 1)/(k + 3(n−1)²/((n−2)(n−3)))` with bias-corrected skewness g and excess kurtosis k
/// (Front. Psychol. 4, 700 (2013), 10.3389/fpsyg.2013.00700). Not to be used below about 20 values.
///
/// # Errors
/// Refuses fewer than four values, unusable numbers, and values that are all the same.
///
/// ```
/// use noctule::analysis::contrast::bimodality;
/// let b = bimodality(&[0.0, 0.0, 1.0, 1.0]).unwrap();
/// assert!((b - 0.13333333333333333).abs() < 1e-12);
/// ```
pub fn bimodality(values: &[f64]) -> Result<f64, Unusable> {
    at_least(values.len(), 4, "values")?;
    finite(values, "values")?;
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let spread = values.iter().fold(0.0f64, |m, v| m.max((v - mean).abs()));
    if spread <= 1e-14 * mean.abs() || spread == 0.0 {
        return Err(Unusable::Constant { what: "values" });
    }
    let moment = |p: i32| values.iter().map(|v| ((v - mean) / spread).powi(p)).sum::<f64>() / n;
    let (m2, m3, m4) = (moment(2), moment(3), moment(4));
    let g1 = m3 / m2.powf(1.5);
    let g2 = m4 / (m2 * m2) - 3.0;
    let g = g1 * (n * (n - 1.0)).sqrt() / (n - 2.0);
    let k = (n - 1.0) / ((n - 2.0) * (n - 3.0)) * ((n + 1.0) * g2 + 6.0);
    let b = (g * g + 1.0) / (k + 3.0 * (n - 1.0).powi(2) / ((n - 2.0) * (n - 3.0)));
    if b.is_finite() { Ok(b) } else { Err(Unusable::NotDetermined { what: "The bimodality coefficient" }) }
}

/// Judges a sample of currents without regard to their order.
///
/// # Errors
/// Refuses fewer than 20 values, unusable numbers, and values that are all the same.
///
/// ```
/// use noctule::analysis::contrast::{ContrastVerdict, contrast_of_sample};
/// // Two levels, 8 and 12 pA, with a spread of about half a picoampere.
/// let wobble = |i: usize| ((i * 7919 % 1000) as f64 / 1000.0 + (i * 104_729 % 997) as f64 / 997.0) - 1.0;
/// let sample: Vec<f64> = (0..400).map(|i| if i % 3 == 0 { 8.0 } else { 12.0 } + wobble(i)).collect();
/// let said = contrast_of_sample(&sample).unwrap();
/// assert_eq!(said.verdict, ContrastVerdict::Contrast);
/// let (polarisation, error) = said.polarisation.unwrap();
/// assert!((polarisation - 0.2).abs() < 3.0 * error + 0.005);
/// ```
pub fn contrast_of_sample(values: &[f64]) -> Result<Contrast, Unusable> {
    judge(values, None)
}

/// Judges a trace of currents taken at equal steps of time, in s.
///
/// # Errors
/// As [`contrast_of_sample`]; also a step outside 1e-15 to 1e9 s.
///
/// ```
/// use noctule::analysis::contrast::{ContrastVerdict, contrast_of_trace};
/// let wobble = |i: usize| ((i * 7919 % 1000) as f64 / 1000.0 + (i * 104_729 % 997) as f64 / 997.0) - 1.0;
/// let trace: Vec<f64> = (0..2000).map(|i| if (i / 50) % 2 == 0 { 8.0 } else { 12.0 } + wobble(i)).collect();
/// let said = contrast_of_trace(&trace, 1e-3).unwrap();
/// assert_eq!(said.verdict, ContrastVerdict::Contrast);
/// let dwell = said.switching.unwrap().dwell_s;
/// assert!((dwell[0] - 0.05).abs() < 0.005);
/// ```
pub fn contrast_of_trace(trace: &[f64], step_s: f64) -> Result<Contrast, Unusable> {
    if !(1e-15..=1e9).contains(&step_s) {
        return Err(Unusable::OutOfRange { what: "The time step", value: step_s, range: "1e-15 to 1e9 s" });
    }
    judge(trace, Some(step_s))
}

/// Judges a histogram: bin centres and counts. Bins are spread evenly for the dip.
///
/// # Errors
/// Refuses columns of different length, counts below zero or above a million in all, and what
/// [`contrast_of_sample`] refuses.
///
/// ```
/// use noctule::analysis::contrast::{ContrastVerdict, contrast_of_histogram};
/// let centres: Vec<f64> = (0..30).map(|k| k as f64).collect();
/// let counts: Vec<f64> = centres
///     .iter()
///     .map(|x| (100.0 * (-(x - 8.0f64).powi(2) / 8.0).exp() + 60.0 * (-(x - 20.0f64).powi(2) / 8.0).exp()).round())
///     .collect();
/// assert_eq!(contrast_of_histogram(&centres, &counts).unwrap().verdict, ContrastVerdict::Contrast);
/// ```
pub fn contrast_of_histogram(centres: &[f64], counts: &[f64]) -> Result<Contrast, Unusable> {
    super::realness::same_length(("bin centres", centres), ("counts", counts))?;
    at_least(centres.len(), 3, "bins")?;
    finite(centres, "bin centres")?;
    finite(counts, "counts")?;
    if let Some(&value) = counts.iter().find(|c| **c < 0.0) {
        return Err(Unusable::OutOfRange { what: "A count", value, range: "the numbers from zero" });
    }
    let total: f64 = counts.iter().sum();
    if total > 1e6 {
        return Err(Unusable::OutOfRange { what: "The sum of counts", value: total, range: "0 to 1e6" });
    }
    if centres.windows(2).any(|w| w[1] <= w[0]) {
        return Err(Unusable::NotDetermined { what: "The shape of bins that do not rise" });
    }
    let width = (centres[centres.len() - 1] - centres[0]) / (centres.len() - 1) as f64;
    let mut values = Vec::with_capacity(total as usize);
    for (c, n) in centres.iter().zip(counts) {
        let n = n.round() as usize;
        values.extend((0..n).map(|k| c + width * ((k as f64 + 0.5) / n as f64 - 0.5)));
    }
    judge(&values, None)
}

fn judge(values: &[f64], step_s: Option<f64>) -> Result<Contrast, Unusable> {
    at_least(values.len(), FEWEST, "values")?;
    finite(values, "values")?;
    // Centred and scaled once, so that no sum can overflow or vanish whatever the unit.
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let scale = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt();
    if scale.is_nan() || scale <= 1e-13 * mean.abs() || scale <= 0.0 {
        return Err(Unusable::Constant { what: "values" });
    }
    let trace: Vec<f64> = values.iter().map(|v| (v - mean) / scale).collect();
    let mut sorted = trace.clone();
    sorted.sort_by(f64::total_cmp);
    let statistic = dip_sorted(&sorted);
    let dip = Dip { statistic, p_value: dip_p_value(statistic, values.len()) };
    let binned = Weighted::of_sorted(&sorted);
    let every = Weighted { count: vec![1.0; sorted.len()], x: sorted };
    let unit = 2.0 * n * scale.ln();
    let bic_one = one_gaussian(&every) + 2.0 * n.ln() + unit;
    let m = two_gaussians(&binned);
    let bic_two = minus_two_log_likelihood(&every, |x| m.density(x)) + 5.0 * n.ln() + unit;
    let fitted = step_s.and_then(|step| {
        let chains = [switching(&trace, step, &m), drifting(&trace, step)];
        chains.into_iter().flatten().max_by(|a, b| a.1.total_cmp(&b.1))
    });
    let slow = step_s.map(|_| slow::gain(&trace));
    // A chain that never switches, or only once, has no dwell times.
    let switched = fitted.map(|(s, _)| s).filter(|s| s.switches >= 2.0);
    let mixture = Mixture {
        means: m.means.map(|v| mean + scale * v),
        deviations: m.deviations.map(|v| scale * v),
        weights: m.weights,
    };
    let mut said = Contrast {
        verdict: ContrastVerdict::None,
        dip,
        bic_one,
        bic_two,
        delta_bic: bic_one - bic_two,
        separation: m.separation(),
        valley: valley(&every.x, &m),
        bimodality: bimodality(values)?,
        polarisation: polarisation(&mixture, n),
        switching: switched.map(|s| Switching {
            levels: s.levels.map(|v| mean + scale * v),
            psd_zero: s.psd_zero * scale * scale,
            deviations: s.deviations.map(|v| scale * v),
            ..s
        }),
        mixture,
        over_slow_noise: None,
        reasons: Vec::new(),
    };
    let loners = step_s.is_some() && far_values_stand_alone(&trace, &m);
    speak(&mut said, values.len(), loners);
    if let Some(slow) = slow {
        let gain = fitted.map_or(0.0, |(_, gain)| gain);
        said.over_slow_noise = Some(gain - slow).filter(|over| over.is_finite());
        in_time(&mut said, fitted.map(|(s, _)| s), slow, &trace);
    }
    Ok(said)
}

/// Switching on a straight drift, where there clearly is one; the drift counts among what is gained.
fn drifting(trace: &[f64], step_s: f64) -> Option<(Switching, f64)> {
    let n = trace.len() as f64;
    let middle = 0.5 * (n - 1.0);
    let tilt: f64 = trace.iter().enumerate().map(|(i, v)| (i as f64 - middle) * v).sum();
    let slope = tilt / (n * (n * n - 1.0) / 12.0);
    let level: Vec<f64> = trace.iter().enumerate().map(|(i, v)| v - slope * (i as f64 - middle)).collect();
    let squares = |values: &[f64]| values.iter().map(|v| v * v).sum::<f64>();
    let gained = 0.5 * n * (squares(trace) / squares(&level)).ln();
    if gained < 8.0 {
        return None;
    }
    let mut sorted = level.clone();
    sorted.sort_by(f64::total_cmp);
    let m = two_gaussians(&Weighted::of_sorted(&sorted));
    switching(&level, step_s, &m)
        .map(|(s, gain)| (Switching { persistence: s.persistence + gained, ..s }, gain + gained))
}

/// Gain in log likelihood of two levels that last over one level with slow noise, from which on it proves or hints.
const PROVES: f64 = 18.0;
const HINTS: f64 = 6.0;
/// The same where the two levels get no credit for the shape that their values have without regard to order; and what slow
/// noise may be better by in this respect, where the shape speaks.
const ORDER_PROVES: f64 = 7.0;
const ORDER_MAY_LACK: f64 = 2.0;
/// Gain in log likelihood by which the order of the values has to matter at all.
const LASTS: f64 = 15.0;
/// Levels so many widths of the wider one apart may differ in width.
const FAR_APART: f64 = 8.0;
/// Slow noise with less gain than this over white noise does not matter.
const SLOW_MATTERS: f64 = 10.0;
/// Switches from which on a trace shows switching, and not a few accidents.
const ENOUGH_SWITCHES: f64 = 8.0;

/// The verdict on a trace, whose order tells more than its values: levels that last are seen though they overlap, and drift,
/// flicker and a single jump have two values without switching.
fn in_time(said: &mut Contrast, chain: Option<Switching>, slow: f64, trace: &[f64]) {
    let over = said.over_slow_noise.unwrap_or(0.0);
    let order = chain.map_or(0.0, |s| s.persistence - slow);
    let two_modes = said.verdict == ContrastVerdict::Contrast;
    let proved = |s: &Switching| {
        let shaped = over > PROVES && s.persistence > LASTS && (two_modes || order > -ORDER_MAY_LACK);
        s.switches >= ENOUGH_SWITCHES && (shaped || order.min(over) > ORDER_PROVES)
    };
    let lasting = chain.filter(|s| {
        let apart = (s.levels[1] - s.levels[0]) / s.deviations[0].max(s.deviations[1]);
        // Noise in proportion to the current makes the larger level wider; where nothing lies between the levels, that is no
        // reason to doubt them.
        let alike = s.deviations[0].max(s.deviations[1]) < 1.6 * s.deviations[0].min(s.deviations[1])
            || apart > FAR_APART;
        apart > 1.2 && alike && s.shares[0].min(s.shares[1]) > 0.03
    });
    let (verdict, why) = match lasting {
        Some(s) if proved(&s) => (
            ContrastVerdict::Contrast,
            "Two levels are proved by how the current stays in each and switches.",
        ),
        Some(s) if over > HINTS && jumps_once(trace, &s) => (
            ContrastVerdict::Jump,
            "The current jumped once and stayed: a change of the tip or the height, or a switch much rarer than the trace is long. A longer trace tells.",
        ),
        _ if slow > SLOW_MATTERS && said.verdict == ContrastVerdict::Contrast => (
            ContrastVerdict::Undecided,
            "There are two values, but drift or slow noise explains them as well as switching does.",
        ),
        Some(s) if over > HINTS && s.switches >= 2.0 && said.verdict == ContrastVerdict::None => (
            ContrastVerdict::Undecided,
            "The current may stay in either of two levels, but too little of that is seen.",
        ),
        _ => return,
    };
    said.verdict = verdict;
    said.reasons[0] = why.into();
    match (verdict, said.switching) {
        (ContrastVerdict::Jump, _) => said.switching = None,
        // Levels that overlap are known from the time spent in each, not from the shape of all values.
        (ContrastVerdict::Contrast, Some(s)) if !two_modes => {
            said.mixture = Mixture { means: s.levels, deviations: s.deviations, weights: s.shares };
            said.separation = said.mixture.separation();
            said.polarisation = polarisation(&said.mixture, trace.len() as f64);
        }
        _ => {}
    }
}

/// Whether twenty parts of the trace lie at one level each and change it exactly once: one jump is no switching.
fn jumps_once(trace: &[f64], s: &Switching) -> bool {
    let delta = s.levels[1] - s.levels[0];
    let parts =
        trace.chunks((trace.len() / 20).max(1)).map(|part| part.iter().sum::<f64>() / part.len() as f64);
    let places: Vec<f64> = parts.map(|mean| (mean - s.levels[0]) / delta).collect();
    let between = places.iter().filter(|p| (**p - 0.5).abs() < 0.25).count();
    let changes = places.windows(2).filter(|w| (w[0] > 0.5) != (w[1] > 0.5)).count();
    between <= 2 && changes == 1
}

/// Relative difference of the two levels with the error of their means.
fn polarisation(m: &Mixture, n: f64) -> Option<(f64, f64)> {
    let [a, b] = m.means.map(f64::abs);
    let sum = a + b;
    if m.means[0] * m.means[1] <= 0.0 || sum <= 0.0 {
        return None;
    }
    let error = |k: usize| m.deviations[k] / (m.weights[k] * n).max(1.0).sqrt();
    // ∂η/∂a = 2b/(a+b)², ∂η/∂b = −2a/(a+b)².
    let e = 2.0 / (sum * sum) * (b * error(0)).hypot(a * error(1));
    Some(((a - b).abs() / sum, e))
}

/// Separation in widths from which two levels are promised to be found.
const PROMISED: f64 = 3.0;

/// Whether the values nearer to the smaller of the two Gaussians never follow each other in time: a level is visited
/// for a while, an outlier is not.
fn far_values_stand_alone(trace: &[f64], m: &Mixture) -> bool {
    let (small, large) = if m.weights[0] < m.weights[1] { (0, 1) } else { (1, 0) };
    let far = |v: f64| {
        (v - m.means[large]).abs() > 4.0 * m.deviations[large]
            && (v - m.means[small]).abs() < (v - m.means[large]).abs()
    };
    !trace.windows(2).any(|w| far(w[0]) && far(w[1]))
}

/// The verdict and its reasons.
///
/// Two levels three widths apart are excluded where there is one mode and the two Gaussians that describe its shape
/// best are certainly nearer than that: skew, heavy tails and drift make a second Gaussian, but beside the first.
fn speak(said: &mut Contrast, n: usize, loners: bool) {
    let two_modes = said.dip.p_value < DIP_PROVES || said.valley > VALLEY_PROVES;
    let mixture_wins = said.delta_bic > 10.0 && said.separation > 2.0;
    let share = said.mixture.weights[0].min(said.mixture.weights[1]);
    // A handful of values is an outlier, not a level.
    let populated = share * n as f64 >= 8.0 && share >= 0.01;
    // The mean of a Gaussian that overlaps another is known to about three times its error alone; three such errors.
    let margin = 9.0 / (share * n as f64).max(1.0).sqrt();
    let excluded = populated && said.separation + margin < PROMISED;
    let words = vec![
        format!(
            "Two Gaussians at {:.4e} and {:.4e} with shares {:.2} and {:.2} stand {:.2} widths apart; BIC differs by {:.1} in their favour.",
            said.mixture.means[0],
            said.mixture.means[1],
            said.mixture.weights[0],
            said.mixture.weights[1],
            said.separation,
            said.delta_bic
        ),
        format!(
            "The dip is {:.4} (p = {:.4}); the valley between the levels is {:.1} standard errors deep.",
            said.dip.statistic, said.dip.p_value, said.valley
        ),
    ];
    said.reasons = words;
    let (verdict, why) = if mixture_wins && two_modes && populated {
        (ContrastVerdict::Contrast, "Two separate levels are proved.")
    } else if !two_modes && excluded {
        (
            ContrastVerdict::None,
            "Two levels three widths apart are excluded: there is one level, whatever its shape.",
        )
    } else if !two_modes && !populated && loners {
        (
            ContrastVerdict::None,
            "A few values stand far off, each alone in time: outliers, not a second level.",
        )
    } else if mixture_wins && !populated {
        (ContrastVerdict::Undecided, "The second level holds too few values to tell it from outliers.")
    } else if said.delta_bic > 6.0 || two_modes {
        (
            ContrastVerdict::Undecided,
            "The shape is not one Gaussian, but drift or skew could make it as well.",
        )
    } else {
        (ContrastVerdict::None, "One Gaussian describes the current.")
    };
    said.verdict = verdict;
    said.reasons.insert(0, why.into());
    if let Some(s) = &said.switching {
        said.reasons.push(format!(
            "About {:.0} switches; mean dwell times {:.3e} ± {:.1e} s and {:.3e} ± {:.1e} s.",
            s.switches, s.dwell_s[0], s.dwell_error_s[0], s.dwell_s[1], s.dwell_error_s[1]
        ));
    }
}
