//! World files: the shipped ones are sound, bad ones are told all that is wrong at once.

use noctule_sim::world::World;

#[test]
fn every_shipped_world_is_read_and_says_that_it_is_invented() {
    for name in World::shipped_names() {
        let text = World::shipped_text(name).unwrap();
        let world = World::read(text).unwrap_or_else(|faults| panic!("{name}: {faults}"));
        assert_eq!(world.name, name);
        assert!(world.note.contains("Invented"), "{name}");
        assert!(text.contains("EVERYTHING HERE IS INVENTED"), "{name}");
    }
}

/// A parameter is explained where it first appears: no more than four new names in a row
/// without a comment line.
#[test]
fn every_parameter_of_a_shipped_world_is_explained() {
    for name in World::shipped_names() {
        let mut known = std::collections::BTreeSet::new();
        let mut unexplained = 0;
        for (number, line) in World::shipped_text(name).unwrap().lines().enumerate() {
            let line = line.trim();
            if line.starts_with("//") {
                unexplained = 0;
                continue;
            }
            let field = line.split_once(": ").map(|(field, _)| field).filter(|field| !field.contains('('));
            if field.is_some_and(|field| known.insert(field)) {
                unexplained += 1;
            }
            assert!(unexplained <= 4, "{name}, line {}: `{line}`", number + 1);
        }
    }
}

fn faults_of(text: &str) -> Vec<String> {
    World::read(text).unwrap_err().0.iter().map(|problem| problem.message.clone()).collect()
}

fn night_with(changes: &[(&str, &str)]) -> String {
    let mut text = World::shipped_text("night").unwrap().to_owned();
    for (from, to) in changes {
        assert!(text.contains(from), "`{from}` is in the file");
        text = text.replacen(from, to, 1);
    }
    text
}

#[test]
fn all_faults_come_at_once_each_with_its_line() {
    let text = night_with(&[
        ("width_nm: 0.28", "width_nm: -0.28"),
        ("spin: 0.5", "spin: 0.3"),
        ("work_function_ev: 4.5", "work_function_ev: NaN"),
        ("name: \"A2\"", "name: \"A1\""),
        ("loop_bandwidth_hz: 40.0", "loop_bandwith_hz: 40.0"),
        ("drop_chance: 0.5,", ""),
        ("species: \"adatom\", at_nm: [8.90", "species: \"adamant\", at_nm: [8.90"),
        ("base_k: 0.300", "base_k: 0.1"),
        ("inductance_h: 10.0", "inductance_h: -10.0"),
        ("chop_duty: 0.5", "chop_duty: 1.5"),
    ]);
    let faults = faults_of(&text);
    for part in [
        "`width_nm` must be above zero",
        "`spin` must be a multiple of 1/2, not 0.3",
        "a finite number is expected here",
        "the name `A1` is used twice",
        "there is no field `loop_bandwith_hz` here",
        "the field `loop_bandwidth_hz` is missing",
        "the field `drop_chance` is missing",
        "names the species `adamant`",
        "`base_k` must be from 0.2 to 1, not 0.1",
        "`inductance_h` must be above zero",
        "`chop_duty` must be from 0.01 to 0.99",
    ] {
        assert!(faults.iter().any(|fault| fault.contains(part)), "{part}: {faults:#?}");
    }
    assert_eq!(faults.len(), 11, "{faults:#?}");
    let lines: Vec<u32> = World::read(&text).unwrap_err().0.iter().map(|problem| problem.line).collect();
    assert!(lines.is_sorted() && lines[0] > 1, "{lines:?}");
}

#[test]
fn couplings_that_lead_nowhere_or_in_a_circle_of_one_are_told() {
    let couplings = "couplings: [Coupling(from: \"A1\", to: \"A1\", exchange_ghz: 1.0), \
                     Coupling(from: \"A1\", to: \"Z9\", exchange_ghz: 1.0)]";
    let faults = faults_of(&night_with(&[("couplings: []", couplings)]));
    assert_eq!(faults.len(), 2, "{faults:#?}");
    assert!(faults[0].contains("coupled to itself") && faults[1].contains("Z9"));
}

/// A closed ring of couplings is a group like any other; a group too large to diagonalise is refused.
#[test]
fn rings_are_taken_and_huge_groups_are_not() {
    let ring = "couplings: [Coupling(from: \"A1\", to: \"A2\", exchange_ghz: 1.0), \
                Coupling(from: \"A2\", to: \"A3\", exchange_ghz: 1.0), \
                Coupling(from: \"A3\", to: \"A1\", exchange_ghz: 1.0)]";
    assert!(World::read(&night_with(&[("couplings: []", ring)])).is_ok());
    // Three molecules with I = 7/2: 16 · 16 · 16 = 4096 states.
    let huge = "couplings: [Coupling(from: \"M1\", to: \"M2\", exchange_ghz: 1.0), \
                Coupling(from: \"M2\", to: \"M3\", exchange_ghz: 1.0)]";
    let faults = faults_of(&night_with(&[("couplings: []", huge)]));
    assert_eq!(faults.len(), 1, "{faults:#?}");
    assert!(faults[0].contains("4096 states"));
}

#[test]
fn what_is_no_world_gets_one_sentence() {
    for text in ["", "World(", "[1, 2]", "3", "World(sample: 3)", "World(tip: Tip(apex: []))", "\u{0}"] {
        let faults = World::read(text).unwrap_err();
        assert!(!faults.0.is_empty(), "{text:?}");
    }
}
