//! One spin: its kind, size, g factor and anisotropy.

use nalgebra::{Matrix3, Rotation3, Unit, Vector3};

/// Whether a spin belongs to electrons or to a nucleus.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SiteKind {
    /// Zeeman energy +μB B·g·S.
    Electron,
    /// Zeeman energy −μN gN B·I.
    Nucleus,
}

/// One spin of a system. Nothing is checked here: [`super::SpinSystem::new`]
/// reports all faults at once.
#[derive(Debug, Clone, PartialEq)]
pub struct Site {
    /// Name for messages and output; may be empty.
    pub name: String,
    /// Electron or nucleus.
    pub kind: SiteKind,
    /// Spin quantum number: 0.5, 1, 1.5, …
    pub spin: f64,
    /// g tensor in the axes of the site, no unit (field index first). A nucleus: gN times the unit matrix.
    pub g: Matrix3<f64>,
    /// Axial anisotropy D, GHz.
    pub d_ghz: f64,
    /// Rhombic anisotropy E, GHz.
    pub e_ghz: f64,
    /// Fourth-order term F of F(S₊⁴ + S₋⁴), GHz.
    pub f4_ghz: f64,
    /// Quadrupole tensor Q of I·Q·I in the axes of the site, GHz.
    pub quadrupole_ghz: Matrix3<f64>,
    /// Turns the axes of the laboratory into the axes of the site.
    pub turn: Rotation3<f64>,
    /// Field on this site beside the applied one (the tip's, say), laboratory axes, T.
    pub site_field_t: Vector3<f64>,
}

impl Site {
    /// An electron spin with the free electron's g factor and nothing else.
    pub fn electron(spin: f64) -> Self {
        Self {
            name: String::new(),
            kind: SiteKind::Electron,
            spin,
            g: Matrix3::identity() * super::constants::G_ELECTRON,
            d_ghz: 0.0,
            e_ghz: 0.0,
            f4_ghz: 0.0,
            quadrupole_ghz: Matrix3::zeros(),
            turn: Rotation3::identity(),
            site_field_t: Vector3::zeros(),
        }
    }

    /// A nuclear spin with the nuclear g factor `g_n` (sign as tabulated: μ = gN μN I).
    pub fn nucleus(spin: f64, g_n: f64) -> Self {
        Self { kind: SiteKind::Nucleus, g: Matrix3::identity() * g_n, ..Self::electron(spin) }
    }

    /// Gives it a name.
    pub fn named(mut self, name: impl Into<String>) -> Self {
        self.name = name.into();
        self
    }

    /// Principal values of g along x, y, z of the site.
    pub fn g_values(self, g: [f64; 3]) -> Self {
        self.g_tensor(Matrix3::from_diagonal(&Vector3::from(g)))
    }

    /// The whole g tensor in the axes of the site, field index first: B·g·S.
    pub fn g_tensor(mut self, g: Matrix3<f64>) -> Self {
        self.g = g;
        self
    }

    /// D Sz² + E (Sx² − Sy²), GHz.
    pub fn anisotropy_ghz(mut self, d: f64, e: f64) -> Self {
        (self.d_ghz, self.e_ghz) = (d, e);
        self
    }

    /// F (S₊⁴ + S₋⁴), GHz.
    pub fn quartic_ghz(mut self, f4: f64) -> Self {
        self.f4_ghz = f4;
        self
    }

    /// I·Q·I with a symmetric Q in the axes of the site, GHz.
    pub fn quadrupole_ghz(mut self, q: Matrix3<f64>) -> Self {
        self.quadrupole_ghz = q;
        self
    }

    /// Turns the axes of the site against the laboratory; see [`turn_about`] and [`turn_zyz`].
    pub fn turned(mut self, turn: Rotation3<f64>) -> Self {
        self.turn = turn;
        self
    }

    /// A field on this site beside the applied one, laboratory axes, T.
    pub fn site_field_t(mut self, field_t: [f64; 3]) -> Self {
        self.site_field_t = field_t.into();
        self
    }

    /// g in the axes of the laboratory.
    pub fn g_laboratory(&self) -> Matrix3<f64> {
        self.turn * self.g * self.turn.inverse()
    }

    /// What a message calls it.
    pub(super) fn called(&self, index: usize) -> String {
        match (self.name.as_str(), self.kind) {
            ("", SiteKind::Electron) => format!("spin {index}"),
            ("", SiteKind::Nucleus) => format!("nucleus {index}"),
            (name, _) => format!("`{name}`"),
        }
    }

    /// Vector gamma (GHz/T) with energy B·gamma·S in the axes of the laboratory.
    pub(super) fn zeeman_ghz_per_t(&self) -> Matrix3<f64> {
        let magneton = match self.kind {
            SiteKind::Electron => super::constants::MU_B_GHZ_PER_T,
            SiteKind::Nucleus => -super::constants::MU_N_GHZ_PER_T,
        };
        self.g_laboratory() * magneton
    }
}

/// A turn by `angle_rad` about `axis` (right-hand rule); `None` if the axis has no direction.
pub fn turn_about(axis: [f64; 3], angle_rad: f64) -> Option<Rotation3<f64>> {
    let axis = Vector3::from(axis);
    let unit = Unit::try_new(axis / axis.amax(), 1e-6)?;
    angle_rad.is_finite().then(|| Rotation3::from_axis_angle(&unit, angle_rad))
}

/// A turn by three angles: first `alpha` about z, then `beta` about the new y, then `gamma` about the newest z.
pub fn turn_zyz(alpha_rad: f64, beta_rad: f64, gamma_rad: f64) -> Rotation3<f64> {
    let z = Vector3::z_axis();
    Rotation3::from_axis_angle(&z, alpha_rad)
        * Rotation3::from_axis_angle(&Vector3::y_axis(), beta_rad)
        * Rotation3::from_axis_angle(&z, gamma_rad)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::FRAC_PI_2;

    #[test]
    fn a_turned_g_follows_its_axes() {
        let site = Site::electron(0.5)
            .g_values([1.0, 2.0, 3.0])
            .turned(turn_about([0.0, 1.0, 0.0], FRAC_PI_2).unwrap());
        // z of the site now points along x of the laboratory.
        let g = site.g_laboratory();
        assert!((g[(0, 0)] - 3.0).abs() < 1e-12 && (g[(2, 2)] - 1.0).abs() < 1e-12, "{g}");
        let euler = turn_zyz(0.0, FRAC_PI_2, 0.0);
        assert!((euler.matrix() - site.turn.matrix()).amax() < 1e-12);
    }

    #[test]
    fn an_axis_without_direction_is_no_axis() {
        assert_eq!(turn_about([0.0; 3], 1.0), None);
        assert_eq!(turn_about([f64::NAN, 0.0, 1.0], 1.0), None);
        assert_eq!(turn_about([0.0, 0.0, 1.0], f64::INFINITY), None);
    }
}
