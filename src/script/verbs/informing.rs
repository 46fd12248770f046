//! The next spectrum of a line: where, how finely and how long, by what is known of the line and what is wanted.

use crate::analysis::information::{Line, Planned, Wanted, plan};
use crate::quantity::{Dimension, Quantity};
use crate::script::convert::{MapFields, number};
use crate::script::error::{Thrown, argument, unfit};
use crate::script::handles::{FitHandle, Sweep};
use crate::script::registry::{Chapter, Deed, Gives, Kind, Verb, in_chapter, of, param};
use crate::script::units::as_value;
use rhai::{Dynamic, Engine, Map, NativeCallContext};

/// Time that a point takes beside its dwell: setting the frequency and settling, s (of the shipped bench).
const BESIDE_S: f64 = 0.1;
/// Shortest dwell, s: one time constant of the lock-in.
const LEAST_DWELL_S: f64 = 0.1;
/// Longest spectrum where nothing is said, s.
const USUAL_MOST_S: f64 = 30.0 * 60.0;
/// Readings are this far apart within a dwell, s: closer ones tell nothing new behind the filter of the lock-in.
const READING_S: f64 = 0.1;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[Verb {
    name: "plan_spectrum",
    params: &[
        param("sweep", Kind::Handle("sweep"), "a spectrum with the line"),
        param("fit", Kind::Handle("fit"), "its fit"),
        param(
            "more",
            Kind::Fields("error | centre place_error longest"),
            "the `error` that is wanted, as a frequency for the centre of the line or as a part like 0.05 for its height; where the line is expected next (where it was), give or take `place_error` (0); the `longest` time for it (30 min)",
        ),
    ],
    gives: Gives::Told("a map with `from`, `to`, `points`, `dwell`, `average`, `time`, `error`"),
    summary: "The shortest spectrum that knows the line as well as it is wanted, by the information that its points have: the window as wide as helps, and at each point as long as needed. Width, height and noise are those of the fit, white noise is supposed, and `error` is what is expected then, also where `longest` is too short for what is wanted.",
    example: "let first = sweep(#{ channel: \"RfFrequency\", from: 10.1.GHz, to: 10.3.GHz, points: 41, read: \"LockinX\", dwell: 300.ms, average: 3 });\nlet next = plan_spectrum(first, fit_resonance(first), #{ error: 0.5.MHz });\nnote(`${next.points} points, ${next.dwell} at each: ${next.time}`);",
    nature: of(Deed::Answers),
    ..in_chapter(Chapter::Analysis)
}];

pub(super) fn register(engine: &mut Engine) {
    engine.register_fn("plan_spectrum", plan_spectrum);
}

fn plan_spectrum(ctx: NativeCallContext, sweep: Sweep, fit: FitHandle, more: Map) -> Result<Map, Thrown> {
    let ctx = &ctx;
    let mut fields = MapFields::new(ctx, "plan_spectrum", more);
    let (wanted, frequency) = wanted(ctx, fields.need("error")?, fit.dimension("centre"))?;
    let expected = fields.quantity("centre", frequency)?;
    let place_error = fields.quantity("place_error", frequency)?.unwrap_or(0.0).abs();
    let longest_s = fields.time("longest")?.unwrap_or(USUAL_MOST_S);
    fields.finish()?;
    let line = line(ctx, &sweep, &fit)?;
    let limits = (LEAST_DWELL_S, BESIDE_S, longest_s);
    let planned = plan(&line, wanted, place_error, limits).ok_or_else(|| {
        unfit(
            ctx,
            "no spectrum can be planned from this: the fit has no line with noise, or `longest` is too short",
        )
    })?;
    let centre = expected.unwrap_or_else(|| fit.fit.value("centre"));
    Ok(told(&planned, wanted, centre, frequency))
}

/// What is wanted, and the dimension of the axis.
fn wanted(
    ctx: &NativeCallContext<'_>,
    error: Dynamic,
    frequency: Dimension,
) -> Result<(Wanted, Dimension), Thrown> {
    let value = error.clone().try_cast::<Quantity>().filter(|value| value.dimension != Dimension::NONE);
    let wanted = match value {
        Some(value) if value.dimension == frequency => Wanted::Centre(value.si),
        Some(value) => {
            let message = format!("`error` is of the axis of the fit or a part of the height, not {value}");
            return Err(argument(ctx, &message));
        }
        None => Wanted::Height(number(ctx, &error, "`error`")?),
    };
    let (Wanted::Centre(error) | Wanted::Height(error)) = wanted;
    if error > 0.0 && error.is_finite() {
        Ok((wanted, frequency))
    } else {
        Err(argument(ctx, "`error` must be above zero"))
    }
}

/// Line and noise as a fit knows them.
fn line(ctx: &NativeCallContext<'_>, sweep: &Sweep, fit: &FitHandle) -> Result<Line, Thrown> {
    let fit = &fit.fit;
    let line_like = fit.parameter("width").is_some() && fit.parameter("height").is_some();
    if !line_like || fit.degrees_of_freedom == 0 {
        return Err(unfit(ctx, "the fit is not of a line with `centre`, `width` and `height`"));
    }
    let squares: f64 = fit.deviations.iter().map(|deviation| deviation * deviation).sum();
    let noise = (squares / fit.degrees_of_freedom as f64).sqrt();
    // Where a line was measured in several passes each place has had the time of all of them.
    let places = fit.deviations.len().max(1) as f64;
    let passes = (sweep.points() as f64 / places).max(1.0);
    let dwell_s = sweep.data.plan.dwell_s.max(LEAST_DWELL_S) * passes;
    Ok(Line {
        width: fit.value("width").abs(),
        height: fit.value("height").abs(),
        asymmetry: fit.parameter("asymmetry").map(|asymmetry| asymmetry.value),
        noise_1s: noise * dwell_s.sqrt(),
    })
}

fn told(planned: &Planned, wanted: Wanted, centre: f64, frequency: Dimension) -> Map {
    let value = |si: f64, dimension| as_value(Quantity::new(si, dimension));
    let error = match wanted {
        Wanted::Centre(_) => value(planned.centre_error, frequency),
        Wanted::Height(_) => planned.height_error.into(),
    };
    let average = (planned.dwell_s / READING_S).round().max(1.0) as i64;
    Map::from([
        ("from".into(), value(centre - planned.half, frequency)),
        ("to".into(), value(centre + planned.half, frequency)),
        ("points".into(), (planned.points as i64).into()),
        ("dwell".into(), value(planned.dwell_s, Dimension::TIME)),
        ("average".into(), average.into()),
        ("time".into(), value(planned.time_s, Dimension::TIME)),
        ("error".into(), error),
    ])
}
