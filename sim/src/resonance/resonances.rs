//! The lines that a spin system offers, before anything drives them.

use super::ResonanceError;
use super::junction::{Junction, polarisation};
use super::line::Line;
use super::relaxation::Driving;
use super::spectrum::Spectrum;
use crate::spin::{Levels, SpinError};
use nalgebra::Vector3;
use std::f64::consts::PI;

/// Lines weaker than this share of the strongest are left out.
const RELATIVE_STRENGTH_MIN: f64 = 1e-5;

/// One line of a spin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resonance {
    /// Frequency, Hz.
    pub f0_hz: f64,
    /// Square of the Rabi rate over that of a free spin 1/2 at the same drive.
    pub relative_rabi_squared: f64,
    /// Order (moment over full moment, a vector) that is lost when the line is fully saturated.
    pub order: Vector3<f64>,
}

/// All lines of one site of a spin system, ascending in frequency.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Resonances {
    list: Vec<Resonance>,
}

impl Resonances {
    /// A free spin 1/2 with the precession vector γ = gᵀB μB/h (Hz), in closed form.
    pub(super) fn of_half(precession_hz: &Vector3<f64>, temperature_k: f64) -> Self {
        let f0_hz = precession_hz.norm();
        if f0_hz == 0.0 {
            return Self::default();
        }
        let order = precession_hz * (polarisation(f0_hz, temperature_k) / f0_hz);
        Self { list: vec![Resonance { f0_hz, relative_rabi_squared: 1.0, order }] }
    }

    /// Lines of one electron site, driven across `axis` (any length; the direction of the field, usually).
    ///
    /// The matrix element is the root mean square of the two directions across
    /// the axis. Populations are thermal over all levels, so lines of a
    /// hyperfine pattern share the spin's order as the nuclear states do.
    ///
    /// ```
    /// use noctule_sim::resonance::Resonances;
    /// use noctule_sim::spin::{Coupling, Site, SpinSystem};
    /// # use nalgebra::Vector3;
    ///
    /// // A pair with J = 0.8 GHz, the tip's field on the first spin only: four lines.
    /// let pair = vec![Site::electron(0.5).g_factor(1.8), Site::electron(0.5).g_factor(1.8)];
    /// let pair = SpinSystem::new(pair, vec![Coupling::isotropic([0, 1], 0.8)])?;
    /// let levels = pair.levels_with_site_field([0.0, 0.0, 0.9], 0, [0.0, 0.0, 0.02])?;
    /// let lines = Resonances::of(&levels, 0, Vector3::z(), 0.4)?;
    /// let f_ghz: Vec<f64> = lines.list().iter().map(|line| (line.f0_hz / 1e6).round() / 1e3).collect();
    /// assert_eq!(f_ghz, [22.053, 22.853, 22.999, 23.799]);
    /// # Ok::<(), noctule_sim::spin::SpinError>(())
    /// ```
    ///
    /// # Panics
    /// If there is no such site.
    pub fn of(
        levels: &Levels,
        site: usize,
        axis: Vector3<f64>,
        temperature_k: f64,
    ) -> Result<Self, SpinError> {
        let populations = levels.populations(temperature_k)?;
        Ok(Self {
            list: candidates(levels, site, &axis, |lower, upper, _| populations[lower] - populations[upper]),
        })
    }

    /// The one line a molecule shows while its nucleus stays in state `nuclear`, of `count` states.
    ///
    /// The states are counted by their line, from the lowest frequency.
    pub(super) fn of_stuck(
        levels: &Levels,
        site: usize,
        axis: &Vector3<f64>,
        temperature_k: f64,
        (nuclear, count): (usize, usize),
    ) -> Self {
        let mut list = candidates(levels, site, axis, |_, _, f0_hz| polarisation(f0_hz, temperature_k));
        list.sort_by(|a, b| b.relative_rabi_squared.total_cmp(&a.relative_rabi_squared));
        list.truncate(count);
        list.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz));
        Self { list: list.get(nuclear).copied().into_iter().collect() }
    }

    /// The lines, ascending in frequency.
    pub fn list(&self) -> &[Resonance] {
        &self.list
    }

    /// Change of the current while driven at `f_hz`, A.
    pub fn current_change_a(&self, f_hz: f64, driving: &Driving, junction: &Junction) -> f64 {
        let saturation = driving.saturation();
        let loss_a = junction.loss_a();
        let mut sum = 0.0;
        for line in &self.list {
            let s = saturation * line.relative_rabi_squared;
            let x = 2.0 * PI * (f_hz - line.f0_hz) * driving.t2_s;
            let broadened = 1.0 + s;
            let shape = s * (1.0 + driving.asymmetry * x / broadened.sqrt()) / (broadened + x * x);
            sum += loss_a.dot(&line.order) * shape;
        }
        sum
    }

    /// The same as lines of fixed height and width, for one drive at all frequencies.
    pub fn spectrum(&self, driving: &Driving, junction: &Junction) -> Result<Spectrum, ResonanceError> {
        let loss_a = junction.loss_a();
        let line = |line: &Resonance| {
            let rabi_rad_s = driving.rabi_rad_s * line.relative_rabi_squared.sqrt();
            let driving = Driving { rabi_rad_s, ..*driving };
            Line {
                f0_hz: line.f0_hz,
                width_hz: driving.width_hz(),
                height_a: loss_a.dot(&line.order) * driving.saturated_fraction(),
                asymmetry: driving.asymmetry,
            }
        };
        Spectrum::new(self.list.iter().map(line).collect())
    }
}

/// All lines with a matrix element across the axis; `difference` gives the occupations' difference.
fn candidates(
    levels: &Levels,
    site: usize,
    axis: &Vector3<f64>,
    difference: impl Fn(usize, usize, f64) -> f64,
) -> Vec<Resonance> {
    let elements = levels.site_elements(site);
    let spin = levels.spin(site);
    let axis = axis.try_normalize(0.0).unwrap_or_else(Vector3::z);
    let along = axis.map(|component| nalgebra::Complex::new(component, 0.0));
    let mut list = Vec::new();
    let levels = levels.levels();
    for (index, lower) in levels.iter().enumerate() {
        for upper in &levels[index + 1..] {
            let mut across = 0.0;
            for a in lower.states.clone() {
                for b in upper.states.clone() {
                    let vector = Vector3::from(elements.vector(a, b));
                    across += vector.norm_squared() - vector.dot(&along).norm_sqr();
                }
            }
            // A level of several states offers that many lines at one frequency.
            let parallel = lower.degeneracy().min(upper.degeneracy()) as f64;
            // Half of it for each direction, over the 1/4 of a free spin 1/2.
            let relative_rabi_squared = 2.0 * across / parallel;
            let f0_hz = (upper.energy_ghz - lower.energy_ghz) * 1e9;
            let mean = |level: &crate::spin::Level| {
                level.states.clone().map(|k| elements.expectation(k)).sum::<Vector3<f64>>()
                    / level.degeneracy() as f64
            };
            let change = (mean(upper) - mean(lower)) * (parallel / (2.0 * spin));
            let order = change * difference(lower.states.start, upper.states.start, f0_hz);
            list.push(Resonance { f0_hz, relative_rabi_squared, order });
        }
    }
    let strongest = list.iter().fold(0.0_f64, |max, line| max.max(line.relative_rabi_squared));
    // Above zero in any case: without a matrix element there is no line.
    list.retain(|line| line.relative_rabi_squared > RELATIVE_STRENGTH_MIN * strongest);
    list.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz));
    list
}
