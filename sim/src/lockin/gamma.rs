//! The regularised lower incomplete gamma function of integer order, accurate
//! in the relative sense down to the smallest arguments.

/// P(n, x) = 1 − e^{−x} Σ_{k<n} x^k/k! for n ≥ 1 and x ≥ 0.
///
/// Below x = n + 1 the difference would lose digits, so there the series of
/// positive terms x^n e^{−x}/n! · (1 + x/(n+1) + x²/((n+1)(n+2)) + …) is summed.
pub(super) fn rising(n: u32, x: f64) -> f64 {
    assert!(n >= 1, "the incomplete gamma function is wanted for orders from 1");
    assert!(x >= 0.0, "the incomplete gamma function is wanted for arguments from 0");
    if x < f64::from(n) + 1.0 {
        let mut term = (-x).exp();
        for k in 1..=n {
            term *= x / f64::from(k);
        }
        let mut sum = 0.0;
        let mut k = n;
        while term > sum * 1e-17 && term > 0.0 {
            sum += term;
            k += 1;
            term *= x / f64::from(k);
        }
        sum
    } else {
        1.0 - falling(n, x)
    }
}

/// P(1, x) … P(N, x). From the highest down each adds a positive term, P(k, x) = P(k+1, x) + x^k e^{−x}/k!,
/// so one series serves all and none loses digits.
pub(super) fn ladder<const N: usize>(x: f64) -> [f64; N] {
    let mut rungs = [0.0; N];
    let mut terms = [0.0; N];
    let mut term = (-x).exp();
    for (k, slot) in terms.iter_mut().enumerate() {
        *slot = term;
        term *= x / (k + 1) as f64;
    }
    let mut rung = rising(N as u32, x);
    for k in (0..N).rev() {
        rungs[k] = rung;
        rung += terms[k];
    }
    rungs
}

/// e^{−x} Σ_{k<n} x^k/k!, what is left of a step after n stages.
pub(super) fn falling(n: u32, x: f64) -> f64 {
    let mut term = (-x).exp();
    let mut sum = 0.0;
    for k in 1..=n {
        sum += term;
        term *= x / f64::from(k);
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_branches_meet() {
        for n in 1..=7 {
            let edge = f64::from(n) + 1.0;
            let below = rising(n, edge * (1.0 - 1e-14));
            let above = rising(n, edge);
            assert!((below - above).abs() < 1e-13, "order {n}: {below} and {above}");
        }
    }

    #[test]
    fn the_ladder_has_the_same_rungs() {
        for x in [0.0, 1e-200, 1e-8, 0.3, 2.0, 7.9, 8.1, 40.0, 1600.0] {
            for (k, rung) in ladder::<7>(x).into_iter().enumerate() {
                let expected = rising(k as u32 + 1, x);
                assert!((rung - expected).abs() <= 4e-15 * expected, "P({}, {x}): {rung}, {expected}", k + 1);
            }
        }
    }

    #[test]
    fn small_arguments_keep_their_digits() {
        // P(n, x) → x^n/n! (1 − n x/(n+1)) for x → 0.
        for n in 1..=7_u32 {
            let x: f64 = 1e-5;
            let factorial: f64 = (1..=n).map(f64::from).product();
            let limit = x.powi(n as i32) / factorial * (1.0 - f64::from(n) / f64::from(n + 1) * x);
            assert!((rising(n, x) / limit - 1.0).abs() < 1e-9);
        }
        assert_eq!(rising(3, 0.0), 0.0);
        assert_eq!(rising(4, 800.0), 1.0);
    }
}
