//! What changes by itself: the place of the sample and the level of the helium.

use super::fitting::rounded;
use crate::analysis::forecast::{self, LevelForecast};
use crate::analysis::register;
use crate::quantity::{Dimension, Quantity, in_words};
use crate::record::JudgementKind;
use crate::script::convert::quantity;
use crate::script::error::{Thrown, argument};
use crate::script::handles::Image;
use crate::script::host::Host;
use crate::script::registry::{Chapter, Gives, Kind, Verb, in_chapter, param};
use crate::supervisor::Statement;
use rhai::{Array, Dynamic, Engine, Map, NativeCallContext};
use serde_json::json;
use std::rc::Rc;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "image_shift",
        params: &[
            param("first", Kind::Handle("image"), "an image"),
            param("second", Kind::Handle("image"), "a later one, of the same size and pixels"),
        ],
        gives: Gives::Told("a map with `dx`, `dy`, `dx_error`, `dy_error`, `correlation`"),
        summary: "How far the sample has moved between two images, by cross-correlation to a part of a pixel. A `correlation` below 0.3 means a guess.",
        example: "let plan = #{ x: 0.nm, y: 0.nm, size: 14.nm, pixels: 48, line_time: 400.ms };\nlet before = image(plan);\nlet moved = image_shift(before, image(plan));\nnote(`${moved.dx} and ${moved.dy}, correlation ${moved.correlation}`);",
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "drift_rate",
        params: &[
            param(
                "places",
                Kind::List,
                "rows of time, place along x, along y and its error: `[[t, x, y, error], …]`",
            ),
            param("tolerance", Kind::Length, "how far off the tip may be; 50 pm where it is left out"),
        ],
        optional: 1,
        gives: Gives::Told("a map with `vx`, `vy`, `vx_error`, `vy_error`, `recentre_within`"),
        summary: "The drift through places found at several times, and how soon to re-centre so that the tip stays within a tolerance with 95 % certainty.",
        example: "let drift = drift_rate([[0.min, 0.pm, 0.pm, 5.pm], [10.min, 36.pm, -27.pm, 5.pm], [20.min, 71.pm, -55.pm, 5.pm]], 50.pm);\nnote(`re-centre within ${drift.recentre_within}`);",
        ..in_chapter(Chapter::Tip)
    },
    Verb {
        name: "helium_forecast",
        params: &[param(
            "levels",
            Kind::List,
            "pairs of a time and a level, `[[elapsed(), read(\"HeliumLevel\")], …]`",
        )],
        gives: Gives::Told("a map with `per_day`, `per_day_error`, `mark_at`, `earliest`, `latest`"),
        summary: "When the helium reaches the refill limit of the bench, on the clock of the readings, with the ends of a 95 % band. Take readings over an hour at least.",
        example: "let levels = [];\nfor i in 0..4 { levels.push([elapsed(), read(\"HeliumLevel\", 5)]); wait(30.min); }\ntry {\n    let ahead = helium_forecast(levels);\n    note(`refill due at ${ahead.mark_at}, not before ${ahead.earliest}`);\n} catch (error) { note(`not known yet: ${error.message}`); }",
        ..in_chapter(Chapter::Flow)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("image_shift", move |ctx: NativeCallContext, first: Image, second: Image| {
        image_shift(&h, &ctx, &first, &second)
    });
    let h = Rc::clone(host);
    engine.register_fn("drift_rate", move |ctx: NativeCallContext, places: Array| {
        drift_rate(&h, &ctx, places, USUAL_TOLERANCE_M)
    });
    let h = Rc::clone(host);
    engine.register_fn("drift_rate", move |ctx: NativeCallContext, places: Array, tolerance: Dynamic| {
        let tolerance_m = quantity(&ctx, &tolerance, Dimension::LENGTH, "the tolerance")?;
        drift_rate(&h, &ctx, places, tolerance_m)
    });
    let h = Rc::clone(host);
    engine.register_fn("helium_forecast", move |ctx: NativeCallContext, levels: Array| {
        helium_forecast(&h, &ctx, levels)
    });
}

/// A tip this far from the middle of an atom has lost little of it, m.
const USUAL_TOLERANCE_M: f64 = 50e-12;

fn image_shift(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    first: &Image,
    second: &Image,
) -> Result<Map, Thrown> {
    let failed = |reason: String| argument(ctx, format!("these images can't be compared: {reason}"));
    if first.size_m != second.size_m {
        return Err(failed("their sides differ".to_owned()));
    }
    let (a, b) = (first.pixels as usize, second.pixels as usize);
    let shift = register::Image::new(a, a, &first.heights_m)
        .and_then(|one| register::Image::new(b, b, &second.heights_m).map(|other| (one, other)))
        .and_then(|(one, other)| register::register(one, other))
        .map_err(|error| failed(error.to_string()))?;
    let step_m = first.size_m / f64::from(first.pixels);
    let dx_m = shift.x * step_m + second.centre_m.0 - first.centre_m.0;
    let dy_m = shift.y * step_m + second.centre_m.1 - first.centre_m.1;
    let (x_error_m, y_error_m) = (shift.x_error * step_m, shift.y_error * step_m);
    let length = |si| Quantity::new(si, Dimension::LENGTH);
    let title = format!(
        "the sample has moved by {} ± {} and {} ± {}, correlation {:.3}",
        rounded(length(dx_m)),
        rounded(length(x_error_m)),
        rounded(length(dy_m)),
        rounded(length(y_error_m)),
        shift.correlation
    );
    let body = json!({
        "dx_m": dx_m, "dy_m": dy_m, "dx_error_m": x_error_m, "dy_error_m": y_error_m,
        "correlation": shift.correlation, "overlap": shift.overlap,
    });
    host.record(ctx, Statement::Judgement { what: JudgementKind::ImageShift, sweep: None, title, body })?;
    let mut map = Map::new();
    for (name, si) in [("dx", dx_m), ("dy", dy_m), ("dx_error", x_error_m), ("dy_error", y_error_m)] {
        map.insert(name.into(), Dynamic::from(length(si)));
    }
    map.insert("correlation".into(), shift.correlation.into());
    Ok(map)
}

