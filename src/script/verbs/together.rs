//! One shape in several sweeps at once, with parameters common to all.

use super::judging::{in_short, spectrum};
use crate::analysis::fit::{self, Options, Shape, Spectrum};
use crate::quantity::{Dimension, Quantity};
use crate::script::convert::{MapFields, plain_number, texts};
use crate::script::error::{Thrown, argument};
use crate::script::handles::{FitHandle, Sweep};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Kind, Verb, in_chapter, param};
use crate::supervisor::Statement;
use rhai::{Array, Dynamic, Engine, Map, NativeCallContext};
use std::rc::Rc;

/// Shapes by their names.
const SHAPES: &[&str] = &["resonance", "lorentzian", "gaussian", "decay", "approach"];

/// The table of this file; it belongs to the chapter on analysis.
pub const VERBS: &[Verb] = &[Verb {
    name: "fit_together",
    params: &[
        param("shape", Kind::OneOf(SHAPES), "`resonance`, `lorentzian`, `gaussian`, `decay` or `approach`"),
        param("sweeps", Kind::List, "two sweeps or more"),
        param("channel", Kind::Channel, "which reading"),
        param(
            "plan",
            Kind::Fields("common | fix within"),
            "names of the parameters that are the same in all; values at which parameters are held, `#{ asymmetry: 0 }`; and ranges for them, `#{ width: [5.MHz, 40.MHz] }`",
        ),
    ],
    gives: "a fit",
    summary: "Fits one shape to several sweeps at once. Common parameters have their own names, `value(\"width\")`; the others carry the number of their sweep, `value(\"centre@1\")`, and are written with quotes in `fix` and `within`.",
    example: "let a = sweep(#{ channel: \"RfFrequency\", from: 14.GHz, to: 14.2.GHz, points: 41, read: \"LockinX\" });\nlet b = sweep(#{ channel: \"RfFrequency\", from: 14.2.GHz, to: 14.4.GHz, points: 41, read: \"LockinX\" });\nlet both = fit_together(\"resonance\", [a, b], \"LockinX\", #{ common: [\"width\", \"asymmetry\"], within: #{ width: [5.MHz, 90.MHz] } });\nnote(`width ${both.value(\"width\")}, trusted: ${both.trusted}`);",
    ..in_chapter(Chapter::Analysis)
}];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn(
        "fit_together",
        move |ctx: NativeCallContext, shape: &str, sweeps: Array, channel: &str, plan: Map| {
            fit_together(&h, &ctx, shape, sweeps, channel, plan)
        },
    );
}

fn fit_together(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    shape: &str,
    sweeps: Array,
    channel: &str,
    plan: Map,
) -> Result<FitHandle, Thrown> {
    let wanted = match shape {
        "resonance" => Shape::Fano,
        "lorentzian" => Shape::Lorentzian,
        "gaussian" => Shape::Gaussian,
        "decay" => Shape::Decay,
        "approach" => Shape::Approach,
        _ => {
            let all = SHAPES.join(", ");
            return Err(argument(ctx, &format!("there is no shape `{shape}`; there are {all}")));
        }
    };
    let sweeps: Vec<Sweep> = sweeps
        .into_iter()
        .map(|item| item.try_cast::<Sweep>())
        .collect::<Option<_>>()
        .ok_or_else(|| argument(ctx, "the list holds something that is no sweep"))?;
    let [first, ..] = sweeps.as_slice() else { return Err(argument(ctx, "there are no sweeps to fit")) };
    let (x_is, y_is) = super::judging::dimensions(first, channel);
    let columns = sweeps.iter().map(|s| spectrum(ctx, s, channel)).collect::<Result<Vec<_>, _>>()?;
    if sweeps.iter().any(|s| super::judging::dimensions(s, channel).0 != x_is) {
        return Err(argument(ctx, "the sweeps go along different quantities"));
    }
    let mut fields = MapFields::new(ctx, "fit_together", plan);
    let common = texts(ctx, &fields.need("common")?, "`common`")?;
    let mut options = Options::new();
    for (name, value) in entries(ctx, fields.take("fix"), "fix")? {
        options = options.fix(&name, si(ctx, &value, &name, (x_is, y_is))?);
    }
    for (name, value) in entries(ctx, fields.take("within"), "within")? {
        let range = value.try_cast::<Array>().filter(|range| range.len() == 2);
        let range = range.ok_or_else(|| {
            argument(ctx, &format!("the range of `{name}` is a pair, like [5.MHz, 40.MHz]"))
        })?;
        let end = |k: usize| si(ctx, &range[k], &name, (x_is, y_is));
        options = options.bound(&name, end(0)?, end(1)?);
    }
    fields.finish()?;
    let spectra: Vec<Spectrum<'_>> = columns.iter().map(|(x, y)| Spectrum { x, y, sigmas: &[] }).collect();
    let names: Vec<&str> = common.iter().map(String::as_str).collect();
    let fit = fit::global(wanted, &spectra, &names, &options)
        .map_err(|error| argument(ctx, &format!("these sweeps can't be fitted together: {error}")))?;
    let handle = FitHandle { fit: Rc::new(fit), x: x_is, y: y_is };
    let left_out: Vec<String> = sweeps.iter().map(Sweep::left_out_in_words).collect();
    let title =
        format!("{} sweeps together, {shape}: {}{}", sweeps.len(), in_short(&handle), left_out.concat());
    let taken: Vec<u64> = sweeps.iter().map(|s| s.data.sweep).collect();
    let mut body = super::analysis::fit_body(channel, &handle, &sweeps);
    body["sweeps"] = taken.into();
    host.record(ctx, Statement::Judgement { what: "fit".to_owned(), sweep: None, title, body })?;
    Ok(handle)
}

/// Names with what was said of them; none where the field was left out.
fn entries(
    ctx: &NativeCallContext<'_>,
    value: Option<Dynamic>,
    field: &str,
) -> Result<Vec<(String, Dynamic)>, Thrown> {
    let Some(value) = value else { return Ok(Vec::new()) };
    let map = value
        .try_cast::<Map>()
        .ok_or_else(|| argument(ctx, &format!("`{field}` is a map of names, like #{{ width: … }}")))?;
    Ok(map.into_iter().map(|(name, value)| (name.to_string(), value)).collect())
}

/// A value for a parameter, in SI; one with a unit must have that of the parameter.
fn si(
    ctx: &NativeCallContext<'_>,
    value: &Dynamic,
    name: &str,
    (x, y): (Dimension, Dimension),
) -> Result<f64, Thrown> {
    let plain = plain_number(value).map(Quantity::number);
    let found = value.clone().try_cast::<Quantity>().or(plain);
    let found = found.ok_or_else(|| argument(ctx, &format!("the value for `{name}` is no number")))?;
    let wanted = crate::script::handles::Measure::of(name).dimension(x, y);
    if found.dimension != wanted && !(found.dimension.is_none() && found.si == 0.0) {
        return Err(argument(ctx, &format!("`{name}` is {wanted}, but {found} is {}", found.dimension)));
    }
    Ok(found.si)
}
