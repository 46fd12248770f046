//! Rows of numbers with one unit, held natively: parts share what they were cut from, and sums make one new row.

use crate::quantity::{Dimension, Quantity, QuantityError};
use std::cell::Cell;
use std::ops::{Deref, Range};
use std::rc::Rc;

/// What the rows of numbers of a sequence may hold together, bytes.
pub const MOST_HELD: usize = 1 << 30;

thread_local! {
    /// Bytes in rows of numbers of the sequence of this thread.
    static HELD: Cell<usize> = const { Cell::new(0) };
}

/// Bytes that rows of numbers hold now.
pub fn held() -> usize {
    HELD.get()
}

#[derive(Debug)]
struct Held(Box<[f64]>);

impl Drop for Held {
    fn drop(&mut self) {
        HELD.set(HELD.get().saturating_sub(size_of_val(&*self.0)));
    }
}

/// Numbers that are shared: a clone and a part of them copy nothing.
#[derive(Debug, Clone)]
pub struct Shared {
    all: Rc<Held>,
    range: Range<usize>,
}

impl Shared {
    /// The numbers from `range.start` to before `range.end` of these.
    ///
    /// # Panics
    /// If there are not so many.
    #[must_use]
    pub fn part(&self, range: Range<usize>) -> Self {
        assert!(range.start <= range.end && range.end <= self.len(), "a part lies within its whole");
        let from = self.range.start;
        Self { all: Rc::clone(&self.all), range: from + range.start..from + range.end }
    }
}

impl From<Vec<f64>> for Shared {
    fn from(values: Vec<f64>) -> Self {
        let (range, all) = (0..values.len(), values.into_boxed_slice());
        HELD.set(HELD.get() + size_of_val(&*all));
        Self { all: Rc::new(Held(all)), range }
    }
}

impl Deref for Shared {
    type Target = [f64];

    fn deref(&self) -> &[f64] {
        &self.all.0[self.range.clone()]
    }
}

/// A row of numbers of one dimension; a gap is no number.
#[derive(Debug, Clone)]
pub struct Numbers {
    /// The numbers, SI.
    pub values: Shared,
    /// Their standard errors, SI, where they are known.
    pub errors: Option<Shared>,
    /// Their dimension.
    pub dimension: Dimension,
}

/// What is done to two numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Operation {
    /// Sum.
    Plus,
    /// Difference.
    Minus,
    /// Product.
    Times,
    /// Quotient.
    Over,
}

/// A function of one number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Function {
    /// Without its sign.
    Abs,
    /// A whole or half power.
    Power(f64),
    /// Exponential, of plain numbers.
    Exp,
    /// Natural logarithm, of plain numbers.
    Ln,
}

/// Why rows of numbers can't be worked with.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NumbersError {
    /// Units that do not fit.
    #[error(transparent)]
    Units(#[from] QuantityError),
    /// Rows of different lengths.
    #[error("a row of {0} numbers and one of {1} have no common places")]
    Lengths(usize, usize),
    /// A function that this unit does not have.
    #[error("{what} can't be worked out of {of}")]
    Undefined {
        /// The function.
        what: String,
        /// Of what.
        of: Dimension,
    },
}

impl Numbers {
    /// From values.
    pub fn new(values: Vec<f64>, dimension: Dimension) -> Self {
        Self { values: values.into(), errors: None, dimension }
    }

    /// With standard errors, one for each number.
    ///
    /// # Panics
    /// If there are not as many.
    #[must_use]
    pub fn with_errors(self, errors: Vec<f64>) -> Self {
        assert_eq!(errors.len(), self.values.len(), "an error for each number");
        Self { errors: Some(errors.into()), ..self }
    }

    /// A part of them; nothing is copied.
    ///
    /// # Panics
    /// If there are not so many.
    #[must_use]
    pub fn part(&self, range: Range<usize>) -> Self {
        let errors = self.errors.as_ref().map(|errors| errors.part(range.clone()));
        Self { values: self.values.part(range), errors, dimension: self.dimension }
    }

    /// A value as a quantity.
    pub fn quantity(&self, si: f64) -> Quantity {
        Quantity::new(si, self.dimension)
    }

    /// A difference of values as a quantity.
    pub fn change(&self, si: f64) -> Quantity {
        Quantity::new(si, self.dimension.change())
    }

