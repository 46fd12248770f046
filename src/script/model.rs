//! Own models of a sequence, watched while they work once: what they do to their numbers is written down as steps, which
//! then give values and exact derivatives without the engine. Units are checked on the way.
//!
//! A model that does more with x than arithmetic (looks into a text or a list by it) is watched at each point of the data by
//! itself, with x as the plain value that it is there. One that does so with its parameters, or does other things when it is
//! called again, is called for every point instead.

use super::convert::plain_number;
use super::error::{Thrown, argument, wrong};
use super::units::{as_value, power_of};
use crate::analysis::fit::Function;
use crate::analysis::formula::{Binary, Comparison, Path, Recorder, Unary};
use crate::quantity::{Dimension, Quantity, Unit};
use rhai::{Dynamic, Engine, FnPtr, Map, NativeCallContext};
use std::cell::RefCell;
use std::collections::HashMap;
use std::rc::Rc;

/// Ways through a model that are kept; one with more is called.
const MOST_PATHS: usize = 64;

/// Points at which a model is watched by itself, and ways through it at one of them.
const MOST_POINTS: usize = 50_000;
const MOST_PATHS_AT_A_POINT: usize = 8;

/// Rounding by which what was written down may differ from what a call gives.
const ROUNDING: f64 = 1e-9;

/// A number whose way is written down.
#[derive(Debug, Clone)]
pub struct Traced {
    recorder: Rc<RefCell<Recorder>>,
    step: usize,
    dimension: Dimension,
}

/// One of two operands.
#[derive(Clone)]
enum Operand {
    Traced(Traced),
    Fixed(Quantity),
}

impl From<Traced> for Operand {
    fn from(value: Traced) -> Self {
        Self::Traced(value)
    }
}

impl From<Quantity> for Operand {
    fn from(value: Quantity) -> Self {
        Self::Fixed(value)
    }
}

impl From<f64> for Operand {
    fn from(value: f64) -> Self {
        Self::Fixed(Quantity::number(value))
    }
}

impl From<i64> for Operand {
    fn from(value: i64) -> Self {
        Self::Fixed(Quantity::number(value as f64))
    }
}

/// The model is called instead; where the call fails as well, its own words are shown.
fn not_written(why: &str) -> Thrown {
    wrong(why)
}

impl Traced {
    fn quantity(&self) -> Quantity {
        Quantity::new(self.recorder.borrow().result(self.step), self.dimension)
    }

    /// The result of one more step.
    fn next(&self, dimension: Dimension, step: impl FnOnce(&mut Recorder) -> usize) -> Self {
        let step = step(&mut self.recorder.borrow_mut());
        Self { recorder: Rc::clone(&self.recorder), step, dimension }
    }

    /// An operand beside this one.
    fn beside(&self, other: &Operand) -> Self {
        match other {
            Operand::Traced(traced) => traced.clone(),
            Operand::Fixed(q) => self.next(q.dimension, |r| r.constant(q.si)),
        }
    }

    fn unary(&self, op: Unary) -> Result<Self, Thrown> {
        let dimension = match op {
            Unary::Neg | Unary::Abs => self.dimension,
            Unary::Sqrt => {
                power_of(self.dimension, 0.5).ok_or_else(|| not_written("a root without a unit"))?
            }
            _ if self.dimension.is_none() => Dimension::NONE,
            _ => return Err(not_written("a function of a value with a unit")),
        };
        Ok(self.next(dimension, |r| r.unary(op, self.step)))
    }

    /// The value in a unit, or with one.
    fn in_unit(&self, unit: &Unit) -> Result<Self, Thrown> {
        // Levels and other units with an offset are no factor.
        if unit.to_si(0.0) != 0.0 || !unit.dimension.scales() {
            return Err(not_written("a unit that is no factor"));
        }
        let (factor, dimension) = if self.dimension == unit.dimension {
            (unit.from_si(1.0), Dimension::NONE)
        } else if self.dimension.is_none() {
            (unit.to_si(1.0), unit.dimension)
        } else {
            return Err(not_written("another unit"));
        };
        Ok(self.next(dimension, |r| {
            let factor = r.constant(factor);
            r.binary(Binary::Mul, self.step, factor)
        }))
    }
}

