//! What the RF does to the current: resonance lines and rectification.

use super::Microscope;
use super::junction::{Junction, NearSpin};
use crate::sample::{Relaxation, Surface};
use crate::spin::constants::{E_C, MU_B_HZ_PER_T};
use crate::spin::{Coupling, Site, SiteKind, SpinError, SpinSystem};
use crate::tip::tip_field_t;
use crate::tunnel::Shape;
use nalgebra::Complex;

/// Spectra are computed for fields rounded to this, T, and carried to the true field along
/// their slopes. What is left is of second order: 0.1 kHz for a spin 1/2 in 0.5 T.
const FIELD_GRAIN_T: f64 = 2e-4;
/// Temperatures are rounded to this for the occupation, K.
const TEMPERATURE_GRAIN_K: f64 = 2e-3;
/// Lines whose drive is below this part of a free spin's are left out.
const DRIVE_MIN: f64 = 1e-3;
/// Nodes of the rectification table, V.
const AMPLITUDE_GRAIN_V: f64 = 1e-3;
const AMPLITUDE_NODES: usize = 256;

/// One line of the spin under the tip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    pub(super) f_hz: f64,
    /// How it moves with the applied field and with the tip's, Hz/T (x, y, z).
    slopes_hz_t: [[f64; 3]; 2],
    /// Change of the spin's polarisation if the line is saturated.
    pub(super) weight: f64,
    /// Squared matrix element over that of a free spin 1/2.
    pub(super) drive: f64,
}

impl Line {
    /// Frequency in Hz where applied and tip's field differ by `off_t` from those it was computed for.
    pub(super) fn at_hz(&self, off_t: &[[f64; 3]; 2]) -> f64 {
        let mut f_hz = self.f_hz;
        for (slope, off) in self.slopes_hz_t.iter().zip(off_t) {
            f_hz += slope[0] * off[0] + slope[1] * off[1] + slope[2] * off[2];
        }
        f_hz
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct LineKey {
    site: usize,
    generation: u64,
    fields: [[i64; 3]; 2],
    temperature: i64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct ShapeKey {
    /// Site, its share in hundredths, its Zeeman energy in quarters of a GHz.
    spin: Option<(usize, i64, i64)>,
    generation: u64,
    bias_v: f64,
    /// Thermal energy in units of 0.1 µeV.
    temperature: i64,
}

/// Rectified voltage at the nodes of the amplitude, filled as it is needed.
#[derive(Debug, Clone)]
struct Rectified {
    key: ShapeKey,
    shape: Shape,
    table: Vec<f64>,
}

/// What the lines of a spin depend on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    pub(super) site: usize,
    /// Applied and tip's field, T.
    pub(super) fields_t: [[f64; 3]; 2],
    pub(super) kelvin: f64,
    pub(super) tip_up: bool,
}

/// The lines and how far the fields are from those they were computed for.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Spectrum<'l> {
    pub(super) lines: &'l [Line],
    /// Applied and tip's field, T.
    pub(super) off_t: [[f64; 3]; 2],
}

/// Spectra and rectification that were computed before.
#[derive(Debug, Clone)]
pub(super) struct Response {
    /// One spectrum for each state of the tip.
    lines: [Option<(LineKey, Vec<Line>)>; 2],
    system: Option<(usize, u64, SpinSystem)>,
    rectified: Option<Rectified>,
    /// Grows when the surface changes.
    pub(super) generation: u64,
}

impl Response {
    pub(super) fn new() -> Self {
        Self { lines: [None, None], system: None, rectified: None, generation: 0 }
    }

    /// Lines at a place, from what is kept if the fields are near those of last time.
    pub(super) fn spectrum(&mut self, surface: &Surface, place: &Place) -> Spectrum<'_> {
        let temperature = (place.kelvin / TEMPERATURE_GRAIN_K).round().max(1.0) as i64;
        let fields = place.fields_t.map(grains);
        let rounded_t = fields.map(|field| field.map(|grain| grain as f64 * FIELD_GRAIN_T));
        let off_t = [0, 1].map(|of| [0, 1, 2].map(|axis| place.fields_t[of][axis] - rounded_t[of][axis]));
        let key = LineKey { site: place.site, generation: self.generation, fields, temperature };
        let slot = usize::from(place.tip_up);
        if !matches!(&self.lines[slot], Some((known, _)) if *known == key) {
            // Computed from the rounded values, so that the result does not depend on who asked first.
            let kelvin = temperature as f64 * TEMPERATURE_GRAIN_K;
            let found = self
                .system(surface, place.site)
                .and_then(|system| lines(system, rounded_t, kelvin))
                .expect("a world is checked when it is read, and fields are finite");
            self.lines[slot] = Some((key, found));
        }
        match &self.lines[slot] {
            Some((_, lines)) => Spectrum { lines, off_t },
            None => Spectrum::default(),
        }
    }

