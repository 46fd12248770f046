//! How the current falls with distance.

use crate::spin::constants::{CONDUCTANCE_QUANTUM_S, E_C, HBAR_J_S, M_E_KG};

/// A vacuum barrier of one height.
///
/// The current is `I = G0·u·exp(−2κd)` with `2κ = 2√(2mφ)/ħ`, where `u` is the
/// effective voltage of the [`Shape`](super::Shape).
///
/// ```
/// let barrier = noctule_sim::tunnel::Barrier::new(4.5);
/// let ratio = barrier.current_a(0.06, 0.6e-9) / barrier.current_a(0.06, 0.7e-9);
/// assert!((ratio - 8.789_657_716).abs() < 1e-6);
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Barrier {
    decay_per_m: f64,
}

impl Barrier {
    /// A barrier with the work function `work_function_ev`, eV; must be positive.
    pub fn new(work_function_ev: f64) -> Self {
        assert!(work_function_ev > 0.0, "a barrier needs a positive work function");
        Self { decay_per_m: 2.0 * (2.0 * M_E_KG * work_function_ev * E_C).sqrt() / HBAR_J_S }
    }

    /// 2κ, 1/m.
    pub fn decay_per_m(&self) -> f64 {
        self.decay_per_m
    }

    /// Current in A at the effective voltage `volts` and the gap `gap_m`.
    pub fn current_a(&self, volts: f64, gap_m: f64) -> f64 {
        CONDUCTANCE_QUANTUM_S * volts * (-self.decay_per_m * gap_m).exp()
    }

    /// The gap in m at which `current_a` flows; both arguments must have a size.
    pub fn gap_m(&self, volts: f64, current_a: f64) -> f64 {
        (CONDUCTANCE_QUANTUM_S * volts.abs() / current_a.abs()).ln() / self.decay_per_m
    }
}
