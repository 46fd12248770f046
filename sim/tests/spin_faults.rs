//! Bad spin systems get a clear answer: never a panic, never an endless run.

use noctule_sim::document::Problem;
use noctule_sim::spin::case::{field_range, read_json, read_ron};
use noctule_sim::spin::{Coupling, DIMENSION_MAX, Site, SpinError, SpinSystem};
use proptest::prelude::*;

fn assert_found(problems: &[Problem], expected: &[(u32, &str)]) {
    let list: Vec<String> = problems.iter().map(ToString::to_string).collect();
    for (line, needle) in expected {
        let hit = problems.iter().any(|p| p.line == *line && p.to_string().contains(needle));
        assert!(hit, "line {line}: `{needle}` is not in {list:#?}");
    }
    assert_eq!(problems.len(), expected.len(), "{list:#?}");
}

#[test]
fn four_thousand_levels_are_refused_at_once() {
    // 4000 = 2·2·2·2·2·5·5·5
    let spins = [0.5, 0.5, 0.5, 0.5, 0.5, 2.0, 2.0, 2.0];
    let error = SpinSystem::new(spins.map(Site::electron).to_vec(), vec![]).unwrap_err();
    assert_eq!(
        error.to_string(),
        format!("these spins have 4000 levels together, exact diagonalisation takes at most {DIMENSION_MAX}")
    );
    let many = vec![Site::electron(1e9); 100];
    assert!(SpinSystem::new(many, vec![]).unwrap_err().to_string().contains("levels together"));
    assert_eq!(
        SpinSystem::new(vec![], vec![]).unwrap_err().to_string(),
        "a spin system needs at least one spin"
    );
}

#[test]
fn all_faults_of_a_system_are_found_at_once() {
    let sites = vec![
        Site::electron(0.3).named("a"),
        Site::electron(1.0).named("a").anisotropy_ghz(f64::NAN, f64::INFINITY),
        Site::nucleus(3.5, -0.3)
            .quadrupole_ghz(nalgebra::Matrix3::new(0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)),
    ];
    let couplings = vec![
        Coupling::isotropic([1, 1], 1.0),
        Coupling::isotropic([0, 7], 1.0),
        Coupling::dipole([0, 1], [0.0; 3]),
        Coupling::values([0, 1], [f64::NAN, 0.0, 0.0]),
    ];
    let SpinError::Faults(faults) = SpinSystem::new(sites, couplings).unwrap_err() else {
        panic!("no faults")
    };
    let text: Vec<String> = faults.iter().map(ToString::to_string).collect();
    let expected = [
        "`a` can't have spin 0.3: it must be 1/2, 1, 3/2, … (a positive multiple of 1/2)",
        "D of `a` is not a finite number",
        "E of `a` is not a finite number",
        "two spins are named `a`",
        "the matrix of the quadrupole tensor of nucleus 2 is not symmetric",
        "coupling 0: the coupling leads from `a` back to itself",
        "coupling 1: there is no spin 7: there are 3, counted from 0",
        "coupling 2: the coupling is dipolar over no distance: r must not be zero",
        "coupling 3: the tensor is not a finite number",
    ];
    assert_eq!(text, expected);
}

#[test]
fn a_field_must_be_a_number() {
    let system = SpinSystem::new(vec![Site::electron(0.5)], vec![]).unwrap();
    assert!(system.levels([0.0, f64::NAN, 0.0]).is_err());
    assert!(system.levels_with_site_field([0.0; 3], 0, [f64::INFINITY, 0.0, 0.0]).is_err());
    assert!(system.levels_with_site_field([0.0; 3], 3, [0.0; 3]).is_err());
    // A product that overflows is an error of the matrix, not a made-up number.
    assert!(system.levels([1e308, 0.0, 1e308]).is_err());
}