    fn system(&mut self, surface: &Surface, site: usize) -> Result<&SpinSystem, SpinError> {
        let generation = self.generation;
        let known = matches!(&self.system, Some((s, g, _)) if *s == site && *g == generation);
        if !known {
            self.system = Some((site, generation, spin_system(surface, site)?));
        }
        match &self.system {
            Some((_, _, system)) => Ok(system),
            None => unreachable!("it was just put there"),
        }
    }
}

/// The spins of the group of `site`: its electron first, then its nucleus, then the others'.
fn spin_system(surface: &Surface, site: usize) -> Result<SpinSystem, SpinError> {
    let cluster = surface.cluster(site);
    let mut spins = Vec::new();
    let mut couplings = Vec::new();
    let mut electrons = Vec::new();
    for &member in &cluster {
        let species = surface.species_of(member);
        let electron = spins.len();
        electrons.push(electron);
        spins.push(
            Site::electron(species.spin)
                .g_values(species.g)
                .anisotropy_ghz(species.axial_ghz, species.rhombic_ghz),
        );
        if species.nuclear_spin > 0.0 {
            couplings.push(Coupling::values([electron, spins.len()], species.hyperfine_ghz));
            spins.push(Site::nucleus(species.nuclear_spin, species.nuclear_g));
        }
    }
    for (a, &first) in cluster.iter().enumerate() {
        for (b, &second) in cluster.iter().enumerate().skip(a + 1) {
            let [from, to] = [first, second].map(|member| surface.sites[member].at_m);
            let apart_nm = [(to[0] - from[0]) * 1e9, (to[1] - from[1]) * 1e9, 0.0];
            couplings.push(Coupling::dipole([electrons[a], electrons[b]], apart_nm));
            let exchange: f64 = surface
                .couplings
                .iter()
                .filter(|c| c.sites == [first, second] || c.sites == [second, first])
                .map(|c| c.exchange_ghz)
                .sum();
            couplings.push(Coupling::isotropic([electrons[a], electrons[b]], exchange));
        }
    }
    SpinSystem::new(spins, couplings)
}

fn grains(field_t: [f64; 3]) -> [i64; 3] {
    field_t.map(|b| (b / FIELD_GRAIN_T).round() as i64)
}

/// Lines of the first spin of a system, with its field from the tip.
fn lines(
    system: &SpinSystem,
    [field_t, tip_field_t]: [[f64; 3]; 2],
    temperature_k: f64,
) -> Result<Vec<Line>, SpinError> {
    let levels = system.levels_with_site_field(field_t, 0, tip_field_t)?;
    let populations = levels.populations(temperature_k)?;
    let elements = levels.site_elements(0);
    let energies = levels.eigenvalues_ghz();
    let size_t = field_t.iter().map(|b| b * b).sum::<f64>().sqrt();
    let direction = if size_t > 0.0 { field_t.map(|b| b / size_t) } else { [0.0, 0.0, 1.0] };
    let electrons: Vec<_> =
        system.sites().iter().enumerate().filter(|(_, site)| site.kind == SiteKind::Electron).collect();
    let parts: Vec<_> =
        electrons.iter().map(|(index, site)| (levels.site_elements(*index), site.g)).collect();
    // The slope of a level is the expectation of its magnetic moment (Hellmann and Feynman's theorem).
    let slope = |state: usize, only_first: bool| {
        let mut sum = [0.0; 3];
        for (part, g) in parts.iter().take(if only_first { 1 } else { parts.len() }) {
            let spin = part.expectation(state);
            for (axis, slope) in sum.iter_mut().enumerate() {
                *slope += MU_B_HZ_PER_T * g[(axis, axis)] * spin[axis];
            }
        }
        sum
    };
    let all: Vec<_> = (0..energies.len())
        .map(|state| {
            let spin = elements.expectation(state);
            let along = (0..3).map(|i| direction[i] * spin[i]).sum::<f64>();
            (along, [slope(state, false), slope(state, true)])
        })
        .collect();
    let mut lines = Vec::new();
    for upper in 1..energies.len() {
        for lower in 0..upper {
            let element = elements.vector(lower, upper);
            // Across the field only; 1 for a free spin 1/2.
            let total: f64 = element.iter().map(|c| c.norm_sqr()).sum();
            let along: Complex<f64> = (0..3).map(|i| element[i] * direction[i]).sum();
            let drive = 2.0 * (total - along.norm_sqr());
            let f_hz = (energies[upper] - energies[lower]) * 1e9;
            if drive < DRIVE_MIN || f_hz < 1e6 {
                continue;
            }
            let weight = (populations[lower] - populations[upper]) * (all[upper].0 - all[lower].0);
            let slopes_hz_t =
                [0, 1].map(|of| [0, 1, 2].map(|axis| all[upper].1[of][axis] - all[lower].1[of][axis]));
            lines.push(Line { f_hz, slopes_hz_t, weight, drive });
        }
    }
    Ok(lines)
}

