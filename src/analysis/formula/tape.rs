//! The operations of a formula in the order of their evaluation, and derivatives by going through them backwards.

/// Operations on one value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Unary {
    Neg,
    Exp,
    Ln,
    Log10,
    Sqrt,
    Abs,
    Sin,
    Cos,
    Tan,
    Asin,
    Acos,
    Atan,
    Sinh,
    Cosh,
    Tanh,
}

/// Operations on two values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Binary {
    Add,
    Sub,
    Mul,
    Div,
    Pow,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Step {
    Constant(f64),
    Column(usize),
    Parameter(usize),
    Unary(Unary, usize),
    Binary(Binary, usize, usize),
}

/// A formula as a list of steps, each using results of earlier ones; the last is the value.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Tape {
    steps: Vec<Step>,
    /// Whether the result of each step depends on a parameter.
    depends: Vec<bool>,
}

impl Unary {
    fn value(self, a: f64) -> f64 {
        match self {
            Self::Neg => -a,
            Self::Exp => a.exp(),
            Self::Ln => a.ln(),
            Self::Log10 => a.log10(),
            Self::Sqrt => a.sqrt(),
            Self::Abs => a.abs(),
            Self::Sin => a.sin(),
            Self::Cos => a.cos(),
            Self::Tan => a.tan(),
            Self::Asin => a.asin(),
            Self::Acos => a.acos(),
            Self::Atan => a.atan(),
            Self::Sinh => a.sinh(),
            Self::Cosh => a.cosh(),
            Self::Tanh => a.tanh(),
        }
    }

    /// Derivative at a, where the value is v.
    fn slope(self, a: f64, v: f64) -> f64 {
        match self {
            Self::Neg => -1.0,
            Self::Exp => v,
            Self::Ln => 1.0 / a,
            Self::Log10 => 1.0 / (a * std::f64::consts::LN_10),
            Self::Sqrt => 0.5 / v,
            Self::Abs => a.signum(),
            Self::Sin => a.cos(),
            Self::Cos => -a.sin(),
            Self::Tan => 1.0 + v * v,
            Self::Asin => 1.0 / (1.0 - a * a).sqrt(),
            Self::Acos => -1.0 / (1.0 - a * a).sqrt(),
            Self::Atan => 1.0 / (1.0 + a * a),
            Self::Sinh => a.cosh(),
            Self::Cosh => a.sinh(),
            Self::Tanh => 1.0 - v * v,
        }
    }
}

fn power(a: f64, b: f64) -> f64 {
    // Small whole powers as products: exact for negative bases, and quick.
    if b == 2.0 { a * a } else { a.powf(b) }
}

impl Tape {
    fn push(&mut self, step: Step, depends: bool) -> usize {
        self.steps.push(step);
        self.depends.push(depends);
        self.steps.len() - 1
    }

    pub(super) fn constant(&mut self, value: f64) -> usize {
        self.push(Step::Constant(value), false)
    }

    pub(super) fn column(&mut self, index: usize) -> usize {
        self.push(Step::Column(index), false)
    }

    pub(super) fn parameter(&mut self, index: usize) -> usize {
        self.push(Step::Parameter(index), true)
    }

    pub(super) fn unary(&mut self, op: Unary, a: usize) -> usize {
        let depends = self.depends[a];
        self.push(Step::Unary(op, a), depends)
    }

    pub(super) fn binary(&mut self, op: Binary, a: usize, b: usize) -> usize {
        let depends = self.depends[a] || self.depends[b];
        self.push(Step::Binary(op, a, b), depends)
    }

    pub(super) fn uses_parameter(&self, index: usize) -> bool {
        self.steps.contains(&Step::Parameter(index))
    }

    fn forward(&self, row: &[f64], p: &[f64], results: &mut Vec<f64>) {
        results.clear();
        for step in &self.steps {
            let value = match *step {
                Step::Constant(value) => value,
                Step::Column(i) => row[i],
                Step::Parameter(i) => p[i],
                Step::Unary(op, a) => op.value(results[a]),
                Step::Binary(op, a, b) => {
                    let (a, b) = (results[a], results[b]);
                    match op {
                        Binary::Add => a + b,
                        Binary::Sub => a - b,
                        Binary::Mul => a * b,
                        Binary::Div => a / b,
                        Binary::Pow => power(a, b),
                    }
                }
            };
            results.push(value);
        }
    }

    pub(super) fn value(&self, row: &[f64], p: &[f64]) -> f64 {
        let mut results = Vec::with_capacity(self.steps.len());
        self.forward(row, p, &mut results);
        results.last().copied().unwrap_or(f64::NAN)
    }

    pub(super) fn with_gradient(&self, row: &[f64], p: &[f64], gradient: &mut [f64]) -> f64 {
        let mut results = Vec::with_capacity(self.steps.len());
        self.forward(row, p, &mut results);
        gradient.fill(0.0);
        let Some(value) = results.last().copied() else { return f64::NAN };
        let mut weights = vec![0.0; results.len()];
        *weights.last_mut().expect("as long as the results") = 1.0;
        for (i, step) in self.steps.iter().enumerate().rev() {
            let weight = weights[i];
            if !self.depends[i] || weight == 0.0 {
                continue;
            }
            match *step {
                Step::Constant(_) | Step::Column(_) => {}
                Step::Parameter(j) => gradient[j] += weight,
                Step::Unary(op, a) => weights[a] += weight * op.slope(results[a], results[i]),
                Step::Binary(op, a, b) => self.back(op, (a, b), results[i], weight, &results, &mut weights),
            }
        }
        value
    }

    /// Hands the weight of a binary step on to its operands. Operands without parameters are left out, so that a
    /// whole power of a negative number needs no logarithm.
    fn back(
        &self,
        op: Binary,
        (a, b): (usize, usize),
        value: f64,
        weight: f64,
        results: &[f64],
        weights: &mut [f64],
    ) {
        let (x, y) = (results[a], results[b]);
        if self.depends[a] {
            weights[a] += weight
                * match op {
                    Binary::Add | Binary::Sub => 1.0,
                    Binary::Mul => y,
                    Binary::Div => 1.0 / y,
                    Binary::Pow => y * power(x, y - 1.0),
                };
        }
        if self.depends[b] {
            weights[b] += weight
                * match op {
                    Binary::Add => 1.0,
                    Binary::Sub => -1.0,
                    Binary::Mul => x,
                    Binary::Div => -value / y,
                    // 0^y is 0 for y > 0 and does not change with y.
                    Binary::Pow if x == 0.0 && y > 0.0 => 0.0,
                    Binary::Pow => value * x.ln(),
                };
        }
    }
}
