//! What the gauges show.

use super::{LockReference, Microscope};
use crate::Signal;

impl Microscope {
    /// What the gauge of `signal` shows now, in SI units (levels in dBm, helium in litres).
    ///
    /// Noise comes from the signal's own stream; nothing else changes. A gauge that is
    /// broken may show not-a-number.
    pub fn read(&mut self, signal: Signal) -> f64 {
        let at_lockin = matches!(signal, Signal::LockinX | Signal::LockinY | Signal::LockinOverload);
        if at_lockin && self.motion.approached {
            self.look();
        }
        let value = match signal {
            Signal::Bias => self.knobs.bias_v,
            Signal::Setpoint => self.knobs.setpoint_a,
            Signal::Feedback => f64::from(u8::from(self.height_loop.is_closed())),
            Signal::Current => self.read_current(),
            Signal::Height => self.read_height(),
            Signal::TipX => self.motion.at_m(self.now_s)[0],
            Signal::TipY => self.motion.at_m(self.now_s)[1],
            Signal::Approached => f64::from(u8::from(self.motion.approached)),
            Signal::FieldZ => self.plant.field_gauge_t(0, self.now_s, self.noise.stream(signal)),
            Signal::FieldX => self.plant.field_gauge_t(1, self.now_s, self.noise.stream(signal)),
            Signal::MagnetVoltage => self.plant.lead_gauge_v(self.noise.stream(signal)),
            Signal::RfFrequency => self.plant.source.frequency_hz(),
            Signal::RfLevel => self.plant.source.level_dbm(),
            Signal::RfOutput => f64::from(u8::from(self.plant.source.output())),
            Signal::LockinX => self.lockin_x_a(),
            Signal::LockinY => self.lockin_y_a(),
            Signal::LockinReference => match self.knobs.reference {
                LockReference::Chop => 0.0,
                LockReference::Fundamental => 1.0,
                LockReference::Second => 2.0,
            },
            Signal::LockinModulation => self.knobs.modulation_v,
            Signal::LockinTimeConstant => self.lock.in_phase.time_constant_s(),
            Signal::LockinOrder => f64::from(self.lock.in_phase.order()),
            Signal::LockinOverload => f64::from(u8::from(self.lockin_overload())),
            Signal::StageTemperature => self.plant.stage_thermometer_k(self.noise.stream(signal)),
            Signal::PotTemperature => self.plant.pot_thermometer_k(self.noise.stream(signal)),
            Signal::HeliumLevel => self.plant.helium_gauge_l(self.noise.stream(signal)),
            Signal::ChamberPressure => self.plant.chamber_gauge_pa(0, self.noise.stream(signal)),
            Signal::PreparationPressure => self.plant.chamber_gauge_pa(1, self.noise.stream(signal)),
            Signal::StageHeater => self.plant.heater_w,
        };
        let shown = self.lasting.distort(signal, self.now_s, value, self.noise.shown[signal as usize]);
        self.noise.shown[signal as usize] = shown;
        shown
    }

    fn read_current(&mut self) -> f64 {
        let amplifier = self.world.junction.amplifier;
        let mean_a = if !self.motion.approached {
            0.0
        } else if self.lasting.touching(self.now_s) {
            amplifier.range_a
        } else {
            self.look().current_a()
        };
        let mean_a = mean_a.clamp(-amplifier.range_a, amplifier.range_a);
        let loop_hz = if self.effects.loop_suppresses { self.world.scanner.bandwidth_hz } else { 0.0 };
        let closed = self.motion.approached && self.height_loop.is_closed();
        let noise = self.noise.current(self.now_s, amplifier.bandwidth_hz, loop_hz, closed);
        let white_a = amplifier.reading_rms(mean_a, self.barrier.decay_per_m()) * noise.white;
        let shown_a = mean_a * (1.0 + amplifier.flicker_relative * noise.slow) + white_a;
        shown_a.clamp(-amplifier.range_a, amplifier.range_a)
    }

    fn read_height(&mut self) -> f64 {
        let mean_m = if self.motion.approached {
            let junction = self.look();
            junction.gap_m + junction.surface_m
        } else {
            self.world.scanner.withdraw_m
        };
        let noise_m = self.world.scanner.height_noise_m;
        mean_m + noise_m * self.gauge(Signal::Height).normal()
    }
}
