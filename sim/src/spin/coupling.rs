//! Couplings between two spins.

use super::constants::{DIPOLE_GHZ_NM3, MU_B_J_PER_T, MU_N_J_PER_T};
use super::site::{Site, SiteKind};
use nalgebra::{Matrix3, Rotation3, Vector3};

/// How two spins act on each other.
#[derive(Debug, Clone, PartialEq)]
pub enum Interaction {
    /// Sa·T·Sb with T in the axes of the laboratory, GHz: exchange or hyperfine.
    Tensor(Matrix3<f64>),
    /// Dipolar, with the vector from the first to the second site, nm.
    Dipole(Vector3<f64>),
}

/// A coupling between two sites, given by their indices.
#[derive(Debug, Clone, PartialEq)]
pub struct Coupling {
    /// The two sites, from 0; the first index of the tensor belongs to the first.
    pub pair: [usize; 2],
    /// What acts between them.
    pub interaction: Interaction,
}

impl Coupling {
    /// J Sa·Sb, GHz: antiferromagnetic for J > 0.
    pub fn isotropic(pair: [usize; 2], j_ghz: f64) -> Self {
        Self::values(pair, [j_ghz; 3])
    }

    /// Principal values along x, y, z of the laboratory, GHz.
    pub fn values(pair: [usize; 2], t_ghz: [f64; 3]) -> Self {
        Self::tensor(pair, Matrix3::from_diagonal(&Vector3::from(t_ghz)))
    }

    /// The whole tensor in turned axes, GHz.
    pub fn turned(pair: [usize; 2], t_ghz: Matrix3<f64>, turn: Rotation3<f64>) -> Self {
        Self::tensor(pair, turn * t_ghz * turn.inverse())
    }

    /// The whole tensor in the axes of the laboratory, GHz.
    pub fn tensor(pair: [usize; 2], t_ghz: Matrix3<f64>) -> Self {
        Self { pair, interaction: Interaction::Tensor(t_ghz) }
    }

    /// Dipolar coupling over the vector `r_nm` from the first to the second site.
    pub fn dipole(pair: [usize; 2], r_nm: [f64; 3]) -> Self {
        Self { pair, interaction: Interaction::Dipole(r_nm.into()) }
    }

    /// The tensor T of Sa·T·Sb, GHz.
    pub(super) fn tensor_ghz(&self, sites: &[Site]) -> Matrix3<f64> {
        match &self.interaction {
            Interaction::Tensor(tensor) => *tensor,
            Interaction::Dipole(r) => {
                let distance = r.norm();
                let u = r / distance;
                let [first, second] = self.pair.map(|k| moment_per_spin(&sites[k]));
                let geometry = Matrix3::identity() - u * u.transpose() * 3.0;
                first.transpose() * geometry * second * (DIPOLE_GHZ_NM3 / distance.powi(3))
            }
        }
    }
}

/// The matrix that turns a spin into minus its moment in Bohr magnetons.
fn moment_per_spin(site: &Site) -> Matrix3<f64> {
    match site.kind {
        SiteKind::Electron => site.g_laboratory(),
        SiteKind::Nucleus => site.g_laboratory() * (-MU_N_J_PER_T / MU_B_J_PER_T),
    }
}
