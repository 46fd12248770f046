//! Constants of nature, CODATA 2022.
//!
//! Adjusted values: the CODATA 2022 recommended values, as published by NIST
//! and as tabulated in scipy 1.17.1 (`scipy.constants.physical_constants`).
//! What follows from them by arithmetic is computed here, not typed in, except the
//! two magnetons over h.

use std::f64::consts::PI;

/// Bohr magneton, J/T. Uncertainty 2.9e-33.
pub const MU_B_J_PER_T: f64 = 9.274_010_065_7e-24;
/// Nuclear magneton, J/T. Uncertainty 1.6e-36.
pub const MU_N_J_PER_T: f64 = 5.050_783_739_3e-27;
/// Planck constant, J s. Exact.
pub const H_J_S: f64 = 6.626_070_15e-34;
/// Reduced Planck constant, J s.
pub const HBAR_J_S: f64 = H_J_S / (2.0 * PI);
/// Boltzmann constant, J/K. Exact.
pub const K_B_J_PER_K: f64 = 1.380_649e-23;
/// Elementary charge, C. Exact.
pub const E_C: f64 = 1.602_176_634e-19;
/// Avogadro constant, 1/mol. Exact.
pub const N_A_PER_MOL: f64 = 6.022_140_76e23;
/// Molar gas constant, J/(mol K).
pub const R_J_PER_MOL_K: f64 = N_A_PER_MOL * K_B_J_PER_K;
/// Vacuum magnetic permeability, N/A². Uncertainty 2.0e-16; no longer 4π·1e-7 exactly.
pub const MU_0_N_PER_A2: f64 = 1.256_637_061_27e-6;
/// Electron mass, kg. Uncertainty 2.8e-40.
pub const M_E_KG: f64 = 9.109_383_713_9e-31;
/// Magnitude of the free electron's g factor. Uncertainty 3.6e-13.
pub const G_ELECTRON: f64 = 2.002_319_304_360_92;

/// Bohr magneton over h, GHz/T, with the digits of the table: others compute with
/// these, and the last one is a fortieth of the uncertainty (4.4e-9).
pub const MU_B_GHZ_PER_T: f64 = 13.996_244_917_1;
/// Bohr magneton over h, Hz/T, with the digits of the table.
pub const MU_B_HZ_PER_T: f64 = 1.399_624_491_71e10;
/// Nuclear magneton over h, GHz/T, with the digits of the table.
pub const MU_N_GHZ_PER_T: f64 = 7.622_593_218_8e-3;
/// h over the Boltzmann constant, K/GHz.
pub const H_OVER_K_B_K_PER_GHZ: f64 = H_J_S / K_B_J_PER_K * 1e9;
/// Boltzmann constant over the elementary charge, V/K.
pub const K_B_V_PER_K: f64 = K_B_J_PER_K / E_C;
/// One meV as a frequency, GHz.
pub const GHZ_PER_MEV: f64 = E_C / H_J_S * 1e-12;
/// Dipole energy of two Bohr magnetons side by side at 1 nm, μ0 μB²/(4π h), GHz nm³.
pub const DIPOLE_GHZ_NM3: f64 = MU_0_N_PER_A2 * MU_B_J_PER_T * MU_B_J_PER_T / (4.0 * PI * H_J_S) * 1e18;
/// Field of one Bohr magneton at 1 nm, broadside, μ0 μB/(4π), T nm³. On the axis it is twice as large.
pub const DIPOLE_FIELD_T_NM3: f64 = MU_0_N_PER_A2 * MU_B_J_PER_T / (4.0 * PI) * 1e27;
/// Conductance quantum 2e²/h, S.
pub const CONDUCTANCE_QUANTUM_S: f64 = 2.0 * E_C * E_C / H_J_S;

#[cfg(test)]
mod tests {
    use super::*;

    fn near(value: f64, expected: f64, relative: f64) {
        assert!((value / expected - 1.0).abs() <= relative, "{value} is not {expected}");
    }

    /// Derived values as they stand in the CODATA 2022 tables (scipy 1.17.1); the
    /// bounds are half a unit of the last digit printed there.
    #[test]
    fn what_follows_agrees_with_the_tables() {
        near(MU_B_GHZ_PER_T, MU_B_J_PER_T / H_J_S * 1e-9, 4e-12);
        near(MU_B_HZ_PER_T, MU_B_J_PER_T / H_J_S, 4e-12);
        near(MU_N_GHZ_PER_T, MU_N_J_PER_T / H_J_S * 1e-9, 7e-12);
        near(1.0 / H_OVER_K_B_K_PER_GHZ, 20.836_619_123_327_576, 1e-14);
        near(K_B_V_PER_K, 8.617_333_262_145_2e-5, 1e-13);
        near(GHZ_PER_MEV, 241.798_924_208_5, 1e-12);
        near(R_J_PER_MOL_K, 8.314_462_618_153_24, 1e-14);
        near(HBAR_J_S, 1.054_571_817_646_156_5e-34, 1e-14);
        near(CONDUCTANCE_QUANTUM_S, 7.748_091_729_863_649e-5, 1e-14);
        // Gyromagnetic ratio of the electron: the table gives it with an uncertainty of 3.1e-10.
        near(G_ELECTRON * MU_B_GHZ_PER_T, 28.024_951_386_1, 3.1e-10);
    }

    /// μ0 μB²/(4π h) and μ0 μB/(4π r³): formulas, evaluated independently.
    #[test]
    fn dipole_constants() {
        near(DIPOLE_GHZ_NM3, 0.012_980_131_622_6, 1e-11);
        near(DIPOLE_FIELD_T_NM3, 0.927_401_006_447_552_7e-3, 1e-12);
        // The speed of light is exact, 299 792 458 m/s; μ0 and ε0 = 8.8541878188e-12 F/m are adjusted together.
        near(1.0 / (MU_0_N_PER_A2 * 8.854_187_818_8e-12_f64).sqrt(), 299_792_458.0, 1e-10);
    }
}
