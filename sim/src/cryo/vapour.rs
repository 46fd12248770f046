//! Vapour pressure of ³He and ⁴He.
//!
//! ITS-90: T/K = A₀ + Σ Aᵢ [(ln(p/Pa) − B)/C]ⁱ, i = 1 … 9 (Metrologia 27, 3 (1990),
//! 10.1088/0026-1394/27/1/002). The coefficients of ³He are from memory, not checked; they give its
//! boiling point and its pressure at 0.65 K right. Outside their ranges the polynomials are not
//! monotonic, so values there are refused. Below 1.25 K ⁴He has the formula of a
//! classical gas over a liquid of constant binding energy.

use crate::spin::constants::R_J_PER_MOL_K;

/// Which helium.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Isotope {
    /// ³He, 0.65 to 3.2 K.
    He3,
    /// ⁴He, 1.25 to 5.0 K.
    He4,
}

/// A temperature or pressure for which there is no formula.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum VapourError {
    /// Temperature outside the range.
    #[error("{t_k} K is outside the range of {low_k} to {high_k} K")]
    Temperature {
        /// What was asked for, K.
        t_k: f64,
        /// Lower end, K.
        low_k: f64,
        /// Upper end, K.
        high_k: f64,
    },
    /// Pressure outside the range.
    #[error("{p_pa} Pa is outside the range of {low_pa} to {high_pa} Pa")]
    Pressure {
        /// What was asked for, Pa.
        p_pa: f64,
        /// Lower end, Pa.
        low_pa: f64,
        /// Upper end, Pa.
        high_pa: f64,
    },
}

struct Branch {
    low_k: f64,
    high_k: f64,
    a: [f64; 10],
    b: f64,
    c: f64,
    /// Bracket of ln p that holds the whole range with a little to spare.
    ln_p: (f64, f64),
}

const HE3: Branch = Branch {
    low_k: 0.65,
    high_k: 3.2,
    a: [
        1.053447, 0.980106, 0.676380, 0.372692, 0.151656, -0.002263, 0.006596, 0.088966, -0.004770, -0.054943,
    ],
    b: 7.3,
    c: 4.3,
    ln_p: (4.7, 11.56),
};

const HE4_SUPERFLUID: Branch = Branch {
    low_k: 1.25,
    high_k: 2.1768,
    a: [1.392408, 0.527153, 0.166756, 0.050988, 0.026514, 0.001975, -0.017976, 0.005409, 0.013259, 0.0],
    b: 5.6,
    c: 2.9,
    ln_p: (4.7, 8.53),
};

const HE4_NORMAL: Branch = Branch {
    low_k: 2.1768,
    high_k: 5.0,
    a: [3.146631, 1.357655, 0.413923, 0.091159, 0.016349, 0.001826, -0.004325, -0.004973, 0.0, 0.0],
    b: 10.3,
    c: 1.9,
    ln_p: (8.52, 12.19),
};

impl Branch {
    fn temperature_k(&self, ln_p: f64) -> f64 {
        let x = (ln_p - self.b) / self.c;
        self.a.iter().rev().fold(0.0, |sum, a| sum * x + a)
    }

    /// ln p of a temperature within the range. The polynomial grows over the bracket.
    fn ln_pressure(&self, t_k: f64) -> f64 {
        let (mut low, mut high) = self.ln_p;
        for _ in 0..80 {
            let middle = 0.5 * (low + high);
            if self.temperature_k(middle) < t_k {
                low = middle;
            } else {
                high = middle;
            }
        }
        0.5 * (low + high)
    }
}

/// Lower and upper end of the temperatures, K, for which [`pressure_pa`] has an answer.
pub fn range_k(isotope: Isotope) -> (f64, f64) {
    match isotope {
        Isotope::He3 => (HE3.low_k, HE3.high_k),
        Isotope::He4 => (HE4_SUPERFLUID.low_k, HE4_NORMAL.high_k),
    }
}

/// Vapour pressure in Pa at `t_k`.
///
/// ```
/// use noctule_sim::cryo::{Isotope, pressure_pa};
/// assert!((pressure_pa(Isotope::He4, 4.2).unwrap() - 99233.21).abs() < 0.01);
/// assert!(pressure_pa(Isotope::He4, 6.0).is_err());
/// ```
///
/// # Errors
/// [`VapourError::Temperature`] outside [`range_k`].
pub fn pressure_pa(isotope: Isotope, t_k: f64) -> Result<f64, VapourError> {
    let (low_k, high_k) = range_k(isotope);
    if !(low_k..=high_k).contains(&t_k) {
        return Err(VapourError::Temperature { t_k, low_k, high_k });
    }
    let branch = match isotope {
        Isotope::He3 => &HE3,
        Isotope::He4 if t_k < HE4_NORMAL.low_k => &HE4_SUPERFLUID,
        Isotope::He4 => &HE4_NORMAL,
    };
    Ok(branch.ln_pressure(t_k).exp())
}

