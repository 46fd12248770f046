//! How the bench stood at an end of a sweep.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How the bench stood, by the names of its channels, SI.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Settings {
    /// Channels that can be set: what each was last told, else what was last read of it.
    pub set: BTreeMap<String, f64>,
    /// Last readings of the others, where they are not too old to tell.
    pub read: BTreeMap<String, f64>,
    /// The tip.
    #[serde(default)]
    pub tip: TipNow,
    /// The kept spin under the tip.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spin: Option<String>,
}

/// The tip at that moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct TipNow {
    /// Number of its state in this run: it grows with each attempt to change the tip.
    pub segment: u32,
    /// Whether it was proved to show spins, and not found changed since.
    pub proved: bool,
    /// Whether it stood on a top on which it had been centred.
    pub centred: bool,
}