/// Both operands as steps of the same record; one of them is traced.
fn both(a: &Operand, b: &Operand) -> Result<(Traced, Traced), Thrown> {
    match (a, b) {
        (Operand::Traced(a), b) => Ok((a.clone(), a.beside(b))),
        (a, Operand::Traced(b)) => Ok((b.beside(a), b.clone())),
        _ => Err(not_written("nothing to write down")),
    }
}

fn binary(op: Binary, a: &Operand, b: &Operand) -> Result<Traced, Thrown> {
    let (x, y) = both(a, b)?;
    let (p, q) = (x.quantity(), y.quantity());
    let checked = match op {
        Binary::Add => p.plus(q),
        Binary::Sub => p.minus(q),
        Binary::Mul => p.times(q),
        Binary::Div => p.over(q),
        Binary::Pow => return power(&x, &y, b),
    };
    let checked = checked.map_err(|error| not_written(&error.to_string()))?;
    let result = x.next(checked.dimension, |r| r.binary(op, x.step, y.step));
    // Sums of levels and the like mean more than the sum of their numbers.
    let same = |a: f64, b: f64| a == b || (a.is_nan() && b.is_nan());
    if same(result.quantity().si, checked.si) { Ok(result) } else { Err(not_written("not a plain step")) }
}

fn power(x: &Traced, y: &Traced, exponent: &Operand) -> Result<Traced, Thrown> {
    let dimension = match exponent {
        Operand::Fixed(n) if n.dimension.is_none() => power_of(x.dimension, n.si),
        _ => (x.dimension.is_none() && y.dimension.is_none()).then_some(Dimension::NONE),
    };
    let dimension = dimension.ok_or_else(|| not_written("a power without a unit"))?;
    Ok(x.next(dimension, |r| r.binary(Binary::Pow, x.step, y.step)))
}

fn compare(comparison: Comparison, a: &Operand, b: &Operand) -> Result<bool, Thrown> {
    let (x, y) = both(a, b)?;
    if x.dimension != y.dimension {
        return Err(not_written("a comparison of different kinds"));
    }
    let mut recorder = x.recorder.borrow_mut();
    Ok(recorder.compare(comparison, x.step, y.step))
}

/// A function of two operands for every pair of which at least one is traced.
fn pairs<T: rhai::Variant + Clone>(
    engine: &mut Engine,
    name: &str,
    of: impl Fn(&Operand, &Operand) -> Result<T, Thrown> + Copy + Send + Sync + 'static,
) {
    engine.register_fn(name, move |a: Traced, b: Traced| of(&a.into(), &b.into()));
    engine.register_fn(name, move |a: Traced, b: f64| of(&a.into(), &b.into()));
    engine.register_fn(name, move |a: Traced, b: i64| of(&a.into(), &b.into()));
    engine.register_fn(name, move |a: Traced, b: Quantity| of(&a.into(), &b.into()));
    engine.register_fn(name, move |a: f64, b: Traced| of(&a.into(), &b.into()));
    engine.register_fn(name, move |a: i64, b: Traced| of(&a.into(), &b.into()));
    engine.register_fn(name, move |a: Quantity, b: Traced| of(&a.into(), &b.into()));
}

/// Functions of one number, by their names in the language.
const FUNCTIONS: &[(&str, Unary)] = &[
    ("-", Unary::Neg),
    ("exp", Unary::Exp),
    ("ln", Unary::Ln),
    ("log", Unary::Log10),
    ("sqrt", Unary::Sqrt),
    ("abs", Unary::Abs),
    ("sin", Unary::Sin),
    ("cos", Unary::Cos),
    ("tan", Unary::Tan),
    ("asin", Unary::Asin),
    ("acos", Unary::Acos),
    ("atan", Unary::Atan),
    ("sinh", Unary::Sinh),
    ("cosh", Unary::Cosh),
    ("tanh", Unary::Tanh),
    ("floor", Unary::Floor),
    ("ceiling", Unary::Ceiling),
    ("round", Unary::Round),
    ("int", Unary::Whole),
];

