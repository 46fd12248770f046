//! Transmission of the line from the source to the junction.
//!
//! T(f) in dB = smooth loss + ripple + resonances. The loss of a coaxial line grows as √f in
//! its conductors and as f in its insulation; ripple comes from reflections between two places,
//! one cosine a pair; a resonance of a box or a bond wire is a Lorentzian dip or peak in dB.
//! The doubling at the open end is not part of T; see [`junction_volts`](super::junction_volts).

use super::RfSourceParams;
use noctule_ground::section;
use noctule_ground::section::{Range, number, si};
use std::f64::consts::TAU;

/// No part of a line loses more.
const LOSS_DB: Range = Range::Within(0.0, 200.0);

section! {
    /// Ripple from one pair of reflections: `amplitude_db` · cos(2πf·delay + `phase_rad`).
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct StandingWave = "Wave" {
        /// Half of the distance between highest and lowest transmission.
        pub amplitude_db: f64 = si("dB", Range::Within(0.0, 40.0)), "amplitude_db";
        /// Time for the way there and back between the two places. The ripple's period is 1/delay.
        pub delay_s: f64 = number("ns", 1e-9, Range::Within(1e-6, 1e6)), "delay_ns";
        /// Phase at zero frequency.
        pub phase_rad: f64 = si("rad", Range::Within(-1e3, 1e3)), "phase_rad";
    }
}

section! {
    /// A resonance of the line: `height_db` / (1 + ((f−centre)/(fwhm/2))²).
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct LineResonance = "Resonance" {
        /// Where it is.
        pub centre_hz: f64 = number("GHz", 1e9, Range::Positive), "centre_ghz";
        /// Full width at half height.
        pub fwhm_hz: f64 = number("MHz", 1e6, Range::Positive), "fwhm_mhz";
        /// Height; negative for a dip.
        pub height_db: f64 = si("dB", Range::Within(-100.0, 30.0)), "height_db";
    }
}

section! {
    /// Everything that shapes the transmission.
    #[derive(Debug, Clone, PartialEq)]
    pub struct RfLine = "Rf" {
        /// Loss at zero frequency (attenuators).
        pub fixed_loss_db: f64 = si("dB", LOSS_DB), "fixed_loss_db";
        /// Loss in the conductors at `loss_reference_ghz`; grows as the root of the frequency.
        pub conductor_loss_db: f64 = si("dB", LOSS_DB), "conductor_loss_db";
        /// Loss in the insulation at `loss_reference_ghz`; grows with the frequency.
        pub insulation_loss_db: f64 = si("dB", LOSS_DB), "insulation_loss_db";
        /// Frequency at which the two losses are given.
        pub reference_hz: f64 = number("GHz", 1e9, Range::Positive), "loss_reference_ghz";
        /// Ripple.
        pub waves: Vec<StandingWave> = StandingWave::PARTS, "ripple";
        /// Dips and peaks.
        pub resonances: Vec<LineResonance> = LineResonance::PARTS, "resonances";
    }
}

section! {
    /// The RF source and the line from it to the junction.
    #[derive(Debug, Clone, PartialEq)]
    pub struct Rf = "Rf" {
    } and {
        /// The source.
        pub source: RfSourceParams;
        /// The line.
        pub line: RfLine;
    }
}

/// What a line that warms or whose dielectric changes differs in from itself.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LineDrift {
    /// More loss, dB.
    pub loss_db: f64,
    /// Turn of all ripple, rad: its features move by −`phase_rad`/(2π·delay).
    pub phase_rad: f64,
    /// How far the resonances have moved, Hz.
    pub resonance_hz: f64,
}

impl RfLine {
    /// Transmission in dB at `frequency_hz`, negative for a loss.
    pub fn transmission_db(&self, frequency_hz: f64) -> f64 {
        self.drifted_db(frequency_hz, LineDrift::default())
    }

