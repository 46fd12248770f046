//! Fits of models that a sequence brings itself.

use super::fitting::{Data, any_quantity, noise};
use crate::analysis::fit::{self, Options};
use crate::quantity::{Dimension, Quantity};
use crate::script::convert::{MapFields, kind_of};
use crate::script::error::{Thrown, argument};
use crate::script::handles::FitHandle;
use crate::script::host::Host;
use crate::script::model::{OwnModel, Terms};
use crate::script::registry::{Chapter, Gives, Kind, Verb, in_chapter, param};
use rhai::{Array, Dynamic, Engine, FnPtr, Map, NativeCallContext};
use std::rc::Rc;

/// The table of this file; it belongs to the chapter on analysis.
pub const VERBS: &[Verb] = &[Verb {
    name: "fit_own",
    params: &[
        param("sweeps", Kind::Sweeps, "a sweep or a table, or a list of them"),
        param("channel", Kind::Reading, "which reading"),
        param(
            "parameters",
            Kind::Parameters,
            "where each begins, `#{ a: 1.nA, b: 20.MHz }` or `[[\"a\", 1e-9], [\"b\", 20e6]]`; in place of a value stands what else is known of it, `#{ start: 20.MHz, low: 5.MHz, high: 40.MHz }`; `fixed: true` holds it, `common: true` makes it the same in all sweeps, and `start` may be a list with a value for each sweep",
        ),
        param(
            "plan",
            Kind::Fields("| noise"),
            "the noise: `\"independent\"`, `\"outliers\"` where some points lie far off, `\"slow\"` where neighbouring points err together",
        ),
        param(
            "model",
            Kind::Function,
            "`|x, p| …`, where p is a map or a list like the parameters. With a unit at any parameter, x, p and the result have units; without, all are numbers in SI",
        ),
    ],
    optional: 1,
    gives: Gives::Handle("fit"),
    summary: "Fits a model of your own to one sweep, or to several at once. Parameters that are not common carry the number of their sweep, `value(\"centre@2\")`. Derivatives are exact where the model does arithmetic only. Start from typical magnitudes.",
    example: "let s = sweep(#{ channel: \"Bias\", from: 20.mV, to: 60.mV, points: 9, read: \"Current\" });\nlet own = fit_own(s, \"Current\", #{ current: 0.pA, conductance: 1.nA / 1.V }, |v, p| p.current + p.conductance * v);\nnote(`${own.value(\"conductance\")} ± ${own.error(\"conductance\")}`);\nlet both = fit_own([s, s], \"Current\", #{ offset: 0.0, slope: #{ start: 1e-9, common: true } }, #{ noise: \"outliers\" }, |v, p| p.offset + p.slope * v);",
    ..in_chapter(Chapter::Analysis)
}];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn(
        "fit_own",
        move |ctx: NativeCallContext, sweeps: Dynamic, channel: &str, parameters: Dynamic, model: FnPtr| {
            fit_own(&h, &ctx, sweeps, channel, parameters, Map::new(), &model)
        },
    );
    let h = Rc::clone(host);
    engine.register_fn(
        "fit_own",
        move |ctx: NativeCallContext,
              sweeps: Dynamic,
              channel: &str,
              parameters: Dynamic,
              plan: Map,
              model: FnPtr| { fit_own(&h, &ctx, sweeps, channel, parameters, plan, &model) },
    );
}

/// What is known of one parameter.
struct Known {
    name: String,
    /// Where it begins, in each sweep or in all.
    start: Vec<Quantity>,
    fixed: bool,
    shared: bool,
    low: Option<Quantity>,
    high: Option<Quantity>,
}

impl Known {
    /// From a value, or a map that says more.
    fn read(ctx: &NativeCallContext<'_>, name: String, value: &Dynamic) -> Result<Self, Thrown> {
        let number = |value: &Dynamic, what: &str| {
            let wrong =
                || format!("{what} of `{name}` is a number, with or without a unit, not {}", kind_of(value));
            any_quantity(value).ok_or_else(|| argument(ctx, wrong()))
        };
        let Some(map) = value.clone().try_cast::<Map>() else {
            let start = vec![number(value, "the start")?];
            return Ok(Self { name, start, fixed: false, shared: false, low: None, high: None });
        };
        let mut fields = MapFields::new(ctx, "fit_own", map);
        let [low, high] = [fields.take("low"), fields.take("high")];
        let (fixed, start) = (fields.take("fixed"), fields.take("start"));
        let shared = fields.flag("common")?;
        fields.finish()?;
        // `fixed: 3.mV` says both where it is and that it stays there.
        let held = fixed.as_ref().is_some_and(|f| f.as_bool().unwrap_or(true));
        let value = start.or(fixed.filter(|f| !f.is_bool()));
        let value =
            value.ok_or_else(|| argument(ctx, format!("`{name}` needs `start`, a value to begin with")))?;
        let start = match value.clone().try_cast::<Array>() {
            Some(list) => list.iter().map(|v| number(v, "the start")).collect::<Result<Vec<_>, _>>()?,
            None => vec![number(&value, "the start")?],
        };
        let low = low.map(|v| number(&v, "the bound")).transpose()?;
        let high = high.map(|v| number(&v, "the bound")).transpose()?;
        let known = Self { name, start, fixed: held, shared, low, high };
        known.check(ctx)?;
        Ok(known)
    }

