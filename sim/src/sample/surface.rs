//! Where things lie, and what the tip meets at a point.

use super::Species;

/// One adsorbate at its place.
#[derive(Debug, Clone, PartialEq)]
pub struct Site {
    /// Its name.
    pub name: String,
    /// Which of the species.
    pub species: usize,
    /// Position in the sample's frame, m (x, y).
    pub at_m: [f64; 2],
    /// False once it has been picked up.
    pub present: bool,
}

/// Exchange between two sites; their dipoles follow from the places.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coupling {
    /// The two sites.
    pub sites: [usize; 2],
    /// J of `+J S1·S2`, GHz.
    pub exchange_ghz: f64,
}

/// A step edge: the terrace on the side of the normal is higher.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Edge {
    /// A point on the edge, m.
    pub at_m: [f64; 2],
    /// Direction of the upper terrace, unit vector.
    pub normal: [f64; 2],
    /// Height, m.
    pub height_m: f64,
    /// Width over which a tip sees it rise, m.
    pub width_m: f64,
}

/// The site nearest to a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Near {
    /// Which site.
    pub site: usize,
    /// From the point to the site, m (x, y).
    pub offset_m: [f64; 2],
    /// Distance, m.
    pub distance_m: f64,
}

/// The whole surface.
#[derive(Debug, Clone, PartialEq)]
pub struct Surface {
    /// The kinds.
    pub species: Vec<Species>,
    /// What lies where.
    pub sites: Vec<Site>,
    /// Exchange between sites.
    pub couplings: Vec<Coupling>,
    /// Step edges.
    pub edges: Vec<Edge>,
}

/// Beyond so many widths an outline adds less than 1e-6 of its height.
const REACH: f64 = 5.3;
/// So far from an edge its outline is flat: e⁻⁴⁵ of its height is left.
const FAR: f64 = 45.0;

impl Surface {
    /// Apparent height at a point of the sample's frame, m.
    pub fn height_m(&self, at_m: [f64; 2]) -> f64 {
        let mut height = 0.0;
        for edge in &self.edges {
            let beyond =
                (at_m[0] - edge.at_m[0]) * edge.normal[0] + (at_m[1] - edge.at_m[1]) * edge.normal[1];
            let steep = 4.0 * beyond / edge.width_m;
            // Far off it is one terrace or the other, to the last digit.
            height += edge.height_m
                * match steep {
                    _ if steep > FAR => 1.0,
                    _ if steep < -FAR => 0.0,
                    _ => 1.0 / (1.0 + (-steep).exp()),
                };
        }
        for site in self.sites.iter().filter(|site| site.present) {
            let species = &self.species[site.species];
            let dx = (at_m[0] - site.at_m[0]) / species.width_m;
            let dy = (at_m[1] - site.at_m[1]) / species.width_m;
            if dx.abs() < REACH && dy.abs() < REACH {
                height += species.height_m * (-0.5 * (dx * dx + dy * dy)).exp();
            }
        }
        height
    }

    /// The nearest site that is there and passes `wanted`.
    pub fn nearest(&self, at_m: [f64; 2], wanted: impl Fn(&Species) -> bool) -> Option<Near> {
        let mut best: Option<(usize, [f64; 2], f64)> = None;
        for (index, site) in self.sites.iter().enumerate() {
            if !site.present || !wanted(&self.species[site.species]) {
                continue;
            }
            let offset_m = [site.at_m[0] - at_m[0], site.at_m[1] - at_m[1]];
            let square = offset_m[0] * offset_m[0] + offset_m[1] * offset_m[1];
            if best.is_none_or(|(_, _, least)| square < least) {
                best = Some((index, offset_m, square));
            }
        }
        best.map(|(site, offset_m, square)| Near { site, offset_m, distance_m: square.sqrt() })
    }

    /// The species of a site.
    pub fn species_of(&self, site: usize) -> &Species {
        &self.species[self.sites[site].species]
    }

    /// The site and all that are joined to it by exchange, itself first.
    pub fn cluster(&self, site: usize) -> Vec<usize> {
        let mut cluster = vec![site];
        let mut at = 0;
        while at < cluster.len() {
            for coupling in &self.couplings {
                let [a, b] = coupling.sites;
                for (from, to) in [(a, b), (b, a)] {
                    let joined = cluster[at] == from && self.sites[from].present && self.sites[to].present;
                    if joined && !cluster.contains(&to) {
                        cluster.push(to);
                    }
                }
            }
            at += 1;
        }
        cluster
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample::Relaxation;

    fn adatom() -> Species {
        Species {
            name: "adatom".into(),
            height_m: 0.15e-9,
            width_m: 0.3e-9,
            movable: true,
            spin: 0.5,
            g: [1.8, 1.8, 2.0],
            axial_ghz: 0.0,
            rhombic_ghz: 0.0,
            nuclear_spin: 0.0,
            nuclear_g: 0.0,
            hyperfine_ghz: [0.0; 3],
            relaxation: Relaxation {
                t1_s: 2e-7,
                t2_s: 4e-8,
                dephasing_per_electron: 0.0,
                rabi_rad_s_v: 3e8,
                asymmetry: 0.0,
                readout: 0.1,
            },
            steps: Vec::new(),
        }
    }

    #[test]
    fn heights_add_and_vanish_with_the_atom() {
        let site = |name: &str, x: f64| Site { name: name.into(), species: 0, at_m: [x, 0.0], present: true };
        let mut surface = Surface {
            species: vec![adatom()],
            sites: vec![site("a", 0.0), site("b", 5e-9)],
            couplings: vec![Coupling { sites: [0, 1], exchange_ghz: 1.0 }],
            edges: vec![Edge { at_m: [20e-9, 0.0], normal: [1.0, 0.0], height_m: 0.28e-9, width_m: 1e-9 }],
        };
        assert!((surface.height_m([0.0, 0.0]) - 0.15e-9).abs() < 1e-15);
        assert!((surface.height_m([40e-9, 0.0]) - 0.28e-9).abs() < 1e-15);
        assert!((surface.height_m([20e-9, 0.0]) - 0.14e-9).abs() < 1e-15);
        assert_eq!(surface.cluster(1), [1, 0]);
        surface.sites[0].present = false;
        assert!(surface.height_m([0.0, 0.0]) < 1e-16);
        assert_eq!(surface.nearest([0.0, 0.0], Species::is_magnetic).unwrap().site, 1);
        assert_eq!(surface.cluster(1), [1]);
    }
}
