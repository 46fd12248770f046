//! What the RF does to the current: resonance lines and rectification.

use super::Microscope;
use super::junction::{Junction, NearSpin};
use crate::resonance::{self, Driving, Homodyne, Resonances};
use crate::sample::Surface;
use crate::spin::{Coupling, Site, SpinError, SpinSystem};
use crate::tip::{gradient_t_m, tip_field_t};
use crate::tunnel::Shape;
use nalgebra::Vector3;

/// Spectra are computed for fields rounded to this, T, and carried to the true field along
/// their slopes. What is left is of second order: 0.1 kHz for a spin 1/2 in 0.5 T.
const FIELD_GRAIN_T: f64 = 2e-4;
/// Temperatures are rounded to this for the occupation, K.
const TEMPERATURE_GRAIN_K: f64 = 2e-3;
/// Nodes of the rectification table, V.
const AMPLITUDE_GRAIN_V: f64 = 1e-3;
const AMPLITUDE_NODES: usize = 256;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct LineKey {
    site: usize,
    generation: u64,
    fields: [[i64; 3]; 2],
    temperature: i64,
    nuclear: Option<u64>,
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
    /// Where the nucleus is among its states, 0 to 1, if it stays in one for long.
    pub(super) nuclear: Option<f64>,
}

/// The lines and how far the fields are from those they were computed for.
#[derive(Debug, Clone, Copy)]
pub(super) struct Spectrum<'l> {
    pub(super) lines: &'l Resonances,
    /// Applied and tip's field, T.
    pub(super) off_t: [[f64; 3]; 2],
}

/// Spectra and rectification that were computed before.
#[derive(Debug, Clone)]
pub(super) struct Response {
    /// One spectrum for each state of the tip.
    lines: [Option<(LineKey, Resonances)>; 2],
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
        let nuclear = place.nuclear.map(f64::to_bits);
        let key = LineKey { site: place.site, generation: self.generation, fields, temperature, nuclear };
        let slot = usize::from(place.tip_up);
        if !matches!(&self.lines[slot], Some((known, _)) if *known == key) {
            // Computed from the rounded values, so that the result does not depend on who asked first.
            let kelvin = temperature as f64 * TEMPERATURE_GRAIN_K;
            let found = self
                .resonances(surface, place, rounded_t, kelvin)
                .expect("a world is checked when it is read, and fields are finite");
            self.lines[slot] = Some((key, found));
        }
        match &self.lines[slot] {
            Some((_, lines)) => Spectrum { lines, off_t },
            None => unreachable!("they were just put there"),
        }
    }

    fn resonances(
        &mut self,
        surface: &Surface,
        place: &Place,
        [field_t, tip_field_t]: [[f64; 3]; 2],
        kelvin: f64,
    ) -> Result<Resonances, SpinError> {
        let species = surface.species_of(place.site);
        let system = self.system(surface, place.site)?;
        if system.sites().len() == 1 && species.spin == 0.5 {
            let total_t = [0, 1, 2].map(|axis| field_t[axis] + tip_field_t[axis]);
            return Ok(Resonances::of_half(species.g, total_t, kelvin));
        }
        let levels = system.levels_with_site_field(field_t, 0, tip_field_t)?;
        let axis = Vector3::from(field_t);
        match place.nuclear {
            // One electron and its nucleus alone: the nucleus is in one of its states.
            Some(part) if system.sites().len() == 2 && species.nuclear_spin > 0.0 => {
                let count = (2.0 * species.nuclear_spin + 1.0) as usize;
                let state = ((part * count as f64) as usize).min(count - 1);
                Ok(Resonances::of_stuck(system, &levels, axis, kelvin, (state, count)))
            }
            _ => Resonances::of(system, &levels, 0, axis, kelvin),
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

impl Microscope {
    /// Field of the tip on the spin it looks at, T.
    pub(super) fn tip_field_on_t(&self, spin: &NearSpin, gap_m: f64) -> [f64; 3] {
        let law = &self.world.tip.field;
        let field_t = tip_field_t(&self.apex_now(), self.tip.switching.is_up(), law, spin.offset_m, gap_m);
        let wander = self.tip.wander();
        field_t.map(|b| b * wander)
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
            nuclear: self.nuclei.state(),
        })
    }

    /// How hard the spin is driven and how it relaxes in this junction.
    fn driving(&self, spin: &NearSpin, junction: &Junction, amplitude_v: f64) -> Driving {
        let relaxation = self.surface.species_of(spin.site).relaxation;
        let mut rabi_rad_s = relaxation.rabi_rad_s_v * amplitude_v;
        if self.effects.gradient_reference_t_m > 0.0 {
            let law = &self.world.tip.field;
            let gradient = gradient_t_m(&self.apex_now(), law, spin.offset_m, junction.gap_m);
            rabi_rad_s *= gradient / self.effects.gradient_reference_t_m;
        }
        let alone = Driving {
            rabi_rad_s,
            t1_s: relaxation.t1_s,
            t2_s: relaxation.t2_s,
            asymmetry: relaxation.asymmetry,
        };
        let flips = self.effects.flips_per_electron;
        alone.under_current(junction.current_a(), flips, relaxation.dephasing_per_electron)
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
        let readout = self.surface.species_of(spin.site).relaxation.readout;
        let apex = self.apex_now();
        let bias_v = self.knobs.bias_v.abs().max(self.world.junction.offset_v);
        let seen = resonance::Junction {
            current_a: junction.conductance_s * junction.effective_v,
            polarisation: self.polarisation() * spin.overlap * readout,
            tip_direction: apex.axis.map(|part| part * self.tip.sign()),
            homodyne: Homodyne {
                ratio: self.effects.homodyne_part * amplitude_v / (2.0 * bias_v),
                phase_rad: self.effects.homodyne_phase_rad,
            },
        };
        let driving = self.driving(&spin, junction, amplitude_v);
        let Some(place) = self.place(junction) else { return 0.0 };
        let spectrum = self.response.spectrum(&self.surface, &place);
        spectrum.lines.current_change_a(f_hz, &spectrum.off_t, &driving, &seen)
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