/// Temperature in K of a bath whose vapour has the pressure `p_pa`.
///
/// # Errors
/// [`VapourError::Pressure`] outside the pressures that belong to [`range_k`].
pub fn temperature_k(isotope: Isotope, p_pa: f64) -> Result<f64, VapourError> {
    let (low_k, high_k) = range_k(isotope);
    let (low_pa, high_pa) = (pressure_pa(isotope, low_k)?, pressure_pa(isotope, high_k)?);
    // One part in 10¹² to spare, so that a pressure computed at an end is taken back.
    if !(low_pa * (1.0 - 1e-12)..=high_pa * (1.0 + 1e-12)).contains(&p_pa) {
        return Err(VapourError::Pressure { p_pa, low_pa, high_pa });
    }
    let ln_p = p_pa.ln();
    let branch = match isotope {
        Isotope::He3 => &HE3,
        Isotope::He4 if HE4_SUPERFLUID.temperature_k(ln_p) < HE4_NORMAL.low_k => &HE4_SUPERFLUID,
        Isotope::He4 => &HE4_NORMAL,
    };
    Ok(branch.temperature_k(ln_p))
}

/// Vapour pressure of ⁴He in Pa below the range of ITS-90, 0.1 to 1.25 K:
/// ln(p/Pa) = i₀ − L₀/(RT) + (5/2) ln T with L₀ = 59.83 J/mol (J. Phys. Chem. Ref. Data 27, 1217
/// (1998)) and i₀ = 9.9416349 from (2πm/h²)^{3/2} k^{5/2}. At 1.25 K it lies 0.016 % above ITS-90.
///
/// # Errors
/// [`VapourError::Temperature`] outside 0.1 to 1.25 K.
pub fn cold_helium4_pa(t_k: f64) -> Result<f64, VapourError> {
    const CHEMICAL_CONSTANT: f64 = 9.941_634_902_888;
    const BINDING_J_MOL: f64 = 59.83;
    let (low_k, high_k) = (0.1, HE4_SUPERFLUID.low_k);
    if !(low_k..=high_k).contains(&t_k) {
        return Err(VapourError::Temperature { t_k, low_k, high_k });
    }
    Ok((CHEMICAL_CONSTANT - BINDING_J_MOL / (R_J_PER_MOL_K * t_k) + 2.5 * t_k.ln()).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_polynomials_grow_over_their_brackets_and_hold_their_ranges() {
        for branch in [&HE3, &HE4_SUPERFLUID, &HE4_NORMAL] {
            let (low, high) = branch.ln_p;
            assert!(branch.temperature_k(low) < branch.low_k);
            assert!(branch.temperature_k(high) > branch.high_k);
            let mut last = f64::NEG_INFINITY;
            for k in 0..=2000 {
                let now = branch.temperature_k(low + (high - low) * f64::from(k) / 2000.0);
                assert!(now > last, "not monotonic near ln p = {low} + {k}/2000");
                last = now;
            }
        }
    }

    #[test]
    fn pressure_and_temperature_are_inverse() {
        for isotope in [Isotope::He3, Isotope::He4] {
            let (low_k, high_k) = range_k(isotope);
            for k in 0..=50 {
                let t_k = low_k + (high_k - low_k) * f64::from(k) / 50.0;
                let back = temperature_k(isotope, pressure_pa(isotope, t_k).unwrap()).unwrap();
                assert!((back - t_k).abs() < 2e-6, "{isotope:?}: {t_k} K came back as {back}");
            }
        }
    }

    #[test]
    fn outside_there_is_no_answer() {
        assert!(pressure_pa(Isotope::He3, 0.3).is_err());
        assert!(pressure_pa(Isotope::He4, f64::NAN).is_err());
        assert!(temperature_k(Isotope::He4, -1.0).is_err());
        assert!(temperature_k(Isotope::He3, 1e6).is_err());
        assert!(cold_helium4_pa(1.3).is_err());
        assert!(cold_helium4_pa(0.0).is_err());
    }
}
