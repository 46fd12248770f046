//! Spin systems against eigenvalues computed elsewhere.
//!
//! `data/spin_cases.json`: eigenvalues from a 40-digit diagonalisation (mpmath 1.4.1),
//! strengths from numpy 2.4.6 and from a second solver, which agree to 1.5e-13. The
//! parameter sets are test cases, not claims about measured atoms.

use noctule_sim::spin::case;
use serde_json::Value;

const CASES: &str = include_str!("data/spin_cases.json");

fn number(value: &Value) -> f64 {
    match value {
        Value::String(text) => text.parse().unwrap(),
        other => other.as_f64().unwrap(),
    }
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(number).collect()
}

/// Reads each case as the user would and compares the JSON that would be printed.
#[test]
fn every_case_agrees_with_the_reference() {
    let file: Value = serde_json::from_str(CASES).unwrap();
    let cases = file["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 15);
    let mut lines_compared = 0;
    for expected in cases {
        let id = expected["id"].as_str().unwrap();
        let lines = case::read_json(&expected.to_string()).unwrap().lines().unwrap();
        let found = serde_json::to_value(&lines).unwrap();

        let eigenvalues = numbers(&found["eigenvalues_GHz"]);
        let reference = numbers(&expected["eigenvalues_GHz"]);
        assert_eq!(eigenvalues.len(), reference.len(), "{id}");
        for (found, expected) in eigenvalues.iter().zip(&reference) {
            assert!((found - expected).abs() <= 1e-9, "{id}: {found} is not {expected}");
        }
        for (found, expected) in
            found["levels"].as_array().unwrap().iter().zip(expected["levels"].as_array().unwrap())
        {
            assert_eq!(found["degeneracy"], expected["degeneracy"], "{id}");
            assert!((number(&found["E_GHz"]) - number(&expected["E_GHz"])).abs() <= 1e-9, "{id}");
        }
        let (found, expected) =
            (found["transitions"].as_array().unwrap(), expected["transitions"].as_array().unwrap());
        assert_eq!(found.len(), expected.len(), "{id}");
        for (found, expected) in found.iter().zip(expected) {
            assert_same_line(id, found, expected);
            lines_compared += 1;
        }
    }
    assert_eq!(lines_compared, 111);
}

fn assert_same_line(id: &str, found: &Value, expected: &Value) {
    for (key, expected) in expected.as_object().unwrap() {
        let found = &found[key];
        if key == "f_GHz" {
            assert!((number(found) - number(expected)).abs() <= 1e-9, "{id}: {found} is not {expected}");
        } else if key.starts_with("strength_") {
            for axis in ["x", "y", "z"] {
                let difference = number(&found[axis]) - number(&expected[axis]);
                assert!(difference.abs() <= 1e-7, "{id} {key} {axis}: {found} is not {expected}");
            }
        } else {
            assert_eq!(found, expected, "{id} {key}");
        }
    }
}