/// Current change at `f_hz` for a unit of polarised current: every line saturates for itself.
///
/// `s/(1+s)·(1+αδ)/(1+δ²)` with `s = Ω²T1T2`, `δ = (f−f0)/(Γ/2)`, `Γ = √(1+s)/(πT2)`:
/// the steady state of the Bloch equations, with the asymmetry of an ESR line.
fn lines_at(
    spectrum: &Spectrum<'_>,
    relaxation: &Relaxation,
    current_a: f64,
    amplitude_v: f64,
    f_hz: f64,
) -> f64 {
    let electrons_per_s = current_a.abs() / E_C;
    let t2_s = 1.0 / (1.0 / relaxation.t2_s + relaxation.dephasing_per_electron * electrons_per_s);
    let rabi = relaxation.rabi_rad_s_v * amplitude_v;
    let free = rabi * rabi * relaxation.t1_s * t2_s;
    let half_hz = 0.5 / (std::f64::consts::PI * t2_s);
    let mut sum = 0.0;
    for line in spectrum.lines {
        let saturation = free * line.drive;
        let broadened = 1.0 + saturation;
        let offset = f_hz - line.at_hz(&spectrum.off_t);
        // With u = offset/half: 1/(1+δ²) = (1+s)/(1+s+u²), and δ = u/√(1+s).
        let u = offset / half_hz;
        let shape = (1.0 + relaxation.asymmetry * u / broadened.sqrt()) / (broadened + u * u);
        sum += line.weight * saturation * shape;
    }
    sum
}

impl Microscope {
    /// Field of the tip on the spin it looks at, T.
    pub(super) fn tip_field_on_t(&self, spin: &NearSpin, gap_m: f64) -> [f64; 3] {
        tip_field_t(&self.tip.apex, self.tip.switching.is_up(), &self.world.tip.field, spin.offset_m, gap_m)
    }

    /// Where the lines of the spin under the tip are looked up; `None` without a spin.
    pub(super) fn place(&self, junction: &Junction) -> Option<Place> {
        let spin = junction.spin?;
        let fields_t = [self.plant.field_t(), self.tip_field_on_t(&spin, junction.gap_m)];
        Some(Place {
            site: spin.site,
            fields_t,
            kelvin: self.plant.stage_k(),
            tip_up: self.tip.switching.is_up(),
        })
    }

    /// Change of the current while the RF is on, A: resonance and rectification.
    pub(super) fn rf_current_a(&mut self, junction: &Junction) -> f64 {
        let amplitude_v = self.plant.amplitude_v();
        if amplitude_v <= 0.0 {
            return 0.0;
        }
        let rectified_v = self.rectified_v(junction, amplitude_v);
        let rectified_a = junction.conductance_s * (1.0 + junction.contrast) * rectified_v;
        rectified_a + self.resonance_a(junction, amplitude_v)
    }

    fn resonance_a(&mut self, junction: &Junction, amplitude_v: f64) -> f64 {
        let Some(spin) = junction.spin else { return 0.0 };
        if !self.tip.apex.has_contrast() {
            return 0.0;
        }
        let f_hz = self.plant.source.frequency_hz();
        let current_a = junction.current_a();
        let relaxation = self.surface.species_of(spin.site).relaxation;
        let polarised_a =
            current_a * self.tip.apex.polarisation * spin.alignment * spin.overlap * relaxation.readout;
        let Some(place) = self.place(junction) else { return 0.0 };
        let spectrum = self.response.spectrum(&self.surface, &place);
        polarised_a * lines_at(&spectrum, &relaxation, current_a, amplitude_v, f_hz)
    }

