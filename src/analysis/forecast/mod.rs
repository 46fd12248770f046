//! How long the helium, the pot and the sequence will last.

mod hold;
mod level;
mod progress;
mod transfers;

pub use hold::{HoldTime, hold_from_cycles, hold_from_load};
pub use level::{Crossing, LevelForecast, latest_change, level_forecast};
pub use progress::{Progress, progress};
pub use transfers::{LevelUse, level_use};

/// Two-sided 95 % point of Student's distribution (expansion in 1/ν of the normal quantile; common practice;
/// compared with scipy in the tests).
pub(crate) fn student_95(freedom: usize) -> f64 {
    const EXACT: [f64; 6] =
        [12.706_204_736, 4.302_652_730, 3.182_446_305, 2.776_445_105, 2.570_581_836, 2.446_911_851];
    if freedom == 0 {
        return f64::INFINITY;
    }
    if freedom <= EXACT.len() {
        return EXACT[freedom - 1];
    }
    let (z, v) = (1.959_963_984_540_054f64, freedom as f64);
    let (z3, z5, z7) = (z.powi(3), z.powi(5), z.powi(7));
    z + (z3 + z) / (4.0 * v)
        + (5.0 * z5 + 16.0 * z3 + 3.0 * z) / (96.0 * v * v)
        + (3.0 * z7 + 19.0 * z5 + 17.0 * z3 - 15.0 * z) / (384.0 * v.powi(3))
}

#[cfg(test)]
mod tests {
    use super::*;

    // scipy 1.17.1: scipy.stats.t.ppf(0.975, v).
    #[test]
    fn student_quantiles() {
        for (v, want) in
            [(1, 12.7062047), (4, 2.77644511), (5, 2.57058184), (10, 2.22813885), (60, 2.00029782)]
        {
            assert!((student_95(v) - want).abs() < 2e-3, "{v}: {}", student_95(v));
        }
    }
}
