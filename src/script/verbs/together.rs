//! One shape in several sweeps at once, with parameters common to all.

use super::fitting::{Data, options};
use crate::analysis::fit::{self, Shape, Spectrum};
use crate::script::convert::{MapFields, texts};
use crate::script::error::{Said, Thrown, argument};
use crate::script::handles::FitHandle;
use crate::script::host::Host;
use crate::script::registry::{Chapter, Gives, Kind, Verb, in_chapter, param};
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
        param("channel", Kind::Reading, "which reading"),
        param(
            "plan",
            Kind::Fields("common | start fix within noise"),
            "names of the parameters that are the same in all; values at which parameters are held, `#{ asymmetry: 0 }`; ranges for them, `#{ width: [5.MHz, 40.MHz] }`; `start` and `noise` as in `fit_shape`. What is said of `centre` holds for all sweeps, of `\"centre@1\"` for the first",
        ),
    ],
    gives: Gives::Handle("fit"),
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
            let wrong = format!("there is no shape `{shape}`");
            return Err(argument(ctx, Said::with(wrong, format!("there are {all}"))));
        }
    };
    let data = Data::take(ctx, Dynamic::from_array(sweeps), channel)?;
    let mut fields = MapFields::new(ctx, "fit_together", plan);
    let common = texts(ctx, &fields.need("common")?, "`common`")?;
    let options = options(ctx, &mut fields, data.axes)?;
    fields.finish()?;
    let columns = data.columns();
    let sets = data.sets(&columns);
    let spectra: Vec<Spectrum<'_>> =
        sets.iter().map(|set| Spectrum { x: set.columns[0], y: set.y, sigmas: set.sigmas }).collect();
    let names: Vec<&str> = common.iter().map(String::as_str).collect();
    let fitted = fit::global(wanted, &spectra, &names, &options);
    data.keep(host, ctx, shape, fitted, Vec::new())
}
