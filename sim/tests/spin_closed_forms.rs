//! Spin systems against closed forms, over random parameters.
//!
//! The formulas follow from the Hamiltonian by hand (each is named beside its
//! check); they were confirmed to 40 digits for sample values.

use noctule_sim::spin::constants::{DIPOLE_GHZ_NM3, MU_B_GHZ_PER_T, MU_N_GHZ_PER_T};
use noctule_sim::spin::{Coupling, Site, SpinSystem, turn_about, turn_zyz};
use proptest::prelude::*;

fn assert_levels(system: &SpinSystem, field_t: [f64; 3], mut expected: Vec<f64>) {
    expected.sort_by(f64::total_cmp);
    let levels = system.levels(field_t).unwrap();
    let scale = expected.iter().fold(1.0_f64, |max, e| max.max(e.abs()));
    assert_eq!(levels.eigenvalues_ghz().len(), expected.len());
    for (found, expected) in levels.eigenvalues_ghz().iter().zip(&expected) {
        assert!((found - expected).abs() < 1e-12 * scale, "{found} is not {expected}");
    }
}

fn alone(site: Site) -> SpinSystem {
    SpinSystem::new(vec![site], vec![]).unwrap()
}

/// E = D m² + g μB B m for an axial spin in a field along its axis.
fn axial(twice: u32, d: f64, zeeman: f64) -> Vec<f64> {
    let spin = f64::from(twice) / 2.0;
    (0..=twice).map(|k| spin - f64::from(k)).map(|m| d * m * m + zeeman * m).collect()
}

