//! What is written is read, and what is read is written as it was.

use super::*;
use crate::analysis::fit::{Options, resonance};
use crate::analysis::joint::{Judgement, LawPoint, LookedAt, ProvedLaw};
use crate::record::Centred;
use crate::record::entry::{from_row, to_row};
use serde_json::json;

const WORDS: [&str; 16] = [
    "fit",
    "verdict",
    "resonance_law",
    "field_line",
    "contrast",
    "lines",
    "search",
    "card",
    "tip_change",
    "recentre",
    "identify",
    "image_shift",
    "drift",
    "helium",
    "transmission",
    "logbook",
];

fn row(what: &str, body: &Value) -> String {
    format!(
        r#"{{"n":7,"what":"{what}","sweep":3,"title":"t","body":{body},"place":{{"file":"a.rhai","line":2}}}}"#
    )
}

#[test]
fn every_kind_and_every_other_word_is_written_as_it_was_read() {
    assert_eq!(JudgementKind::KNOWN.iter().map(JudgementKind::word).collect::<Vec<_>>(), WORDS);
    let bodies = [
        json!({ "channel": "LockinX", "fit": { "parameters": [{ "name": "centre", "value": 1.4e10 }] } }),
        json!({ "log_e": -0.25, "sweeps": [1, 2], "verdict": "real" }),
        json!({ "verdict": "of a later version" }),
        json!({ "by_test": true, "why": "another polarisation" }),
        json!(null),
    ];
    for (i, word) in WORDS.iter().chain(&["of_a_later_version"]).enumerate() {
        let text = row(word, &bodies[i % bodies.len()]);
        let entry = from_row("judgement", &text).unwrap();
        assert_eq!(to_row(&entry), ("judgement".to_owned(), text));
        let Entry::Judgement { what, .. } = &entry else { panic!("{entry:?}") };
        assert_eq!((what.word(), matches!(what, JudgementKind::Other(_))), (*word, i == WORDS.len()));
        let told = serde_json::to_value(&entry).unwrap();
        assert_eq!((&told["kind"], &told["what"]), (&json!("judgement"), &json!(word)));
        assert_eq!(serde_json::from_value::<Entry>(told).unwrap(), entry);
    }
}

#[test]
fn a_verdict_is_one_of_six_or_a_word_that_is_kept() {
    use Verdict::{Absent, Artefact, Curved, Real, Splitting, Undecided};
    for verdict in [Real, Artefact, Absent, Curved, Splitting, Undecided] {
        let said: VerdictWord = serde_json::from_value(json!(verdict.word())).unwrap();
        assert!(said == verdict && said.word() == verdict.word(), "{said:?}");
        assert_eq!(serde_json::to_value(&said).unwrap(), json!(verdict.word()));
    }
    let other: VerdictWord = serde_json::from_value(json!("doubled")).unwrap();
    assert_eq!((other.known(), serde_json::to_value(&other).unwrap()), (None, json!("doubled")));
    let found = VerdictFound::read(&json!({ "verdict": 3, "sweeps": [4, "x", 5] }));
    assert_eq!((found.verdict.word(), found.sweeps), ("unknown", vec![4, 5]));
}

#[test]
fn bodies_of_any_shape_are_borne() {
    let lists = json!({ "sweeps": 1, "points": [1, { "field_t": 1.0 }], "reasons": {}, "law": [1.0, 2.0],
        "looked_at": 3, "why": "x", "fit": { "parameters": [1, []], "model": { "shape": "lines", "count": 1e9 } } });
    let bodies = [json!(null), json!({}), json!([1]), json!("x"), json!(-1), lists];
    for body in &bodies {
        for kind in JudgementKind::KNOWN {
            let entry = from_row("judgement", &row(kind.word(), body)).unwrap();
            match entry.worked_out().unwrap() {
                WorkedOut::Verdict(found) => assert_eq!(*found, VerdictFound::default(), "{body}"),
                WorkedOut::Fit(fit) => {
                    assert!(!fit.trusted && fit.why.is_empty() && fit.model.is_none(), "{body}");
                    assert!(fit.parameters.iter().all(|p| p.value.is_none() && p.name.is_empty()));
                }
                WorkedOut::Line(found) => assert_eq!(*found, FitLineFound::default(), "{body}"),
                WorkedOut::TipChange { by_test } => assert!(by_test, "{body}"),
                WorkedOut::Centred(place) => assert_eq!(place, None, "{body}"),
                WorkedOut::Told => assert!(!entry.says(Verdict::Real), "{body}"),
            }
        }
    }
}

