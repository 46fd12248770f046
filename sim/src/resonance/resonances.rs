//! The lines that a spin system offers, before anything drives them.

use super::junction::{Junction, polarisation};
use super::relaxation::Driving;
use crate::spin::constants::MU_B_HZ_PER_T;
use crate::spin::{Levels, SiteKind, SpinError, SpinSystem};
use nalgebra::Vector3;
use std::f64::consts::PI;

/// Lines weaker than this share of the strongest are left out.
const RELATIVE_STRENGTH_MIN: f64 = 1e-3;

/// One line of a spin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resonance {
    /// Frequency, Hz.
    pub f0_hz: f64,
    /// Square of the Rabi rate over that of a free spin 1/2 at the same drive.
    pub relative_rabi_squared: f64,
    /// Order (moment over full moment, a vector) that is lost when the line is fully saturated.
    pub order: Vector3<f64>,
    /// How it moves with the applied field and with the field of the tip on this spin alone, Hz/T (x, y, z).
    pub slopes_hz_t: [Vector3<f64>; 2],
}

impl Resonance {
    /// Frequency where applied and tip's field are off by `off_t` from those it was computed for, Hz; to first order.
    pub fn at_hz(&self, off_t: &[[f64; 3]; 2]) -> f64 {
        let mut f_hz = self.f0_hz;
        for (slope, off) in self.slopes_hz_t.iter().zip(off_t) {
            f_hz += slope[0] * off[0] + slope[1] * off[1] + slope[2] * off[2];
        }
        f_hz
    }
}

/// All lines of one site of a spin system, ascending in frequency.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Resonances {
    list: Vec<Resonance>,
}

impl Resonances {
    /// A free spin 1/2 of the principal `g` in the field `field_t` (the tip's included), in closed form.
    pub fn of_half(g: [f64; 3], field_t: [f64; 3], temperature_k: f64) -> Self {
        let g = Vector3::from(g);
        let precession_hz = g.component_mul(&Vector3::from(field_t)) * MU_B_HZ_PER_T;
        let f0_hz = precession_hz.norm();
        if f0_hz == 0.0 {
            return Self::default();
        }
        let unit = precession_hz / f0_hz;
        let slope_hz_t = g.component_mul(&unit) * MU_B_HZ_PER_T;
        let order = unit * polarisation(f0_hz, temperature_k);
        Self {
            list: vec![Resonance {
                f0_hz,
                relative_rabi_squared: 1.0,
                order,
                slopes_hz_t: [slope_hz_t, slope_hz_t],
            }],
        }
    }

    /// Lines of one electron site, driven across `axis` (any length; the direction of the field, usually).
    ///
    /// The matrix element is the root mean square of the two directions across
    /// the axis. Populations are thermal over all levels, so lines of a
    /// hyperfine pattern share the spin's order as the nuclear states do. The
    /// slope of a level is the expectation of its moment (Hellmann and Feynman's theorem).
    ///
    /// ```
    /// use noctule_sim::resonance::Resonances;
    /// use noctule_sim::spin::{Coupling, Site, SpinSystem};
    /// # use nalgebra::Vector3;
    ///
    /// // A pair with J = 0.8 GHz, the tip's field on the first spin only: four lines.
    /// let pair = vec![Site::electron(0.5).g_values([1.8; 3]), Site::electron(0.5).g_values([1.8; 3])];
    /// let pair = SpinSystem::new(pair, vec![Coupling::isotropic([0, 1], 0.8)])?;
    /// let levels = pair.levels_with_site_field([0.0, 0.0, 0.9], 0, [0.0, 0.0, 0.02])?;
    /// let lines = Resonances::of(&pair, &levels, 0, Vector3::z(), 0.4)?;
    /// let f_ghz: Vec<f64> = lines.list().iter().map(|line| (line.f0_hz / 1e6).round() / 1e3).collect();
    /// assert_eq!(f_ghz, [22.053, 22.853, 22.999, 23.799]);
    /// # Ok::<(), noctule_sim::spin::SpinError>(())
    /// ```
    ///
    /// # Panics
    /// If there is no such site.
    pub fn of(
        system: &SpinSystem,
        levels: &Levels,
        site: usize,
        axis: Vector3<f64>,
        temperature_k: f64,
    ) -> Result<Self, SpinError> {
        let populations = levels.populations(temperature_k)?;
        let difference = |lower: usize, upper: usize, _| populations[lower] - populations[upper];
        Ok(Self { list: candidates(system, levels, site, &axis, difference) })
    }

