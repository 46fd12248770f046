//! Chamber pressures and pumps.
//!
//! [`Chamber`] is one vessel with its pump and gauge, exact over any time; the free functions
//! convert units and say what a residual gas does to a clean surface.

mod chamber;
mod gas;

pub use chamber::{Chamber, ChamberParams};
pub use gas::{
    Gas, LANGMUIR_PA_S, MBAR_PA, MONOLAYER_M2, TORR_PA, coverage_ml, dose_langmuir, flux_m2_s, mbar_to_pa,
    monolayer_s, pa_to_mbar, pa_to_torr, torr_to_pa,
};
