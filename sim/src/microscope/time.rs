//! Time: the walk from event to event.

use super::Microscope;
use super::junction::Junction;

/// The grid on which the apparatus moves, s.
const TICK_S: f64 = 1.0;

impl Microscope {
    /// Lets time pass until `t_s`. Earlier times and what is no time leave the world as it is.
    pub fn advance_to(&mut self, t_s: f64) {
        if !t_s.is_finite() {
            return;
        }
        while self.now_s < t_s {
            self.seen = None;
            let tick_s = (self.ticks + 1) as f64 * TICK_S;
            let switch_s = if self.motion.approached { self.tip.switching.next_s() } else { f64::INFINITY };
            let act_s = self.running.as_ref().map_or(f64::INFINITY, |running| running.next_s);
            let nuclear_s = self.nuclei.next_s();
            let next_s = tick_s.min(switch_s).min(act_s).min(nuclear_s).max(self.now_s);
            if next_s > t_s {
                self.now_s = t_s;
                return;
            }
            self.now_s = next_s;
            if next_s == tick_s {
                self.tick();
            } else if nuclear_s <= next_s {
                self.sync_lock();
                self.nuclei.flip();
            } else if next_s == act_s.max(self.now_s) && act_s <= switch_s {
                self.act_event();
                // An act reads gauges on its way and then moves on.
                self.seen = None;
            } else {
                self.switch();
            }
        }
    }

    fn tick(&mut self) {
        self.ticks += 1;
        if self.drift.next_step_s() <= self.now_s {
            self.drift.step();
            self.tip.step();
            self.plant.step();
        }
        self.plant.catch_up(self.now_s);
        let (warm_to_m, warm_tau_s) = self.plant.warmth();
        self.drift.warm(self.now_s, warm_to_m, warm_tau_s);
        self.lasting.expire(self.now_s);
        self.end_drop_out();
        if self.motion.approached {
            if self.tip.wear(TICK_S) {
                let atoms = self.tip.atoms_after_change();
                self.change_tip(atoms);
            }
            let junction = self.refresh();
            self.write_diary(junction);
        } else {
            self.write_diary(None);
        }
    }

    fn switch(&mut self) {
        self.sync_lock();
        self.through_change(|m| m.tip.switching.jump());
        self.diary.switched();
        self.refresh();
    }

    /// A new apex, at once.
    pub(super) fn change_tip(&mut self, atoms: u32) {
        self.sync_lock();
        let now_s = self.now_s;
        self.through_change(|m| m.tip.change(now_s, atoms));
        self.diary.changed(now_s, &self.tip.apex);
        self.refresh();
    }

    /// What follows from the present state: switching rates, and whether the tip touches. Gives the junction, unless it has.
    pub(super) fn refresh(&mut self) -> Option<Junction> {
        if !self.motion.approached {
            return None;
        }
        let (junction, _) = self.junction();
        if junction.gap_m < self.world.tip.preparation.contact_gap_m {
            self.crash();
            return None;
        }
        // A paramagnet has no two states to switch between.
        if self.effects.apex_spin > 0.0 {
            return Some(junction);
        }
        let [leave_up_hz, leave_down_hz] = self.world.tip.switching.rates_hz(
            &self.tip.apex,
            self.knobs.bias_v,
            junction.current_a(),
            self.plant.field_t(),
            self.plant.stage_k(),
        );
        self.tip.switching.set_rates(self.now_s, leave_up_hz, leave_down_hz);
        Some(junction)
    }

    /// The tip touches the surface: it is another tip afterwards, and the loop starts again from its target.
    pub(super) fn crash(&mut self) {
        self.sync_lock();
        self.tip.crashes += 1;
        let atoms = self.tip.atoms_after_change();
        self.tip.change(self.now_s, atoms);
        self.diary.changed(self.now_s, &self.tip.apex);
        if !self.motion.approached {
            return;
        }
        let (_, target_m) = self.junction();
        let (junction, _) = self.junction();
        let contact_m = junction.surface_m + self.world.tip.preparation.contact_gap_m;
        let height_m = if self.height_loop.is_closed() { target_m } else { contact_m };
        self.height_loop.reseat(self.now_s, height_m.max(contact_m), target_m);
    }
}
