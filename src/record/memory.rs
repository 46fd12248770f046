//! What the logbook knows when a run begins, as it stands at the head of a record: spins, maps of areas, earlier spectra.
//!
//! A sequence asks this and nothing else, so a replay and a rehearsal that is lived again get the same answers, whatever the
//! logbook says by then. Times are of the run: what was before it is negative.

use serde::{Deserialize, Serialize};

/// What the logbook knows.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Memory {
    /// What lies in each area: places on its map and heights, m.
    pub areas: Vec<Vec<[f64; 3]>>,
    /// Spins that were measured.
    pub spins: Vec<KnownSpin>,
    /// Sweeps along one axis, the latest first; a few hundred at most.
    pub spectra: Vec<KnownSpectrum>,
}

/// A spin that was measured before.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KnownSpin {
    /// Its id.
    pub id: String,
    /// Names that sequences gave it.
    pub names: String,
    /// Its area.
    pub area: usize,
    /// Where it lies on the map of the area, m.
    pub at_m: [f64; 2],
    /// When the tip was last centred on it, s.
    pub last_s: f64,
    /// Its moment with the error, Bohr magnetons, where it was proved.
    pub moment: Option<[f64; 2]>,
}

/// A sweep of an earlier run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "fields are named after what they hold; SI")]
pub struct KnownSpectrum {
    pub run: String,
    pub sweep: u64,
    pub name: String,
    pub channel: String,
    pub ends: [f64; 2],
    pub points: u64,
    pub at_s: f64,
    pub tip: u64,
    pub spin: Option<String>,
    pub field_t: Option<f64>,
    pub verdict: String,
    /// Values of the axis; only the latest sweeps have their data here.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub x: Vec<f64>,
    /// Readings by channel.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub columns: Vec<(String, Vec<f64>)>,
}
