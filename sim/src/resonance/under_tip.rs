//! The spin under the tip, ready to be asked again and again.

use super::fault::{ResonanceError, ResonanceFault, check};
use super::junction::Junction;
use super::relaxation::Driving;
use super::resonances::Resonances;
use super::spectrum::Spectrum;
use crate::spin::constants::{E_C, MU_B_HZ_PER_T};
use crate::spin::{Coupling, Levels, Site, SpinError, SpinSystem};
use nalgebra::Vector3;

/// The nucleus of a molecule.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Nucleus {
    /// Nuclear spin I: 1/2, 1, … Gives 2I + 1 lines.
    pub spin: f64,
    /// Nuclear g factor, sign as tabulated.
    pub g_n: f64,
    /// Hyperfine coupling along x, y, z of the laboratory, GHz.
    pub hyperfine_ghz: [f64; 3],
}

/// Everything about a spin 1/2 that does not change during a night.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpinParameters {
    /// g along x, y, z of the laboratory, no unit.
    pub g: [f64; 3],
    /// Its nucleus, if that has a spin.
    pub nucleus: Option<Nucleus>,
    /// Energy relaxation time T1, s.
    pub t1_s: f64,
    /// Coherence time T2 without current, s; at most 2·T1.
    pub t2_s: f64,
    /// Decoherence events for each tunnelling electron, no unit: 1/T2 grows by this times I/e.
    pub events_per_electron: f64,
    /// Rabi rate for each volt (zero-to-peak) of RF at the junction, at the reference current, rad/(s V).
    pub rabi_rad_per_s_v: f64,
    /// Current at which `rabi_rad_per_s_v` holds, A.
    pub reference_current_a: f64,
    /// The Rabi rate grows as current to this power: 0 independent of the tip's distance, 1 proportional.
    pub rabi_exponent: f64,
    /// Asymmetry α of its lines, no unit.
    pub asymmetry: f64,
}

impl Default for SpinParameters {
    /// A free spin: g of the electron, no nucleus, 100 ns, 1 rad/(µs mV) at 10 pA, symmetric lines.
    fn default() -> Self {
        Self {
            g: [crate::spin::constants::G_ELECTRON; 3],
            nucleus: None,
            t1_s: 100e-9,
            t2_s: 100e-9,
            events_per_electron: 0.0,
            rabi_rad_per_s_v: 1e9,
            reference_current_a: 10e-12,
            rabi_exponent: 0.0,
            asymmetry: 0.0,
        }
    }
}

/// How the nucleus behaves over a measurement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum NuclearState {
    /// It flips often within one reading: all lines, by thermal occupation.
    #[default]
    Averaged,
    /// It stays in one state, counted by its line from the lowest frequency (0 to 2I): one line.
    Stuck(u8),
}

/// What a spin finds itself in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surroundings {
    /// Applied field, T, laboratory axes.
    pub field_t: [f64; 3],
    /// Field of the tip at the spin, T, laboratory axes. It acts on the electron only.
    pub tip_field_t: [f64; 3],
    /// Temperature of the spin, K.
    pub temperature_k: f64,
    /// What its nucleus does.
    pub nuclear: NuclearState,
}

/// One spin 1/2 with or without a nucleus, with its lines kept until its surroundings change.
///
/// ```
/// use noctule_sim::resonance::{Junction, NuclearState, SpinParameters, SpinUnderTip, Surroundings};
///
/// let mut spin = SpinUnderTip::new(SpinParameters { g: [1.8; 3], ..Default::default() })?;
/// let there = Surroundings {
///     field_t: [0.0, 0.0, 0.9],
///     tip_field_t: [0.0, 0.0, 0.01],
///     temperature_k: 0.4,
///     nuclear: NuclearState::Averaged,
/// };
/// let junction = Junction { current_a: 10e-12, polarisation: 0.2, tip_direction: [0.0, 0.0, -1.0] };
/// let f0_hz = spin.resonances(&there)?.list()[0].f0_hz;
/// let change_a = spin.current_change_a(&there, &junction, f0_hz, 20e-3)?;
/// // Tip against the field: losing the spin's order makes the current grow.
/// assert!(change_a > 0.0 && change_a < 0.2 * 10e-12);
/// # Ok::<(), noctule_sim::resonance::ResonanceError>(())
/// ```
#[derive(Debug, Clone)]
pub struct SpinUnderTip {
    parameters: SpinParameters,
    /// Only with a nucleus; a lone spin 1/2 has a closed form.
    system: Option<SpinSystem>,
    diagonalised: Option<([f64; 3], [f64; 3], Levels)>,
    kept: Option<(Surroundings, Resonances)>,
}

