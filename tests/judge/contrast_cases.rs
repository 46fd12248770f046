//! The contrast statistics against given cases and against numpy, scipy and diptest
//! (`tests/data/make_judge_references.py`).

use noctule::analysis::contrast::{bimodality, contrast_of_sample, dip};
use serde_json::Value;

fn cases() -> Value {
    serde_json::from_str(include_str!("../data/bimodality_cases.json")).expect("the cases are JSON")
}

fn references() -> Value {
    serde_json::from_str(include_str!("../data/judge_references.json")).expect("the references are JSON")
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("a list").iter().map(|v| v.as_f64().expect("a number")).collect()
}

fn number(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

#[test]
fn dip_and_bimodality_of_the_cases() {
    let (cases, references) = (cases(), references());
    let mut seen = 0;
    for (name, case) in cases.as_object().expect("an object") {
        let x = if case["x"].is_array() { numbers(&case["x"]) } else { numbers(&references["blocks"][name]) };
        assert_eq!(x.len() as f64, number(&case["n"]));
        let got = dip(&x).expect("good numbers");
        assert!((got.statistic - number(&case["dip"])).abs() < 1e-9, "{name}: dip {}", got.statistic);
        // The reference's p of four points is that of its table's end; ours knows the atom at the largest dip.
        if x.len() >= 10 {
            let p = number(&case["p"]);
            assert!((got.p_value - p).abs() < 0.02 + 0.3 * p.min(0.01), "{name}: p {}", got.p_value);
        }
        let b = bimodality(&x).expect("good numbers");
        assert!((b - number(&case["BC_sample"])).abs() < 1e-9, "{name}: b {b}");
        seen += 1;
    }
    assert_eq!(seen, 6);
}

#[test]
fn bic_and_separation_of_the_cases() {
    let (cases, references) = (cases(), references());
    let mut seen = 0;
    for (name, case) in cases.as_object().expect("an object").iter().filter(|(_, c)| c["BIC1"].is_number()) {
        let x = if case["x"].is_array() { numbers(&case["x"]) } else { numbers(&references["blocks"][name]) };
        let said = contrast_of_sample(&x).expect("good numbers");
        assert!((said.bic_one - number(&case["BIC1"])).abs() < 1e-6, "{name}: {}", said.bic_one);
        // Two fits of one likelihood: the optimum may not be worse than the case's by more than rounding.
        let two = number(&case["BIC2"]);
        assert!((said.bic_two - two).abs() < 2e-3, "{name}: {} against {two}", said.bic_two);
        assert!((said.delta_bic - number(&case["dBIC"])).abs() < 2e-3);
        assert!((said.separation - number(&case["D_sep"])).abs() < 0.01, "{name}: {}", said.separation);
        seen += 1;
    }
    assert_eq!(seen, 4);
}

#[test]
fn blocks_of_the_reference_table() {
    let references = references();
    // Dip confirmed by the reference; BIC difference and coefficient rounded as there.
    for (name, statistic, delta_bic) in [
        ("bimodal_q40_sep4", 0.058176, None),
        ("bimodal_q200_sep3", 0.020250, Some(9.65)),
        ("bimodal_160_40_sep5", 0.024111, Some(111.0)),
    ] {
        let x = numbers(&references["blocks"][name]);
        let said = contrast_of_sample(&x).expect("good numbers");
        assert!((said.dip.statistic - statistic).abs() < 1e-6, "{name}: {}", said.dip.statistic);
        if let Some(want) = delta_bic {
            assert!((said.delta_bic - want).abs() < 0.5, "{name}: {}", said.delta_bic);
        }
    }
}

#[test]
fn dip_and_bimodality_of_random_samples_agree_with_the_libraries() {
    for case in references()["dips"].as_array().expect("a list") {
        let x = numbers(&case["x"]);
        let name = format!("{} of {}", case["kind"], x.len());
        let got = dip(&x).expect("good numbers");
        assert!(
            (got.statistic - number(&case["dip"])).abs() < 1e-9,
            "{name}: {} {}",
            got.statistic,
            case["dip"]
        );
        if x.len() >= 10 {
            let p = number(&case["p"]);
            assert!((got.p_value - p).abs() < 0.02, "{name}: p {} against {p}", got.p_value);
        }
        let b = bimodality(&x).expect("good numbers");
        assert!((b - number(&case["bimodality"])).abs() < 1e-9, "{name}: {b}");
    }
}

#[test]
fn one_single_jump_is_called_a_jump() {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(8);
    let mut level = |i: usize| -> f64 {
        let noise: f64 = StandardNormal.sample(&mut rng);
        noise + if i < 830 { 8.0 } else { 12.0 }
    };
    let trace: Vec<f64> = (0..2000).map(&mut level).collect();
    let said = noctule::analysis::contrast::contrast_of_trace(&trace, 1e-3).expect("a usable trace");
    assert_eq!(said.verdict, noctule::analysis::contrast::ContrastVerdict::Jump, "{:?}", said.reasons);
    assert!(said.reasons.iter().any(|r| r.contains("jumped once")), "{:?}", said.reasons);
    assert!(said.switching.is_none());
}
