//! Scales and their ticks.

/// A straight scale from values to pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    from: f64,
    to: f64,
    pixel_from: f64,
    pixel_to: f64,
}

impl Scale {
    /// Values `from` … `to` onto pixels. A range without extent is widened, so that one value has its place.
    pub fn new(from: f64, to: f64, pixel_from: f64, pixel_to: f64) -> Self {
        let (from, to) = widened(from, to);
        Self { from, to, pixel_from, pixel_to }
    }

    /// The pixel of a value.
    pub fn at(&self, value: f64) -> f64 {
        let part = (value - self.from) / (self.to - self.from);
        self.pixel_from + part * (self.pixel_to - self.pixel_from)
    }

    /// The range of values.
    pub fn range(&self) -> (f64, f64) {
        (self.from, self.to)
    }
}

fn widened(from: f64, to: f64) -> (f64, f64) {
    if !(from.is_finite() && to.is_finite()) {
        return (0.0, 1.0);
    }
    if (to - from).abs() > 1e-12 * from.abs().max(to.abs()) && to != from {
        return (from, to);
    }
    let by = if from == 0.0 { 1.0 } else { 0.05 * from.abs() };
    (from - by, to + by)
}

/// Round values within a range, at most about `most` of them, a step of 1, 2 or 5 times a power of ten apart.
///
/// ```
/// use noctule::report::figure::ticks;
/// assert_eq!(ticks(0.0, 1.0, 5), [0.0, 0.2, 0.4, 0.6, 0.8, 1.0]);
/// assert_eq!(ticks(13.0, 87.0, 4), [20.0, 40.0, 60.0, 80.0]);
/// ```
pub fn ticks(from: f64, to: f64, most: usize) -> Vec<f64> {
    let (low, high) = widened(from.min(to), from.max(to));
    let mut rough = (high - low) / most.max(1) as f64;
    let mut step = step_above(rough * 0.999);
    let span = |step: f64| {
        let first = (low / step - 1e-9).ceil();
        (first, (high / step + 1e-9).floor() - first)
    };
    // One lone number does not make an axis.
    while span(step).1 < 1.0 {
        rough /= 2.0;
        step = step_above(rough);
    }
    let (first, count) = span(step);
    let count = count as usize;
    // Computed by multiplication and rounded through text, so that 0.6000000000000001 does not appear.
    let places = decimals_of(step);
    (0..=count.min(50))
        .map(|i| {
            let value = (first + i as f64) * step;
            format!("{value:.places$}").parse().unwrap_or(value)
        })
        .collect()
}

fn step_above(rough: f64) -> f64 {
    let decade = 10_f64.powf(rough.log10().floor());
    let times = [1.0, 2.0, 5.0, 10.0].into_iter().find(|t| t * decade >= rough).unwrap_or(10.0);
    times * decade
}

fn decimals_of(step: f64) -> usize {
    (-(step.log10() + 1e-9).floor()).clamp(0.0, 15.0) as usize
}

/// Decimals that tell the given ticks apart.
pub fn decimals(ticks: &[f64]) -> usize {
    match ticks {
        [first, second, ..] => decimals_of((second - first).abs()).min(12),
        _ => 2,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_few_whatever_the_range() {
        for (from, to) in [(14.2e9, 14.2005e9), (-3e-15, 8e-15), (0.0, 0.0), (5.0, 5.0), (1e-12, 1.1e-12)] {
            let found = ticks(from, to, 6);
            assert!((1..=13).contains(&found.len()), "{from} to {to}: {found:?}");
            assert!(found.windows(2).all(|w| w[1] > w[0]), "{found:?}");
        }
        // What is no number leaves the other end, and one value is widened to a range around it.
        assert_eq!(ticks(f64::NAN, 1.0, 5), ticks(0.95, 1.05, 5));
        assert_eq!(decimals(&ticks(14.2, 14.2005, 5)), 4);
    }

    #[test]
    fn a_single_value_stands_in_the_middle() {
        let scale = Scale::new(2.0, 2.0, 0.0, 100.0);
        assert!((scale.at(2.0) - 50.0).abs() < 1e-9);
    }
}