impl SpinUnderTip {
    /// Checks the parameters and reports every fault.
    pub fn new(parameters: SpinParameters) -> Result<Self, ResonanceError> {
        let mut faults = check_parameters(&parameters);
        let mut system = None;
        if let Some(nucleus) = &parameters.nucleus {
            let sites = vec![
                Site::electron(0.5).named("electron").g_values(parameters.g),
                Site::nucleus(nucleus.spin, nucleus.g_n).named("nucleus"),
            ];
            match SpinSystem::new(sites, vec![Coupling::values([0, 1], nucleus.hyperfine_ghz)]) {
                Ok(built) => system = Some(built),
                Err(SpinError::Faults(more)) => faults.extend(more.into_iter().map(ResonanceFault::Spin)),
                Err(other) => return Err(other.into()),
            }
        }
        if !faults.is_empty() {
            return Err(ResonanceError::Faults(faults));
        }
        Ok(Self { parameters, system, diagonalised: None, kept: None })
    }

    /// The parameters it was made with.
    pub fn parameters(&self) -> &SpinParameters {
        &self.parameters
    }

    /// Moment along x, y, z in Bohr magnetons, g/2.
    pub fn moment_mu_b(&self) -> [f64; 3] {
        self.parameters.g.map(|g| g / 2.0)
    }

    /// Number of nuclear states, 2I + 1; 1 without a nucleus.
    pub fn nuclear_states(&self) -> usize {
        self.system.as_ref().map_or(1, |system| system.dimension() / 2)
    }

    /// Its lines, from what is kept if the surroundings are the same as last time.
    pub fn resonances(&mut self, surroundings: &Surroundings) -> Result<&Resonances, SpinError> {
        let list = match self.kept.take() {
            Some((last, list)) if last == *surroundings => list,
            _ => self.compute(surroundings)?,
        };
        Ok(&self.kept.insert((*surroundings, list)).1)
    }

    /// Drive and relaxation at an RF amplitude (zero-to-peak at the junction, V) and current.
    pub fn driving(&self, junction: &Junction, rf_v: f64) -> Driving {
        let p = &self.parameters;
        let current = junction.current_a.abs();
        let closeness = if p.rabi_exponent == 0.0 {
            1.0
        } else {
            (current / p.reference_current_a).powf(p.rabi_exponent)
        };
        Driving {
            rabi_rad_s: p.rabi_rad_per_s_v * rf_v * closeness,
            t1_s: p.t1_s,
            t2_s: 1.0 / (1.0 / p.t2_s + p.events_per_electron * current / E_C),
            asymmetry: p.asymmetry,
        }
    }

    /// Change of the tunnel current while RF of amplitude `rf_v` (zero-to-peak at the junction, V) is on, A.
    ///
    /// Costs a few nanoseconds a line while the surroundings stay the same, so
    /// the amplitude may differ at each frequency.
    pub fn current_change_a(
        &mut self,
        surroundings: &Surroundings,
        junction: &Junction,
        f_hz: f64,
        rf_v: f64,
    ) -> Result<f64, SpinError> {
        check_drive(junction, rf_v)?;
        let driving = self.driving(junction, rf_v);
        Ok(self.resonances(surroundings)?.current_change_a(f_hz, &driving, junction))
    }

