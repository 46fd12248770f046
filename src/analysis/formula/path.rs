//! Models that were watched while they were worked out once: the same steps give the value anywhere, and exact derivatives.

use super::tape::{Binary, Scratch, Tape, Unary};

/// A comparison of two values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Comparison {
    /// Smaller.
    Less,
    /// Not larger.
    AtMost,
    /// Equal.
    Equal,
}

impl Comparison {
    fn holds(self, a: f64, b: f64) -> bool {
        match self {
            Self::Less => a < b,
            Self::AtMost => a <= b,
            Self::Equal => a == b,
        }
    }
}

/// A comparison that was made on the way, and how it came out.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Fork {
    comparison: Comparison,
    a: usize,
    b: usize,
    held: bool,
}

/// Writes down what a model does with one row of columns and its parameters. Steps are known by their places.
///
/// ```
/// use noctule::analysis::formula::{Binary, Path, Recorder, Unary};
/// // p[0] * exp(x), watched at x = 0 and p = [2].
/// let mut recorder = Recorder::new(&[0.0], &[2.0]);
/// let (x, p) = (recorder.column(0), recorder.parameter(0));
/// let power = recorder.unary(Unary::Exp, x);
/// let result = recorder.binary(Binary::Mul, p, power);
/// let mut path = recorder.finish(result);
/// assert_eq!(path.value(&[1.0], &[3.0]), Some(3.0 * 1.0_f64.exp()));
/// ```
#[derive(Debug, Clone, Default)]
pub struct Recorder {
    tape: Tape,
    row: Vec<f64>,
    parameters: Vec<f64>,
    results: Vec<f64>,
    forks: Vec<Fork>,
    spoilt: bool,
}

impl Recorder {
    /// For one row of columns and the parameters.
    pub fn new(row: &[f64], parameters: &[f64]) -> Self {
        Self { row: row.to_vec(), parameters: parameters.to_vec(), ..Self::default() }
    }

    fn add(&mut self, step: usize) -> usize {
        let result = self.tape.newest(&self.row, &self.parameters, &self.results);
        self.results.push(result);
        step
    }

    /// A number that does not change.
    pub fn constant(&mut self, value: f64) -> usize {
        let step = self.tape.constant(value);
        self.add(step)
    }

    /// A column, counted from 0.
    pub fn column(&mut self, index: usize) -> usize {
        let step = self.tape.column(index);
        self.add(step)
    }

    /// A parameter, counted from 0.
    pub fn parameter(&mut self, index: usize) -> usize {
        let step = self.tape.parameter(index);
        self.add(step)
    }

    /// A function of one value.
    pub fn unary(&mut self, op: Unary, a: usize) -> usize {
        let step = self.tape.unary(op, a);
        self.add(step)
    }

    /// A function of two values.
    pub fn binary(&mut self, op: Binary, a: usize, b: usize) -> usize {
        let step = self.tape.binary(op, a, b);
        self.add(step)
    }

    /// What a step gives here.
    pub fn result(&self, step: usize) -> f64 {
        self.results[step]
    }

    /// Compares two steps; the way that is written down is the one of this answer.
    pub fn compare(&mut self, comparison: Comparison, a: usize, b: usize) -> bool {
        let held = comparison.holds(self.results[a], self.results[b]);
        self.forks.push(Fork { comparison, a, b, held });
        held
    }

    /// Says that something was done with a number that no step can say.
    pub fn spoil(&mut self) {
        self.spoilt = true;
    }

    /// Whether that was said.
    pub fn spoilt(&self) -> bool {
        self.spoilt
    }

    /// The steps so far, of which one gives the value of the model.
    pub fn finish(self, result: usize) -> Path {
        Path { tape: self.tape, forks: self.forks, result, scratch: Scratch::default() }
    }
}

/// One way through a model, good wherever its comparisons come out as they did.
#[derive(Debug, Clone)]
pub struct Path {
    tape: Tape,
    forks: Vec<Fork>,
    result: usize,
    scratch: Scratch,
}

impl Path {
    pub(super) fn straight(tape: Tape) -> Self {
        let result = tape.last();
        Self { tape, forks: Vec::new(), result, scratch: Scratch::default() }
    }

    /// Value for one row of columns; none where the model goes another way.
    pub fn value(&mut self, row: &[f64], parameters: &[f64]) -> Option<f64> {
        self.tape.forward(row, parameters, &mut self.scratch);
        let results = &self.scratch.results;
        let same = self.forks.iter().all(|f| f.comparison.holds(results[f.a], results[f.b]) == f.held);
        same.then(|| results[self.result])
    }

    /// The same, with the exact derivative by each parameter written to `gradient`.
    pub fn with_gradient(&mut self, row: &[f64], parameters: &[f64], gradient: &mut [f64]) -> Option<f64> {
        let value = self.value(row, parameters)?;
        self.tape.backward(self.result, &mut self.scratch, gradient);
        Some(value)
    }

    /// Whether the value hangs on a parameter at all.
    pub fn uses(&self, parameter: usize) -> bool {
        self.tape.uses_parameter(parameter)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_way_is_left_where_a_comparison_comes_out_otherwise() {
        // p[0] where x < p[1], else p[0] * x.
        let mut recorder = Recorder::new(&[1.0], &[5.0, 3.0]);
        let (x, height, edge) = (recorder.column(0), recorder.parameter(0), recorder.parameter(1));
        assert!(recorder.compare(Comparison::Less, x, edge));
        let mut path = recorder.finish(height);
        assert_eq!(path.value(&[2.0], &[5.0, 3.0]), Some(5.0));
        assert_eq!(path.value(&[4.0], &[5.0, 3.0]), None);
        let mut gradient = [9.0; 2];
        assert_eq!(path.with_gradient(&[2.0], &[5.0, 3.0], &mut gradient), Some(5.0));
        assert_eq!(gradient, [1.0, 0.0]);
    }

    #[test]
    fn derivatives_of_a_way_are_those_of_its_formula() {
        let formula = super::super::Formula::parse("a*exp(-b*x)^3", &["x"], &["a", "b"]).unwrap();
        let mut path = Path::from(&formula);
        let (mut one, mut other) = ([0.0; 2], [0.0; 2]);
        let value = formula.with_gradient(&[0.7], &[2.0, 0.3], &mut one);
        assert_eq!(path.with_gradient(&[0.7], &[2.0, 0.3], &mut other), Some(value));
        assert_eq!(one, other);
    }
}
