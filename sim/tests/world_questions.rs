//! Worlds for the hard questions: sound, invented, and each says what it is for and what the truth is.

use noctule_sim::world::World;

const WORLDS: [(&str, &str); 6] = [
    ("blind", include_str!("../worlds/blind.ron")),
    ("fickle", include_str!("../worlds/fickle.ron")),
    ("dry", include_str!("../worlds/dry.ron")),
    ("sparse", include_str!("../worlds/sparse.ron")),
    ("stranger", include_str!("../worlds/stranger.ron")),
    ("edge", include_str!("../worlds/edge.ron")),
];

#[test]
fn each_is_sound_and_says_what_it_is_for() {
    for (name, text) in WORLDS {
        let world = World::read(text).unwrap_or_else(|faults| panic!("{name}: {faults}"));
        assert_eq!(world.name, name);
        for part in ["Invented", "For: ", "Truth: "] {
            assert!(world.note.contains(part), "{name}: {part}");
        }
        let spins =
            (0..world.surface.sites.len()).filter(|&site| world.surface.species_of(site).is_magnetic());
        assert_eq!(spins.count(), if name == "sparse" { 1 } else { 10 }, "{name}");
        assert_eq!(world.tip.apex.has_contrast(), name != "blind", "{name}");
    }
}
