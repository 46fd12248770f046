//! What a helium transfer does besides filling the bath.

use noctule_ground::section;
use noctule_ground::section::{Described, Range, number, si, vector};

section! {
    /// The disturbance of a helium transfer. What is left out disturbs nothing.
    #[derive(Debug, Clone, Copy, PartialEq, Default)]
    pub struct TransferParams = "Transfer" checked by TransferParams::check {
        /// Heat on the sample stage while helium flows: the neck warms, gas streams past the shields.
        pub stage_w: f64 = number("mW", 1e-3, Range::NotNegative), "stage_mw" or "0";
        /// Gas set free in the microscope's chamber when it begins and when it ends.
        pub burst_pa: f64 = si("Pa", Range::NotNegative), "burst_pa" or "0";
        /// Velocity at which the sample drifts away when it begins (x, y, z).
        pub drift_m_s: [f64; 3] = vector("pm/s", 1e-12, Range::Within(-100.0, 100.0)), "drift_pm_s" or "[0, 0, 0]";
        /// Time constant with which that dies out; above zero if there is a drift.
        pub drift_tau_s: f64 = number("min", 60.0, Range::NotNegative), "drift_min" or "0";
    }
}

impl TransferParams {
    /// All faults, one sentence each; empty if there is none.
    pub fn check(&self) -> Vec<String> {
        let mut faults = self.out_of_range();
        if self.drift_m_s != [0.0; 3] && self.drift_tau_s == 0.0 {
            faults.push("`drift_min` must be above zero, or the drift never dies out".to_owned());
        }
        faults
    }
}