#[test]
fn every_fault_of_a_json_case_has_its_place() {
    let text = r#"{
  "spins": [
    { "type": "e", "S": 0.3, "g": 2.0 },
    { "type": "e", "S": 1, "g": [2, 2], "D_GHz": "much" },
    { "type": "q", "S": 1 },
    { "type": "n", "S": 3.5, "name": "ti" }
  ],
  "couplings": [
    { "pair": [0, 0], "kind": "tensor_diag", "T_GHz": [1, 1, 1] },
    { "pair": [0, 9], "kind": "dipole", "r_nm": [0, 0, 1] },
    { "pair": [0, "tj"], "kind": "tensor_diag", "T_GHz": [1, 1, 1] },
    { "pair": [0, 1], "kind": "tensr", "T_GHz": [1, 1, 1] },
    { "pair": [0, 1], "kind": "dipole" },
    { "pair": [0, 1, 2], "r_nm": [0, 0, 0] }
  ]
}"#;
    let expected = [
        (1, "the field `B_T` is missing"),
        (3, "can't have spin 0.3"),
        (4, "a number, a list of three or a 3 by 3 matrix is expected"),
        (4, "a number is expected here"),
        (5, "an electron (type \"e\") or a nucleus"),
        (6, "the field `gN` is missing"),
        (9, "leads from spin 0 back to itself"),
        (10, "there is no spin 9"),
        (11, "no spin is named `tj` (did you mean `ti`?)"),
        (12, "the kinds are"),
        (13, "the field `r_nm` is missing"),
        (14, "a pair names two spins"),
    ];
    assert_found(&read_json(text).unwrap_err(), &expected);
}

#[test]
fn every_fault_of_a_ron_case_has_its_place() {
    let text = "(
    // A pair.
    spins: [
        Electron(S: NaN, g: 1.8, nmae: \"left\"),
        Electron(S: 0.5, g: 1.8, turn: (axis: [0, 0, 0], angle_deg: 10)),
        Nucleus(S: 0.5, gN: 1.0, Q_GHz: 0.1),
    ],
    couplings: [(pair: [0, 1], T_GHz: 0.8, r_nm: [0, 0, 1])],
    B_T: [0.0, inf, 0.9],
    temperature: 1.2,
)";
    let expected = [
        (4, "a finite number is expected here, not `NaN`"),
        (4, "there is no field `nmae` here"),
        (5, "the axis has no direction"),
        (6, "three principal values or a 3 by 3 matrix"),
        (8, "either `T_GHz` (a tensor) or `r_nm` (dipolar)"),
        (9, "a finite number is expected here, not `inf`"),
        (10, "there is no field `temperature` here"),
    ];
    assert_found(&read_ron(text).unwrap_err(), &expected);
}

#[test]
fn syntax_faults_have_their_place() {
    assert_found(
        &read_json("{\n  \"spins\": [,]\n}").unwrap_err(),
        &[(2, "this is not valid JSON: expected value")],
    );
    assert_found(&read_ron("(\n  spins: ,\n)").unwrap_err(), &[(2, "this is not valid RON")]);
    assert_found(&read_json("[1, 2]").unwrap_err(), &[(1, "fields with names are expected here")]);
    assert!(!read_ron("").unwrap_err().is_empty());
    assert!(!read_json("").unwrap_err().is_empty());
    assert!(read_json(&"[".repeat(100_000)).is_err());
    assert!(read_ron(&"[".repeat(100_000)).is_err());
}

#[test]
fn a_large_case_is_refused_in_the_file() {
    let text = r#"{ "spins": [{"type": "e", "S": 1999.5, "g": 2}], "B_T": [0, 0, 1] }"#;
    assert_found(&read_json(text).unwrap_err(), &[(1, "these spins have 4000 levels together")]);
}

#[test]
fn slips_inside_spins_are_noted_in_json() {
    let text =
        r#"{ "comment": "x", "spins": [{"type": "e", "S": 1, "g": 2, "D_Ghz": 5}], "B_T": [0, 0, 1] }"#;
    let case = read_json(text).unwrap();
    assert_found(&case.ignored, &[(1, "there is no field `D_Ghz` here (did you mean `D_GHz`?)")]);
}