/// E± = −A/4 − γnBm ± ½√\[(γe+γn)²B² + 2Am(γe+γn)B + A²(I+½)²\] for m = I−½ … −(I−½),
/// and AI/2 ± (γeB/2 − γnBI): an isotropic hyperfine coupling in a field along z.
fn hyperfine(g: f64, g_n: f64, a: f64, i: f64, b: f64) -> Vec<f64> {
    let (electron, nucleus) = (g * MU_B_GHZ_PER_T, g_n * MU_N_GHZ_PER_T);
    let stretched = electron * b / 2.0 - nucleus * b * i;
    let mut levels = vec![a * i / 2.0 + stretched, a * i / 2.0 - stretched];
    let mut m = i - 0.5;
    while m >= -(i - 0.5) {
        let sum = electron + nucleus;
        let root = ((sum * b).powi(2) + 2.0 * a * m * sum * b + (a * (i + 0.5)).powi(2)).max(0.0).sqrt();
        let middle = -a / 4.0 - nucleus * b * m;
        levels.extend([middle + root / 2.0, middle - root / 2.0]);
        m -= 1.0;
    }
    levels
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn axial_spins(twice in 1_u32..12, d in -2000.0_f64..2000.0, g in 0.5_f64..3.0, b in -9.0_f64..9.0) {
        let site = Site::electron(f64::from(twice) / 2.0).g_values([g; 3]).anisotropy_ghz(d, 0.0);
        assert_levels(&alone(site), [0.0, 0.0, b], axial(twice, d, g * MU_B_GHZ_PER_T * b));
    }

    /// S = 1: 0 and D ± √(E² + (gμBB)²) in a field along z.
    #[test]
    fn rhombic_spin_one(d in -100.0_f64..100.0, e in -30.0_f64..30.0, b in -3.0_f64..3.0) {
        let site = Site::electron(1.0).g_values([2.0; 3]).anisotropy_ghz(d, e);
        let root = e.hypot(2.0 * MU_B_GHZ_PER_T * b);
        assert_levels(&alone(site), [0.0, 0.0, b], vec![0.0, d - root, d + root]);
    }

    /// S = 2 without a field: 2D ± 2√(D² + 3E²), 4D, D ± 3E.
    #[test]
    fn rhombic_spin_two(d in -100.0_f64..100.0, e in -30.0_f64..30.0) {
        let root = 2.0 * (d * d + 3.0 * e * e).sqrt();
        let expected = vec![2.0 * d - root, 2.0 * d + root, 4.0 * d, d - 3.0 * e, d + 3.0 * e];
        assert_levels(&alone(Site::electron(2.0).anisotropy_ghz(d, e)), [0.0; 3], expected);
    }

    /// S = 2 with F(S₊⁴ + S₋⁴): ⟨2|S₊⁴|−2⟩ = 24, so 4D ± 24F; D twice and 0 stay.
    #[test]
    fn quartic_spin_two(d in -100.0_f64..100.0, f in -2.0_f64..2.0) {
        let site = Site::electron(2.0).anisotropy_ghz(d, 0.0).quartic_ghz(f);
        let expected = vec![4.0 * d + 24.0 * f, 4.0 * d - 24.0 * f, d, d, 0.0];
        assert_levels(&alone(site), [0.0; 3], expected);
    }

    #[test]
    fn hyperfine_patterns(
        twice in 1_u32..10, g in 1.5_f64..2.3, g_n in -2.0_f64..2.0, a in -3.0_f64..3.0, b in -2.0_f64..2.0,
    ) {
        let i = f64::from(twice) / 2.0;
        let sites = vec![Site::electron(0.5).g_values([g; 3]), Site::nucleus(i, g_n)];
        let system = SpinSystem::new(sites, vec![Coupling::isotropic([0, 1], a)]).unwrap();
        assert_levels(&system, [0.0, 0.0, b], hyperfine(g, g_n, a, i, b));
    }

    /// J/4 ± (z0+z1)/2 and −J/4 ± ½√(J² + δ²) for two spins 1/2 with Zeeman energies z0, z1, δ = z0 − z1.
    #[test]
    fn detuned_pairs(j in -30.0_f64..30.0, b in 0.0_f64..2.0, tip in -0.1_f64..0.1) {
        let sites =
            vec![Site::electron(0.5).g_values([1.8; 3]).site_field_t([0.0, 0.0, tip]), Site::electron(0.5).g_values([1.8; 3])];
        let system = SpinSystem::new(sites, vec![Coupling::isotropic([0, 1], j)]).unwrap();
        let zeeman = 1.8 * MU_B_GHZ_PER_T;
        let (z0, z1) = (zeeman * (b + tip), zeeman * b);
        let root = j.hypot(z0 - z1) / 2.0;
        let sum = (z0 + z1) / 2.0;
        assert_levels(&system, [0.0, 0.0, b], vec![j / 4.0 + sum, j / 4.0 - sum, -j / 4.0 + root, -j / 4.0 - root]);
    }

    /// Turning sites, couplings and fields together changes no level.
    #[test]
    fn only_relative_directions_matter(angles in prop::array::uniform3(-3.0_f64..3.0), b in prop::array::uniform3(-1.0_f64..1.0)) {
        let build = |turn: nalgebra::Rotation3<f64>| {
            let quadrupole = nalgebra::Matrix3::new(0.01, 0.002, 0.0, 0.002, 0.02, 0.001, 0.0, 0.001, -0.03);
            let sites = vec![
                Site::electron(1.5).g_values([1.9, 2.0, 2.2]).anisotropy_ghz(12.0, 3.0).quartic_ghz(0.1).turned(turn),
                Site::nucleus(1.5, 1.4).quadrupole_ghz(quadrupole).turned(turn),
                Site::electron(0.5).g_values([1.7, 1.8, 1.9]).turned(turn),
            ];
            let r = turn * nalgebra::Vector3::new(0.7, 0.2, 0.4);
            SpinSystem::new(sites, vec![
                Coupling::turned([0, 1], nalgebra::Matrix3::from_diagonal(&[0.1, 0.2, 0.5].into()), turn),
                Coupling::dipole([2, 0], r.into()),
            ]).unwrap()
        };
        let turn = turn_zyz(angles[0], angles[1], angles[2]);
        let plain = build(nalgebra::Rotation3::identity()).levels(b).unwrap();
        let turned_field: [f64; 3] = (turn * nalgebra::Vector3::from(b)).into();
        let expected = plain.eigenvalues_ghz().to_vec();
        assert_levels(&build(turn), turned_field, expected);
    }
}

