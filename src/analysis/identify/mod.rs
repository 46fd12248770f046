//! Which kind of spin is under the tip, from its inelastic steps, its height, and the moments of its lines.

use serde::{Deserialize, Serialize};

use super::realness::{Unusable, at_least, finite};

/// A number with its standard error or spread.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// The number.
    pub value: f64,
    /// Its standard error, or the spread within a kind.
    pub error: f64,
}

/// A kind of spin that may be under the tip, as a world or bench file lists it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Kind {
    /// Its name.
    pub name: String,
    /// How common it is relative to the other kinds; one unless known better.
    #[serde(default = "one")]
    pub abundance: f64,
    /// Energies of its inelastic steps, meV, with the spread from site to site.
    #[serde(default)]
    pub steps_mev: Vec<Measured>,
    /// Apparent height, nm.
    #[serde(default)]
    pub height_nm: Option<Measured>,
    /// Magnetic moment of its resonance lines, μB.
    #[serde(default)]
    pub moment_mu_b: Option<Measured>,
}

fn one() -> f64 {
    1.0
}

/// What was seen. Whatever was not measured is left empty and says nothing.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Sighting {
    /// Inelastic steps found, meV.
    pub steps_mev: Vec<Measured>,
    /// Range of |bias| in which steps were looked for, meV; absent when not looked for.
    pub step_range_mev: Option<(f64, f64)>,
    /// Apparent height, nm.
    pub height_nm: Option<Measured>,
    /// Moments of lines that were judged real, μB.
    pub moments_mu_b: Vec<Measured>,
}

/// A kind with its probability.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Candidate {
    /// Name of the kind; absent for "none of these".
    pub name: Option<String>,
    /// Probability, all candidates adding to one.
    pub probability: f64,
    /// Log likelihood of what was seen.
    pub log_likelihood: f64,
    /// What speaks for and against it.
    pub reasons: Vec<String>,
}

/// Prior probability of a kind that is not in the list.
const NONE_PRIOR: f64 = 0.05;
/// Chance that a step of a kind does not show, and that a step shows that is not its own.
const STRAY: f64 = 0.05;
/// What an unknown kind may have: step energies, height and moment, spread evenly (a choice, not a source).
const ANY_STEP_MEV: f64 = 100.0;
const ANY_HEIGHT_NM: f64 = 0.5;
const ANY_MOMENT_MU_B: f64 = 12.0;

/// Gives every kind of a list, and "none of these", its probability; most probable first.
///
/// Each step, height and moment counts as a Gaussian with the error of the measurement and the spread of the kind
/// together. "None of these" spreads the same numbers evenly over what any spin may have.
///
/// # Errors
/// Refuses an empty list, unusable numbers, errors that are not positive, and a sighting without anything in it.
///
/// ```
/// use noctule::analysis::identify::{Kind, Measured, Sighting, identify};
/// let m = |value, error| Measured { value, error };
/// let kind = |name: &str, step: Option<Measured>, height, moment| Kind {
///     name: name.into(),
///     abundance: 1.0,
///     steps_mev: step.into_iter().collect(),
///     height_nm: Some(height),
///     moment_mu_b: Some(moment),
/// };
/// // Two invented kinds: one with a step at 14 meV, one with a small moment and no step.
/// let kinds = [
///     kind("tall", Some(m(14.0, 0.3)), m(0.16, 0.01), m(5.4, 0.2)),
///     kind("flat", None, m(0.10, 0.01), m(0.9, 0.05)),
/// ];
/// let seen = Sighting { height_nm: Some(m(0.104, 0.005)), moments_mu_b: vec![m(0.93, 0.02)], ..Default::default() };
/// let list = identify(&seen, &kinds).unwrap();
/// assert_eq!(list[0].name.as_deref(), Some("flat"));
/// assert!(list[0].probability > 0.99);
/// ```
pub fn identify(seen: &Sighting, kinds: &[Kind]) -> Result<Vec<Candidate>, Unusable> {
    at_least(kinds.len(), 1, "kinds")?;
    check(seen, kinds)?;
    let abundance: f64 = kinds.iter().map(|k| k.abundance).sum();
    let mut list: Vec<(f64, Candidate)> = kinds
        .iter()
        .map(|k| {
            let mut reasons = Vec::new();
            let log_likelihood = of_kind(seen, k, &mut reasons);
            let prior = (1.0 - NONE_PRIOR) * k.abundance / abundance;
            let name = Some(k.name.clone());
            (log_likelihood + prior.ln(), Candidate { name, probability: 0.0, log_likelihood, reasons })
        })
        .collect();
    let log_likelihood = of_none(seen);
    let reasons = vec!["Any step, height and moment is as likely as any other.".into()];
    list.push((
        log_likelihood + NONE_PRIOR.ln(),
        Candidate { name: None, probability: 0.0, log_likelihood, reasons },
    ));
    let best = list.iter().map(|l| l.0).fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = list.iter().map(|l| (l.0 - best).exp()).sum();
    for (log, candidate) in &mut list {
        candidate.probability = (*log - best).exp() / sum;
    }
    list.sort_by(|a, b| b.0.total_cmp(&a.0));
    Ok(list.into_iter().map(|l| l.1).collect())
}

