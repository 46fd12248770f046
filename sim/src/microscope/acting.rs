//! Acts: what takes a while.

use super::Microscope;
use crate::Signal;
use crate::act::{Act, ActReport, Refusal};

/// Longest trace and largest image that are taken.
const SAMPLES_MAX: u32 = 10_000_000;
const PIXELS_MAX: u32 = 1024;
/// Pulling the tip back, s.
const WITHDRAW_S: f64 = 0.5;
/// One attempt at picking up or dropping an atom, s.
const ATTEMPT_S: f64 = 4.0;
/// One step of the coarse motor, s.
const COARSE_S: f64 = 0.05;
/// Most steps along the surface at once.
const SHIFT_MAX: u32 = 1000;
/// Regeneration, refill and persistent mode are looked at so often, s.
const LOOK_S: f64 = 1.0;

/// An act under way.
#[derive(Debug, Clone)]
pub(super) struct Running {
    pub(super) act: Act,
    /// When something of it happens next, s.
    pub(super) next_s: f64,
    pub(super) started_s: f64,
    pub(super) count: u32,
    pub(super) data: Vec<f64>,
    /// Where the tip was, and its height above its target when the last pixel was taken.
    pub(super) origin_m: [f64; 2],
}

impl Running {
    /// What it is called in messages.
    pub(super) fn name(&self) -> &'static str {
        match self.act {
            Act::Approach => "the approach",
            Act::Withdraw => "withdrawing",
            Act::CoarseStep { .. } | Act::CoarseShift { .. } => "the coarse motor",
            Act::MoveTip { .. } => "a move of the tip",
            Act::Pulse { .. } => "a pulse",
            Act::PickUp => "picking up an atom",
            Act::PutDown => "putting down an atom",
            Act::Trace { .. } => "a trace",
            Act::Image { .. } => "an image",
            Act::Regenerate => "regenerating the pot",
            Act::Persist { .. } => "changing the magnet's mode",
            Act::Refill { .. } => "a helium transfer",
        }
    }

    /// Whether it has the tip in its hand.
    pub(super) fn moves_tip(&self) -> bool {
        matches!(
            self.act,
            Act::MoveTip { .. }
                | Act::Image { .. }
                | Act::PickUp
                | Act::PutDown
                | Act::CoarseStep { .. }
                | Act::CoarseShift { .. }
        )
    }
}

fn report(achieved: bool, remark: impl Into<String>) -> ActReport {
    ActReport { achieved, remark: remark.into(), data: Vec::new() }
}

impl Microscope {
    /// Starts an act and tells how long it is expected to take, s.
    ///
    /// # Errors
    /// [`Refusal::Busy`] while another runs, [`Refusal::Invalid`] for numbers that make no
    /// sense, [`Refusal::NotNow`] in a state that forbids it. Nothing has changed then.
    pub fn begin(&mut self, act: Act) -> Result<f64, Refusal> {
        self.seen = None;
        if let Some(running) = &self.running {
            return Err(Refusal::Busy(running.name()));
        }
        let duration_s = self.check(&act)?;
        let duration_s = self.start(&act, duration_s)?;
        self.report = None;
        let first_s = match act {
            Act::Trace { interval_s, .. } => interval_s,
            Act::Image { pixels, line_s, .. } => line_s / f64::from(pixels),
            Act::Regenerate | Act::Persist { .. } | Act::Refill { .. } => LOOK_S,
            _ => duration_s,
        };
        self.running = Some(Running {
            act,
            next_s: self.now_s + first_s,
            started_s: self.now_s,
            count: 0,
            data: Vec::new(),
            origin_m: self.motion.at_m(self.now_s),
        });
        Ok(duration_s)
    }

    /// The report of an act that has ended, once; `None` while it runs or if there is none.
    pub fn poll(&mut self) -> Option<ActReport> {
        self.report.take()
    }

    /// Whether an act is running.
    pub fn busy(&self) -> bool {
        self.running.is_some()
    }