    /// All values of one parameter are of one kind.
    fn check(&self, ctx: &NativeCallContext<'_>) -> Result<(), Thrown> {
        let Some(first) = self.start.first() else {
            return Err(argument(ctx, format!("`{}` has an empty list of values to begin with", self.name)));
        };
        let mut others = self.start.iter().chain(&self.low).chain(&self.high);
        match others.find(|q| q.dimension != first.dimension) {
            Some(other) => {
                let (name, wanted) = (&self.name, first.dimension);
                let message = format!("`{name}` begins as {wanted}, but {other} is {}", other.dimension);
                Err(argument(ctx, &message))
            }
            None => Ok(()),
        }
    }

    fn dimension(&self) -> Dimension {
        self.start[0].dimension
    }
}

/// The parameters, from a map by name or a list of pairs.
fn parameters(ctx: &NativeCallContext<'_>, given: Dynamic) -> Result<(Vec<Known>, bool), Thrown> {
    if let Some(map) = given.clone().try_cast::<Map>() {
        let known = map.iter().map(|(name, value)| Known::read(ctx, name.to_string(), value));
        return Ok((known.collect::<Result<_, _>>()?, true));
    }
    let wrong = || {
        let help =
            "parameters are a map of names and values, `#{ a: 1.0 }`, or pairs of them, `[[\"a\", 1.0], …]`";
        argument(ctx, help)
    };
    let mut known = Vec::new();
    for pair in given.try_cast::<Array>().ok_or_else(wrong)? {
        let pair = pair.try_cast::<Array>().filter(|p| p.len() == 2).ok_or_else(wrong)?;
        let name = pair[0].clone().into_string().map_err(|_| wrong())?;
        known.push(Known::read(ctx, name, &pair[1])?);
    }
    Ok((known, false))
}

/// Options for what is known of parameters that begin in so many sweeps.
fn steered(ctx: &NativeCallContext<'_>, known: &[Known], sweeps: usize) -> Result<Options, Thrown> {
    let mut options = Options::new();
    for one in known {
        let name = &one.name;
        if one.start.len() > 1 && (one.start.len() != sweeps || one.shared) {
            let count = one.start.len();
            let message = format!(
                "`{name}` begins with {count} values, and there are {sweeps} sweeps to share them out"
            );
            return Err(argument(ctx, &message));
        }
        for (k, start) in one.start.iter().enumerate() {
            let name = if one.start.len() > 1 { format!("{name}@{}", k + 1) } else { name.clone() };
            options = if one.fixed { options.fix(&name, start.si) } else { options.start(&name, start.si) };
        }
        if one.low.is_some() || one.high.is_some() {
            let low = one.low.map_or(f64::NEG_INFINITY, |q| q.si);
            options = options.bound(name, low, one.high.map_or(f64::INFINITY, |q| q.si));
        }
    }
    Ok(options)
}

fn fit_own(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    sweeps: Dynamic,
    channel: &str,
    given: Dynamic,
    plan: Map,
    model: &FnPtr,
) -> Result<FitHandle, Thrown> {
    let data = Data::take(ctx, sweeps, channel)?;
    let (known, by_name) = parameters(ctx, given)?;
    let mut fields = MapFields::new(ctx, "fit_own", plan);
    let options = steered(ctx, &known, data.count())?.noise(noise(ctx, &mut fields)?);
    fields.finish()?;
    let terms = Terms {
        names: known.iter().map(|k| k.name.clone()).collect(),
        dimensions: known.iter().map(Known::dimension).collect(),
        by_name,
        with_units: known.iter().any(|k| !k.dimension().is_none()),
        axes: data.axes,
    };
    let dimensions: Vec<(String, Dimension)> =
        terms.names.iter().cloned().zip(terms.dimensions.iter().copied()).collect();
    let start: Vec<(&str, f64)> = known.iter().map(|k| (k.name.as_str(), k.start[0].si)).collect();
    let shared: Vec<&str> = known.iter().filter(|k| k.shared).map(|k| k.name.as_str()).collect();
    let columns = data.columns();
    let sets = data.sets(&columns);
    let x = data.first_x();
    let samples = [x.first(), x.get(x.len() / 2), x.last()].into_iter().flatten().copied().collect();
    let mut own = OwnModel::new(ctx, model, terms, samples);
    let fitted = fit::own(&mut own, &start, &sets, &shared, &options);
    if let Some(error) = own.failure() {
        return Err(error);
    }
    data.keep(host, ctx, "own model", fitted, dimensions)
}
