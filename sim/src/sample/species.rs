//! What kinds of things lie on the film.

use crate::tunnel::Step;

/// Lifetimes and drive of an electron spin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Relaxation {
    /// Lifetime of the excited state, s.
    pub t1_s: f64,
    /// Phase memory without current, s; at most twice T1.
    pub t2_s: f64,
    /// Loss of phase per tunnelling electron.
    pub dephasing_per_electron: f64,
    /// Rabi rate per zero-to-peak volt at the junction, rad/(s V).
    pub rabi_rad_s_v: f64,
    /// Asymmetry α of the line.
    pub asymmetry: f64,
    /// Part of the spin-polarised current that a fully saturated line changes.
    pub readout: f64,
}

/// One kind of adsorbate.
#[derive(Debug, Clone, PartialEq)]
pub struct Species {
    /// Its name in the world file.
    pub name: String,
    /// Apparent height at constant current, m.
    pub height_m: f64,
    /// Standard deviation of its Gaussian outline, m.
    pub width_m: f64,
    /// Whether the tip can pick it up.
    pub movable: bool,
    /// Electron spin; 0 for none.
    pub spin: f64,
    /// Principal values of g along x, y and z of the film.
    pub g: [f64; 3],
    /// Axial anisotropy D, GHz.
    pub axial_ghz: f64,
    /// Rhombic anisotropy E, GHz.
    pub rhombic_ghz: f64,
    /// Nuclear spin; 0 for none.
    pub nuclear_spin: f64,
    /// Nuclear g factor.
    pub nuclear_g: f64,
    /// Principal values of the hyperfine coupling along x, y and z, GHz.
    pub hyperfine_ghz: [f64; 3],
    /// Lifetimes and drive.
    pub relaxation: Relaxation,
    /// Inelastic steps other than those of the spin itself.
    pub steps: Vec<Step>,
}

impl Species {
    /// Moment in Bohr magnetons that a line shows with the field along x, y and z, `f = 2μB/h`: g/2, because one
    /// quantum of spin is turned whatever the spin is.
    pub fn moment_mub(&self) -> [f64; 3] {
        self.g.map(|g| if self.is_magnetic() { g / 2.0 } else { 0.0 })
    }

    /// Whether it carries an electron spin.
    pub fn is_magnetic(&self) -> bool {
        self.spin > 0.0
    }
}