    /// Ends a running act safely and tells what it was. An aborted approach leaves the tip
    /// withdrawn, an aborted image puts the tip back, a move stops where it is; a
    /// withdrawal has happened already; the pot and the magnet's switch go on by themselves. No
    /// report follows.
    pub fn abort(&mut self) -> Option<&'static str> {
        self.seen = None;
        let running = self.running.take()?;
        let name = running.name();
        let now_s = self.now_s;
        match running.act {
            Act::MoveTip { .. } => {
                let at_m = self.motion.at_m(now_s);
                self.arrive(running.origin_m, at_m);
            }
            Act::Image { .. } => {
                let at_m = self.motion.at_m(now_s);
                self.arrive(at_m, running.origin_m);
            }
            Act::Refill { .. } => self.plant.stop_refill(now_s),
            _ => {}
        }
        Some(name)
    }

    /// Checks numbers and state; gives the duration where it follows from them alone, s.
    fn check(&self, act: &Act) -> Result<f64, Refusal> {
        let in_range = self.motion.approached;
        let tip_in = |what: &str| {
            if in_range {
                Ok(())
            } else {
                Err(Refusal::NotNow(format!("{what} needs the tip in tunnelling range")))
            }
        };
        match *act {
            Act::Approach if in_range => {
                Err(Refusal::NotNow("the tip is in tunnelling range already".into()))
            }
            Act::Approach if self.knobs.bias_v.abs() < 1e-4 => {
                Err(Refusal::NotNow("an approach needs a bias, or no current would stop it".into()))
            }
            Act::Approach if !self.height_loop.is_closed() => {
                Err(Refusal::NotNow("an approach needs the height loop closed".into()))
            }
            Act::Approach => Ok(5.0 + self.motion.away_m / self.world.scanner.approach_m_s),
            Act::Withdraw => Ok(WITHDRAW_S),
            Act::CoarseStep { .. } | Act::CoarseShift { .. } if in_range => {
                Err(Refusal::NotNow("a coarse step needs the tip withdrawn".into()))
            }
            Act::CoarseStep { steps } if steps.unsigned_abs() > 100_000 => {
                Err(Refusal::Invalid(format!("{steps} coarse steps at once are too many")))
            }
            Act::CoarseStep { steps } => Ok(COARSE_S * f64::from(steps.unsigned_abs())),
            Act::CoarseShift { x_steps, y_steps } => {
                let steps = f64::from(x_steps.unsigned_abs()) + f64::from(y_steps.unsigned_abs());
                if steps <= f64::from(SHIFT_MAX) {
                    Ok(COARSE_S * steps)
                } else {
                    Err(Refusal::Invalid(format!("{steps} coarse steps along the surface are too many")))
                }
            }
            Act::MoveTip { x_m, y_m, speed_m_s } => self.check_move([x_m, y_m], speed_m_s),
            Act::Pulse { volts, length_s } => {
                tip_in("a pulse")?;
                let sound = volts.abs() <= 10.0 && length_s > 0.0 && length_s <= 10.0;
                if sound {
                    Ok(length_s)
                } else {
                    Err(Refusal::Invalid(format!("a pulse of {volts} V for {length_s} s is out of range")))
                }
            }
            Act::PickUp => tip_in("picking up an atom").map(|()| ATTEMPT_S),
            Act::PutDown => tip_in("putting down an atom").map(|()| ATTEMPT_S),
            Act::Trace { samples, interval_s, .. } => {
                if (1..=SAMPLES_MAX).contains(&samples) && interval_s.is_finite() && interval_s >= 1e-5 {
                    Ok(f64::from(samples) * interval_s)
                } else {
                    Err(Refusal::Invalid(format!(
                        "a trace of {samples} samples every {interval_s} s cannot be taken"
                    )))
                }
            }
            Act::Image { x_m, y_m, size_m, pixels, line_s } => {
                tip_in("an image")?;
                self.check_image([x_m, y_m], size_m, pixels, line_s)
            }
            Act::Regenerate | Act::Persist { .. } => Ok(0.0),
            Act::Refill { to_l } if to_l.is_finite() => Ok(0.0),
            Act::Refill { to_l } => Err(Refusal::Invalid(format!("{to_l} is no level for a transfer"))),
        }
    }

    fn check_move(&self, to_m: [f64; 2], speed_m_s: f64) -> Result<f64, Refusal> {
        let range_m = self.world.scanner.range_m;
        if !to_m.iter().all(|x| x.abs() <= range_m) {
            return Err(Refusal::Invalid(format!(
                "the scanner reaches {range_m:e} m, not ({:e}, {:e})",
                to_m[0], to_m[1]
            )));
        }
        if !(speed_m_s.is_finite() && speed_m_s > 0.0) {
            return Err(Refusal::Invalid(format!("a move needs a speed above zero, not {speed_m_s}")));
        }
        let from_m = self.motion.at_m(self.now_s);
        Ok((to_m[0] - from_m[0]).hypot(to_m[1] - from_m[1]) / speed_m_s)
    }

    fn check_image(&self, at_m: [f64; 2], size_m: f64, pixels: u32, line_s: f64) -> Result<f64, Refusal> {
        let range_m = self.world.scanner.range_m;
        let fits = size_m > 0.0 && at_m.iter().all(|x| x.abs() + 0.5 * size_m <= range_m);
        if !fits {
            return Err(Refusal::Invalid(format!("a frame of {size_m:e} m does not fit the scanner there")));
        }
        let sound = (2..=PIXELS_MAX).contains(&pixels) && line_s.is_finite() && line_s >= 1e-3;
        if !sound {
            return Err(Refusal::Invalid(format!(
                "an image takes 2 to {PIXELS_MAX} pixels and lines of 1 ms or more"
            )));
        }
        Ok(2.0 * line_s * f64::from(pixels))
    }

    /// What happens at once. Gives the duration.
    fn start(&mut self, act: &Act, duration_s: f64) -> Result<f64, Refusal> {
        let now_s = self.now_s;
        match *act {
            Act::Withdraw => self.withdraw(),
            Act::MoveTip { x_m, y_m, .. } => {
                self.sync_lock();
                self.through_change(|m| m.motion.glide(now_s, [x_m, y_m], now_s + duration_s));
            }
            Act::Regenerate => return self.plant.regenerate(now_s),
            Act::Persist { persistent } => return self.plant.persist(now_s, persistent),
            Act::Refill { to_l } => return self.begin_transfer(to_l),
            _ => {}
        }
        Ok(duration_s)
    }

    /// Transfers helium until the bath holds `to_l` litres, whatever else is going on: people fill it, not the
    /// microscope. Gives the time it is expected to take, s.
    ///
    /// # Errors
    /// [`Refusal::Invalid`] for a level that filling does not lead to. Nothing has changed then.
    pub fn begin_transfer(&mut self, to_l: f64) -> Result<f64, Refusal> {
        self.seen = None;
        let now_s = self.now_s;
        let duration_s = self.plant.refill(now_s, to_l)?;
        self.sync_lock();
        let (velocity_m_s, tau_s) = self.plant.transfer_drift();
        self.drift.disturb(now_s, velocity_m_s, tau_s);
        Ok(duration_s)
    }

    /// The tip comes out of range at once; what remains of the act is driving it on.
    fn withdraw(&mut self) {
        self.sync_lock();
        if self.motion.approached {
            self.motion.approached = false;
            self.motion.away_m = self.world.scanner.withdraw_m;
            self.tip.switching.set_rates(self.now_s, 0.0, 0.0);
        }
    }

    /// Something of the running act is due.
    pub(super) fn act_event(&mut self) {
        let Some(mut running) = self.running.take() else { return };
        let ended = match running.act {
            Act::Trace { signal, samples, interval_s } => {
                self.sample(&mut running, signal, samples, interval_s)
            }
            Act::Image { .. } => self.pixel(&mut running),
            _ => self.end(&mut running),
        };
        match ended {
            Some(report) => self.report = Some(report),
            None => self.running = Some(running),
        }
    }

    fn sample(
        &mut self,
        running: &mut Running,
        signal: Signal,
        samples: u32,
        interval_s: f64,
    ) -> Option<ActReport> {
        let value = self.read(signal);
        running.data.push(value);
        running.count += 1;
        // From the start, so that the times do not collect rounding.
        running.next_s = running.started_s + f64::from(running.count + 1) * interval_s;
        (running.count == samples).then(|| ActReport {
            achieved: true,
            remark: format!("{samples} samples of {}", signal.name()),
            data: std::mem::take(&mut running.data),
        })
    }

    fn end(&mut self, running: &mut Running) -> Option<ActReport> {
        let now_s = self.now_s;
        Some(match running.act {
            Act::Approach => self.land(),
            Act::Withdraw => report(true, "the tip is out of range"),
            Act::CoarseStep { steps } => self.coarse(steps),
            Act::CoarseShift { x_steps, y_steps } => self.shifted([x_steps, y_steps]),
            Act::MoveTip { x_m, y_m, .. } => {
                self.arrive(running.origin_m, [x_m, y_m]);
                report(true, "the tip is there")
            }
            Act::Pulse { volts, .. } => self.pulsed(volts),
            Act::PickUp => self.picked_up(),
            Act::PutDown => self.dropped(),
            Act::Regenerate => match self.plant.regenerated() {
                Some(true) => report(true, "the pot is cold again"),
                Some(false) => report(false, "the pot ran dry while it was regenerated"),
                None => return self.look_again(running),
            },
            Act::Persist { persistent } => match self.plant.persisted(persistent) {
                Some(true) if persistent => report(true, "the magnet is persistent"),
                Some(true) => report(true, "the magnet is on its supply"),
                Some(false) => report(false, "the magnet did not change its mode"),
                None => return self.look_again(running),
            },
            Act::Refill { to_l } if self.plant.refilled() => {
                report(true, format!("the bath was filled to {to_l:.1} L"))
            }
            // A bath that boils faster than it is filled is given up after a day.
            Act::Refill { .. } if now_s - running.started_s > 86_400.0 => {
                self.plant.stop_refill(now_s);
                report(false, "the bath would not fill")
            }
            Act::Refill { .. } => return self.look_again(running),
            Act::Trace { .. } | Act::Image { .. } => unreachable!("they have their own events"),
        })
    }

    fn look_again(&self, running: &mut Running) -> Option<ActReport> {
        running.next_s = self.now_s + LOOK_S;
        None
    }

    /// The tip stands still at `to_m`, having come from `from_m`.
    fn arrive(&mut self, from_m: [f64; 2], to_m: [f64; 2]) {
        let now_s = self.now_s;
        self.sync_lock();
        self.through_change(|m| {
            m.motion.jump(now_s, to_m);
            m.drift.moved(now_s, [to_m[0] - from_m[0], to_m[1] - from_m[1]]);
        });
        self.refresh();
    }

    fn land(&mut self) -> ActReport {
        self.sync_lock();
        let scatter_m = self.world.scanner.landing_m;
        let shift_m = [self.tip.landing.normal(), self.tip.landing.normal()].map(|n| n * scatter_m);
        let hit = self.tip.landing.chance(self.world.scanner.crash_chance);
        self.drift.shift(shift_m);
        self.motion.approached = true;
        self.motion.away_m = 0.0;
        let (_, target_m) = self.junction();
        self.height_loop.reseat(self.now_s, target_m, target_m);
        if hit {
            self.crash();
            self.refresh();
            return report(true, "the tip is in range, but it touched the surface on the way");
        }
        self.refresh();
        report(true, "the tip is in tunnelling range")
    }

    fn coarse(&mut self, steps: i32) -> ActReport {
        let moved_m = f64::from(steps) * self.world.scanner.coarse_step_m;
        self.motion.away_m -= moved_m;
        if self.motion.away_m > 0.0 {
            return report(true, format!("{steps} coarse steps made"));
        }
        self.motion.away_m = self.world.scanner.coarse_step_m;
        self.crash();
        report(false, "the coarse motor drove the tip into the surface")
    }

    fn pulsed(&mut self, volts: f64) -> ActReport {
        let chance = self.world.tip.preparation.pulse_change(volts);
        if !self.tip.preparation.chance(chance) {
            return report(true, "the pulse left the tip as it was");
        }
        let atoms = self.tip.atoms_after_change();
        self.change_tip(atoms);
        report(true, "the pulse changed the tip")
    }

    fn picked_up(&mut self) -> ActReport {
        let law = self.world.tip.preparation;
        let lifted = self.tip.preparation.chance(law.pick_up_chance);
        let near = self.surface.nearest(self.point_m(), |species| species.movable);
        let Some(near) = near.filter(|near| near.distance_m <= law.reach_m) else {
            return report(false, "there is no atom under the tip that could be picked up");
        };
        if !lifted {
            return self.not_lifted(near.site);
        }
        let atoms = self.tip.apex.atoms + 1;
        self.sync_lock();
        self.response.generation += 1;
        self.diary.lifted(near.site);
        self.through_change(|m| m.surface.sites[near.site].present = false);
        self.change_tip(atoms);
        report(true, "the atom is on the tip")
    }

    /// The atom is still on the surface, where it was or beside.
    fn not_lifted(&mut self, site: usize) -> ActReport {
        let pushed = self.tip.flaws.chance(self.world.tip.odds.pushed_chance);
        let turn = 2.0 * std::f64::consts::PI * self.tip.flaws.uniform();
        let way_m = 0.3e-9 + 0.6e-9 * self.tip.flaws.uniform();
        if !pushed {
            return report(false, "the atom stayed where it is");
        }
        self.sync_lock();
        self.response.generation += 1;
        self.diary.lifted(site);
        self.through_change(|m| {
            let at_m = &mut m.surface.sites[site].at_m;
            at_m[0] += way_m * turn.cos();
            at_m[1] += way_m * turn.sin();
        });
        self.refresh();
        report(false, "no atom was lifted")
    }

    fn dropped(&mut self) -> ActReport {
        let let_go = self.tip.preparation.chance(self.world.tip.preparation.drop_chance);
        if self.tip.apex.atoms == 0 {
            return report(false, "there is no atom on the tip");
        }
        if !let_go {
            return report(false, "the atom stayed on the tip");
        }
        let point_m = self.point_m();
        self.sync_lock();
        self.response.generation += 1;
        // The atom that was lifted last is put down here, as the same kind it was.
        let gone = self.surface.sites.iter().rposition(|site| !site.present);
        self.through_change(|m| {
            if let Some(index) = gone {
                let site = &mut m.surface.sites[index];
                site.present = true;
                site.at_m = point_m;
            }
        });
        self.change_tip(self.tip.apex.atoms - 1);
        report(true, "the atom is on the surface")
    }
}