    /// The whole spectrum for one RF amplitude at all frequencies.
    pub fn spectrum(
        &mut self,
        surroundings: &Surroundings,
        junction: &Junction,
        rf_v: f64,
    ) -> Result<Spectrum, ResonanceError> {
        check_drive(junction, rf_v)?;
        let driving = self.driving(junction, rf_v);
        self.resonances(surroundings)?.spectrum(&driving, junction)
    }

    fn compute(&mut self, surroundings: &Surroundings) -> Result<Resonances, SpinError> {
        check_surroundings(surroundings, self.nuclear_states())?;
        let Surroundings { field_t, tip_field_t, temperature_k, nuclear } = *surroundings;
        let total = Vector3::from(field_t) + Vector3::from(tip_field_t);
        let precession_hz = total.component_mul(&Vector3::from(self.parameters.g)) * MU_B_HZ_PER_T;
        let Some(system) = &self.system else {
            return Ok(Resonances::of_half(&precession_hz, temperature_k));
        };
        let levels = match self.diagonalised.take() {
            Some((field, tip_field, levels)) if field == field_t && tip_field == tip_field_t => levels,
            _ => system.levels_with_site_field(field_t, 0, tip_field_t)?,
        };
        let (_, _, levels) = self.diagonalised.insert((field_t, tip_field_t, levels));
        match nuclear {
            NuclearState::Averaged => Resonances::of(levels, 0, precession_hz, temperature_k),
            NuclearState::Stuck(state) => {
                let which = (usize::from(state), system.dimension() / 2);
                Ok(Resonances::of_stuck(levels, 0, &precession_hz, temperature_k, which))
            }
        }
    }
}

fn check_drive(junction: &Junction, rf_v: f64) -> Result<(), SpinError> {
    let values = [
        ("the RF amplitude", rf_v),
        ("the current", junction.current_a),
        ("the polarisation", junction.polarisation),
        ("the tip's direction", junction.tip_direction.iter().sum()),
    ];
    match values.into_iter().find(|(_, value)| !value.is_finite()) {
        Some((what, value)) => Err(SpinError::Condition { what, value, needed: "a finite number" }),
        None => Ok(()),
    }
}

fn check_surroundings(surroundings: &Surroundings, nuclear_states: usize) -> Result<(), SpinError> {
    for value in surroundings.field_t.into_iter().chain(surroundings.tip_field_t) {
        if !value.is_finite() {
            return Err(SpinError::Condition { what: "a field", value, needed: "a finite number of tesla" });
        }
    }
    let value = surroundings.temperature_k;
    if !(value >= 0.0 && value.is_finite()) {
        let needed = "0 K or a finite temperature above";
        return Err(SpinError::Condition { what: "the temperature", value, needed });
    }
    match surroundings.nuclear {
        NuclearState::Stuck(state) if usize::from(state) >= nuclear_states => Err(SpinError::Condition {
            what: "the nuclear state",
            value: f64::from(state),
            needed: "below the number of nuclear states",
        }),
        _ => Ok(()),
    }
}

fn check_parameters(p: &SpinParameters) -> Vec<ResonanceFault> {
    let mut faults = Vec::new();
    for g in p.g {
        check(&mut faults, g.is_finite() && g != 0.0, "g", g, "a finite number other than 0");
    }
    for (what, value) in [("t1_s", p.t1_s), ("t2_s", p.t2_s), ("reference_current_a", p.reference_current_a)]
    {
        check(&mut faults, value > 0.0 && value.is_finite(), what, value, "above 0");
    }
    for (what, value) in
        [("events_per_electron", p.events_per_electron), ("rabi_rad_per_s_v", p.rabi_rad_per_s_v)]
    {
        check(&mut faults, value >= 0.0 && value.is_finite(), what, value, "0 or above");
    }
    for (what, value) in [("rabi_exponent", p.rabi_exponent), ("asymmetry", p.asymmetry)] {
        check(&mut faults, value.is_finite(), what, value, "a finite number");
    }
    if p.t2_s > 2.0 * p.t1_s {
        faults.push(ResonanceFault::CoherenceTooLong { t1_s: p.t1_s, t2_s: p.t2_s });
    }
    faults
}
