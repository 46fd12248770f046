//! How a tip is tested, and what is precious on a bench.

use crate::quantity::Dimension;
use noctule_ground::section;
use noctule_ground::section::{Kind, Range};

const VOLTAGE: Kind = Kind::Quantity(Dimension::VOLTAGE, Range::Positive);
const CURRENT: Kind = Kind::Quantity(Dimension::CURRENT, Range::Positive);

section! {
    /// How a tip is tested: over an atom, with the height loop open, by the levels of the current (`test_tip`).
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct TipTests = "TipTests" {
        /// Bias of a test: above the one at which electrons switch the apex.
        pub bias_v: f64 = VOLTAGE, "bias" or "100 mV";
        /// Setpoint of a test.
        pub setpoint_a: f64 = CURRENT, "setpoint" or "100 pA";
        /// Readings of the current in a test.
        pub samples: u32 = Kind::Whole(100, 100_000), "samples" or "2400";
        /// Time between two readings.
        pub interval_s: f64 = Kind::Quantity(Dimension::TIME, Range::Within(1e-4, 1.0)), "interval" or "5 ms";
        /// Smallest polarisation of a tip that is good.
        pub good: f64 = Kind::Quantity(Dimension::NONE, Range::Within(0.001, 1.0)), "good" or "10 %";
        /// How long it must stay so before the tip counts as proved.
        pub stable_s: f64 = Kind::Quantity(Dimension::TIME, Range::NotNegative), "stable" or "30 min";
    }
}

section! {
    /// What is precious. A proved tip is touched only after tests have found it lost, and spins that are kept are never
    /// touched; no sequence can change that.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Guard = "Guard" {
        /// How often tests must find a proved tip lost before it may be touched.
        pub lost: u32 = Kind::Whole(1, 10), "lost" or "2";
        /// For so long after a person's look it is touched by a person's word alone.
        pub after_look_s: f64 = Kind::Quantity(Dimension::TIME, Range::NotNegative), "after_look" or "12 h";
        /// A bias above this can harm a tip.
        pub bias_above_v: f64 = VOLTAGE, "bias_above" or "200 mV";
        /// A setpoint above this can harm a tip, on the way in and after it.
        pub setpoint_above_a: f64 = CURRENT, "setpoint_above" or "150 pA";
        /// How near to a kept spin nothing is lifted, put down or pulsed; what may have drifted is added.
        pub kept_radius_m: f64 = Kind::Quantity(Dimension::LENGTH, Range::Positive), "kept_radius" or "1.5 nm";
    }
}

impl Default for Guard {
    fn default() -> Self {
        noctule_ground::section::left_out()
    }
}