fn check(seen: &Sighting, kinds: &[Kind]) -> Result<(), Unusable> {
    let theirs = kinds.iter().flat_map(|k| k.steps_mev.iter().chain(&k.height_nm).chain(&k.moment_mu_b));
    let ours = seen.steps_mev.iter().chain(&seen.height_nm).chain(&seen.moments_mu_b);
    for m in theirs.chain(ours) {
        finite(&[m.value, m.error], "quantities")?;
        if m.error <= 0.0 {
            let value = m.error;
            return Err(Unusable::OutOfRange { what: "An error", value, range: "the numbers above zero" });
        }
    }
    for k in kinds {
        if !(k.abundance > 0.0 && k.abundance < 1e12) {
            let value = k.abundance;
            return Err(Unusable::OutOfRange { what: "An abundance", value, range: "0 to 1e12" });
        }
    }
    if let Some((low, high)) = seen.step_range_mev {
        finite(&[low, high], "step ranges")?;
        if low >= high {
            let value = low;
            return Err(Unusable::OutOfRange {
                what: "The lower bias",
                value,
                range: "below the upper bias",
            });
        }
    }
    let looked = !seen.steps_mev.is_empty() || seen.step_range_mev.is_some();
    if !looked && seen.height_nm.is_none() && seen.moments_mu_b.is_empty() {
        return Err(Unusable::Empty { what: "observations" });
    }
    Ok(())
}

/// Log density of a measured number under an expected one.
fn gauss(measured: &Measured, expected: &Measured) -> f64 {
    let e = measured.error.hypot(expected.error);
    -0.5 * ((measured.value - expected.value) / e).powi(2) - (e * (2.0 * std::f64::consts::PI).sqrt()).ln()
}

fn of_kind(seen: &Sighting, kind: &Kind, reasons: &mut Vec<String>) -> f64 {
    let mut sum = 0.0;
    let pull = |m: &Measured, k: &Measured| (m.value - k.value) / m.error.hypot(k.error);
    if !seen.steps_mev.is_empty() || seen.step_range_mev.is_some() {
        sum += of_steps(seen, kind, reasons);
    }
    if let (Some(m), Some(k)) = (&seen.height_nm, &kind.height_nm) {
        sum += gauss(m, k);
        reasons.push(format!("Its height is {:.1} errors from {:.3} nm.", pull(m, k), k.value));
    } else if seen.height_nm.is_some() {
        sum -= ANY_HEIGHT_NM.ln();
    }
    for m in &seen.moments_mu_b {
        match &kind.moment_mu_b {
            Some(k) => {
                sum += gauss(m, k);
                reasons.push(format!("A moment is {:.1} errors from {:.2} μB.", pull(m, k), k.value));
            }
            None => sum -= ANY_MOMENT_MU_B.ln(),
        }
    }
    sum
}

