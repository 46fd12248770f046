//! Where the tip is and what current flows.

use super::Microscope;
use crate::sample::Species;
use crate::spin::constants::{H_OVER_K_B_K_PER_GHZ, K_B_V_PER_K, MU_B_GHZ_PER_T};
use crate::tip::Apex;
use crate::tunnel::{CONDUCTANCE_QUANTUM_S, Shape, Step};
use std::cell::Cell;

/// Position and movement of the tip within the scanner's frame.
#[derive(Debug, Clone, Copy)]
pub(super) struct Motion {
    from_m: [f64; 2],
    to_m: [f64; 2],
    start_s: f64,
    end_s: f64,
    /// In tunnelling range.
    pub(super) approached: bool,
    /// Distance to go when withdrawn, m.
    pub(super) away_m: f64,
}

impl Motion {
    pub(super) fn withdrawn(away_m: f64) -> Self {
        Self { from_m: [0.0; 2], to_m: [0.0; 2], start_s: 0.0, end_s: 0.0, approached: false, away_m }
    }

    /// Where the scanner's voltages put the tip, m.
    pub(super) fn at_m(&self, now_s: f64) -> [f64; 2] {
        if now_s >= self.end_s {
            return self.to_m;
        }
        let part = ((now_s - self.start_s) / (self.end_s - self.start_s)).clamp(0.0, 1.0);
        [0, 1].map(|i| self.from_m[i] + part * (self.to_m[i] - self.from_m[i]))
    }

    /// At once to `to_m`.
    pub(super) fn jump(&mut self, now_s: f64, to_m: [f64; 2]) {
        (self.from_m, self.to_m, self.start_s, self.end_s) = (to_m, to_m, now_s, now_s);
    }

    /// Evenly to `to_m`, arriving at `end_s`.
    pub(super) fn glide(&mut self, now_s: f64, to_m: [f64; 2], end_s: f64) {
        (self.from_m, self.to_m, self.start_s, self.end_s) = (self.at_m(now_s), to_m, now_s, end_s);
    }
}

/// The junction at one moment.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Junction {
    /// Height of the surface there in the scanner's frame, m.
    pub(super) surface_m: f64,
    /// The nearest site with a spin, if any is near.
    pub(super) spin: Option<NearSpin>,
    /// Distance between tip and surface, m.
    pub(super) gap_m: f64,
    /// Conductance at zero bias, S.
    pub(super) conductance_s: f64,
    /// Effective voltage of the shape, V.
    pub(super) effective_v: f64,
    /// Relative change of the current by the tip's state, with its sign.
    pub(super) contrast: f64,
}

/// A value that follows from a few numbers, kept until they are others: bias and temperatures stand still between
/// the ticks, and exponentials are most of what a reading costs.
#[derive(Debug, Clone)]
pub(super) struct Remembered<const N: usize>(Cell<Option<([f64; N], f64)>>);

impl<const N: usize> Default for Remembered<N> {
    fn default() -> Self {
        Self(Cell::new(None))
    }
}

impl<const N: usize> Remembered<N> {
    fn of(&self, of: [f64; N], work_out: impl FnOnce() -> f64) -> f64 {
        if let Some((known, value)) = self.0.get()
            && known == of
        {
            return value;
        }
        let value = work_out();
        self.0.set(Some((of, value)));
        value
    }
}

/// The spin that the tip looks at.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct NearSpin {
    pub(super) site: usize,
    /// From the spin to the point under the tip, m.
    pub(super) offset_m: [f64; 2],
    /// How much of its signal is seen, 0 to 1.
    pub(super) overlap: f64,
    /// Part of the tip's polarisation along the spin, with the sign of the tip's state.
    pub(super) alignment: f64,
    /// Thermal polarisation of the spin, 0 to 1.
    pub(super) polarisation: f64,
    /// Zeeman energy, GHz.
    pub(super) zeeman_ghz: f64,
}

/// Overlaps below this are nothing.
const OVERLAP_MIN: f64 = 1e-4;
/// Nodes of the order along hf/2kT.
const ORDER_GRAIN: f64 = 1e-3;
/// Gaps this near to each other are one: the tip's field differs by a part in 10⁵, m.
const SAME_GAP_M: f64 = 1e-15;

impl Junction {
    /// Mean tunnel current, A.
    pub(super) fn current_a(&self) -> f64 {
        self.conductance_s * self.effective_v * (1.0 + self.contrast)
    }
}

impl Microscope {
    /// Point under the tip in the sample's frame, m: voltages, creep and drift.
    pub(super) fn point_m(&self) -> [f64; 2] {
        self.point_over_m(self.drift.sample_m(self.now_s))
    }

    /// The same where the sample's offset is known.
    fn point_over_m(&self, sample_m: [f64; 3]) -> [f64; 2] {
        let at_m = self.motion.at_m(self.now_s);
        let lag_m = self.drift.creep_m(self.now_s);
        [0, 1].map(|i| at_m[i] + lag_m[i] - sample_m[i])
    }

