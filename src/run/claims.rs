//! What a sequence claimed in a rehearsal, held against what was really there.

use super::truth::Truth;
use crate::quantity::TimePoint;
use crate::record::{Entry, Point, RecordError, Recorder};
use serde::Serialize;
use serde_json::Value;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

/// A moment within this part of the truth is right, however small its error.
const MOMENT_PART: f64 = 2e-3;
/// Errors by which a moment may be off.
const ERRORS: f64 = 3.0;

/// One claim: a verdict, or a line of resonance against field.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Claim {
    /// When it was made, s.
    pub at_s: f64,
    /// From when to when what it rests on was measured, s; all that came before where it names no sweeps.
    pub of_s: [f64; 2],
    /// `verdict` or `field_line`.
    pub what: String,
    /// Its words.
    pub said: String,
    /// The moment that it gives and its error, in Bohr magnetons.
    pub moment_mub: Option<(f64, f64)>,
    /// The g factors in which it found nothing, if it says that nothing is there.
    pub nothing_in_g: Option<[f64; 2]>,
    /// Whether it was right; nothing for a verdict that leaves the question open.
    ///
    /// A moment is right if a spin with it was in reach of a polarised tip for a minute or more of that time, within
    /// three errors or 0.2 %. That nothing is there is right if no spin with such a g could be seen.
    pub right: Option<bool>,
}

/// Claims as they were recorded.
pub(super) type Heard = Rc<RefCell<Vec<Claim>>>;

/// A recorder that remembers claims on their way to another.
pub(super) struct Witness {
    inner: Box<dyn Recorder>,
    heard: Heard,
    /// From when to when each sweep went on, s.
    sweeps: BTreeMap<u64, [f64; 2]>,
}

impl Witness {
    pub(super) fn new(inner: Box<dyn Recorder>) -> (Self, Heard) {
        let heard = Heard::default();
        (Self { inner, heard: Rc::clone(&heard), sweeps: BTreeMap::new() }, heard)
    }

    fn hear(&mut self, at_s: f64, entry: &Entry) {
        match entry {
            Entry::SweepBegin { sweep, .. } => {
                self.sweeps.insert(*sweep, [at_s, at_s]);
            }
            Entry::SweepEnd { sweep, .. } => {
                self.sweeps.entry(*sweep).or_insert([at_s, at_s])[1] = at_s;
            }
            Entry::Judgement { what, title, body, .. }
                if matches!(what.as_str(), "verdict" | "field_line") =>
            {
                let claim = Claim {
                    at_s,
                    of_s: self.measured_s(at_s, body),
                    what: what.clone(),
                    said: title.clone(),
                    moment_mub: moment(body),
                    nothing_in_g: nothing(body),
                    right: None,
                };
                self.heard.borrow_mut().push(claim);
            }
            _ => {}
        }
    }

    fn measured_s(&self, at_s: f64, body: &Value) -> [f64; 2] {
        let numbers = body["sweeps"].as_array().into_iter().flatten().filter_map(Value::as_u64);
        let spans = numbers.filter_map(|sweep| self.sweeps.get(&sweep));
        let whole = spans.fold([f64::INFINITY, 0.0_f64], |all, one| [all[0].min(one[0]), all[1].max(one[1])]);
        if whole[0] < whole[1] { whole } else { [0.0, at_s] }
    }
}

impl Recorder for Witness {
    fn append(&mut self, at: TimePoint, entry: &Entry, data: &[f64]) -> Result<(), RecordError> {
        self.hear(at.s(), entry);
        self.inner.append(at, entry, data)
    }

    fn append_point(&mut self, point: &Point) -> Result<(), RecordError> {
        self.inner.append_point(point)
    }

    fn commit(&mut self) -> Result<(), RecordError> {
        self.inner.commit()
    }

    fn finish(&mut self) -> Result<String, RecordError> {
        self.inner.finish()
    }

    fn uncommitted(&self) -> u64 {
        self.inner.uncommitted()
    }
}

/// The moment that a judgement stands for: that of a field line, or the law of a verdict.
fn moment(body: &Value) -> Option<(f64, f64)> {
    let line = if body["verdict"].is_null() { &body["line"] } else { &body["law"] };
    Some((line["moment_mu_b"].as_f64()?, line["moment_error"].as_f64()?))
}