/// d = g²·(μ0μB²/4πh)/r³: −d/2 twice, +d, singlet 0 for two spins 1/2 along z without a field.
#[test]
fn axial_dipole_pair() {
    let sites = vec![Site::electron(0.5).g_values([2.0; 3]), Site::electron(0.5).g_values([2.0; 3])];
    let system = SpinSystem::new(sites, vec![Coupling::dipole([0, 1], [0.0, 0.0, 1.5])]).unwrap();
    let d = 4.0 * DIPOLE_GHZ_NM3 / 1.5_f64.powi(3);
    assert_levels(&system, [0.0; 3], vec![-d / 2.0, -d / 2.0, d, 0.0]);
}

/// J/2 (four times), 0 (twice), −J (twice) for an open chain of three spins 1/2.
#[test]
fn open_chain_of_three() {
    let couplings = vec![Coupling::isotropic([1, 0], 3.0), Coupling::isotropic([1, 2], 3.0)];
    let system = SpinSystem::new(vec![Site::electron(0.5); 3], couplings).unwrap();
    assert_levels(&system, [0.0; 3], vec![1.5, 1.5, 1.5, 1.5, 0.0, 0.0, -3.0, -3.0]);
    let sizes: Vec<usize> =
        system.levels([0.0; 3]).unwrap().levels().iter().map(|l| l.degeneracy()).collect();
    assert_eq!(sizes, [2, 2, 4]);
}

/// A closed ring is no cyclic reference: E = J[S(S+1) − 9/4]/2, so ±3J/4, four states each.
#[test]
fn closed_ring_of_three() {
    let couplings = [[0, 1], [1, 2], [2, 0]].map(|pair| Coupling::isotropic(pair, 2.0)).to_vec();
    let system = SpinSystem::new(vec![Site::electron(0.5); 3], couplings).unwrap();
    assert_levels(&system, [0.0; 3], vec![-1.5, -1.5, -1.5, -1.5, 1.5, 1.5, 1.5, 1.5]);
}

/// A field along the turned axis of a g tensor sees that axis' g.
#[test]
fn an_oriented_g_counts_along_its_axes() {
    let turn = turn_about([0.0, 1.0, 0.0], 0.3).unwrap();
    let site = Site::electron(0.5).g_values([1.6, 1.8, 2.4]).turned(turn);
    let along: [f64; 3] = (turn * nalgebra::Vector3::new(0.0, 0.0, 0.7)).into();
    let half = 2.4 * MU_B_GHZ_PER_T * 0.7 / 2.0;
    assert_levels(&alone(site), along, vec![-half, half]);
}

/// The strength's sum over everything is S(S+1)(2S+1), diagonal terms included: a trace rule.
#[test]
fn strengths_obey_the_trace_rule() {
    let sites = vec![Site::electron(1.0).anisotropy_ghz(7.0, 2.0), Site::electron(0.5).g_values([1.9; 3])];
    let system = SpinSystem::new(sites, vec![Coupling::isotropic([0, 1], 1.3)]).unwrap();
    let levels = system.levels([0.1, 0.2, 0.4]).unwrap();
    for (site, spin) in [(0, 1.0), (1, 0.5)] {
        let elements = levels.site_elements(site);
        let n = system.dimension();
        let sum: f64 =
            (0..n * n).flat_map(|k| elements.vector(k / n, k % n)).map(|element| element.norm_sqr()).sum();
        assert!((sum - spin * (spin + 1.0) * n as f64).abs() < 1e-11, "{sum}");
    }
}
