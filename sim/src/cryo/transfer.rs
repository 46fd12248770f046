//! What a helium transfer does besides filling the bath.

use super::bounds::Bounds;

/// The disturbance of a transfer. The default disturbs nothing.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TransferParams {
    /// Heat on the sample stage while helium flows, W: the neck warms, gas streams past the shields.
    pub stage_w: f64,
    /// Gas set free in the microscope's chamber when it begins and when it ends, Pa.
    pub burst_pa: f64,
    /// Velocity at which the sample drifts away when it begins, m/s (x, y, z).
    pub drift_m_s: [f64; 3],
    /// Time constant with which that dies out, s.
    pub drift_tau_s: f64,
}

impl TransferParams {
    /// All faults, one sentence each; empty if there is none.
    pub fn check(&self) -> Vec<String> {
        let mut bounds = Bounds::new();
        bounds.not_negative("stage_mw", self.stage_w);
        bounds.not_negative("burst_pa", self.burst_pa);
        for velocity in self.drift_m_s {
            bounds.within("drift_pm_s", velocity * 1e12, -100.0, 100.0);
        }
        if self.drift_m_s != [0.0; 3] {
            bounds.positive("drift_min", self.drift_tau_s);
        }
        bounds.done()
    }
}
