//! Fits and verdicts on what has just been measured.

use super::fitting::{dimensions, fit_body, rounded, spectrum};
use crate::analysis::field_law;
use crate::analysis::fit::{self, Options};
use crate::analysis::realness;
use crate::bench::Role;
use crate::quantity::{Dimension, Quantity};
use crate::record::JudgementKind;
use crate::script::convert::quantity;
use crate::script::error::{Said, Thrown, argument, unfit, unusable};
use crate::script::handles::{FitHandle, ResonanceLawHandle, Sweep};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Gives, Kind, Verb, in_chapter, param};
use crate::script::units::as_value;
use crate::supervisor::Statement;
use rhai::{Array, Dynamic, Engine, NativeCallContext};
use serde::Serialize;
use serde_json::{Value, json};
use std::rc::Rc;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "fit_resonance",
        params: &[
            param("sweep", Kind::Handle("sweep"), "a spectrum"),
            param("channel", Kind::Channel, "which reading; the lock-in's X where it is left out"),
        ],
        optional: 1,
        gives: Gives::Handle("fit"),
        summary: "Fits an asymmetric line on a sloping background: `centre`, `width`, `height`, `asymmetry`, each with its error, and whether the fit is to be trusted.",
        example: "let s = sweep(#{ channel: \"RfFrequency\", from: 14.GHz, to: 14.2.GHz, points: 41, read: \"LockinX\" });\nlet line = fit_resonance(s);\nnote(`line at ${line.centre}, trusted: ${line.trusted}`);",
        ..in_chapter(Chapter::Analysis)
    },
    Verb {
        name: "resonance_law",
        params: &[param("pairs", Kind::List, "pairs of a field and a fit, `[[0.5.T, fit], …]`")],
        gives: Gives::Handle("resonance law"),
        summary: "The line of resonance against field through trusted fits: `moment` in Bohr magnetons, `tip_field`, their errors, `doubts`, and `expected(field)`. Fits at fewer than three fields, and lines that no spin or tip can have, are refused with the reason; errors grow where the centres scatter.",
        example: "// let law = resonance_law(fits);  law.moment, law.moment_error, law.expected(0.7.T)",
        ..in_chapter(Chapter::Analysis)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("fit_resonance", move |ctx: NativeCallContext, sweep: Sweep| {
        fit_resonance(&h, &ctx, &sweep, Role::LockinX.name())
    });
    let h = Rc::clone(host);
    engine.register_fn("fit_resonance", move |ctx: NativeCallContext, sweep: Sweep, channel: &str| {
        fit_resonance(&h, &ctx, &sweep, channel)
    });
    let h = Rc::clone(host);
    engine.register_fn("resonance_law", move |ctx: NativeCallContext, pairs: Array| {
        resonance_law(&h, &ctx, pairs)
    });
    register_fit_type(engine);
    register_law_types(engine);
}

fn body(value: &impl Serialize) -> Value {
    serde_json::to_value(value).unwrap_or(Value::Null)
}

fn fit_resonance(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    sweep: &Sweep,
    channel: &str,
) -> Result<FitHandle, Thrown> {
    let (x, y) = spectrum(ctx, sweep, channel)?;
    let fit = fit::resonance(&x, &y, &Options::new())
        .map_err(|error| unfit(ctx, format!("sweep {} can't be fitted: {error}", sweep.data.sweep)))?;
    let handle = FitHandle::new(fit, dimensions(sweep, channel));
    let title = format!(
        "{} {}: line at {} ± {}, {} wide, {} high{}",
        sweep.data.plan.name,
        sweep.data.sweep,
        handle.value("centre"),
        rounded(handle.error("centre")),
        rounded(handle.value("width")),
        rounded(handle.value("height")),
        sweep.left_out_in_words()
    );
    let body = fit_body(channel, &handle, sweep.data.doubtful.count());
    host.record(
        ctx,
        Statement::Judgement { what: JudgementKind::Fit, sweep: Some(sweep.data.sweep), title, body },
    )?;
    Ok(handle)
}

/// A list of pairs of a field and something else.
pub(super) fn pairs<T: Clone + 'static>(
    ctx: &NativeCallContext<'_>,
    pairs: Array,
    what: &str,
) -> Result<Vec<(f64, T)>, Thrown> {
    let mut found = Vec::with_capacity(pairs.len());
    for (i, pair) in pairs.into_iter().enumerate() {
        let wrong = || {
            let wrong = format!("item {i} of the list is not a pair of a field and {what}");
            argument(ctx, Said::with(wrong, "one is added with list.push([field, …])"))
        };
        let pair = pair.try_cast::<Array>().filter(|p| p.len() == 2).ok_or_else(wrong)?;
        let field_t = quantity(ctx, &pair[0], Dimension::FIELD, "the first of each pair")?;
        let second = pair[1].clone().try_cast::<T>().ok_or_else(wrong)?;
        found.push((field_t, second));
    }
    Ok(found)
}

