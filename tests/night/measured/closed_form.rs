//! Closed forms, worked out from the numbers of a world file. Constants: CODATA 2022.

use super::World;
use std::f64::consts::{PI, SQRT_2};

pub const PLANCK: f64 = 6.626_070_15e-34;
pub const BOLTZMANN: f64 = 1.380_649e-23;
pub const ELEMENTARY: f64 = 1.602_176_634e-19;
const ELECTRON_KG: f64 = 9.109_383_713_9e-31;
const BOHR_MAGNETON: f64 = 9.274_010_065_7e-24;
const MAGNETIC_CONSTANT: f64 = 1.256_637_061_27e-6;

/// Zero-to-peak voltage of a level in dBm into 50 Ω: √(2·50 Ω·P) (textbook).
pub fn source_v(level_dbm: f64) -> f64 {
    (2.0 * 50.0 * 1e-3 * 10f64.powf(level_dbm / 10.0)).sqrt()
}

/// Loss of the line in dB: attenuators, conductors as √f, insulation as f (textbook).
pub fn loss_db(world: &World, f_hz: f64) -> f64 {
    let relative = f_hz / (1e9 * world.number("loss_reference_ghz"));
    world.number("fixed_loss_db")
        + world.number("conductor_loss_db") * relative.sqrt()
        + world.number("insulation_loss_db") * relative
}

/// Zero-to-peak voltage at the junction: an open end, where the wave stands twice as high (textbook).
pub fn junction_v(world: &World, level_dbm: f64, f_hz: f64) -> f64 {
    2.0 * source_v(level_dbm - loss_db(world, f_hz))
}

/// Memory of the phase under a current: 1/T2 = 1/T2⁰ + p·I/e (Sci. Adv. 4, eaaq1543 (2018), 10.1126/sciadv.aaq1543,
/// for the law).
pub fn t2_s(world: &World, current_a: f64) -> f64 {
    let electrons_per_s = current_a / ELEMENTARY;
    1.0 / (1e9 / world.number("t2_ns") + world.number("dephasing_per_electron") * electrons_per_s)
}

/// s = Ω²·T1·T2, Ω proportional to the voltage at the junction (Bloch's equations, steady state, textbook).
pub fn saturation(world: &World, level_dbm: f64, f_hz: f64, current_a: f64) -> f64 {
    let rabi_rad_s = 1e9 * world.number("rabi_rad_us_mv") * junction_v(world, level_dbm, f_hz);
    rabi_rad_s * rabi_rad_s * 1e-9 * world.number("t1_ns") * t2_s(world, current_a)
}

/// Full width at half height, √(1+s)/(π·T2) (the same).
pub fn width_hz(world: &World, level_dbm: f64, f_hz: f64, current_a: f64) -> f64 {
    (1.0 + saturation(world, level_dbm, f_hz, current_a)).sqrt() / (PI * t2_s(world, current_a))
}

/// Order of a spin 1/2 at a temperature: tanh(hf/2kT) (textbook).
pub fn order(f_hz: f64, kelvin: f64) -> f64 {
    (PLANCK * f_hz / (2.0 * BOLTZMANN * kelvin)).tanh()
}

/// 2κ = 2√(2mφ)/ħ, 1/m (textbook; Phys. Rev. Lett. 49, 57 (1982), 10.1103/PhysRevLett.49.57, from memory).
pub fn decay_per_m(world: &World) -> f64 {
    let energy_j = world.number("work_function_ev") * ELEMENTARY;
    2.0 * (2.0 * ELECTRON_KG * energy_j).sqrt() / (PLANCK / (2.0 * PI))
}

/// Direction of the easy axis of the apex: its angles from the surface normal and round it.
fn axis(world: &World) -> [f64; 3] {
    let [tilt, turn] = ["tilt_deg", "turn_deg"].map(|name| world.number(name).to_radians());
    [tilt.sin() * turn.cos(), tilt.sin() * turn.sin(), tilt.cos()]
}