/// Registers what a traced number can do: the arithmetic of the language.
pub fn register(engine: &mut Engine) {
    engine.register_type_with_name::<Traced>("number");
    let operators =
        [("+", Binary::Add), ("-", Binary::Sub), ("*", Binary::Mul), ("/", Binary::Div), ("**", Binary::Pow)];
    for (name, op) in operators {
        pairs(engine, name, move |a, b| binary(op, a, b));
    }
    for (name, op) in FUNCTIONS {
        engine.register_fn(*name, |a: Traced| a.unary(*op));
    }
    pairs(engine, "<", |a, b| compare(Comparison::Less, a, b));
    pairs(engine, "<=", |a, b| compare(Comparison::AtMost, a, b));
    pairs(engine, ">", |a, b| compare(Comparison::Less, b, a));
    pairs(engine, ">=", |a, b| compare(Comparison::AtMost, b, a));
    pairs(engine, "==", |a, b| compare(Comparison::Equal, a, b));
    pairs(engine, "!=", |a, b| compare(Comparison::Equal, a, b).map(|same| !same));
    let smaller = |a: &Operand, b: &Operand| compare(Comparison::Less, b, a).map(|other| !other);
    pairs(engine, "min", move |a, b| chosen(smaller(a, b)?, a, b));
    pairs(engine, "max", move |a, b| chosen(!smaller(a, b)?, a, b));
    // A text would show the number of this one point.
    engine.register_fn("to_string", |value: &mut Traced| {
        value.recorder.borrow_mut().spoil();
        value.quantity().to_string()
    });
    for name in super::units::UNIT_NAMES {
        let Some(unit) = Unit::parse(name) else { continue };
        engine.register_get(*name, move |value: &mut Traced| value.in_unit(&unit));
    }
}

fn chosen(first: bool, a: &Operand, b: &Operand) -> Result<Traced, Thrown> {
    let (x, y) = both(a, b)?;
    Ok(if first { x } else { y })
}

/// What an own model is given and gives.
#[derive(Debug, Clone)]
pub struct Terms {
    /// Names of the parameters.
    pub names: Vec<String>,
    /// What each is measured in.
    pub dimensions: Vec<Dimension>,
    /// Whether they are handed over by name, in a map, or in a list.
    pub by_name: bool,
    /// Whether they and x have units.
    pub with_units: bool,
    /// What x and y are measured in.
    pub axes: (Dimension, Dimension),
}

/// A model of a sequence as a function of numbers.
pub struct OwnModel<'c> {
    context: &'c NativeCallContext<'c>,
    model: &'c FnPtr,
    terms: Terms,
    /// Rows at which what was written down is held against a call.
    samples: Vec<f64>,
    paths: Vec<Path>,
    last: usize,
    /// Ways at single places, by the bits of x, where there is no way for all.
    at_points: HashMap<u64, Vec<Path>>,
    by_point: bool,
    called: bool,
    failure: Option<Thrown>,
}

impl<'c> OwnModel<'c> {
    /// The model as the sequence has it; `samples` are some values of x.
    pub fn new(
        context: &'c NativeCallContext<'c>,
        model: &'c FnPtr,
        terms: Terms,
        samples: Vec<f64>,
    ) -> Self {
        Self {
            context,
            model,
            terms,
            samples,
            paths: Vec::new(),
            last: 0,
            at_points: HashMap::new(),
            by_point: false,
            called: false,
            failure: None,
        }
    }

    /// What went wrong in the model, if anything did.
    pub fn failure(self) -> Option<Thrown> {
        self.failure
    }

    fn x_is(&self) -> Dimension {
        if self.terms.with_units { self.terms.axes.0 } else { Dimension::NONE }
    }

    fn run(&self, x: Dynamic, parameters: Vec<Dynamic>) -> Result<Dynamic, Thrown> {
        let p = if self.terms.by_name {
            let named = self.terms.names.iter().map(|name| name.as_str().into()).zip(parameters);
            Dynamic::from_map(named.collect::<Map>())
        } else {
            Dynamic::from_array(parameters)
        };
        self.model.call_within_context::<Dynamic>(self.context, (x, p))
    }