/// S = 2 with D and F: 4D ± 24F, under either name of the term.
#[test]
fn the_fourth_order_term_has_two_names_and_one_value() {
    let text = |fields: &str| {
        format!(
            r#"{{ "spins": [{{"type": "e", "S": 2, "g": 2, "D_GHz": -10, {fields}}}], "B_T": [0, 0, 0] }}"#
        )
    };
    for name in ["F4_GHz", "F_GHz"] {
        let lines = read_json(&text(&format!("\"{name}\": 0.1"))).unwrap().lines().unwrap();
        assert!((lines.fields[0].eigenvalues_ghz[0] + 42.4).abs() < 1e-12);
    }
    let both = text("\"F4_GHz\": 0.1, \"F_GHz\": 0.1");
    assert_found(&read_json(&both).unwrap_err(), &[(1, "are the same term")]);
}

#[test]
fn both_notations_and_several_fields_agree() {
    let ron = "(
    spins: [
        Electron(name: \"ti\", S: 0.5, g: [1.92, 1.92, 1.67]),
        Nucleus(name: \"n\", S: 3.5, gN: -0.315343),
    ],
    couplings: [(pair: [\"ti\", \"n\"], T_GHz: [[0.018, 0, 0], [0, 0.018, 0], [0, 0, 0.13]])],
    B_T: [[0, 0, 1.35], [0, 0, 1.4]],
)";
    let json = r#"{ "spins": [{"type": "e", "S": 0.5, "g": [1.92, 1.92, 1.67]}, {"type": "n", "S": 3.5, "gN": -0.315343}],
        "couplings": [{"pair": [0, 1], "kind": "tensor_diag", "T_GHz": [0.018, 0.018, 0.13]}], "B_T": [0, 0, 1.35] }"#;
    let two = read_ron(ron).unwrap().lines().unwrap();
    let one = read_json(json).unwrap().lines().unwrap();
    assert_eq!(two.fields.len(), 2);
    assert_eq!(two.fields[0], one.fields[0]);
    let value = serde_json::to_value(&two).unwrap();
    assert_eq!(value["fields"][1]["B_T"][2], 1.4);
    let text = one.to_string();
    assert!(text.contains("B = (0, 0, 1.35) T") && text.contains("strength I1"), "{text}");
    assert_eq!(field_range([0.0, 0.0, 1.0], [0.0, 0.0, 2.0], 1), [[0.0, 0.0, 1.0]]);
    assert!(field_range([0.0; 3], [1.0; 3], 0).is_empty());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]
    /// Whatever stands in the file: an answer, never a panic.
    #[test]
    fn mangled_cases_never_panic(at in 0_usize..400, junk in "[\\PC\n]{0,6}", cut in 0_usize..12) {
        let json = r#"{ "spins": [{"type": "e", "S": 0.5, "g": [2, 2.0, 2e0], "turn": {"axis": [0, 1, 0], "angle_deg": 5}},
            {"type": "n", "S": 3.5, "gN": -0.3, "Q_GHz": [0.1, 0.2, -0.3], "name": "né"}],
            "couplings": [{"pair": [0, "né"], "kind": "dipole", "r_nm": [0, 0, 1]}], "B_T": [0, 0, 1.35] }"#;
        let ron = "(spins: [Electron(S: 0.5, g: [2, 2.0, 2e0], turn: (axis: [0, 1, 0], angle_deg: 5)), /* é */ \
            Nucleus(S: 3.5, gN: -0.3, Q_GHz: [0.1, 0.2, -0.3], name: \"né\")], \
            couplings: [(pair: [0, \"né\"], kind: \"dipole\", r_nm: [0, 0, 1])], B_T: [0, 0, 1.35])";
        for (text, is_json) in [(json, true), (ron, false)] {
            let characters: Vec<char> = text.chars().collect();
            let at = at % characters.len();
            let rest = &characters[(at + cut).min(characters.len())..];
            let mangled: String = characters[..at].iter().copied().chain(junk.chars()).chain(rest.iter().copied()).collect();
            let answer = if is_json { read_json(&mangled) } else { read_ron(&mangled) };
            match answer {
                Ok(case) => prop_assert!(case.system.dimension() <= DIMENSION_MAX),
                Err(problems) => prop_assert!(!problems.is_empty()),
            }
        }
    }
}
