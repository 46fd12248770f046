//! What can go wrong with the simulated microscope, on request.

use crate::signal::Signal;

/// Something that happens to the apparatus, given to `Microscope::inflict`.
///
/// Those with a duration end by themselves; leak, warm-up, drift and a stuck
/// gauge also end with `Microscope::clear`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Fault {
    /// The bath loses so much more helium. Lasts.
    HeliumLeak {
        /// Extra loss, l/h.
        l_per_h: f64,
    },
    /// A burst of gas in the microscope's chamber, pumped off again.
    PressureBurst {
        /// Height of the burst, Pa.
        pa: f64,
    },
    /// The sample stage gets so much warmer. Lasts.
    WarmUp {
        /// Rise, K.
        k: f64,
    },
    /// The magnet quenches.
    Quench,
    /// The apex changes.
    TipChange,
    /// The tip touches the surface.
    TipCrash,
    /// The sample drifts so much faster, along x. Lasts.
    TipDrift {
        /// Extra velocity, m/s.
        m_per_s: f64,
    },
    /// The lock-in's input is overloaded.
    LockinOverload {
        /// How long, s.
        for_s: f64,
    },
    /// The RF source gives nothing.
    RfDropOut {
        /// How long, s.
        for_s: f64,
    },
    /// A gauge shows its last value.
    GaugeStuck {
        /// Which.
        signal: Signal,
        /// How long, s.
        for_s: f64,
    },
    /// A gauge shows not-a-number.
    GaugeNotANumber {
        /// Which.
        signal: Signal,
        /// How long, s.
        for_s: f64,
    },
    /// A gauge drifts off its true value.
    GaugeDrift {
        /// Which.
        signal: Signal,
        /// Drift in the signal's unit per second.
        per_s: f64,
        /// How long, s.
        for_s: f64,
    },
}

impl Fault {
    /// A short name for lists.
    pub fn name(&self) -> &'static str {
        match self {
            Fault::HeliumLeak { .. } => "helium leak",
            Fault::PressureBurst { .. } => "pressure burst",
            Fault::WarmUp { .. } => "warm-up",
            Fault::Quench => "quench",
            Fault::TipChange => "tip change",
            Fault::TipCrash => "tip crash",
            Fault::TipDrift { .. } => "tip drift",
            Fault::LockinOverload { .. } => "lock-in overload",
            Fault::RfDropOut { .. } => "RF drop-out",
            Fault::GaugeStuck { .. } => "gauge stuck",
            Fault::GaugeNotANumber { .. } => "gauge gives no number",
            Fault::GaugeDrift { .. } => "gauge drifts",
        }
    }

    /// How long it lasts by itself, s; `None` if it lasts until cleared or is over at once.
    pub fn for_s(&self) -> Option<f64> {
        match *self {
            Fault::LockinOverload { for_s }
            | Fault::RfDropOut { for_s }
            | Fault::GaugeStuck { for_s, .. }
            | Fault::GaugeNotANumber { for_s, .. }
            | Fault::GaugeDrift { for_s, .. } => Some(for_s),
            _ => None,
        }
    }
}