fn resonance_law(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    list: Array,
) -> Result<ResonanceLawHandle, Thrown> {
    let all: Vec<(f64, FitHandle)> = pairs(ctx, list, "a fit")?;
    let trusted: Vec<&(f64, FitHandle)> = all.iter().filter(|(_, fit)| fit.fit.trusted()).collect();
    let fields: Vec<f64> = trusted.iter().map(|(field, _)| *field).collect();
    let centres: Vec<f64> = trusted.iter().map(|(_, fit)| fit.fit.value("centre")).collect();
    let errors: Vec<f64> = trusted.iter().map(|(_, fit)| fit.fit.error("centre")).collect();
    let line = realness::resonance_law(&fields, &centres, &errors).map_err(|error| {
        let (fits, all) = (fields.len(), all.len());
        unusable(
            ctx,
            format!("no line of resonance against field: {fits} of {all} fits can be trusted; {error}"),
        )
    })?;
    if let Some(why) = field_law::refusal(&fields, &line) {
        return Err(unusable(ctx, format!("no line of resonance against field: {why}")));
    }
    let doubts = field_law::doubts(&fields, &line);
    let doubted = if doubts.is_empty() { String::new() } else { format!(" — {}", doubts.join("; ")) };
    let title = format!(
        "line through fits, no proof of a resonance: moment {:.5} ± {:.5} μB (g {:.4}), tip field {} ± {}, {} of {} fits{doubted}",
        line.moment_mu_b,
        line.moment_error,
        line.g,
        rounded(Quantity::new(line.tip_field_t, Dimension::FIELD)),
        rounded(Quantity::new(line.tip_field_error, Dimension::FIELD)),
        trusted.len(),
        all.len()
    );
    let points: Vec<Value> = trusted
        .iter()
        .map(|(field, fit)| json!({ "field_t": field, "centre_hz": fit.fit.value("centre"), "error_hz": fit.fit.error("centre") }))
        .collect();
    let body = json!({ "line": body(&line), "points": points, "doubts": doubts });
    host.record(ctx, Statement::Judgement { what: JudgementKind::ResonanceLaw, sweep: None, title, body })?;
    Ok(ResonanceLawHandle(Rc::new(line), doubts.into()))
}

fn register_fit_type(engine: &mut Engine) {
    engine.register_type_with_name::<FitHandle>("fit");
    for name in ["centre", "width", "height", "asymmetry", "offset", "slope"] {
        engine.register_get(name, move |fit: &mut FitHandle| as_value(fit.value(name)));
        let error = format!("{name}_error");
        engine.register_get(error, move |fit: &mut FitHandle| as_value(fit.error(name)));
    }
    engine.register_get("trusted", |fit: &mut FitHandle| fit.fit.trusted());
    engine.register_get("doubts", |fit: &mut FitHandle| -> Array {
        fit.fit.doubts.iter().map(|doubt| Dynamic::from(doubt.to_string())).collect()
    });
    engine.register_fn("value", |ctx: NativeCallContext, fit: &mut FitHandle, name: &str| {
        known(&ctx, fit, name).map(|()| as_value(fit.value(name)))
    });
    engine.register_fn(
        "correlation",
        |ctx: NativeCallContext, fit: &mut FitHandle, first: &str, second: &str| {
            known(&ctx, fit, first)?;
            known(&ctx, fit, second)?;
            let why = || argument(&ctx, "a parameter that is held, or not known, has no correlation");
            fit.fit.correlation(first, second).ok_or_else(why)
        },
    );
    engine.register_fn("error", |ctx: NativeCallContext, fit: &mut FitHandle, name: &str| {
        known(&ctx, fit, name).map(|()| as_value(fit.error(name)))
    });
}

fn known(ctx: &NativeCallContext<'_>, fit: &FitHandle, name: &str) -> Result<(), Thrown> {
    if fit.fit.parameter(name).is_some() {
        return Ok(());
    }
    let names: Vec<&str> = fit.fit.parameters.iter().map(|p| p.name.as_str()).collect();
    let wrong = format!("this fit has no parameter `{name}`");
    Err(argument(ctx, Said::with(wrong, format!("it has {}", names.join(", ")))))
}

fn register_law_types(engine: &mut Engine) {
    engine.register_type_with_name::<ResonanceLawHandle>("resonance_law");
    engine.register_get("moment", |law: &mut ResonanceLawHandle| law.0.moment_mu_b);
    engine.register_get("moment_error", |law: &mut ResonanceLawHandle| law.0.moment_error);
    engine.register_get("g", |law: &mut ResonanceLawHandle| law.0.g);
    engine.register_get("tip_field", |law: &mut ResonanceLawHandle| {
        Quantity::new(law.0.tip_field_t, Dimension::FIELD)
    });
    engine.register_get("tip_field_error", |law: &mut ResonanceLawHandle| {
        Quantity::new(law.0.tip_field_error, Dimension::FIELD)
    });
    engine.register_get("doubts", |law: &mut ResonanceLawHandle| -> Array {
        law.1.iter().map(|doubt| Dynamic::from(doubt.clone())).collect()
    });
    engine.register_fn("expected", |ctx: NativeCallContext, law: &mut ResonanceLawHandle, field: Dynamic| {
        let field_t = quantity(&ctx, &field, Dimension::FIELD, "the field")?;
        Ok::<_, Thrown>(Quantity::new(law.0.predict(field_t).0, Dimension::FREQUENCY))
    });
}