    /// Those that are no gaps.
    pub fn known(&self) -> impl Iterator<Item = f64> + Clone {
        self.values.iter().copied().filter(|value| !value.is_nan())
    }

    /// Mean.
    pub fn mean(&self) -> f64 {
        self.known().sum::<f64>() / self.known().count() as f64
    }

    /// Standard deviation of the values.
    pub fn deviation(&self) -> f64 {
        let mean = self.mean();
        let sum: f64 = self.known().map(|v| (v - mean).powi(2)).sum();
        (sum / (self.known().count() as f64 - 1.0)).sqrt()
    }

    /// With another row, number by number; their errors are taken for independent.
    ///
    /// # Errors
    /// Rows of different lengths, and units that do not fit.
    pub fn with(&self, operation: Operation, other: &Self) -> Result<Self, NumbersError> {
        if self.values.len() != other.values.len() {
            return Err(NumbersError::Lengths(self.values.len(), other.values.len()));
        }
        let dimension = operation.dimension(self.dimension, other.dimension)?;
        let pairs = || self.values.iter().copied().zip(other.values.iter().copied());
        let mut result = Self::new(pairs().map(|(a, b)| operation.of(a, b)).collect(), dimension);
        if self.errors.is_some() || other.errors.is_some() {
            let (mine, theirs) = (self.errors.as_deref(), other.errors.as_deref());
            let error = |of: Option<&[f64]>, i: usize| of.map_or(0.0, |errors| errors[i]);
            let errors = pairs().enumerate();
            let errors = errors.map(|(i, pair)| operation.error(pair, (error(mine, i), error(theirs, i))));
            result = result.with_errors(errors.collect());
        }
        Ok(result)
    }

    /// With one value, which is exact; `first` if that stands before the sign.
    ///
    /// # Errors
    /// Units that do not fit.
    pub fn with_value(
        &self,
        operation: Operation,
        value: Quantity,
        first: bool,
    ) -> Result<Self, NumbersError> {
        let order = |row: Dimension, one: Dimension| if first { (one, row) } else { (row, one) };
        let (a, b) = order(self.dimension, value.dimension);
        let dimension = operation.dimension(a, b)?;
        let pair = |v: f64| if first { (value.si, v) } else { (v, value.si) };
        let of = |v: &f64| operation.of(pair(*v).0, pair(*v).1);
        let mut result = Self::new(self.values.iter().map(of).collect(), dimension);
        if let Some(errors) = &self.errors {
            let error =
                |(v, e): (&f64, &f64)| operation.error(pair(*v), if first { (0.0, *e) } else { (*e, 0.0) });
            result = result.with_errors(self.values.iter().zip(errors.iter()).map(error).collect());
        }
        Ok(result)
    }

    /// A function of each number.
    ///
    /// # Errors
    /// Units that the function does not have.
    pub fn map(&self, function: Function) -> Result<Self, NumbersError> {
        let dimension = function.dimension(self.dimension)?;
        let mut result = Self::new(self.values.iter().map(|v| function.of(*v)).collect(), dimension);
        if let Some(errors) = &self.errors {
            let error = |(v, e): (&f64, &f64)| (function.slope(*v) * e).abs();
            result = result.with_errors(self.values.iter().zip(errors.iter()).map(error).collect());
        }
        Ok(result)
    }
}

impl Operation {
    fn of(self, a: f64, b: f64) -> f64 {
        match self {
            Operation::Plus => a + b,
            Operation::Minus => a - b,
            Operation::Times => a * b,
            Operation::Over => a / b,
        }
    }

    fn dimension(self, a: Dimension, b: Dimension) -> Result<Dimension, QuantityError> {
        let (a, b) = (Quantity::new(1.0, a), Quantity::new(1.0, b));
        let result = match self {
            Operation::Plus => a.plus(b),
            Operation::Minus => a.minus(b),
            Operation::Times => a.times(b),
            Operation::Over => a.over(b),
        };
        result.map(|quantity| quantity.dimension)
    }

    /// Independent errors, to first order.
    fn error(self, (a, b): (f64, f64), (of_a, of_b): (f64, f64)) -> f64 {
        match self {
            Operation::Plus | Operation::Minus => of_a.hypot(of_b),
            Operation::Times => (of_a * b).hypot(of_b * a),
            Operation::Over => (of_a / b).hypot(of_b * a / (b * b)),
        }
    }
}