/// Rows of a list, each of so many values with their dimensions.
fn rows<const N: usize>(
    ctx: &NativeCallContext<'_>,
    list: Array,
    what: &[(&str, Dimension); N],
) -> Result<[Vec<f64>; N], Thrown> {
    let mut columns = [const { Vec::new() }; N];
    for (i, row) in list.into_iter().enumerate() {
        let row = row.try_cast::<Array>().filter(|row| row.len() == N).ok_or_else(|| {
            let names: Vec<&str> = what.iter().map(|(name, _)| *name).collect();
            argument(ctx, format!("row {i} of the list is not [{}]", names.join(", ")))
        })?;
        for ((column, value), (name, dimension)) in columns.iter_mut().zip(&row).zip(what) {
            column.push(quantity(ctx, value, *dimension, &format!("the {name} of row {i}"))?);
        }
    }
    Ok(columns)
}

fn drift_rate(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    places: Array,
    tolerance_m: f64,
) -> Result<Map, Thrown> {
    let what = [
        ("time", Dimension::TIME),
        ("x", Dimension::LENGTH),
        ("y", Dimension::LENGTH),
        ("error", Dimension::LENGTH),
    ];
    let [times, xs, ys, errors] = rows(ctx, places, &what)?;
    let failed = |error: crate::analysis::realness::Unusable| {
        argument(ctx, format!("no drift rate can be worked out: {error}"))
    };
    let drift = register::drift(&times, &xs, &ys, &errors).map_err(failed)?;
    let due = drift.due(tolerance_m).map_err(failed)?;
    let title = format!(
        "drift {:.4} ± {:.4} pm/s along x, {:.4} ± {:.4} pm/s along y; re-centre within {}",
        drift.x_rate * 1e12,
        drift.x_rate_error * 1e12,
        drift.y_rate * 1e12,
        drift.y_rate_error * 1e12,
        in_words(due.centre_by_s.min(1e7))
    );
    let body = json!({ "drift": drift, "due": due, "tolerance_m": tolerance_m });
    host.record(ctx, Statement::Judgement { what: JudgementKind::Drift, sweep: None, title, body })?;
    let speed = Dimension::LENGTH.over(Dimension::TIME);
    let mut map = Map::new();
    for (name, si) in [
        ("vx", drift.x_rate),
        ("vy", drift.y_rate),
        ("vx_error", drift.x_rate_error),
        ("vy_error", drift.y_rate_error),
    ] {
        map.insert(name.into(), Dynamic::from(Quantity::new(si, speed)));
    }
    let within = Quantity::new(due.centre_by_s.min(1e7), Dimension::TIME);
    map.insert("recentre_within".into(), Dynamic::from(within));
    Ok(map)
}

/// Seconds of a day.
const DAY_S: f64 = 86_400.0;

fn helium_forecast(host: &Host, ctx: &NativeCallContext<'_>, levels: Array) -> Result<Map, Thrown> {
    let what = [("time", Dimension::TIME), ("level", Dimension::VOLUME)];
    let [times, levels] = rows(ctx, levels, &what)?;
    let helium = host.bench.helium.ok_or_else(|| argument(ctx, "the bench has no helium budget"))?;
    let failed = |error: crate::analysis::realness::Unusable| {
        argument(ctx, format!("no forecast can be made: {error}"))
    };
    let line: LevelForecast = forecast::level_forecast(&times, &levels).map_err(failed)?;
    if line.rate >= 0.0 {
        return Err(argument(ctx, "no forecast can be made: the level does not fall"));
    }
    let due = line.reaches(helium.refill_limit_m3).map_err(failed)?;
    // Without an upper bound the year stands for "nobody knows".
    let latest_s = due.latest_s.unwrap_or(365.0 * DAY_S);
    let volume = |si| Quantity::new(si, Dimension::VOLUME);
    let title = format!(
        "helium falls by {} ± {} a day; the refill limit is reached after {} ({} to {})",
        rounded(volume(-line.rate * DAY_S)),
        rounded(volume(line.rate_error * DAY_S)),
        in_words(due.at_s),
        in_words(due.earliest_s),
        in_words(latest_s)
    );
    let body = json!({ "line": line, "limit_m3": helium.refill_limit_m3, "due": due });
    host.record(ctx, Statement::Judgement { what: JudgementKind::Helium, sweep: None, title, body })?;
    let mut map = Map::new();
    map.insert("per_day".into(), Dynamic::from(volume(-line.rate * DAY_S)));
    map.insert("per_day_error".into(), Dynamic::from(volume(line.rate_error * DAY_S)));
    for (name, si) in [("mark_at", due.at_s), ("earliest", due.earliest_s), ("latest", latest_s)] {
        map.insert(name.into(), Dynamic::from(Quantity::new(si, Dimension::TIME)));
    }
    Ok(map)
}