/// Principal g values of the adatom along x, y, z.
const G: [f64; 3] = [1.86, 1.86, 1.79];

/// g·B of the adatom, T: the field along z, and the tip's.
fn turning_t(field_t: f64, tip_field_t: &[f64]) -> [f64; 3] {
    [0, 1, 2].map(|i| G[i] * (if i == 2 { field_t } else { 0.0 } + tip_field_t[i]))
}

fn size(vector: [f64; 3]) -> f64 {
    vector.iter().map(|part| part * part).sum::<f64>().sqrt()
}

/// |g·(B + Btip)|·μB/h (textbook).
pub fn line_hz(field_t: f64, tip_field_t: &[f64]) -> f64 {
    size(turning_t(field_t, tip_field_t)) * BOHR_MAGNETON / PLANCK
}

/// What the junction is at a spin right under the tip, with the field along z.
pub struct Junction {
    /// Field of the tip on the spin, T.
    pub tip_field_t: [f64; 3],
    /// Frequency of the line, Hz.
    pub line_hz: f64,
    /// Height of the fully saturated line at the lock-in, A rms.
    pub full_height_a: f64,
}

/// The junction at a setpoint: only for a characteristic without curvature, where the conductance does not depend on
/// the bias.
///
/// Gap from I = G0·V·(1+η)·exp(−2κz) with η = Pt·Ps·cos θ, less current where the moments are aligned (invented worlds
/// say which way). Field: exchange that falls as exp(−(z−z0)/λ), and a dipole (Phys. Rev. Lett. 122, 227203 (2019),
/// 10.1103/PhysRevLett.122.227203, for the two; dipole field, textbook). Line: |g·B|·μB/h. Height: the polarised part
/// of the current that saturation takes away, times √2/π for the first harmonic of a chop of half the time, times
/// f²/(f²+fb²) for what a first-order height loop leaves in phase (textbook).
pub fn junction(world: &World, field_t: f64, kelvin: f64, bias_v: f64, current_a: f64) -> Junction {
    let axis = axis(world);
    let polarisation = world.number("polarisation");
    let conductance_s = 2.0 * ELEMENTARY * ELEMENTARY / PLANCK;
    let mut tip_field_t = [0.0; 3];
    let mut total = Junction { tip_field_t, line_hz: 0.0, full_height_a: 0.0 };
    // The gap depends on the order of the spin and that on the field of the tip: thrice round is to the last digit.
    for _ in 0..3 {
        let line_hz = line_hz(field_t, &tip_field_t);
        let turning_t = turning_t(field_t, &tip_field_t);
        let aligned: f64 = (0..3).map(|i| axis[i] * turning_t[i] / size(turning_t)).sum();
        let contrast = polarisation * aligned * order(line_hz, kelvin);
        let gap_m = (conductance_s * bias_v * (1.0 - contrast) / current_a).ln() / decay_per_m(world);
        let beyond_nm = 1e9 * gap_m - world.number("reference_gap_nm");
        let exchange_t =
            1e-3 * world.number("exchange_mt") * (-beyond_nm / world.number("exchange_decay_nm")).exp();
        let distance_m = gap_m + 1e-9 * world.number("moment_depth_nm");
        let moment = world.number("moment_mub") * BOHR_MAGNETON;
        let dipole_t = MAGNETIC_CONSTANT * moment / (4.0 * PI * distance_m.powi(3));
        tip_field_t = [
            axis[0] * (exchange_t - dipole_t),
            axis[1] * (exchange_t - dipole_t),
            axis[2] * (exchange_t + 2.0 * dipole_t),
        ];
        let [chop_hz, loop_hz] = ["reference_hz", "loop_bandwidth_hz"].map(|name| world.number(name));
        let left = chop_hz * chop_hz / (chop_hz * chop_hz + loop_hz * loop_hz);
        let changed_a = current_a / (1.0 - contrast) * contrast * world.number("readout");
        total = Junction { tip_field_t, line_hz, full_height_a: SQRT_2 / PI * left * changed_a };
    }
    total
}