impl Function {
    fn of(self, v: f64) -> f64 {
        match self {
            Function::Abs => v.abs(),
            Function::Power(n) if n.fract() == 0.0 => v.powi(n as i32),
            Function::Power(n) => v.powf(n),
            Function::Exp => v.exp(),
            Function::Ln => v.ln(),
        }
    }

    fn slope(self, v: f64) -> f64 {
        match self {
            Function::Abs => 1.0,
            Function::Power(n) => n * v.powf(n - 1.0),
            Function::Exp => v.exp(),
            Function::Ln => 1.0 / v,
        }
    }

    fn dimension(self, of: Dimension) -> Result<Dimension, NumbersError> {
        let undefined = |what: String| NumbersError::Undefined { what, of };
        match self {
            Function::Abs => Ok(of),
            Function::Power(n) if of.is_none() && n.is_finite() => Ok(of),
            Function::Power(n) => {
                super::units::power_of(of, n).ok_or_else(|| undefined(format!("the power {n}")))
            }
            Function::Exp | Function::Ln if of.is_none() => Ok(of),
            Function::Exp => Err(undefined("an exponential".to_owned())),
            Function::Ln => Err(undefined("a logarithm".to_owned())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(values: &[f64], errors: &[f64]) -> Numbers {
        Numbers::new(values.to_vec(), Dimension::VOLTAGE).with_errors(errors.to_vec())
    }

    #[test]
    fn errors_follow_to_first_order() {
        let (a, b) = (row(&[3.0, 8.0], &[0.3, 0.4]), row(&[4.0, 2.0], &[0.4, 0.3]));
        let sum = a.with(Operation::Plus, &b).unwrap();
        assert_eq!((&*sum.values, sum.dimension), (&[7.0, 10.0][..], Dimension::VOLTAGE));
        assert!((sum.errors.unwrap()[0] - 0.5).abs() < 1e-15);
        let ratio = a.with(Operation::Over, &b).unwrap();
        assert!(ratio.dimension.is_none());
        // Relative errors of 5 % and 15 % add as squares.
        assert!((ratio.errors.unwrap()[1] / 4.0 - 0.05_f64.hypot(0.15)).abs() < 1e-15);
        let root = a.with(Operation::Times, &a).unwrap().map(Function::Power(0.5)).unwrap();
        assert_eq!((root.values[0], root.dimension), (3.0, Dimension::VOLTAGE));
        let twice = a.with_value(Operation::Times, Quantity::number(2.0), true).unwrap();
        assert_eq!((twice.values[0], twice.errors.unwrap()[0]), (6.0, 0.6));
        let inverse = a.with_value(Operation::Over, Quantity::number(1.0), true).unwrap();
        assert!((inverse.errors.unwrap()[0] - 0.3 / 9.0).abs() < 1e-15);
    }

    #[test]
    fn what_does_not_fit_is_refused() {
        let (a, b) = (row(&[3.0, 8.0], &[0.3, 0.4]), Numbers::new(vec![1.0, 2.0], Dimension::TIME));
        assert!(a.with(Operation::Plus, &b).unwrap_err().to_string().contains("can't be added"));
        let short = a.part(0..1);
        assert!(a.with(Operation::Plus, &short).unwrap_err().to_string().contains("2 numbers and one of 1"));
        assert!(a.map(Function::Ln).unwrap_err().to_string().contains("a logarithm"));
    }

    #[test]
    fn parts_copy_nothing_and_what_is_dropped_is_given_back() {
        let before = held();
        let all = Numbers::new(vec![1.0; 1000], Dimension::NONE);
        let parts: Vec<Numbers> = (0..100).map(|i| all.part(i..1000 - i)).collect();
        assert_eq!(held() - before, 8000);
        assert_eq!(parts[99].part(1..3).values.len(), 2);
        drop(all);
        assert_eq!(held() - before, 8000);
        drop(parts);
        assert_eq!(held(), before);
    }

    #[test]
    fn gaps_have_no_part_in_means() {
        let row = Numbers::new(vec![1.0, f64::NAN, 3.0], Dimension::NONE);
        assert_eq!((row.mean(), row.deviation()), (2.0, 2f64.sqrt()));
    }
}