/// The g factors in which a judgement says that nothing is; all of them where it does not say which it looked at.
fn nothing(body: &Value) -> Option<[f64; 2]> {
    let [from, to] = ["g_from", "g_to"].map(|key| body["looked_at"][key].as_f64());
    let said = matches!(body["verdict"].as_str(), Some("artefact" | "absent"));
    said.then(|| [from.unwrap_or(0.0), to.unwrap_or(f64::MAX)])
}

/// Holds each claim against the truth.
pub(super) fn weigh(claims: &mut [Claim], truth: &Truth) {
    for claim in claims {
        let [from_s, to_s] = claim.of_s;
        let mut seen = truth.seen(from_s, to_s);
        claim.right = if let Some((moment_mub, error_mub)) = claim.moment_mub {
            let allowed_mub = (ERRORS * error_mub).max(MOMENT_PART * moment_mub.abs());
            Some(seen.any(|stay| (moment_mub - stay.moment_mub[2]).abs() <= allowed_mub))
        } else {
            claim.nothing_in_g.map(|[low, high]| !seen.any(|stay| (low..=high).contains(&stay.g[2])))
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{DigestOnly, Place};
    use noctule_sim::microscope::{Chronicle, SpinStay, TipStay};
    use serde_json::json;

    fn truth(polarised: bool) -> Truth {
        let tip = TipStay { from_s: 0.0, to_s: 5000.0, polarised, polarisation: 0.3, moment_mub: 5.0 };
        let stay = SpinStay {
            from_s: 100.0,
            to_s: 5000.0,
            site: "A1".to_owned(),
            species: "adatom".to_owned(),
            g: [1.79; 3],
            moment_mub: [0.895; 3],
            tip: 0,
            overlap: 1.0,
            tip_field_t: [0.0; 3],
            switches: 0,
        };
        Truth::new(Chronicle { tips: vec![tip], stays: vec![stay] })
    }

    fn heard(what: &str, body: Value) -> Vec<Claim> {
        let (mut witness, heard) = Witness::new(Box::new(DigestOnly::default()));
        let entry = |what: &str, body: Value| Entry::Judgement {
            n: 1,
            place: Place::default(),
            what: what.to_owned(),
            sweep: None,
            title: "said".to_owned(),
            body,
        };
        // A fit claims nothing.
        for entry in [entry(what, body), entry("fit", Value::Null)] {
            witness.append(TimePoint::from_s(4000.0), &entry, &[]).unwrap();
        }
        witness.commit().unwrap();
        let claims = heard.borrow().clone();
        assert_eq!(claims.len(), 1);
        claims
    }

    #[test]
    fn claims_are_right_when_the_truth_says_so() {
        let line = |moment: f64| json!({ "line": { "moment_mu_b": moment, "moment_error": 1e-4 } });
        let law = |word: &str, law: Value, to: f64| json!({ "verdict": word, "law": law, "looked_at": { "g_from": 1.4, "g_to": to } });
        let real = law("real", json!({ "moment_mu_b": 0.8951, "moment_error": 1e-4 }), 2.3);
        let [artefact, absent, open] = ["artefact", "absent", "undecided"].map(|w| law(w, Value::Null, 2.3));
        let elsewhere = law("absent", Value::Null, 1.6);
        for (what, body, seen, blind) in [
            ("field_line", line(0.8952), Some(true), Some(false)),
            ("field_line", line(0.8965), Some(true), Some(false)),
            ("field_line", line(0.9010), Some(false), Some(false)),
            ("verdict", real, Some(true), Some(false)),
            ("verdict", artefact, Some(false), Some(true)),
            ("verdict", absent, Some(false), Some(true)),
            ("verdict", elsewhere, Some(true), Some(true)),
            ("verdict", open, None, None),
        ] {
            for (polarised, expected) in [(true, seen), (false, blind)] {
                let mut claims = heard(what, body.clone());
                weigh(&mut claims, &truth(polarised));
                assert_eq!(claims[0].right, expected, "{what} {body} {polarised}");
            }
        }
    }
}
