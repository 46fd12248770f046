//! Chamber pressures and pumps: [`Chamber`] is one vessel with its pump and gauge, exact over any time.

mod chamber;

pub use chamber::{Chamber, ChamberParams};