    /// The one line an electron shows while its nucleus stays in the state number `nuclear` of `count`.
    ///
    /// The states are counted by their line, from the lowest frequency; the line carries the whole order.
    pub fn of_stuck(
        system: &SpinSystem,
        levels: &Levels,
        axis: Vector3<f64>,
        temperature_k: f64,
        (nuclear, count): (usize, usize),
    ) -> Self {
        let mut list = candidates(system, levels, 0, &axis, |_, _, f0_hz| polarisation(f0_hz, temperature_k));
        list.sort_by(|a, b| b.relative_rabi_squared.total_cmp(&a.relative_rabi_squared));
        list.truncate(count);
        list.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz));
        Self { list: list.get(nuclear).copied().into_iter().collect() }
    }

    /// The lines, ascending in frequency.
    pub fn list(&self) -> &[Resonance] {
        &self.list
    }

    /// Change of the current while driven at `f_hz`, A, with the fields off by `off_t` as for [`Resonance::at_hz`].
    pub fn current_change_a(
        &self,
        f_hz: f64,
        off_t: &[[f64; 3]; 2],
        driving: &Driving,
        junction: &Junction,
    ) -> f64 {
        let saturation = driving.saturation();
        let homodyne = junction.homodyne;
        let (sine, cosine) = if homodyne.ratio == 0.0 { (0.0, 0.0) } else { homodyne.phase_rad.sin_cos() };
        let mut sum = 0.0;
        for line in &self.list {
            let s = saturation * line.relative_rabi_squared;
            let x = 2.0 * PI * (f_hz - line.at_hz(off_t)) * driving.t2_s;
            let broadened = 1.0 + s;
            let resonant = 1.0 / (broadened + x * x);
            let lost = s * (1.0 + driving.asymmetry * x / broadened.sqrt()) * resonant;
            sum -= junction.contrast(&line.order) * lost;
            if homodyne.ratio != 0.0 {
                let turned = driving.rabi_rad_s * line.relative_rabi_squared.sqrt() * driving.t2_s * resonant;
                let mixed = homodyne.ratio * turned * (x * cosine + sine);
                sum += junction.contrast_across(&line.order) * mixed;
            }
        }
        junction.current_a * sum
    }
}

/// All lines with a matrix element across the axis; `difference` gives the occupations' difference.
fn candidates(
    system: &SpinSystem,
    levels: &Levels,
    site: usize,
    axis: &Vector3<f64>,
    difference: impl Fn(usize, usize, f64) -> f64,
) -> Vec<Resonance> {
    let elements = levels.site_elements(site);
    let spin = levels.spin(site);
    let axis = axis.try_normalize(0.0).unwrap_or_else(Vector3::z);
    let along = axis.map(|component| nalgebra::Complex::new(component, 0.0));
    let electrons = system.sites().iter().enumerate().filter(|(_, s)| s.kind == SiteKind::Electron);
    let parts: Vec<_> =
        electrons.map(|(index, s)| (index == site, s.g, levels.site_elements(index))).collect();
    let levels = levels.levels();
    // For each level: mean spin of the site, and its slopes with both fields.
    let means: Vec<_> = levels
        .iter()
        .map(|level| {
            let share = 1.0 / level.degeneracy() as f64;
            let own = level.states.clone().map(|k| elements.expectation(k)).sum::<Vector3<f64>>() * share;
            let mut slopes = [Vector3::zeros(); 2];
            for (is_site, g, part) in &parts {
                let mean = level.states.clone().map(|k| part.expectation(k)).sum::<Vector3<f64>>() * share;
                let slope = g.transpose() * mean * MU_B_HZ_PER_T;
                slopes[0] += slope;
                if *is_site {
                    slopes[1] += slope;
                }
            }
            (own, slopes)
        })
        .collect();
    let mut list = Vec::new();
    for (low, lower) in levels.iter().enumerate() {
        for (high, upper) in levels.iter().enumerate().skip(low + 1) {
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
            let change = (means[high].0 - means[low].0) * (parallel / (2.0 * spin));
            let order = change * difference(lower.states.start, upper.states.start, f0_hz);
            let slopes_hz_t = [0, 1].map(|of| means[high].1[of] - means[low].1[of]);
            list.push(Resonance { f0_hz, relative_rabi_squared, order, slopes_hz_t });
        }
    }
    let strongest = list.iter().fold(0.0_f64, |max, line| max.max(line.relative_rabi_squared));
    // Above zero in any case: without a matrix element there is no line.
    list.retain(|line| line.relative_rabi_squared > RELATIVE_STRENGTH_MIN * strongest);
    list.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz));
    list
}
