//! Signs of life of the loop.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Counts signs of life: the loop adds to them, and whoever tells the keeper looks whether more have come.
#[derive(Debug, Clone, Default)]
pub struct Pulse(Arc<AtomicU64>);

impl Pulse {
    /// A sign of life.
    pub fn beat(&self) {
        self.0.fetch_add(1, Ordering::Relaxed);
    }

    /// How many there were.
    pub fn count(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }
}
