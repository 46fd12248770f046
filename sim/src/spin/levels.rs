//! What follows from the eigenvectors: levels, lines, strengths, populations.

use super::constants::H_OVER_K_B_K_PER_GHZ;
use super::eigen::Eigen;
use super::fault::SpinError;
use super::operators::{self, C, Place};
use super::site::{Site, SiteKind};
use nalgebra::{DMatrix, Vector3};
use std::ops::Range;
use std::sync::Arc;

/// States closer than this, GHz, are one level.
pub const DEGENERATE_GHZ: f64 = 1e-8;
/// Lines whose strengths add up to less than this are not listed.
pub const STRENGTH_MIN: f64 = 1e-6;

/// One energy level, with all the states that share it.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// Energy E/h (mean of its states), GHz.
    pub energy_ghz: f64,
    /// Its states, as indices into the ascending eigenvalues.
    pub states: Range<usize>,
}

impl Level {
    /// How many states share it.
    pub fn degeneracy(&self) -> usize {
        self.states.len()
    }
}

/// A line between two levels.
#[derive(Debug, Clone, PartialEq)]
pub struct Transition {
    /// Index of the lower level.
    pub lower: usize,
    /// Index of the upper level.
    pub upper: usize,
    /// Frequency, GHz.
    pub f_ghz: f64,
    /// For each site: Σ |⟨lower|X|upper⟩|² over the states of both levels, X = Sx, Sy, Sz in laboratory axes.
    pub strengths: Vec<[f64; 3]>,
    /// The x and y strengths of all electrons together.
    pub electron_transverse: f64,
}

/// Levels and states of a system in one field.
#[derive(Debug, Clone)]
pub struct Levels {
    eigen: Eigen,
    levels: Vec<Level>,
    sites: Arc<[Site]>,
    places: Arc<[Place]>,
}

impl Levels {
    pub(super) fn new(eigen: Eigen, sites: Arc<[Site]>, places: Arc<[Place]>) -> Self {
        let levels = group(&eigen.values);
        Self { eigen, levels, sites, places }
    }

    /// Eigenvalues E/h, ascending, GHz.
    pub fn eigenvalues_ghz(&self) -> &[f64] {
        &self.eigen.values
    }

    /// Levels, ascending; states closer than [`DEGENERATE_GHZ`] to their neighbour share one.
    pub fn levels(&self) -> &[Level] {
        &self.levels
    }

    /// Spin quantum number of a site.
    ///
    /// # Panics
    /// If there is no such site.
    pub fn spin(&self, site: usize) -> f64 {
        self.sites[site].spin
    }

    /// Thermal occupation of each state (not level) at `temperature_k`; at 0 K the lowest level shares it.
    ///
    /// Boltzmann's law, e^(−E/kT)/Z.
    pub fn populations(&self, temperature_k: f64) -> Result<Vec<f64>, SpinError> {
        if !(temperature_k >= 0.0 && temperature_k.is_finite()) {
            let needed = "0 K or a finite temperature above";
            return Err(SpinError::Condition { what: "the temperature", value: temperature_k, needed });
        }
        let ground = &self.levels[0];
        let mut weights: Vec<f64> = if temperature_k == 0.0 {
            (0..self.eigen.values.len()).map(|k| f64::from(u8::from(ground.states.contains(&k)))).collect()
        } else {
            let per_ghz = H_OVER_K_B_K_PER_GHZ / temperature_k;
            let lowest = self.eigen.values[0];
            // Differences of zero stay weight 1 even where 1/T overflows.
            self.eigen
                .values
                .iter()
                .map(|e| if *e == lowest { 1.0 } else { (-(e - lowest) * per_ghz).exp() })
                .collect()
        };
        let sum: f64 = weights.iter().sum();
        assert!(sum >= 1.0, "the ground state has weight 1");
        weights.iter_mut().for_each(|w| *w /= sum);
        Ok(weights)
    }

    /// Matrix elements of one site's spin between all states.
    ///
    /// # Panics
    /// If there is no such site.
    pub fn site_elements(&self, site: usize) -> SiteElements {
        let place = self.places[site];
        let vectors = &self.eigen.vectors;
        let n = vectors.nrows();
        // V†Y = (VrᵀYr + ViᵀYi) + i(VrᵀYi − ViᵀYr) as one product of real matrices,
        // [Vrᵀ Viᵀ]·[Yr Yi; Yi −Yr]: real products are much faster than complex ones.
        let left = DMatrix::from_fn(n, 2 * n, |i, k| {
            let z = vectors[(k % n, i)];
            if k < n { z.re } else { z.im }
        });
        let raising = operators::raising(place.own);
        let projections = operators::projections(place.own);
        let mut raised = DMatrix::zeros(2 * n, 2 * n);
        let mut projected = DMatrix::zeros(2 * n, 2 * n);
        let put = |right: &mut DMatrix<f64>, row: usize, column: usize, z: C| {
            right[(row, column)] = z.re;
            right[(n + row, column)] = z.im;
            right[(row, n + column)] = z.im;
            right[(n + row, n + column)] = -z.re;
        };
        for column in 0..n {
            for l in 0..place.left {
                for (k, m) in projections.iter().enumerate() {
                    let start = (l * place.own + k) * place.right;
                    for row in start..start + place.right {
                        put(&mut projected, row, column, vectors[(row, column)] * *m);
                        if k + 1 < place.own {
                            put(&mut raised, row, column, vectors[(row + place.right, column)] * raising[k]);
                        }
                    }
                }
            }
        }
        let join = |product: DMatrix<f64>| {
            DMatrix::from_fn(n, n, |i, j| C::new(product[(i, j)], product[(i, n + j)]))
        };
        SiteElements { plus: join(&left * raised), z: join(&left * projected) }
    }

