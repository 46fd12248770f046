//! The field of the tip on the spin under it.

use super::Apex;
use crate::spin::constants::DIPOLE_FIELD_T_NM3;
use noctule_ground::section;
use noctule_ground::section::{Range, number};

section! {
    /// How the tip's field falls with distance.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct FieldLaw = "Tip" {
        /// Gap at which the exchange field of the apex is meant.
        pub reference_gap_m: f64 = number("nm", 1e-9, Range::Positive), "reference_gap_nm";
        /// Decay length of the exchange.
        pub exchange_decay_m: f64 = number("nm", 1e-9, Range::Positive), "exchange_decay_nm";
        /// How far above the last atom the moment sits.
        pub moment_depth_m: f64 = number("nm", 1e-9, Range::NotNegative), "moment_depth_nm";
    }
}

/// Field of the apex, T (x, y, z), on a spin that sits `offset_m` (x, y) away
/// from below the tip, across the gap `gap_m`. `up` tells the state of the apex.
///
/// `B = Bex·exp(−(r−r0)/λ)·m̂ + μ0 m/(4πR³)·[3(m̂·R̂)R̂ − m̂]`: exchange over the
/// distance r of the last atom, dipole over the distance R of the moment. The two
/// may point against each other, so that the shift of a line need not be monotonic in
/// the gap (Phys. Rev. Lett. 122, 227203 (2019), doi:10.1103/PhysRevLett.122.227203,
/// for exchange over four orders of magnitude).
pub fn tip_field_t(apex: &Apex, up: bool, law: &FieldLaw, offset_m: [f64; 2], gap_m: f64) -> [f64; 3] {
    if !apex.has_field() {
        return [0.0; 3];
    }
    let sign = if up { 1.0 } else { -1.0 };
    let lateral2 = offset_m[0] * offset_m[0] + offset_m[1] * offset_m[1];
    let reach_m = (lateral2 + gap_m * gap_m).sqrt();
    let exchange_t = apex.exchange_t * (-(reach_m - law.reference_gap_m) / law.exchange_decay_m).exp();
    let depth_m = gap_m + law.moment_depth_m;
    let distance_m = (lateral2 + depth_m * depth_m).sqrt();
    let unit = [offset_m[0] / distance_m, offset_m[1] / distance_m, -depth_m / distance_m];
    let distance_nm = distance_m * 1e9;
    let dipole_t = DIPOLE_FIELD_T_NM3 * apex.moment_mub / (distance_nm * distance_nm * distance_nm);
    let along: f64 = (0..3).map(|i| apex.axis[i] * unit[i]).sum();
    [0, 1, 2].map(|i| sign * (exchange_t * apex.axis[i] + dipole_t * (3.0 * along * unit[i] - apex.axis[i])))
}

/// Size of the change of the tip's field with the gap, T/m: what an oscillating gap makes of it drives the spin.
pub fn gradient_t_m(apex: &Apex, law: &FieldLaw, offset_m: [f64; 2], gap_m: f64) -> f64 {
    // A central difference over 0.2 pm: exact to (0.1 pm/λ)²/6, below a part in 10⁶.
    let half_m = 1e-13;
    let [far, near] =
        [gap_m + half_m, gap_m - half_m].map(|gap_m| tip_field_t(apex, true, law, offset_m, gap_m));
    (0..3).map(|i| (far[i] - near[i]).powi(2)).sum::<f64>().sqrt() / (2.0 * half_m)
}

#[cfg(test)]
mod tests {
    use super::*;

    const LAW: FieldLaw =
        FieldLaw { reference_gap_m: 0.6e-9, exchange_decay_m: 0.06e-9, moment_depth_m: 0.4e-9 };

    /// Field of one Bohr magneton at 1 nm, broadside and on axis: μ0 μB/(4πr³) from CODATA 2022.
    #[test]
    fn dipole_part_has_its_worked_values() {
        let apex = Apex { moment_mub: 1.0, polarisation: 0.3, ..Apex::BARE };
        let on_axis = tip_field_t(&apex, true, &LAW, [0.0, 0.0], 0.6e-9);
        assert!((on_axis[2] / 1.854_802_012_895e-3 - 1.0).abs() < 1e-9);
        let sideways = Apex { axis: [1.0, 0.0, 0.0], ..apex };
        let broadside = tip_field_t(&sideways, true, &LAW, [0.0, 0.0], 0.6e-9);
        assert!((broadside[0] / -0.927_401_006_447e-3 - 1.0).abs() < 1e-9);
        assert_eq!(tip_field_t(&apex, false, &LAW, [0.0, 0.0], 0.6e-9)[2], -on_axis[2]);
    }

    /// On the axis: exchange falls as Bex/λ, the dipole as 3·2μ0μ/(4πR⁴).
    #[test]
    fn the_gradient_has_its_closed_form() {
        let exchange = Apex { exchange_t: 20e-3, ..Apex::BARE };
        let found = gradient_t_m(&exchange, &LAW, [0.0; 2], 0.72e-9);
        let expected = 20e-3 * (-2.0_f64).exp() / 0.06e-9;
        assert!((found / expected - 1.0).abs() < 1e-5, "{found} {expected}");
        let dipole = Apex { moment_mub: 1.0, ..Apex::BARE };
        let found = gradient_t_m(&dipole, &LAW, [0.0; 2], 0.6e-9);
        assert!((found / (3.0 * 1.854_802_012_895e-3 / 1e-9) - 1.0).abs() < 1e-5, "{found}");
    }

    /// Where exchange and dipole oppose each other there is a gap without a shift.
    #[test]
    fn exchange_against_dipole_is_not_monotonic() {
        let apex = Apex { moment_mub: 4.0, exchange_t: -20e-3, ..Apex::BARE };
        let z = |gap_m| tip_field_t(&apex, true, &LAW, [0.0, 0.0], gap_m)[2];
        assert!(z(0.55e-9) < 0.0 && z(0.9e-9) > 0.0);
        assert!(z(0.9e-9) > z(1.6e-9));
    }
}
