//! Worlds for the hard questions: each says what it is for, and what stands in it is what it says.

use noctule_sim::microscope::Effects;
use noctule_sim::world::World;

#[test]
fn each_says_what_it_is_for_and_what_a_perfect_night_finds() {
    for name in World::shipped_names() {
        let world = World::shipped(name).unwrap();
        assert!(world.purpose.len() > 20 && !world.purpose.contains('\n'), "{name}");
        assert!(world.perfect_night.len() > 20, "{name}");
    }
}

#[test]
fn what_stands_in_it_is_what_it_says() {
    let night = World::shipped("night").unwrap();
    for name in World::shipped_names() {
        let world = World::shipped(name).unwrap();
        let spins =
            (0..world.surface.sites.len()).filter(|&site| world.surface.species_of(site).is_magnetic());
        let expected = match name {
            "sparse" => 1,
            "hyperfine" => 12,
            "bare" => 15,
            _ => 10,
        };
        assert_eq!(spins.count(), expected, "{name}");
        let blind = matches!(name, "blind" | "wander" | "bare");
        assert_eq!(world.tip.apex.has_contrast(), !blind, "{name}");
    }
    let [fickle, dry, stranger, rough] =
        ["fickle", "dry", "stranger", "rough"].map(|name| World::shipped(name).unwrap());
    assert_eq!(fickle.tip.preparation.changes_per_hour, 0.15);
    assert_eq!(dry.cryostat.pot.initial_part, 0.04);
    assert!((stranger.surface.species[0].moment_mub()[2] - 1.105).abs() < 1e-12);
    // What a world leaves out comes from the one it starts from.
    assert_eq!(fickle.surface, night.surface);
    assert_eq!(fickle.tip.apex, night.tip.apex);
    assert_eq!(dry.cryostat.bath, night.cryostat.bath);
    assert!(fickle.effects.loop_suppresses);
    // In `rough` nothing is off.
    let off = Effects::default();
    let Effects { flips_per_electron, homodyne_part, nuclear_pumping, crosstalk_a_v, .. } = rough.effects;
    assert!([flips_per_electron, homodyne_part, nuclear_pumping, crosstalk_a_v].iter().all(|v| *v > 0.0));
    assert!(rough.effects.apex_spin > 0.0 && rough.effects.input_flicker_a > off.input_flicker_a);
}

fn faults_of(text: &str) -> Vec<String> {
    World::read(text).unwrap_err().0.iter().map(|problem| problem.to_string()).collect()
}

#[test]
fn faults_of_a_world_that_starts_from_another_are_told_with_their_places() {
    let own = "World(\n  starts_from: \"night\",\n  name: \"mine\",\n  note: \"Mine.\",\n";
    assert_eq!(World::read(&format!("{own})")).unwrap().name, "mine");
    let faults = faults_of(&format!("{own}  drift: Drift(creep_fraction: 0.5, creep_fractoin: 1),\n)"));
    assert_eq!(faults.len(), 2, "{faults:?}");
    assert!(faults.iter().all(|fault| fault.starts_with("line 5")), "{faults:?}");
    assert!(faults[1].contains("did you mean `creep_fraction`?"), "{faults:?}");
    let faults = faults_of("World(starts_from: \"nigth\")");
    assert_eq!(faults.len(), 3, "{faults:?}");
    assert!(faults.iter().any(|fault| fault.contains("did you mean \"night\"?")), "{faults:?}");
    let faults = faults_of("World(starts_from: \"fickle\", name: \"m\", note: \"m\")");
    assert!(faults[0].contains("starts from another world itself"), "{faults:?}");
    let faults = faults_of(&format!("{own}  effects: Effects(homodyne_part: 2.0, tip_wander_min: 0.0),\n)"));
    assert_eq!(faults.len(), 2, "{faults:?}");
}