    /// The same with the line warmed or its dielectric changed.
    pub fn drifted_db(&self, frequency_hz: f64, drift: LineDrift) -> f64 {
        let relative = (frequency_hz / self.reference_hz).max(0.0);
        let smooth_db = self.fixed_loss_db
            + self.conductor_loss_db * relative.sqrt()
            + self.insulation_loss_db * relative;
        let ripple_db: f64 = ripple_db(&self.waves, frequency_hz, drift.phase_rad);
        let resonances_db: f64 = self
            .resonances
            .iter()
            .map(|r| {
                let offset = 2.0 * (frequency_hz - r.centre_hz - drift.resonance_hz) / r.fwhm_hz;
                r.height_db / (1.0 + offset * offset)
            })
            .sum();
        ripple_db + resonances_db - smooth_db - drift.loss_db
    }
}

/// Sum of the standing waves at `frequency_hz`, dB.
pub(super) fn ripple_db(waves: &[StandingWave], frequency_hz: f64, phase_rad: f64) -> f64 {
    let turned = |w: &StandingWave| TAU * frequency_hz * w.delay_s + w.phase_rad + phase_rad;
    waves.iter().map(|w| w.amplitude_db * turned(w).cos()).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::examples::Example;
    use noctule_ground::section::Described;

    #[test]
    fn the_example_is_sound_and_lossy() {
        let line = RfLine::example();
        assert_eq!(line.out_of_range(), Vec::<String>::new());
        for step in 0..400 {
            assert!(line.transmission_db(1e9 + 1e8 * f64::from(step)) < 0.0);
        }
    }

    #[test]
    fn each_part_does_its_share() {
        let mut line = RfLine::example();
        line.waves.clear();
        line.resonances.clear();
        assert!((line.transmission_db(10e9) + 26.0).abs() < 1e-12);
        assert!((line.transmission_db(40e9) + 10.0 + 28.0 + 8.0).abs() < 1e-12);
        line.resonances.push(LineResonance { centre_hz: 10e9, fwhm_hz: 50e6, height_db: -8.0 });
        assert!((line.transmission_db(10e9) + 34.0).abs() < 1e-12);
        line.waves.push(StandingWave { amplitude_db: 2.0, delay_s: 1e-9, phase_rad: 0.0 });
        let period_apart = line.transmission_db(20e9) - line.transmission_db(20.5e9);
        assert!(period_apart > 3.5, "half a period of 1 GHz away the ripple has turned over");
    }

    /// cos(2πfτ + φ) turned by φ is the one at f + φ/(2πτ): a quarter turn of 4 ns is 62.5 MHz.
    #[test]
    fn a_turned_ripple_has_moved() {
        let mut line = RfLine::example();
        line.waves = vec![StandingWave { amplitude_db: 1.5, delay_s: 4e-9, phase_rad: 0.3 }];
        line.resonances.clear();
        (line.conductor_loss_db, line.insulation_loss_db) = (0.0, 0.0);
        for f_hz in [11e9, 14.03e9, 17.7e9] {
            let found = line
                .drifted_db(f_hz, LineDrift { loss_db: 0.2, phase_rad: TAU / 4.0, ..LineDrift::default() });
            assert!((found + 0.2 - line.transmission_db(f_hz + 62.5e6)).abs() < 1e-9);
        }
    }

    /// A resonance that has moved by 3 MHz has at 14.003 GHz what it had at 14 GHz.
    #[test]
    fn a_moved_resonance_is_the_same_elsewhere() {
        let mut line = RfLine::example();
        line.waves.clear();
        (line.conductor_loss_db, line.insulation_loss_db) = (0.0, 0.0);
        let moved = LineDrift { resonance_hz: 3e6, ..LineDrift::default() };
        for f_hz in [14.1e9, 14.2e9, 14.23e9] {
            assert!((line.drifted_db(f_hz + 3e6, moved) - line.transmission_db(f_hz)).abs() < 1e-9);
        }
    }

    #[test]
    fn faults_are_told_all_at_once() {
        let mut line = RfLine::example();
        line.fixed_loss_db = -1.0;
        line.waves[1].delay_s = f64::NAN;
        line.resonances[0].fwhm_hz = 0.0;
        assert_eq!(line.out_of_range().len(), 3);
    }
}
