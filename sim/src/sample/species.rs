//! What kinds of things lie on the film.

use crate::tunnel::Step;
use noctule_ground::section;
use noctule_ground::section::{FRACTION, Kind, Range, number, plain, si, vector};

section! {
    /// Lifetimes and drive of an electron spin.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Relaxation = "Species" {
        /// Lifetime of the excited state; above zero where there is a spin.
        pub t1_s: f64 = number("ns", 1e-9, Range::NotNegative), "t1_ns" or "1";
        /// Phase memory without current; at most twice T1, and above zero where there is a spin.
        pub t2_s: f64 = number("ns", 1e-9, Range::NotNegative), "t2_ns" or "1";
        /// Loss of phase per tunnelling electron.
        pub dephasing_per_electron: f64 = plain(Range::NotNegative), "dephasing_per_electron" or "0";
        /// Rabi rate per zero-to-peak voltage at the junction.
        pub rabi_rad_s_v: f64 = number("rad/(µs mV)", 1e9, Range::NotNegative), "rabi_rad_us_mv" or "0";
        /// Asymmetry α of the line.
        pub asymmetry: f64 = plain(Range::Within(-10.0, 10.0)), "asymmetry" or "0";
        /// Part of the spin-polarised current that a fully saturated line changes.
        pub readout: f64 = plain(FRACTION), "readout" or "0";
    }
}

section! {
    /// One kind of adsorbate.
    #[derive(Debug, Clone, PartialEq)]
    pub struct Species = "Species" checked by Species::check {
        /// Its name in the world file.
        pub name: String = Kind::Said, "name";
        /// Apparent height at constant current.
        pub height_m: f64 = number("nm", 1e-9, Range::Within(-5.0, 5.0)), "height_nm";
        /// Standard deviation of its Gaussian outline.
        pub width_m: f64 = number("nm", 1e-9, Range::Positive), "width_nm";
        /// Whether the tip can pick it up.
        pub movable: bool = Kind::Flag, "movable";
        /// Electron spin; 0 for none.
        pub spin: f64 = plain(Range::Halves(8.0)), "spin" or "0";
        /// Principal values of g along x, y and z of the film; where there is a spin they must be given.
        pub g: [f64; 3] = vector("", 1.0, Range::Within(-20.0, 20.0)), "g" or "[0, 0, 0]";
        /// Axial anisotropy D.
        pub axial_ghz: f64 = si("GHz", Range::Any), "axial_ghz" or "0";
        /// Rhombic anisotropy E.
        pub rhombic_ghz: f64 = si("GHz", Range::Any), "rhombic_ghz" or "0";
        /// Nuclear spin; 0 for none.
        pub nuclear_spin: f64 = plain(Range::Halves(8.0)), "nuclear_spin" or "0";
        /// Nuclear g factor.
        pub nuclear_g: f64 = plain(Range::Within(-10.0, 10.0)), "nuclear_g" or "0";
        /// Principal values of the hyperfine coupling along x, y and z.
        pub hyperfine_ghz: [f64; 3] = vector("MHz", 1e-3, Range::Within(-1e5, 1e5)), "hyperfine_mhz" or "[0, 0, 0]";
        /// Inelastic steps other than those of the spin itself.
        pub steps: Vec<Step> = Step::PARTS, "steps";
    } and {
        /// Lifetimes and drive.
        pub relaxation: Relaxation;
    }
}

impl Species {
    /// Moment in Bohr magnetons that a line shows with the field along x, y and z, `f = 2μB/h`: g/2, because one
    /// quantum of spin is turned whatever the spin is.
    pub fn moment_mub(&self) -> [f64; 3] {
        self.g.map(|g| if self.is_magnetic() { g / 2.0 } else { 0.0 })
    }

    /// What is wrong with several numbers together, one sentence each.
    fn check(&self) -> Vec<String> {
        let mut faults = Vec::new();
        let Relaxation { t1_s, t2_s, .. } = self.relaxation;
        if self.is_magnetic() {
            let missing = [("t1_ns", t1_s), ("t2_ns", t2_s)].into_iter().filter(|(_, time_s)| *time_s == 0.0);
            faults.extend(missing.map(|(name, _)| format!("`{name}` must be above zero, not 0")));
            if self.g == [0.0; 3] {
                faults.push("a species with a spin needs `g`, three numbers".to_owned());
            }
        }
        if t2_s > 2.0 * t1_s * (1.0 + 1e-12) {
            faults.push("`t2_ns` must be at most twice `t1_ns`".to_owned());
        }
        faults
    }

    /// Whether it carries an electron spin.
    pub fn is_magnetic(&self) -> bool {
        self.spin > 0.0
    }
}