    /// Calls the model with numbers.
    fn call(&self, x: f64, p: &[f64]) -> Result<f64, Thrown> {
        let with = |(value, dimension): (&f64, &Dimension)| as_value(Quantity::new(*value, *dimension));
        let parameters = p.iter().zip(&self.terms.dimensions).map(with).collect();
        let answer = self.run(with((&x, &self.x_is())), parameters)?;
        let quantity = answer.clone().try_cast::<Quantity>().or(plain_number(&answer).map(Quantity::number));
        let Some(quantity) = quantity else {
            let given = super::convert::kind_of(&answer);
            return Err(argument(self.context, format!("the model gives {given}, not a number")));
        };
        self.accepted(quantity)
    }

    /// The number of a result, if it is measured in what the data are.
    fn accepted(&self, result: Quantity) -> Result<f64, Thrown> {
        let wanted = self.terms.axes.1;
        let plain = result.dimension.is_none() && !self.terms.with_units;
        if result.dimension == wanted || plain {
            return Ok(result.si);
        }
        let message = format!("the model gives {}, but the data are {wanted}", result.dimension);
        Err(argument(self.context, &message))
    }

    /// Watches the model at one place, good for all or `alone` for this one; none where it can't be written down.
    fn watch(&self, x: f64, p: &[f64], alone: bool) -> Option<Path> {
        let recorder = Rc::new(RefCell::new(Recorder::new(&[x], p)));
        let traced = |step: usize, dimension| {
            Dynamic::from(Traced { recorder: Rc::clone(&recorder), step, dimension })
        };
        let place = match alone {
            true => as_value(Quantity::new(x, self.x_is())),
            false => traced(recorder.borrow_mut().column(0), self.x_is()),
        };
        let steps: Vec<usize> = (0..p.len()).map(|j| recorder.borrow_mut().parameter(j)).collect();
        let parameters = steps.iter().zip(&self.terms.dimensions).map(|(s, d)| traced(*s, *d)).collect();
        let answer = self.run(place, parameters).ok()?;
        let (step, dimension) = match answer.clone().try_cast::<Traced>() {
            Some(found) => (found.step, found.dimension),
            None => {
                let fixed = answer.clone().try_cast::<Quantity>();
                let fixed = fixed.or(plain_number(&answer).map(Quantity::number))?;
                (recorder.borrow_mut().constant(fixed.si), fixed.dimension)
            }
        };
        self.accepted(Quantity::new(0.0, dimension)).ok()?;
        if recorder.borrow().spoilt() {
            return None;
        }
        let path = recorder.borrow().clone().finish(step);
        self.agrees(path, x, p, if alone { &[] } else { &self.samples })
    }

    /// The path, if a call gives the same where it was found and at the samples.
    fn agrees(&self, mut path: Path, x: f64, p: &[f64], samples: &[f64]) -> Option<Path> {
        for x in samples.iter().chain([&x]) {
            let Some(written) = path.value(&[*x], p) else { continue };
            let called = self.call(*x, p).unwrap_or(f64::NAN);
            let near = (written - called).abs() <= ROUNDING * written.abs().max(called.abs());
            if !(near || written.is_nan() || called == written) {
                return None;
            }
        }
        Some(path)
    }

    /// Goes the ways that are known, the last one first, and then a new one.
    fn along(&mut self, x: f64, p: &[f64], of: &mut dyn FnMut(&mut Path) -> Option<f64>) -> Option<f64> {
        if self.called || self.failure.is_some() {
            return None;
        }
        for k in 0..self.paths.len() {
            let k = (self.last + k) % self.paths.len();
            if let Some(value) = of(&mut self.paths[k]) {
                self.last = k;
                return Some(value);
            }
        }
        if !self.by_point {
            let fresh = (self.paths.len() < MOST_PATHS).then(|| self.watch(x, p, false)).flatten();
            if let Some(mut path) = fresh {
                let value = of(&mut path);
                self.last = self.paths.len();
                self.paths.push(path);
                return value;
            }
            self.by_point = true;
        }
        self.at_this_point(x, p, of)
    }

