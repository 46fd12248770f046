//! Values by their order.

/// The middle one of some values, the upper of two for an even number of them; their order is lost. It is one of the values
/// itself, which is what a scale of scatter needs.
pub(crate) fn middle_of(values: &mut [f64]) -> f64 {
    assert!(!values.is_empty(), "nothing has no middle");
    let at = values.len() / 2;
    *values.select_nth_unstable_by(at, f64::total_cmp).1
}

/// As [`middle_of`], of values that nobody else needs.
pub(crate) fn middle(mut values: Vec<f64>) -> f64 {
    middle_of(&mut values)
}

/// Median: for an even number of values the mean of the two in the middle; their order is lost.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    let upper = middle_of(values);
    if values.len() % 2 == 1 {
        return upper;
    }
    let lower = values[..values.len() / 2].iter().copied().max_by(f64::total_cmp);
    0.5 * (lower.expect("an even number of values has a lower half") + upper)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_order_of_the_values_does_not_matter() {
        assert_eq!((middle(vec![3.0, -1.0, 2.0]), median(&mut [3.0, -1.0, 2.0])), (2.0, 2.0));
        assert_eq!((middle(vec![4.0, 1.0, 3.0, 2.0]), median(&mut [4.0, 1.0, 3.0, 2.0])), (3.0, 2.5));
        assert_eq!((middle(vec![7.0]), median(&mut [7.0])), (7.0, 7.0));
    }
}
