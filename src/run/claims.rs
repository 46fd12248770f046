//! What a sequence claimed in a rehearsal, held against what was really there.

use super::truth::Truth;
use crate::quantity::Moment;
use crate::record::{Entry, Point, RecordError, Recorder};
use serde::Serialize;
use serde_json::Value;
use std::cell::RefCell;
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
    /// `verdict` or `field_line`.
    pub what: String,
    /// Its words.
    pub said: String,
    /// The moment that it gives and its error, in Bohr magnetons.
    pub moment_mub: Option<(f64, f64)>,
    /// Whether it was right; nothing for a verdict that leaves the question open.
    ///
    /// A moment is right if a spin with it was in reach of a polarised tip for a minute or more before, within three
    /// errors or 0.2 %. An artefact is right if no spin could be seen before.
    pub right: Option<bool>,
}

/// Claims as they were recorded.
pub(super) type Heard = Rc<RefCell<Vec<Claim>>>;

/// A recorder that remembers claims on their way to another.
pub(super) struct Witness {
    inner: Box<dyn Recorder>,
    heard: Heard,
}

impl Witness {
    pub(super) fn new(inner: Box<dyn Recorder>) -> (Self, Heard) {
        let heard = Heard::default();
        (Self { inner, heard: Rc::clone(&heard) }, heard)
    }
}

impl Recorder for Witness {
    fn append(&mut self, at: Moment, entry: &Entry, data: &[f64]) -> Result<(), RecordError> {
        if let Entry::Judgement { what, title, body, .. } = entry
            && matches!(what.as_str(), "verdict" | "field_line")
        {
            let (at_s, what, said) = (at.s(), what.clone(), title.clone());
            let right = verdict(body).filter(|word| *word == "artefact").map(|_| false);
            self.heard.borrow_mut().push(Claim { at_s, what, said, moment_mub: moment(body), right });
        }
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

fn verdict(body: &Value) -> Option<&str> {
    body["verdict"].as_str()
}

/// The moment that a judgement stands for: that of a field line, or of the strongest line of a verdict `real`.
fn moment(body: &Value) -> Option<(f64, f64)> {
    let line = match verdict(body) {
        Some("real") => &body["lines"][0]["line"],
        Some(_) => return None,
        None => &body["line"],
    };
    Some((line["moment_mu_b"].as_f64()?, line["moment_error"].as_f64()?))
}

/// Holds each claim against the truth. An artefact comes marked as such by `right`.
pub(super) fn weigh(claims: &mut [Claim], truth: &Truth) {
    for claim in claims {
        let seen = truth.stays.iter().filter(|stay| truth.can_show(stay) && stay.from_s < claim.at_s);
        claim.right = match (claim.moment_mub, claim.right) {
            (Some((moment_mub, error_mub)), _) => {
                let allowed_mub = (ERRORS * error_mub).max(MOMENT_PART * moment_mub.abs());
                let mut along = seen.map(|stay| stay.moment_mub[2]);
                Some(along.any(|true_mub| (moment_mub - true_mub).abs() <= allowed_mub))
            }
            (None, Some(_)) => Some(seen.count() == 0),
            (None, None) => None,
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
            witness.append(Moment::from_s(4000.0), &entry, &[]).unwrap();
        }
        witness.commit().unwrap();
        let claims = heard.borrow().clone();
        assert_eq!(claims.len(), 1);
        claims
    }

    #[test]
    fn claims_are_right_when_the_truth_says_so() {
        let line = |moment: f64| json!({ "line": { "moment_mu_b": moment, "moment_error": 1e-4 } });
        let real = json!({ "verdict": "real", "lines": [{ "line": { "moment_mu_b": 0.8951, "moment_error": 1e-4 } }] });
        let artefact = json!({ "verdict": "artefact", "lines": [] });
        let open = json!({ "verdict": "undecided", "lines": [{ "line": { "moment_mu_b": 0.7, "moment_error": 1e-4 } }] });
        for (what, body, seen, blind) in [
            ("field_line", line(0.8952), Some(true), Some(false)),
            ("field_line", line(0.8965), Some(true), Some(false)),
            ("field_line", line(0.9010), Some(false), Some(false)),
            ("verdict", real, Some(true), Some(false)),
            ("verdict", artefact, Some(false), Some(true)),
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