/// Steps are paired one to one, nearest first; what is left over on either side costs.
fn of_steps(seen: &Sighting, kind: &Kind, reasons: &mut Vec<String>) -> f64 {
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for (i, m) in seen.steps_mev.iter().enumerate() {
        for (j, k) in kind.steps_mev.iter().enumerate() {
            pairs.push(((m.value - k.value).abs() / m.error.hypot(k.error), i, j));
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut ours, mut theirs) = (vec![false; seen.steps_mev.len()], vec![false; kind.steps_mev.len()]);
    let mut sum = 0.0;
    for (_, i, j) in pairs {
        let (m, k) = (&seen.steps_mev[i], &kind.steps_mev[j]);
        let fits = gauss(m, k) + (1.0 - STRAY).ln() > 2.0 * STRAY.ln() - ANY_STEP_MEV.ln();
        if !ours[i] && !theirs[j] && fits {
            (ours[i], theirs[j]) = (true, true);
            sum += gauss(m, k) + (1.0 - STRAY).ln();
            reasons.push(format!("The step at {:.2} meV belongs to {:.2} meV.", m.value, k.value));
        }
    }
    for (m, _) in seen.steps_mev.iter().zip(&ours).filter(|(_, used)| !**used) {
        sum += STRAY.ln() - ANY_STEP_MEV.ln();
        reasons.push(format!("The step at {:.2} meV is not one of its own.", m.value));
    }
    for (k, _) in kind.steps_mev.iter().zip(&theirs).filter(|(_, used)| !**used) {
        let covered = seen
            .step_range_mev
            .is_some_and(|(low, high)| k.value - 2.0 * k.error > low && k.value + 2.0 * k.error < high);
        if covered {
            sum += STRAY.ln();
            reasons.push(format!("Its step at {:.2} meV does not show.", k.value));
        }
    }
    sum
}

/// An unknown kind: everything evenly spread.
fn of_none(seen: &Sighting) -> f64 {
    let mut sum = -(seen.steps_mev.len() as f64) * ANY_STEP_MEV.ln();
    if seen.step_range_mev.is_some() && seen.steps_mev.is_empty() {
        // About as many kinds have a step in a range as have not.
        sum -= std::f64::consts::LN_2;
    }
    if seen.height_nm.is_some() {
        sum -= ANY_HEIGHT_NM.ln();
    }
    sum - seen.moments_mu_b.len() as f64 * ANY_MOMENT_MU_B.ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn m(value: f64, error: f64) -> Measured {
        Measured { value, error }
    }

    fn kind(name: &str, steps: &[f64], height: f64, moment: f64) -> Kind {
        Kind {
            name: name.into(),
            abundance: 1.0,
            steps_mev: steps.iter().map(|s| m(*s, 0.3)).collect(),
            height_nm: Some(m(height, 0.01)),
            moment_mu_b: Some(m(moment, 0.05 * moment)),
        }
    }

    #[test]
    fn a_step_decides_between_kinds_of_one_height() {
        let kinds = [kind("a", &[14.0], 0.15, 5.4), kind("b", &[58.0], 0.15, 5.8), kind("c", &[], 0.15, 0.9)];
        let seen = Sighting {
            steps_mev: vec![m(14.2, 0.2)],
            step_range_mev: Some((2.0, 80.0)),
            ..Default::default()
        };
        let list = identify(&seen, &kinds).unwrap();
        assert_eq!(list[0].name.as_deref(), Some("a"));
        assert!(list[0].probability > 0.95);
        assert!((list.iter().map(|c| c.probability).sum::<f64>() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn what_fits_nothing_is_none_of_these() {
        let kinds = [kind("a", &[14.0], 0.15, 5.4), kind("c", &[], 0.10, 0.9)];
        let seen = Sighting {
            steps_mev: vec![m(33.0, 0.2)],
            height_nm: Some(m(0.30, 0.005)),
            moments_mu_b: vec![m(2.5, 0.02)],
            ..Default::default()
        };
        let list = identify(&seen, &kinds).unwrap();
        assert_eq!(list[0].name, None);
        assert!(list[0].probability > 0.99);
    }

    #[test]
    fn nothing_seen_is_refused() {
        assert!(matches!(
            identify(&Sighting::default(), &[kind("a", &[], 0.1, 1.0)]),
            Err(Unusable::Empty { .. })
        ));
        let seen = Sighting { height_nm: Some(m(f64::NAN, 0.1)), ..Default::default() };
        assert!(matches!(identify(&seen, &[kind("a", &[], 0.1, 1.0)]), Err(Unusable::NotFinite { .. })));
    }
}
