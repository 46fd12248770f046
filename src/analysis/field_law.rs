//! Whether a line of resonance against field may be quoted as a moment.
//!
//! A straight line goes through any two points, and through the fits of noise as well. What such a line says of the moment
//! and of the tip is then nothing that a spin or a tip can have.

use super::realness::ResonanceLaw;

/// Fewest different fields: a third one can contradict.
const FEWEST_FIELDS: usize = 3;
/// Fields that differ by less than this part of their range are one.
const SAME_FIELD_PART: f64 = 1e-3;
/// Moments along the field that an atom or molecule on a surface can have, Bohr magnetons: the free atom with the largest
/// one has g J = 10.6 (4f10, g = 5/4 and J = 8 by Russell-Saunders coupling; 4f9 with g = 4/3 and J = 15/2 has 10).
const MOMENTS_MU_B: (f64, f64) = (0.1, 11.0);
/// Tip fields above this are no tip's if they also are more than half of the magnet's field, T.
const TIP_FIELD_T: f64 = 0.3;
/// A moment known worse than this part of itself is not known.
const WORST_PART: f64 = 0.3;

/// Why nothing may be quoted from this law, as one plain sentence; `None` if it may.
pub fn refusal(fields_t: &[f64], line: &ResonanceLaw) -> Option<String> {
    let fields = distinct(fields_t);
    if fields < FEWEST_FIELDS {
        let what = if fields == 1 { "one field".to_owned() } else { format!("{fields} fields") };
        return Some(format!(
            "the fits lie at {what}, and a line through two points fits anything: measure at {FEWEST_FIELDS} fields or more"
        ));
    }
    let (low, high) = MOMENTS_MU_B;
    let moment = line.moment_mu_b;
    let close = line.moment_error < WORST_PART * moment;
    if !close {
        return Some(format!(
            "the moment would be {moment:.3} ± {:.3} μB, so the centres do not lie on a line",
            line.moment_error
        ));
    }
    if moment + 3.0 * line.moment_error < low || moment - 3.0 * line.moment_error > high {
        return Some(format!("a moment of {moment:.3} μB is none that a spin on a surface has"));
    }
    let most = fields_t.iter().fold(0.0_f64, |m, b| m.max(b.abs()));
    let tip = line.tip_field_t.abs() - 2.0 * line.tip_field_error;
    if tip > TIP_FIELD_T && tip > 0.5 * most {
        return Some(format!("a tip field of {:.0} mT is none that a tip has", 1e3 * line.tip_field_t));
    }
    None
}

/// What speaks against a law that may be quoted, in plain sentences.
pub fn doubts(fields_t: &[f64], line: &ResonanceLaw) -> Vec<String> {
    let mut said = Vec::new();
    if distinct(fields_t) == FEWEST_FIELDS {
        said.push("three fields only: one of them is all that could contradict the line".to_owned());
    }
    if line.p_value < 0.01 {
        said.push(format!(
            "the centres scatter by {:.2} MHz beyond their own errors, so the errors are enlarged",
            1e-6 * line.scatter_hz
        ));
    }
    said
}

/// Number of fields that differ.
fn distinct(fields_t: &[f64]) -> usize {
    let mut sorted = fields_t.to_vec();
    sorted.sort_by(f64::total_cmp);
    let range = sorted.last().copied().unwrap_or(0.0) - sorted.first().copied().unwrap_or(0.0);
    let apart = sorted.windows(2).filter(|w| w[1] - w[0] > SAME_FIELD_PART * range).count();
    if sorted.is_empty() { 0 } else { apart + 1 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::realness::resonance_law;

    fn law(fields: &[f64], centres: &[f64], error: f64) -> (Option<String>, Vec<String>) {
        let line = resonance_law(fields, centres, &vec![error; fields.len()]).unwrap();
        (refusal(fields, &line), doubts(fields, &line))
    }

    #[test]
    fn two_fields_are_refused_however_many_fits_lie_there() {
        let (why, _) = law(&[0.50, 0.52, 0.52], &[12.6e9, 13.1e9, 13.1001e9], 1e5);
        assert!(why.unwrap().contains("2 fields"));
    }

    #[test]
    fn what_no_spin_or_tip_has_is_refused() {
        // 43 magnetons.
        let (why, _) = law(&[0.50, 0.501, 0.502], &[12.6e9, 13.81e9, 15.02e9], 1e6);
        assert!(why.unwrap().contains("none that a spin"));
        // A slope of one magneton with half a tesla too little.
        let (why, _) = law(&[0.5, 0.6, 0.7], &[0.56e9, 3.36e9, 6.16e9], 1e6);
        assert!(why.unwrap().contains("tip field"));
        // Noise.
        let (why, _) = law(&[0.5, 0.52, 0.54, 0.56], &[14.1e9, 14.7e9, 14.0e9, 14.5e9], 1e6);
        assert!(why.unwrap().contains("do not lie on a line"));
    }

    #[test]
    fn a_good_law_is_let_through_and_scatter_is_said() {
        let fields = [0.50, 0.53, 0.56, 0.59, 0.62];
        let on = fields.map(|b| 25.05e9 * (b + 0.01));
        assert_eq!(law(&fields, &on, 1e6), (None, Vec::new()));
        let off: Vec<f64> = on.iter().zip([8e6, -9e6, 2e6, 9e6, -8e6]).map(|(f, d)| f + d).collect();
        let (why, said) = law(&fields, &off, 1e6);
        assert!(why.is_none() && said[0].contains("scatter"), "{why:?} {said:?}");
    }
}
