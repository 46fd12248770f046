//! The tip, the spins that are kept, and what a sequence says that it achieved, as they stand in a record.

use super::words::words;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

words! {
    /// What a sequence says that it achieved.
    pub enum Achieved {
        /// A tip was made, or found good.
        Made = "made",
        /// A resonance was proved.
        Proved = "proved",
        /// An area was mapped.
        Mapped = "mapped",
        /// Nothing, for a reason.
        Nothing = "nothing",
    }
}

/// The result that a sequence has declared.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Declared {
    /// What was achieved.
    pub what: Achieved,
    /// More on it, or why nothing was.
    pub about: String,
}

impl Declared {
    /// For people: `made: 4 atoms`.
    pub fn in_words(&self) -> String {
        if self.about.is_empty() {
            self.what.word().to_owned()
        } else {
            format!("{}: {}", self.what.word(), self.about)
        }
    }
}

/// What the sequence before in a queue has declared.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Earlier {
    /// Its name.
    pub sequence: String,
    /// Its result, if it declared one.
    pub declared: Option<Declared>,
}

words! {
    /// Whether a current over an atom shows two levels.
    pub enum TipVerdict {
        /// Two levels.
        Contrast = "contrast",
        /// One level.
        None = "none",
        /// It can't be told.
        Undecided = "undecided",
    }
}

/// What a test of the tip has found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TipFinding {
    /// Whether there is contrast.
    pub verdict: TipVerdict,
    /// Polarisation and its standard error, where there are two levels.
    pub polarisation: Option<[f64; 2]>,
}

/// A test of the tip over one atom, with what the engine knows of where and how it was made.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TipTest {
    /// When, s.
    pub at_s: f64,
    /// What was found.
    pub finding: TipFinding,
    /// Where the tip stood, m.
    pub at_m: [f64; 2],
    /// The field, T (x, z).
    pub field_t: [f64; 2],
    /// Temperature of the stage, K; 0 where it is not known.
    #[serde(default)]
    pub stage_k: f64,
    /// Whether the tip stood on a top on which it had been centred.
    pub centred: bool,
}

/// A test that found the tip good, in an area that may be another one.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct GoodElsewhere {
    /// When, s.
    pub at_s: f64,
    /// The area, in coarse steps from where the run began.
    pub area: [i64; 2],
}

/// A spin that is kept: nothing is done to it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeptSpin {
    /// Its name.
    pub name: String,
    /// Where it was last known, m.
    pub at_m: [f64; 2],
    /// When that was, s.
    pub seen_s: f64,
    /// The area in which it lies, in coarse steps from where the run began.
    pub area: [i64; 2],
    /// How often the coarse motor had moved along the surface when it was last seen.
    pub shifts: u64,
}

/// What is known of the tip that is in, and of what is kept from it. Times are of the run; what was before it is
/// negative.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct TipLife {
    /// Atoms lifted less atoms put down since the beginning of what is known.
    pub atoms: i64,
    /// Attempts to change it.
    pub touches: u32,
    /// Tests that found it good since it was last changed.
    pub tests: Vec<TipTest>,
    /// What is left of those from before the coarse motor moved: their places mean nothing any more.
    pub elsewhere: Vec<GoodElsewhere>,
    /// The last tests that count, whatever they found, since a watch last found the tip changed; a few at most.
    pub recent: Vec<TipTest>,
    /// Since when it is proved, if it is.
    pub proved_s: Option<f64>,
    /// Tests after that which did not find it any more.
    pub lost: Vec<TipTest>,
    /// When a person last looked at it and found it good.
    pub looked_s: Option<f64>,
    /// Until when a person's word lets it be touched.
    pub word_until_s: Option<f64>,
    /// Spins that are kept.
    pub kept: Vec<KeptSpin>,
    /// The area, in coarse steps from where the run began.
    pub area: [i64; 2],
    /// Coarse steps by which it may be another one, since they were not seen to be done.
    pub area_doubt: i64,
    /// How often the coarse motor has moved along the surface.
    pub shifts: u64,
    /// Acts that were refused for the sake of the tip or of a kept spin.
    pub refused: u32,
}

/// What was known when a run began: of the tip, from the logbook, and of the sequence before it in the queue.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Beforehand {
    /// The tip that is in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tip: Option<Box<TipLife>>,
    /// The sequence before.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub earlier: Option<Earlier>,
    /// When the pot was last condensed, s.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub condensed_s: Option<f64>,
    /// How far the goals of the plan are, where a run is resumed: its own record tells them.
    #[serde(skip)]
    pub goals: Option<Box<super::Goals>>,
    /// What else the logbook knows, where the sequence may ask for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub memory: Option<Arc<super::Memory>>,
    /// How long it takes on this bench to bring the tip out, s, where that was measured: so much is kept at the end of a
    /// window.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub withdraws_in_s: Option<f64>,
}
