//! What can be set.

use super::{LockReference, Microscope};
use crate::Signal;
use crate::act::Refusal;

/// Largest bias either way, V.
const BIAS_MAX_V: f64 = 10.0;
/// Smallest current the loop can hold, A.
const SETPOINT_MIN_A: f64 = 1e-14;
/// Largest power of the heater on the stage, W.
const HEATER_MAX_W: f64 = 0.1;
/// Largest bias modulation, V.
const MODULATION_MAX_V: f64 = 1.0;

impl Microscope {
    /// Sets a signal, in its unit. A field is a target that the magnet ramps to by itself.
    ///
    /// # Errors
    /// [`Refusal::Invalid`] if the signal cannot be set or the value makes no sense for it;
    /// [`Refusal::NotNow`] if the present state forbids it. Nothing has changed then.
    pub fn set(&mut self, signal: Signal, value: f64) -> Result<(), Refusal> {
        self.seen = None;
        if !signal.settable() {
            return Err(Refusal::Invalid(format!("`{}` can only be read", signal.name())));
        }
        if !value.is_finite() {
            return Err(Refusal::Invalid(format!("`{}` needs a number, not {value}", signal.name())));
        }
        match signal {
            Signal::RfFrequency => self.set_rf(|source| source.set_frequency(value)),
            Signal::RfLevel => self.set_rf(|source| source.set_level(value)),
            Signal::RfOutput => {
                let on = flag(signal, value)?;
                self.set_rf(|source| {
                    source.set_output(on);
                    Ok(())
                })
            }
            Signal::FieldZ => self.plant.set_field(self.now_s, 0, value),
            Signal::FieldX => self.plant.set_field(self.now_s, 1, value),
            Signal::TipX | Signal::TipY => self.set_position(signal, value),
            Signal::Bias => {
                within(signal, value, -BIAS_MAX_V, BIAS_MAX_V)?;
                self.set_knob(|m| m.knobs.bias_v = value);
                Ok(())
            }
            Signal::Setpoint => {
                let size_a = value.abs();
                within(signal, size_a, SETPOINT_MIN_A, self.world.junction.amplifier.range_a)?;
                self.set_knob(|m| m.knobs.setpoint_a = size_a);
                Ok(())
            }
            Signal::Feedback => self.set_feedback(flag(signal, value)?),
            Signal::StageHeater => {
                within(signal, value, 0.0, HEATER_MAX_W)?;
                self.plant.catch_up(self.now_s);
                self.plant.heater_w = value;
                Ok(())
            }
            _ => self.set_lockin(signal, value),
        }
    }

    /// Where a field goes to, T; none for what is no field.
    pub fn field_target_t(&self, signal: Signal) -> Option<f64> {
        match signal {
            Signal::FieldZ => Some(self.plant.field_target_t(0)),
            Signal::FieldX => Some(self.plant.field_target_t(1)),
            _ => None,
        }
    }

    fn set_rf(
        &mut self,
        change: impl FnOnce(&mut crate::rf::RfSource) -> Result<(), crate::rf::RfError>,
    ) -> Result<(), Refusal> {
        self.sync_lock();
        change(&mut self.plant.source).map_err(|error| Refusal::Invalid(error.to_string()))?;
        Ok(())
    }

    /// A change that the loop has to follow.
    fn set_knob(&mut self, change: impl FnOnce(&mut Self)) {
        self.sync_lock();
        self.through_change(change);
        self.refresh();
    }

    fn set_position(&mut self, signal: Signal, value: f64) -> Result<(), Refusal> {
        let range_m = self.world.scanner.range_m;
        within(signal, value, -range_m, range_m)?;
        if let Some(running) = self.running.as_ref().filter(|running| running.moves_tip()) {
            return Err(Refusal::Busy(running.name()));
        }
        let from_m = self.motion.at_m(self.now_s);
        let to_m = if signal == Signal::TipX { [value, from_m[1]] } else { [from_m[0], value] };
        let now_s = self.now_s;
        self.set_knob(|m| {
            m.motion.jump(now_s, to_m);
            m.drift.moved(now_s, [to_m[0] - from_m[0], to_m[1] - from_m[1]]);
        });
        Ok(())
    }

    fn set_feedback(&mut self, closed: bool) -> Result<(), Refusal> {
        self.sync_lock();
        if self.motion.approached {
            let (junction, target_m) = self.junction();
            self.height_loop.close(self.now_s, closed, junction.gap_m + junction.surface_m, target_m);
            self.refresh();
        } else {
            self.height_loop.close(self.now_s, closed, 0.0, 0.0);
        }
        Ok(())
    }

    fn set_lockin(&mut self, signal: Signal, value: f64) -> Result<(), Refusal> {
        self.sync_lock();
        match signal {
            Signal::LockinReference => {
                self.knobs.reference = match whole(signal, value, 0, 2)? {
                    0 => LockReference::Chop,
                    1 => LockReference::Fundamental,
                    _ => LockReference::Second,
                };
                Ok(())
            }
            Signal::LockinModulation => {
                within(signal, value, 0.0, MODULATION_MAX_V)?;
                self.knobs.modulation_v = value;
                Ok(())
            }
            Signal::LockinTimeConstant => {
                within(signal, value, 1e-5, 1e3)?;
                self.lock.set_time_constant(value).map_err(Refusal::Invalid)
            }
            _ => {
                let order = whole(signal, value, 1, 4)?;
                self.lock.set_order(order).map_err(Refusal::Invalid)
            }
        }
    }
}

fn within(signal: Signal, value: f64, low: f64, high: f64) -> Result<(), Refusal> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    let unit = signal.unit();
    Err(Refusal::Invalid(format!("`{}` takes {low:e} to {high:e} {unit}, not {value:e}", signal.name())))
}

fn whole(signal: Signal, value: f64, low: u32, high: u32) -> Result<u32, Refusal> {
    within(signal, value, f64::from(low), f64::from(high))?;
    if value.fract() != 0.0 {
        return Err(Refusal::Invalid(format!("`{}` takes a whole number, not {value}", signal.name())));
    }
    Ok(value as u32)
}

fn flag(signal: Signal, value: f64) -> Result<bool, Refusal> {
    Ok(whole(signal, value, 0, 1)? == 1)
}