    /// Mean over an RF cycle less the value without it, in effective volts.
    fn rectified_v(&mut self, junction: &Junction, amplitude_v: f64) -> f64 {
        let place = amplitude_v / AMPLITUDE_GRAIN_V;
        let node = place as usize;
        let kt_ev = self.electron_ev();
        if node + 1 >= AMPLITUDE_NODES {
            return self.shape(junction.spin).harmonics(self.knobs.bias_v, amplitude_v, kt_ev).rectified_v;
        }
        self.keep_shape(junction, kt_ev);
        let Some(Rectified { key, shape, table }) = &mut self.response.rectified else { return 0.0 };
        let kt_ev = key.temperature as f64 * 1e-7;
        let mut value = |node: usize| {
            if table[node].is_nan() {
                let amplitude_v = node as f64 * AMPLITUDE_GRAIN_V;
                table[node] = shape.harmonics(key.bias_v, amplitude_v, kt_ev).rectified_v;
            }
            table[node]
        };
        // Linear in the square of the amplitude, as rectification is where it is small.
        let [low, high] = [node, node + 1].map(|n| (n * n) as f64);
        let part = (place * place - low) / (high - low);
        value(node) * (1.0 - part) + value(node + 1) * part
    }

    /// Starts a new table if bias, temperature or the outline under the tip have moved on.
    fn keep_shape(&mut self, junction: &Junction, kt_ev: f64) {
        let hundredths = |spin: NearSpin| (spin.overlap * 100.0).round();
        let quarters = |spin: NearSpin| (spin.zeeman_ghz * 4.0).round();
        let key = ShapeKey {
            spin: junction.spin.map(|spin| (spin.site, hundredths(spin) as i64, quarters(spin) as i64)),
            generation: self.response.generation,
            bias_v: self.knobs.bias_v,
            temperature: (kt_ev / 1e-7).round() as i64,
        };
        if self.response.rectified.as_ref().is_some_and(|known| known.key == key) {
            return;
        }
        let coarse = junction.spin.map(|spin| NearSpin {
            overlap: hundredths(spin) / 100.0,
            zeeman_ghz: quarters(spin) / 4.0,
            ..spin
        });
        let shape = self.shape(coarse);
        self.response.rectified = Some(Rectified { key, shape, table: vec![f64::NAN; AMPLITUDE_NODES] });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::resonance::{self, NuclearState, Nucleus, SpinParameters, SpinUnderTip, Surroundings};
    use crate::world::World;

    /// The lines carried along their slopes against a spin diagonalised at the very fields.
    #[test]
    fn lines_agree_with_the_spin_under_the_tip() {
        for (world, name) in [("night", "A1"), ("hyperfine", "M1")] {
            let world = World::shipped(world).unwrap();
            let site = world.surface.sites.iter().position(|site| site.name == name).unwrap();
            let species = world.surface.species_of(site);
            let relaxation = species.relaxation;
            let nucleus = (species.nuclear_spin > 0.0).then_some(Nucleus {
                spin: species.nuclear_spin,
                g_n: species.nuclear_g,
                hyperfine_ghz: species.hyperfine_ghz,
            });
            let mut other = SpinUnderTip::new(SpinParameters {
                g: species.g,
                nucleus,
                t1_s: relaxation.t1_s,
                t2_s: relaxation.t2_s,
                events_per_electron: relaxation.dephasing_per_electron,
                rabi_rad_per_s_v: relaxation.rabi_rad_s_v,
                asymmetry: relaxation.asymmetry,
                ..SpinParameters::default()
            })
            .unwrap();
            let fields_t = [[0.000_07, 0.0, 0.612_345], [-0.000_63, 0.000_41, 0.004_189]];
            let place = Place { site, fields_t, kelvin: 0.32, tip_up: true };
            let mut response = Response::new();
            let spectrum = response.spectrum(&world.surface, &place);
            let [field_t, tip_field_t] = fields_t;
            let there =
                Surroundings { field_t, tip_field_t, temperature_k: 0.32, nuclear: NuclearState::Averaged };
            let junction =
                resonance::Junction { current_a: 10e-12, polarisation: 1.0, tip_direction: [0.0, 0.0, 1.0] };
            let peak = other.resonances(&there).unwrap().list().to_vec();
            for line in peak.iter().filter(|line| line.relative_rabi_squared > 0.1) {
                let nearest = spectrum.lines.iter().map(|l| (l.at_hz(&spectrum.off_t) - line.f0_hz).abs());
                assert!(nearest.fold(f64::MAX, f64::min) < 1e3, "{name} {}", line.f0_hz);
                for off_hz in [-9e6, -2e6, 0.0, 5e6] {
                    let f_hz = line.f0_hz + off_hz;
                    let expected = other.current_change_a(&there, &junction, f_hz, 28e-3).unwrap().abs();
                    let found = 10e-12 * lines_at(&spectrum, &relaxation, 10e-12, 28e-3, f_hz);
                    // The two take the polarisation along slightly different axes, 1° apart.
                    assert!((found / expected - 1.0).abs() < 2e-3, "{name}: {found} instead of {expected}");
                }
            }
        }
    }
}
