//! The operations of a formula in the order of their evaluation, and derivatives by going through them backwards.

/// Operations on one value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unary {
    /// The opposite.
    Neg,
    /// Exponential.
    Exp,
    /// Natural logarithm.
    Ln,
    /// Decimal logarithm.
    Log10,
    /// Square root.
    Sqrt,
    /// Size without sign.
    Abs,
    /// Sine.
    Sin,
    /// Cosine.
    Cos,
    /// Tangent.
    Tan,
    /// Arcsine.
    Asin,
    /// Arccosine.
    Acos,
    /// Arctangent.
    Atan,
    /// Hyperbolic sine.
    Sinh,
    /// Hyperbolic cosine.
    Cosh,
    /// Hyperbolic tangent.
    Tanh,
    /// The whole number below.
    Floor,
    /// The whole number above.
    Ceiling,
    /// The nearest whole number.
    Round,
    /// Without what stands behind the point.
    Whole,
}

/// Operations on two values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Binary {
    /// Sum.
    Add,
    /// Difference.
    Sub,
    /// Product.
    Mul,
    /// Quotient.
    Div,
    /// Power.
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

/// Room for the results of the steps, kept between points.
#[derive(Debug, Clone, Default)]
pub(super) struct Scratch {
    pub(super) results: Vec<f64>,
    weights: Vec<f64>,
}

/// A formula as a list of steps, each using results of earlier ones.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Tape {
    steps: Vec<Step>,
    /// Whether the result of each step depends on a parameter.
    depends: Vec<bool>,
}

impl Binary {
    fn value(self, a: f64, b: f64) -> f64 {
        match self {
            Self::Add => a + b,
            Self::Sub => a - b,
            Self::Mul => a * b,
            Self::Div => a / b,
            Self::Pow => power(a, b),
        }
    }
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
            Self::Floor => a.floor(),
            Self::Ceiling => a.ceil(),
            Self::Round => a.round(),
            Self::Whole => a.trunc(),
        }
    }

    /// Derivative at a, where the value is v.
    fn slope(self, a: f64, v: f64) -> f64 {
        match self {
            Self::Neg => -1.0,
            // Steps are flat but where they jump.
            Self::Floor | Self::Ceiling | Self::Round | Self::Whole => 0.0,
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
    // Whole powers as products, as in a sequence: exact for negative bases, and quick.
    if b == 2.0 {
        a * a
    } else if b.fract() == 0.0 && b.abs() < 64.0 {
        a.powi(b as i32)
    } else {
        a.powf(b)
    }
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

    /// The place of the last step.
    pub(super) fn last(&self) -> usize {
        self.steps.len().saturating_sub(1)
    }

    /// Works out one more step from the results so far.
    fn result(step: Step, row: &[f64], p: &[f64], results: &[f64]) -> f64 {
        match step {
            Step::Constant(value) => value,
            Step::Column(i) => row[i],
            Step::Parameter(i) => p[i],
            Step::Unary(op, a) => op.value(results[a]),
            Step::Binary(op, a, b) => op.value(results[a], results[b]),
        }
    }

    /// Works out all steps.
    pub(super) fn forward(&self, row: &[f64], p: &[f64], scratch: &mut Scratch) {
        scratch.results.clear();
        for step in &self.steps {
            let value = Self::result(*step, row, p, &scratch.results);
            scratch.results.push(value);
        }
    }

    /// The result of a step that has just been added, worked out from those before it.
    pub(super) fn newest(&self, row: &[f64], p: &[f64], results: &[f64]) -> f64 {
        self.steps.last().map_or(f64::NAN, |step| Self::result(*step, row, p, results))
    }

    /// Writes the derivative of one step by each parameter; the steps have been worked out.
    pub(super) fn backward(&self, of: usize, scratch: &mut Scratch, gradient: &mut [f64]) {
        gradient.fill(0.0);
        let Scratch { results, weights } = scratch;
        weights.clear();
        weights.resize(self.steps.len(), 0.0);
        weights[of] = 1.0;
        for (i, step) in self.steps.iter().enumerate().take(of + 1).rev() {
            let weight = weights[i];
            if !self.depends[i] || weight == 0.0 {
                continue;
            }
            match *step {
                Step::Constant(_) | Step::Column(_) => {}
                Step::Parameter(j) => gradient[j] += weight,
                Step::Unary(op, a) => weights[a] += weight * op.slope(results[a], results[i]),
                Step::Binary(op, a, b) => self.back(op, (a, b), results[i], weight, results, weights),
            }
        }
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
