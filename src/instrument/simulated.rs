//! The simulated microscope as an instrument in this process.

use super::{ErrorKind, Identity, Instrument, InstrumentError, Task, TaskReport};
use crate::bench::{Address, Channel};
use crate::quantity::{TimePoint, Unit};
use noctule_sim::{Act, Refusal, Signal};

// What the rest of the house needs of the physics, it takes from here.
pub use noctule_sim::cryo::{CryostatParams, boiled_l};
pub use noctule_sim::microscope::{Chronicle, ColdTruth, Microscope, SpinStay, TipStay, tip_field_within_t};
pub use noctule_sim::resonance::width_hz;
pub use noctule_sim::spin::case;
pub use noctule_sim::world::{WORLD, World};

/// A simulated microscope behind the instrument contract.
#[derive(Debug)]
pub struct Simulated {
    microscope: Microscope,
    report: Option<TaskReport>,
    /// Size of the unit of what a running trace reads.
    traced_unit: f64,
}

impl Simulated {
    /// Around a microscope.
    pub fn new(microscope: Microscope) -> Self {
        Self { microscope, report: None, traced_unit: 1.0 }
    }

    /// The microscope, to look at its truth or to inflict faults on it.
    pub fn microscope_mut(&mut self) -> &mut Microscope {
        &mut self.microscope
    }
}

fn signal_of(channel: &Channel) -> Result<Signal, InstrumentError> {
    match &channel.address {
        Address::Signal(signal) => Ok(*signal),
        Address::Scpi(_) | Address::Named(_) => {
            let message = format!("`{}` is no signal of the simulated microscope", channel.name);
            Err(InstrumentError::new(ErrorKind::Absent, message))
        }
    }
}

/// Size of a signal's unit in SI: only the helium gauge speaks in litres.
fn unit_size(signal: Signal) -> f64 {
    match signal.unit() {
        "L" => 1e-3,
        unit => {
            debug_assert!(Unit::parse(unit).is_some_and(|u| u.to_si(1.0) == 1.0), "{unit}");
            1.0
        }
    }
}

fn refused(refusal: &Refusal) -> InstrumentError {
    let kind = match refusal {
        Refusal::Busy(_) => ErrorKind::Busy,
        Refusal::Invalid(_) | Refusal::NotNow(_) => ErrorKind::Refused,
    };
    InstrumentError::new(kind, refusal.to_string())
}

/// The act of the simulated microscope that a task stands for.
pub fn act_of(task: &Task, traced: Option<Signal>) -> Result<Act, InstrumentError> {
    Ok(match *task {
        Task::Approach => Act::Approach,
        Task::Withdraw => Act::Withdraw,
        Task::CoarseStep { steps } => Act::CoarseStep { steps },
        Task::CoarseShift { x_steps, y_steps } => Act::CoarseShift { x_steps, y_steps },
        Task::MoveTip { x_m, y_m, speed_m_s } => Act::MoveTip { x_m, y_m, speed_m_s },
        Task::Pulse { volts, length_s } => Act::Pulse { volts, length_s },
        Task::PickUp => Act::PickUp,
        Task::PutDown => Act::PutDown,
        Task::Trace { samples, interval_s, .. } => {
            let signal =
                traced.ok_or_else(|| InstrumentError::new(ErrorKind::Refused, "a trace needs a channel"))?;
            Act::Trace { signal, samples, interval_s }
        }
        Task::Image { x_m, y_m, size_m, pixels, line_s } => Act::Image { x_m, y_m, size_m, pixels, line_s },
        Task::Regenerate => Act::Regenerate,
        Task::Persist { persistent } => Act::Persist { persistent },
    })
}

impl Instrument for Simulated {
    fn identify(&mut self) -> Result<Identity, InstrumentError> {
        let text = format!("noctule,simulated microscope,{},0", self.microscope.world().name);
        Ok(Identity { text, simulated: true })
    }

    fn set(&mut self, channel: &Channel, si: f64) -> Result<(), InstrumentError> {
        let signal = signal_of(channel)?;
        self.microscope.set(signal, si / unit_size(signal)).map_err(|refusal| refused(&refusal))
    }

    fn read(&mut self, channel: &Channel) -> Result<f64, InstrumentError> {
        let signal = signal_of(channel)?;
        let value = self.microscope.read(signal) * unit_size(signal);
        if value.is_finite() {
            return Ok(value);
        }
        let message = format!("`{}` shows no finite number", channel.name);
        Err(InstrumentError::new(ErrorKind::Garbled, message))
    }

    fn begin(&mut self, task: &Task, traced: Option<&Channel>) -> Result<(), InstrumentError> {
        let signal = traced.map(signal_of).transpose()?;
        let act = act_of(task, signal)?;
        self.microscope.begin(act).map_err(|refusal| refused(&refusal))?;
        self.report = None;
        self.traced_unit = signal.map_or(1.0, unit_size);
        Ok(())
    }

    fn poll(&mut self) -> Result<Option<TaskReport>, InstrumentError> {
        if let Some(report) = self.microscope.poll() {
            let (achieved, remark) = (report.achieved, report.remark);
            let data = report.data.into_iter().map(|value| value * self.traced_unit).collect();
            self.report = Some(TaskReport { achieved, remark, data });
        }
        if self.microscope.busy() {
            return Ok(None);
        }
        if let Some(report) = &self.report {
            return Ok(Some(report.clone()));
        }
        Err(InstrumentError::new(ErrorKind::Refused, "no task is running"))
    }

    fn abort(&mut self) -> Result<(), InstrumentError> {
        self.microscope.abort();
        Ok(())
    }

    fn reconnect(&mut self) -> Result<(), InstrumentError> {
        Ok(())
    }

    fn set_pace(&mut self, _pace: f64) -> Result<(), InstrumentError> {
        // It is told the time with every command, whatever the pace.
        Ok(())
    }

    fn fill_helium(&mut self, to_m3: f64) -> Option<f64> {
        let to_l = to_m3 / unit_size(Signal::HeliumLevel);
        self.microscope.begin_transfer(to_l).map_err(|error| tracing::warn!(%error, "no transfer")).ok()
    }

    fn pass_time(&mut self, now: TimePoint) {
        self.microscope.advance_to(now.s());
    }

    fn chronicle(&self) -> Option<Chronicle> {
        Some(self.microscope.chronicle())
    }
}