    /// Thermal energy of the electrons, eV: never below the floor.
    pub(super) fn electron_ev(&self) -> f64 {
        K_B_V_PER_K * self.plant.stage_k().hypot(self.world.junction.electron_floor_k)
    }

    /// The apex as it is in this field and at this temperature.
    pub(super) fn apex_now(&self) -> Apex {
        if self.effects.apex_spin == 0.0 {
            return self.tip.apex;
        }
        self.tip.apex.paramagnetic(self.effects.apex_spin, self.plant.field_t(), self.plant.stage_k())
    }

    /// The junction's polarisation with its sign: above zero more current flows while the moments are aligned.
    pub(super) fn polarisation(&self) -> f64 {
        let size = self.apex_now().polarisation;
        if self.effects.aligned_conducts { size } else { -size }
    }

    pub(super) fn near_spin(&self, point_m: [f64; 2]) -> Option<NearSpin> {
        let near = self.surface.nearest(point_m, Species::is_magnetic)?;
        let relative = near.distance_m / self.world.junction.lateral_m;
        let overlap = (-0.5 * relative * relative).exp();
        if overlap < OVERLAP_MIN {
            return None;
        }
        let offset_m = near.offset_m.map(|offset| -offset);
        let field_t = self.plant.field_t();
        let mut spin = NearSpin { site: near.site, offset_m, overlap, ..NearSpin::default() };
        let stage_k = self.plant.stage_k();
        self.align(&mut spin, field_t);
        spin.polarisation =
            self.polarisation.of([spin.zeeman_ghz, stage_k], || order(spin.zeeman_ghz, stage_k));
        Some(spin)
    }

    /// Energy and direction of the spin in a field: it points along g·B.
    fn align(&self, spin: &mut NearSpin, field_t: [f64; 3]) {
        let species = self.surface.species_of(spin.site);
        let turning_t = [0, 1, 2].map(|i| species.g[i] * field_t[i]);
        let size_t = turning_t.iter().map(|b| b * b).sum::<f64>().sqrt();
        let axis = self.apex_now().axis;
        let along_t: f64 = (0..3).map(|i| axis[i] * turning_t[i]).sum();
        spin.zeeman_ghz = 2.0 * species.spin * MU_B_GHZ_PER_T * size_t;
        spin.alignment = if size_t > 0.0 { along_t / size_t * self.tip.sign() } else { 0.0 };
    }

    /// The spin in the field of the tip as well, across a gap.
    fn under_tip(&self, spin: NearSpin, gap_m: f64) -> NearSpin {
        let (applied_t, tip_t) = (self.plant.field_t(), self.tip_field_on_t(&spin, gap_m));
        let mut spin = spin;
        self.align(&mut spin, [0, 1, 2].map(|i| applied_t[i] + tip_t[i]));
        spin.polarisation = self.order_near(spin.zeeman_ghz, self.plant.stage_k());
        spin
    }

    /// The order as a parabola about the nearest node: 4·10⁻¹¹ off at most, and the same whoever asked before.
    fn order_near(&self, zeeman_ghz: f64, kelvin: f64) -> f64 {
        let x = 0.5 * H_OVER_K_B_K_PER_GHZ * zeeman_ghz / kelvin;
        let node = (x / ORDER_GRAIN).round() * ORDER_GRAIN;
        let (t, off) = (self.order.of([node], || node.tanh()), x - node);
        let slope = 1.0 - t * t;
        t + slope * off * (1.0 - t * off)
    }

    /// How the current depends on bias at this point.
    pub(super) fn shape(&self, spin: Option<NearSpin>) -> Shape {
        let mut shape = self.world.junction.shape.clone();
        let Some(spin) = spin else { return shape };
        let own = self.surface.species_of(spin.site).steps.iter();
        shape.steps.extend(own.map(|step| Step { fraction: step.fraction * spin.overlap, ..*step }));
        let energy_ev = spin.zeeman_ghz / crate::spin::constants::GHZ_PER_MEV * 1e-3;
        if energy_ev > 0.0 {
            let fraction = self.world.junction.spin_step_fraction * spin.overlap;
            shape.steps.push(Step { energy_ev, fraction });
        }
        shape
    }

    /// The height at which the loop would rest now, m, and the junction without its conductance.
    ///
    /// The gap depends on the order of the spin, and that on the tip's field across the gap. The order in the applied
    /// field alone gives the gap to 0.1 pm, and that the order to a part in 10⁵. The spin's own step is where the applied
    /// field has it: the tip's moves it by less than the electrons' heat, and the current by a part in 10⁶.
    fn rest(&self) -> (f64, Junction) {
        let sample_m = self.drift.sample_m(self.now_s);
        let point_m = self.point_over_m(sample_m);
        let mut junction = Junction {
            surface_m: self.height_under_m(point_m) + sample_m[2],
            spin: self.near_spin(point_m),
            ..Junction::default()
        };
        junction.effective_v = self.effective_v(junction.spin);
        junction.contrast = self.contrast(junction.spin);
        if let Some(spin) = junction.spin.filter(|_| self.tip.apex.has_field()) {
            junction.spin = Some(self.under_tip(spin, self.gap_at_rest_m(&junction)));
            junction.contrast = self.contrast(junction.spin);
        }
        junction.gap_m = self.gap_at_rest_m(&junction);
        (junction.surface_m + junction.gap_m, junction)
    }

