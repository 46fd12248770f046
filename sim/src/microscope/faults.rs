//! Faults that were inflicted, and how long they last.

use super::Microscope;
use crate::Fault;
use crate::Signal;

/// How long the current stays at its limit after an inflicted crash, s.
const CONTACT_S: f64 = 5.0;

/// What spoils a gauge.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Spoilt {
    Stuck,
    Nan,
    Drift { per_s: f64 },
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct GaugeFault {
    signal: Signal,
    spoilt: Spoilt,
    since_s: f64,
    until_s: f64,
}

/// Faults that go on.
#[derive(Debug, Clone, Default)]
pub(super) struct Lasting {
    gauges: Vec<GaugeFault>,
    overload_until_s: f64,
    drop_out_until_s: f64,
    contact_until_s: f64,
}

impl Lasting {
    pub(super) fn overloaded(&self, now_s: f64) -> bool {
        now_s < self.overload_until_s
    }

    pub(super) fn touching(&self, now_s: f64) -> bool {
        now_s < self.contact_until_s
    }

    pub(super) fn expire(&mut self, now_s: f64) {
        self.gauges.retain(|fault| now_s < fault.until_s);
    }

    /// What a gauge shows instead of `value`; `last` is what it showed before.
    pub(super) fn distort(&self, signal: Signal, now_s: f64, value: f64, last: f64) -> f64 {
        let mut shown = value;
        for fault in &self.gauges {
            if fault.signal != signal || now_s < fault.since_s || now_s >= fault.until_s {
                continue;
            }
            shown = match fault.spoilt {
                Spoilt::Stuck if last.is_nan() => shown,
                Spoilt::Stuck => last,
                Spoilt::Nan => f64::NAN,
                Spoilt::Drift { per_s } => shown + per_s * (now_s - fault.since_s),
            };
        }
        shown
    }
}

impl Microscope {
    /// Makes something go wrong, now. Numbers that are none or negative lengths do nothing.
    pub fn inflict(&mut self, fault: Fault) {
        self.seen = None;
        let now_s = self.now_s;
        let until_s = now_s + fault.for_s().unwrap_or(0.0).max(0.0);
        match fault {
            Fault::HeliumLeak { l_per_h } => self.plant.leak(now_s, l_per_h),
            Fault::PressureBurst { pa } => self.plant.burst(now_s, pa),
            Fault::WarmUp { k } => self.plant.warm_up(now_s, k),
            Fault::Quench => self.plant.quench(now_s),
            Fault::TipChange => {
                let atoms = self.tip.atoms_after_change();
                self.change_tip(atoms);
            }
            // A withdrawn tip has nothing to touch.
            Fault::TipCrash if !self.motion.approached => {}
            Fault::TipCrash => {
                self.crash();
                self.lasting.contact_until_s = now_s + CONTACT_S;
            }
            Fault::TipDrift { m_per_s } if m_per_s.is_finite() => {
                self.drift.set_extra(now_s, [m_per_s, 0.0, 0.0]);
            }
            Fault::TipDrift { .. } => {}
            Fault::LockinOverload { .. } => {
                self.sync_lock();
                self.lasting.overload_until_s = until_s;
            }
            Fault::RfDropOut { .. } => {
                self.sync_lock();
                self.lasting.drop_out_until_s = until_s;
                self.plant.source.force_dropout(true);
            }
            Fault::GaugeStuck { signal, .. } => self.spoil(signal, Spoilt::Stuck, until_s),
            Fault::GaugeNotANumber { signal, .. } => self.spoil(signal, Spoilt::Nan, until_s),
            Fault::GaugeDrift { signal, per_s, .. } => self.spoil(signal, Spoilt::Drift { per_s }, until_s),
        }
    }

    /// Ends everything that lasts: leak, warm-up, drift, spoilt gauges, overload, drop-out.
    /// What has happened stays: a quenched magnet, a changed tip, helium that is gone.
    pub fn clear(&mut self) {
        self.seen = None;
        self.sync_lock();
        self.lasting = Lasting::default();
        self.plant.source.force_dropout(false);
        self.plant.clear(self.now_s);
        self.drift.set_extra(self.now_s, [0.0; 3]);
    }

    /// An RF drop-out ends on the grid of time.
    pub(super) fn end_drop_out(&mut self) {
        if self.lasting.drop_out_until_s > 0.0 && self.now_s >= self.lasting.drop_out_until_s {
            self.sync_lock();
            self.lasting.drop_out_until_s = 0.0;
            self.plant.source.force_dropout(false);
        }
    }

    fn spoil(&mut self, signal: Signal, spoilt: Spoilt, until_s: f64) {
        let since_s = self.now_s;
        self.lasting.gauges.push(GaugeFault { signal, spoilt, since_s, until_s });
    }
}