    /// Goes the ways that are known at this place, and then a new one.
    fn at_this_point(
        &mut self,
        x: f64,
        p: &[f64],
        of: &mut dyn FnMut(&mut Path) -> Option<f64>,
    ) -> Option<f64> {
        let here = self.at_points.get_mut(&x.to_bits());
        if let Some(value) = here.into_iter().flatten().find_map(&mut *of) {
            return Some(value);
        }
        let known = self.at_points.get(&x.to_bits()).map_or(0, Vec::len);
        let room = known < MOST_PATHS_AT_A_POINT && self.at_points.len() < MOST_POINTS;
        let Some(mut path) = room.then(|| self.watch(x, p, true)).flatten() else {
            self.called = true;
            return None;
        };
        let value = of(&mut path);
        self.at_points.entry(x.to_bits()).or_default().push(path);
        value
    }
}

impl Function for OwnModel<'_> {
    fn value(&mut self, _set: usize, row: &[f64], p: &[f64]) -> f64 {
        if let Some(value) = self.along(row[0], p, &mut |path| path.value(row, p)) {
            return value;
        }
        if self.failure.is_some() {
            return f64::NAN;
        }
        // An error in the model ends the fit at once; the solver itself only knows numbers.
        self.call(row[0], p).unwrap_or_else(|error| {
            self.failure = Some(error);
            f64::NAN
        })
    }

    fn with_gradient(&mut self, _set: usize, row: &[f64], p: &[f64], gradient: &mut [f64]) -> Option<f64> {
        self.along(row[0], p, &mut |path| path.with_gradient(row, p, gradient))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::fit::{self, Fit, Options, Set};
    use crate::script::error::meaning;

    /// A line at 14.05 GHz of 8 MHz, 2 pA high, on 1 pA, with a little of a pattern.
    fn data() -> (Vec<f64>, Vec<f64>) {
        let x: Vec<f64> = (0..101).map(|i| 14.0e9 + 1e6 * f64::from(i)).collect();
        let line = |x: f64| 1e-12 + 2e-12 / (1.0 + (2.0 * (x - 14.05e9) / 8e6).powi(2));
        let y = x.iter().enumerate().map(|(i, x)| line(*x) + 1e-14 * ((i * 7919 % 101) as f64 / 50.0 - 1.0));
        let y = y.collect();
        (x, y)
    }

    const NAMES: [&str; 4] = ["c", "w", "h", "o"];
    const START: [f64; 4] = [14.048e9, 1.1e7, 1.5e-12, 0.0];

    /// Fits a model as a sequence has it: the fit, or what went wrong, and whether it was called for every point.
    fn fitted(text: &str, with_units: bool) -> (Result<Fit, String>, bool) {
        let found = Rc::new(RefCell::new(None));
        let mut engine = crate::script::bare();
        super::super::units::register(&mut engine);
        register(&mut engine);
        let out = Rc::clone(&found);
        engine.register_fn("probe", move |ctx: NativeCallContext, model: FnPtr| -> Result<(), Thrown> {
            let (x, y) = data();
            let axes = (Dimension::FREQUENCY, Dimension::CURRENT);
            let dimensions =
                [axes.0, axes.0, axes.1, axes.1].map(|d| if with_units { d } else { Dimension::NONE });
            let terms = Terms {
                names: NAMES.map(str::to_owned).to_vec(),
                dimensions: dimensions.to_vec(),
                by_name: true,
                with_units,
                axes,
            };
            let mut own = OwnModel::new(&ctx, &model, terms, vec![x[0], x[50], x[100]]);
            let start: Vec<(&str, f64)> = NAMES.into_iter().zip(START).collect();
            let columns = [x.as_slice()];
            let set = Set { columns: &columns, y: &y, sigmas: &[] };
            let fit = fit::own(&mut own, &start, &[set], &[], &Options::new());
            *out.borrow_mut() = Some((fit, own.called));
            own.failure().map_or(Ok(()), Err)
        });
        let end = engine.eval::<()>(text).map_err(|error| meaning(&error, "night.rhai").reason);
        let (fit, called) = found.borrow_mut().take().expect("the model was fitted");
        (end.and_then(|()| fit.map_err(|error| error.to_string())), called)
    }

    /// Largest difference from the fit by formula, in errors.
    fn apart(fit: &Fit) -> f64 {
        let (x, y) = data();
        let start: Vec<(&str, f64)> = NAMES.into_iter().zip(START).collect();
        let other = fit::formula("o+h/(1+(2*(x-c)/w)^2)", &start, &[("x", &x)], &y).unwrap();
        let each = |name| ((fit.value(name) - other.value(name)) / other.error(name)).abs();
        NAMES.into_iter().map(each).fold(0.0, f64::max)
    }

    #[test]
    fn own_models_agree_with_their_formula_however_they_are_written() {
        for (text, with_units, called) in [
            ("probe(|x, p| p.o + p.h / (1.0 + (2.0 * (x - p.c) / p.w) ** 2))", false, false),
            ("probe(|x, p| p.o + p.h / (1 + (2 * (x - p.c) / p.w) ** 2))", true, false),
            // With functions, branches, units taken off and put on, and a loop.
            (
                "fn bell(d) { 1.0 / (1.0 + d * d) } probe(|x, p| { let d = 2.0 * (x.MHz - p.c.MHz) / p.w.MHz; p.o + p.h * bell(d) })",
                true,
                false,
            ),
            (
                "probe(|x, p| { let d = (x - p.c) * 2.0 / p.w; if d < 0.0 { d = -d; } p.o + p.h / (1.0 + d ** 2.0) })",
                false,
                false,
            ),
            (
                "probe(|x, p| { let d = abs(2.0 * (x - p.c) / p.w); p.o + p.h / max(1.0, 1.0 + d * d) })",
                true,
                false,
            ),
            (
                "let n = 2; probe(|x, p| { let d = 1.0; for i in 0..n { d *= 2.0 * (x - p.c) / p.w; } p.o + p.h / (1.0 + d) })",
                false,
                false,
            ),
            (
                "probe(|x, p| { let seen = `${x}`; let d = 2.0 * (x - p.c) / p.w; let o = if seen.len() > 1 { p.o } else { 0.0 }; o + p.h / (1.0 + d * d) })",
                false,
                false,
            ),
            (
                "probe(|x, p| { let d = 2.0 * (x - p.c) / p.w; p.o + 0.0 * d.floor() + p.h / (1.0 + d * d) })",
                false,
                false,
            ),
            // A list is looked into by where the point lies.
            (
                "let of = [1.0, 1.0, 1.0]; probe(|x, p| { let d = 2.0 * (x - p.c) / p.w; p.o + of[((x - 14.0e9) / 40.0e6).to_int()] * p.h / (1.0 + d * d) })",
                false,
                false,
            ),
            // What hangs on the text of a parameter is called.
            (
                "probe(|x, p| { let d = 2.0 * (x - p.c) / p.w; let o = if `${p.c}`.len() > 1 { p.o } else { 0.0 }; o + p.h / (1.0 + d * d) })",
                false,
                true,
            ),
        ] {
            let (fit, was_called) = fitted(text, with_units);
            let fit = fit.unwrap_or_else(|why| panic!("{text}: {why}"));
            assert!(fit.trusted(), "{text}: {:?}", fit.doubts);
            assert!(apart(&fit) < 1e-6, "{text}: {:e}", apart(&fit));
            assert_eq!(was_called, called, "{text}");
        }
    }

    #[test]
    fn what_is_wrong_in_a_model_is_said_in_its_own_words() {
        for (text, with_units, wanted) in [
            (
                "probe(|x, p| p.o + x)",
                true,
                "a current and a frequency can't be added; look which of the two has the wrong unit; both need the same one",
            ),
            ("probe(|x, p| x - p.c)", true, "the model gives a frequency, but the data are a current"),
            ("probe(|x, p| \"much\")", false, "the model gives the text \"much\", not a number"),
            (
                "probe(|x, p| sin(x))",
                true,
                "`sin` doesn't take a value with a unit; the units in its brackets must cancel: divide by one of the same kind, and `**` goes before `/` and `-`",
            ),
        ] {
            let (fit, _) = fitted(text, with_units);
            assert_eq!(fit.unwrap_err(), wanted, "{text}");
        }
    }
}