    /// Relative change of the current by the spin under the tip.
    fn contrast(&self, spin: Option<NearSpin>) -> f64 {
        spin.map_or(0.0, |s| self.polarisation() * s.alignment * s.polarisation * s.overlap)
    }

    fn gap_at_rest_m(&self, junction: &Junction) -> f64 {
        let least_v = self.world.junction.offset_v;
        let loop_v = junction.effective_v.abs().max(least_v) * (1.0 + junction.contrast);
        self.barrier.gap_m(loop_v, self.knobs.setpoint_a)
    }

    /// What the loop follows: the surface under the first end of the tip or under the second, whichever is nearer.
    fn height_under_m(&self, point_m: [f64; 2]) -> f64 {
        let height_m = self.surface.height_m(point_m);
        let Some(second) = self.tip.apex.second else { return height_m };
        let beside_m = [0, 1].map(|i| point_m[i] + second.offset_m[i]);
        height_m.max(self.surface.height_m(beside_m) - second.higher_m)
    }

    fn effective_v(&self, spin: Option<NearSpin>) -> f64 {
        let bias_v = self.knobs.bias_v;
        let kt_ev = self.electron_ev();
        let film = self.film.of([bias_v, kt_ev], || self.world.junction.shape.voltage(bias_v, kt_ev));
        let Some(spin) = spin else { return film };
        let of_site = spin.site as f64 + self.response.generation as f64 * 1e6;
        let steps_v = self.steps.of([bias_v, kt_ev, spin.zeeman_ghz, of_site], || {
            let zeeman_ev = spin.zeeman_ghz / crate::spin::constants::GHZ_PER_MEV * 1e-3;
            let own = Step { energy_ev: zeeman_ev, fraction: self.world.junction.spin_step_fraction };
            let steps = self.surface.species_of(spin.site).steps.iter().chain([&own]);
            steps.map(|step| step.voltage(bias_v, kt_ev)).sum()
        });
        film + spin.overlap * steps_v
    }

    /// The junction now, and the loop's target. Only with the tip in range.
    pub(super) fn junction(&self) -> (Junction, f64) {
        let (target_m, mut junction) = self.rest();
        let height_m = self.height_loop.height_m(self.now_s, target_m);
        let gap_m = height_m - junction.surface_m;
        // Away from where the loop would rest the tip's field is another one.
        if (gap_m - junction.gap_m).abs() > SAME_GAP_M
            && let Some(spin) = junction.spin.filter(|_| self.tip.apex.has_field())
        {
            junction.spin = Some(self.under_tip(spin, gap_m));
            junction.contrast = self.contrast(junction.spin);
        }
        junction.gap_m = gap_m;
        junction.conductance_s = CONDUCTANCE_QUANTUM_S * (-self.barrier.decay_per_m() * junction.gap_m).exp();
        (junction, target_m)
    }

    /// The junction now, for a gauge: gauges that are read at the same moment share it.
    ///
    /// Whatever changes the world forgets it first: time, settings, acts and faults.
    pub(super) fn look(&mut self) -> Junction {
        let junction = self.seen.unwrap_or_else(|| self.junction().0);
        debug_assert_eq!(junction, self.junction().0, "nothing has changed since the last look");
        self.seen = Some(junction);
        junction
    }

    /// Does something that may change the loop's target, and keeps the height through it.
    pub(super) fn through_change(&mut self, change: impl FnOnce(&mut Self)) {
        if !self.motion.approached {
            change(self);
            return;
        }
        let (target_m, _) = self.rest();
        let height_m = self.height_loop.height_m(self.now_s, target_m);
        change(self);
        let (target_m, _) = self.rest();
        self.height_loop.reseat(self.now_s, height_m, target_m);
    }
}

/// Thermal order of two levels so far apart: tanh(hf/2kT).
fn order(zeeman_ghz: f64, kelvin: f64) -> f64 {
    (0.5 * H_OVER_K_B_K_PER_GHZ * zeeman_ghz / kelvin).tanh()
}

/// Zeeman energy of a species in a field, GHz, without its nucleus: `2μ|B|/h` with the anisotropic g.
pub(super) fn zeeman_ghz(species: &Species, field_t: [f64; 3]) -> f64 {
    let square: f64 = (0..3).map(|i| (species.g[i] * field_t[i]).powi(2)).sum();
    2.0 * species.spin * MU_B_GHZ_PER_T * square.sqrt()
}
