//! Starting points for new files.

/// A commented file to start from.
#[derive(Debug, Clone, Copy)]
pub struct StartingPoint {
    /// The name to ask for it by.
    pub name: &'static str,
    /// The file name that it gets where none is given.
    pub file: &'static str,
    /// One line on what it is.
    pub about: &'static str,
    /// The text.
    pub text: &'static str,
}

const STARTING_POINTS: &[StartingPoint] = &[
    StartingPoint {
        name: "sweep",
        file: "sweep.rhai",
        about: "one spectrum with a fit",
        text: include_str!("../../scripts/start_sweep.rhai"),
    },
    StartingPoint {
        name: "series",
        file: "series.rhai",
        about: "spectra at several fields and levels, a fit each",
        text: include_str!("../../scripts/start_series.rhai"),
    },
    StartingPoint {
        name: "map",
        file: "map.rhai",
        about: "a map over two channels",
        text: include_str!("../../scripts/start_map.rhai"),
    },
    StartingPoint {
        name: "watch",
        file: "watch.rhai",
        about: "traces now and then until the window ends",
        text: include_str!("../../scripts/start_watch.rhai"),
    },
    StartingPoint {
        name: "night",
        file: "night.rhai",
        about: "spectra at many fields, and the verdict whether a spin is there",
        text: include_str!("../../scripts/overnight_field_sweep.rhai"),
    },
    StartingPoint {
        name: "plan",
        file: "plan.rhai",
        about: "goals for a long weekend: a good tip, a spin proved, its maps",
        text: include_str!("../../scripts/long_weekend.rhai"),
    },
    StartingPoint {
        name: "campaign",
        file: "campaign.rhai",
        about: "the library of plans, to change how they are pursued: beside your plan it takes the place of the shipped one",
        text: include_str!("../../scripts/campaign.rhai"),
    },
    StartingPoint {
        name: "campaign-tip",
        file: "campaign_tip.rhai",
        about: "a part of that library: images, tests of the tip, making another one",
        text: include_str!("../../scripts/campaign_tip.rhai"),
    },
    StartingPoint {
        name: "campaign-line",
        file: "campaign_line.rhai",
        about: "a part of that library: looking for the line, following it to a proof, mapping it",
        text: include_str!("../../scripts/campaign_line.rhai"),
    },
    StartingPoint {
        name: "bench",
        file: "bench.ron",
        about: "a small bench to grow: part of the simulated microscope, and an SCPI source; `new watch` runs on it",
        text: include_str!("../../scripts/start_bench.ron"),
    },
    StartingPoint {
        name: "whole-bench",
        file: "whole_bench.ron",
        about: "the whole simulated microscope, with all that the sequences need: what rehearsals take where no bench is given",
        text: include_str!("../../scripts/bench_simulated.ron"),
    },
    StartingPoint {
        name: "mimic-bench",
        file: "mimic_bench.ron",
        about: "the same over SCPI, with every message, for `noctule mimic`",
        text: include_str!("../../scripts/bench_mimic.ron"),
    },
    StartingPoint {
        name: "faults",
        file: "hard_night.ron",
        about: "a hard night for a rehearsal: what goes wrong, and when",
        text: include_str!("../../scripts/faults_hard_night.ron"),
    },
    StartingPoint {
        name: "wire",
        file: "wire.ron",
        about: "what a wire can do, for the mimic",
        text: include_str!("../../scripts/faults_mimic.ron"),
    },
    StartingPoint {
        name: "world",
        file: "world.ron",
        about: "a world for the simulated microscope: a copy of the shipped night",
        text: include_str!("../../sim/worlds/night.ron"),
    },
    StartingPoint {
        name: "spin",
        file: "spin.ron",
        about: "two coupled spins, for `noctule lines`",
        text: include_str!("../../scripts/start_spin.ron"),
    },
];

/// All of them.
pub fn starting_points() -> &'static [StartingPoint] {
    STARTING_POINTS
}

/// The one of a name.
pub fn starting_point(name: &str) -> Option<&'static StartingPoint> {
    STARTING_POINTS.iter().find(|point| point.name == name)
}