#[test]
fn what_is_written_is_read() {
    let x: Vec<f64> = (0..201).map(|i| 14e9 + 1e6 * f64::from(i)).collect();
    let y: Vec<f64> = x.iter().map(|x| 1e-13 / (1.0 + ((x - 14.1e9) / 5e6).powi(2))).collect();
    let fit = resonance(&x, &y, &Options::new()).unwrap();
    let body = json!({ "channel": "LockinX", "fit": &fit, "trusted": fit.trusted(), "why": fit.words() });
    let read = FitFound::read(&body);
    assert_eq!(read.parameter("centre").unwrap().value, Some(fit.value("centre")));
    assert_eq!((read.trusted, read.why, read.channel.as_str()), (fit.trusted(), fit.words(), "LockinX"));
    assert_eq!((read.model, FitFound::as_recorded(&body)), (Some(fit.model.clone()), &json!(fit)));
    let names = json!({ "fit": { "doubts": [{ "doubt": "at_the_edge" }, "no_line"] } });
    assert_eq!(FitFound::read(&names).why, ["at the edge", "no line"], "as files of before have them");
}

#[test]
fn a_verdict_is_read_as_it_was_given() {
    let points = vec![LawPoint { field_t: 0.5, centre_hz: 1.4e10, error_hz: 2e5 }];
    let law = ProvedLaw {
        moment_mu_b: 0.9,
        moment_error: 0.01,
        g: 1.8,
        g_error: 0.02,
        tip_field_t: 0.03,
        tip_field_error: 0.003,
        slope_hz_per_t: 2.5e10,
        slope_error: 1e7,
        wander_hz: 1e5,
        width_hz: 7e6,
        asymmetry: 0.1,
        height: 5e-14,
        height_error: 1e-15,
        spectra: 1,
        mean_field_t: 0.5,
        mean_variance_hz2: 1e10,
        covariance: 0.0,
    };
    let looked_at = LookedAt { part: 1.0, open: 0.0, g_from: Some(1.4), g_to: None, height: 1e-14 };
    let said = Judgement {
        tip: 2,
        segment: 1,
        from_s: 0.0,
        to_s: 60.0,
        spectra: 1,
        fields: 1,
        verdict: Verdict::Real,
        log_e: 20.0,
        log_e_wanted: 9.0,
        law: Some(law),
        suspect: None,
        points,
        multiplet: None,
        locked: Vec::new(),
        looked_at,
        reasons: vec!["it moves".to_owned()],
        next: Some("more".to_owned()),
    };
    // What the verb and `rejudge` add is which spectra it is about.
    let mut body = json!(said);
    (body["sweeps"], body["series"], body["segments"]) = (json!([5]), json!(4), json!(2));
    body["spin"] = json!("spin 1");
    let wanted = VerdictFound {
        verdict: Verdict::Real.into(),
        sweeps: vec![5],
        part: Some(SeriesPart { series: (4, 2), segment: 1, segments: 2 }),
        spin: "spin 1".to_owned(),
        law: Some(LawFound {
            moment_mu_b: Some((0.9, 0.01)),
            g: Some((1.8, 0.02)),
            tip_field_t: Some((0.03, 0.003)),
            height: Some((5e-14, 1e-15)),
            slope_hz_per_t: Some(2.5e10),
            width_hz: Some(7e6),
            p_value: None,
        }),
        points: vec![(0.5, 1.4e10, 2e5)],
        looked_at_g: [Some(1.4), None],
        reasons: vec!["it moves".to_owned()],
        next: Some("more".to_owned()),
        evidence: Some((20.0, 9.0)),
    };
    assert_eq!(VerdictFound::read(&body), wanted);
    assert!(from_row("judgement", &row("verdict", &body)).unwrap().says(Verdict::Real));
    assert!(!from_row("judgement", &row("verdict", &body)).unwrap().says(Verdict::Undecided));
}

#[test]
fn what_the_tip_did_is_read() {
    let centred = Centred {
        found: true,
        x_m: 1e-9,
        y_m: -2e-9,
        dx_m: 0.0,
        dy_m: 0.0,
        x_error_m: 0.0,
        y_error_m: 0.0,
        curvature: 0.0,
        searched: false,
        remark: String::new(),
    };
    let place = JudgementKind::Recentre.read(&json!(centred));
    assert_eq!(place, WorkedOut::Centred(Some([1e-9, -2e-9])));
    let by_hand = JudgementKind::TipChange.read(&json!({ "why": "", "by_test": false }));
    assert_eq!(by_hand, WorkedOut::TipChange { by_test: false });
}

#[test]
fn a_verdict_on_more_spectra_takes_the_place_of_the_last_one() {
    let part = |body: Value| VerdictFound::read(&body).part;
    let whole = part(json!({ "sweeps": [4, 5] })).unwrap();
    assert_eq!(whole, SeriesPart { series: (4, 0), segment: 0, segments: 1 });
    assert!(whole.replaces((4, 0), 0) && whole.replaces((4, 0), 1), "the tip had not changed after all");
    assert!(!whole.replaces((3, 0), 0) && !whole.replaces((4, 1), 0) && !whole.is_over());
    let second = json!({ "sweeps": [6], "series": 4, "tip": 1, "segment": 1, "segments": 3 });
    let second = part(second).unwrap();
    assert!(second.replaces((4, 1), 1) && second.replaces((4, 1), 3) && second.is_over());
    assert!(!second.replaces((4, 1), 0) && !second.replaces((4, 1), 2));
    assert_eq!(part(json!({ "series": 4 })), None, "it names no spectra");
}
