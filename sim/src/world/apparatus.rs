//! Junction and scanner of a world file.

use crate::tunnel::{Amplifier, Shape};
use noctule_ground::section;
use noctule_ground::section::{FRACTION, Range, number, plain, si};

section! {
    /// The tunnel junction over bare film, and the amplifier behind it.
    #[derive(Debug, Clone, PartialEq)]
    pub struct Junction = "Junction" {
        /// Work function.
        pub work_function_ev: f64 = si("eV", Range::Within(0.5, 10.0)), "work_function_ev";
        /// Part of the elastic conductance that a spin's own excitation adds.
        pub spin_step_fraction: f64 = plain(Range::Within(0.0, 10.0)), "spin_step_fraction";
        /// Electrons stay at least this warm.
        pub electron_floor_k: f64 = si("K", Range::Positive), "electron_floor_k";
        /// How far to the side a spin is still seen: standard deviation.
        pub lateral_m: f64 = number("nm", 1e-9, Range::Positive), "lateral_nm";
        /// Bias offset at the amplifier's input: the bias is never quite zero.
        pub offset_v: f64 = number("mV", 1e-3, Range::Positive), "offset_mv";
    } and {
        /// Current against bias over bare film.
        pub shape: Shape;
        /// The amplifier.
        pub amplifier: Amplifier;
    }
}

section! {
    /// The scanner, its loop and the coarse motor.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Scanner = "Scanner" {
        /// Largest coordinate along x and y.
        pub range_m: f64 = number("nm", 1e-9, Range::Positive), "range_nm";
        /// Bandwidth of the height loop.
        pub bandwidth_hz: f64 = si("Hz", Range::Positive), "loop_bandwidth_hz";
        /// Noise of the height reading.
        pub height_noise_m: f64 = number("pm", 1e-12, Range::NotNegative), "height_noise_pm";
        /// How far the tip is pulled back when it is withdrawn.
        pub withdraw_m: f64 = number("nm", 1e-9, Range::Positive), "withdraw_nm";
        /// Speed of an approach.
        pub approach_m_s: f64 = number("nm/s", 1e-9, Range::Positive), "approach_nm_s";
        /// How exactly the tip lands where it was: standard deviation.
        pub landing_m: f64 = number("nm", 1e-9, Range::NotNegative), "landing_scatter_nm";
        /// One step of the coarse motor.
        pub coarse_step_m: f64 = number("nm", 1e-9, Range::Positive), "coarse_step_nm";
        /// One step of the coarse motor along the surface.
        pub lateral_step_m: f64 = number("nm", 1e-9, Range::Positive), "lateral_step_nm" or "150";
        /// How unevenly it steps along the surface: standard deviation of a way, as a part of it.
        pub lateral_scatter: f64 = plain(FRACTION), "lateral_scatter" or "0.1";
        /// Chance that an approach ends in the surface.
        pub crash_chance: f64 = plain(FRACTION), "approach_crash_chance";
    }
}
