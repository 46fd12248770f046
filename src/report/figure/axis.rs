//! Scales and their ticks.

/// A scale from values to pixels: straight, or of decades.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    from: f64,
    to: f64,
    pixel_from: f64,
    pixel_to: f64,
    decades: bool,
}

impl Scale {
    /// Values `from` … `to` onto pixels. A range without extent is widened, so that one value has its place.
    pub fn new(from: f64, to: f64, pixel_from: f64, pixel_to: f64) -> Self {
        let (from, to) = widened(from, to);
        Self { from, to, pixel_from, pixel_to, decades: false }
    }

    /// A scale on which each decade has the same length. Values that are not above zero lie below it.
    pub fn decades(from: f64, to: f64, pixel_from: f64, pixel_to: f64) -> Self {
        Self { decades: true, ..Self::new(from.log10(), to.log10(), pixel_from, pixel_to) }
    }

    /// The pixel of a value.
    pub fn at(&self, value: f64) -> f64 {
        let value = if self.decades { value.max(f64::MIN_POSITIVE).log10() } else { value };
        let part = (value - self.from) / (self.to - self.from);
        self.pixel_from + part * (self.pixel_to - self.pixel_from)
    }

    /// The range of values.
    pub fn range(&self) -> (f64, f64) {
        if self.decades { (10_f64.powf(self.from), 10_f64.powf(self.to)) } else { (self.from, self.to) }
    }
}

/// Round values on an axis of decades, with their words: the decades, and 2 and 5 between them where there are few.
pub fn decade_ticks(from: f64, to: f64, most: usize) -> Vec<(f64, String)> {
    let (low, high) = (from.log10().floor() as i32, to.log10().ceil() as i32);
    let within = |value: &f64| (from * 0.999..=to * 1.001).contains(value);
    let of = |times: &[f64], every: i32| -> Vec<f64> {
        let decades = (low..=high).filter(|decade| (decade - low) % every == 0);
        decades.flat_map(|decade| times.iter().map(move |t| t * 10_f64.powi(decade))).filter(within).collect()
    };
    let every = (high - low) / most.max(1) as i32 + 1;
    let fine = of(&[1.0, 2.0, 5.0], 1);
    let values = if fine.len() <= most + 1 { fine } else { of(&[1.0], every) };
    values.into_iter().map(|value| (value, decade_words(value))).collect()
}

fn decade_words(value: f64) -> String {
    if (1e-3..1e5).contains(&value) {
        return crate::quantity::significant(value, 2);
    }
    let decade = value.log10().round();
    let times = value / 10_f64.powf(decade);
    let power: String = format!("{decade:.0}").chars().map(raised).collect();
    if (times - 1.0).abs() < 1e-6 { format!("10{power}") } else { crate::quantity::significant(value, 1) }
}

fn raised(letter: char) -> char {
    match letter {
        '-' => '⁻',
        '1' => '¹',
        '2' => '²',
        '3' => '³',
        digit => char::from_u32(0x2070 + digit.to_digit(10).unwrap_or(0)).unwrap_or(digit),
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
    fn decades_have_one_length_and_few_words() {
        let scale = Scale::decades(1e-10, 1e-8, 0.0, 100.0);
        assert!((scale.at(1e-9) - 50.0).abs() < 1e-9 && scale.at(-1.0) < 0.0);
        let words = |from, to| decade_ticks(from, to, 5).into_iter().map(|t| t.1).collect::<Vec<_>>();
        assert_eq!(words(5e-11, 3e-8), ["10⁻¹⁰", "10⁻⁹", "10⁻⁸"]);
        assert_eq!(words(0.3, 4.0), ["0.5", "1", "2"]);
    }

    #[test]
    fn a_single_value_stands_in_the_middle() {
        let scale = Scale::new(2.0, 2.0, 0.0, 100.0);
        assert!((scale.at(2.0) - 50.0).abs() < 1e-9);
    }
}