    /// All lines whose strengths add up to more than [`STRENGTH_MIN`], by lower, then upper level.
    pub fn transitions(&self) -> Vec<Transition> {
        self.transitions_above(STRENGTH_MIN)
    }

    /// All lines whose strengths add up to more than `strength_min`.
    pub fn transitions_above(&self, strength_min: f64) -> Vec<Transition> {
        let count = self.levels.len();
        let pairs: Vec<(usize, usize)> =
            (0..count).flat_map(|lower| (lower + 1..count).map(move |upper| (lower, upper))).collect();
        let sites = self.sites.len();
        let mut strengths = vec![[0.0; 3]; pairs.len() * sites];
        for site in 0..sites {
            let elements = self.site_elements(site);
            for (&(lower, upper), strengths) in pairs.iter().zip(strengths.chunks_mut(sites)) {
                strengths[site] = elements.strengths(&self.levels[lower], &self.levels[upper]);
            }
        }
        let mut lines = Vec::new();
        for ((lower, upper), strengths) in pairs.into_iter().zip(strengths.chunks(sites)) {
            if strengths.iter().flatten().sum::<f64>() <= strength_min {
                continue;
            }
            let electrons =
                self.sites.iter().zip(strengths).filter(|(site, _)| site.kind == SiteKind::Electron);
            let electron_transverse = electrons.map(|(_, s)| s[0] + s[1]).sum();
            let f_ghz = self.levels[upper].energy_ghz - self.levels[lower].energy_ghz;
            lines.push(Transition {
                lower,
                upper,
                f_ghz,
                strengths: strengths.to_vec(),
                electron_transverse,
            });
        }
        lines
    }
}

/// Neighbours closer than the limit share a level.
fn group(values: &[f64]) -> Vec<Level> {
    let mut levels: Vec<Level> = Vec::new();
    let mut start = 0;
    for end in 1..=values.len() {
        if end < values.len() && values[end] - values[end - 1] < DEGENERATE_GHZ {
            continue;
        }
        let energy_ghz = values[start..end].iter().sum::<f64>() / (end - start) as f64;
        levels.push(Level { energy_ghz, states: start..end });
        start = end;
    }
    levels
}

/// Matrix elements of one site's spin between the states of a system.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteElements {
    plus: DMatrix<C>,
    z: DMatrix<C>,
}

impl SiteElements {
    /// ⟨a|S|b⟩ for the three axes of the laboratory.
    pub fn vector(&self, a: usize, b: usize) -> [C; 3] {
        let plus = self.plus[(a, b)];
        let minus = self.plus[(b, a)].conj();
        [(plus + minus) * 0.5, (plus - minus) * C::new(0.0, -0.5), self.z[(a, b)]]
    }

    /// ⟨a|S|a⟩.
    pub fn expectation(&self, a: usize) -> Vector3<f64> {
        let [x, y, z] = self.vector(a, a);
        Vector3::new(x.re, y.re, z.re)
    }

    /// Σ |⟨a|S|b⟩|² over the states of two levels, for x, y, z.
    pub fn strengths(&self, lower: &Level, upper: &Level) -> [f64; 3] {
        let mut sum = [0.0; 3];
        for a in lower.states.clone() {
            for b in upper.states.clone() {
                let elements = self.vector(a, b);
                for (sum, element) in sum.iter_mut().zip(elements) {
                    *sum += element.norm_sqr();
                }
            }
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Coupling, SpinSystem};
    use super::*;

    #[test]
    fn neighbours_within_the_limit_share_a_level() {
        let levels = group(&[0.0, 4e-9, 1.0, 2.0, 2.0]);
        let sizes: Vec<usize> = levels.iter().map(Level::degeneracy).collect();
        assert_eq!(sizes, [2, 1, 2]);
        assert_eq!(levels[0].energy_ghz, 2e-9);
    }

    /// Boltzmann: 20.836619123 GHz at 1 K is one kT.
    #[test]
    fn occupation_follows_boltzmann() {
        let system = SpinSystem::new(vec![Site::electron(0.5).g_values([2.0; 3])], vec![]).unwrap();
        let field = 20.836_619_123_327_576 / (2.0 * super::super::constants::MU_B_GHZ_PER_T);
        let levels = system.levels([0.0, 0.0, field]).unwrap();
        let p = levels.populations(1.0).unwrap();
        assert!((p[0] / p[1] - std::f64::consts::E).abs() < 1e-12);
        assert!((p[0] + p[1] - 1.0).abs() < 1e-15);
        assert_eq!(levels.populations(0.0).unwrap(), [1.0, 0.0]);
        assert_eq!(levels.populations(1e-320).unwrap(), [1.0, 0.0]);
        for bad in [-1.0, f64::NAN, f64::INFINITY] {
            assert!(levels.populations(bad).is_err());
        }
        let pair = vec![Site::electron(0.5), Site::electron(0.5)];
        let pair = SpinSystem::new(pair, vec![Coupling::isotropic([0, 1], -1.0)]).unwrap();
        let p = pair.levels([0.0; 3]).unwrap().populations(0.0).unwrap();
        assert!((p[0] - 1.0 / 3.0).abs() < 1e-15 && p[3] == 0.0, "{p:?}");
    }
}
