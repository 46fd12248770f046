//! Which kind of spin is under the tip: inelastic steps and the comparison with known kinds.

use super::fitting::Data;
use crate::analysis::fit::{self, Options};
use crate::analysis::identify::{self, Candidate, Measured, Sighting};
use crate::bench::{KnownSpin, KnownValue};
use crate::quantity::Dimension;
use crate::record::JudgementKind;
use crate::script::convert::{MapFields, number, quantity, whole};
use crate::script::error::{Said, Thrown, argument, unfit};
use crate::script::handles::{FitHandle, Sweep};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Gives, Kind, Verb, in_chapter, param};
use crate::supervisor::Statement;
use rhai::{Array, Dynamic, Engine, Map, NativeCallContext};
use std::rc::Rc;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "fit_steps",
        params: &[
            param("sweep", Kind::Handle("sweep"), "a conductance against bias, one polarity or both"),
            param("channel", Kind::Channel, "which reading"),
            param("count", Kind::Number, "how many steps"),
        ],
        gives: Gives::Handle("fit"),
        summary: "Fits inelastic steps on a straight background: `value(\"step_1\")`, `value(\"height_1\")` and so on, the lowest step first, and `broadening`; with `error(…)` for each.",
        example: "set(\"Feedback\", 0);\nset(\"LockinReference\", 1);\nset(\"LockinModulation\", 2.mV);\nlet s = sweep(#{ channel: \"Bias\", from: 10.mV, to: 39.mV, points: 30, read: \"LockinX\" });\nset(\"Feedback\", 1);\nlet seen = fit_steps(s, \"LockinX\", 1);\nnote(`a step at ${seen.value(\"step_1\")}, trusted: ${seen.trusted}`);",
        ..in_chapter(Chapter::Analysis)
    },
    Verb {
        name: "identify",
        params: &[param(
            "seen",
            Kind::Fields("| steps range height moments kinds"),
            "what was seen, each value with its error in a pair; and kinds other than those of the bench",
        )],
        gives: Gives::Told("a map with `name`, `probability`, `reasons`, `candidates`"),
        summary: "Compares what was seen with the kinds of spins that the bench file lists under `known_spins`, or with those given as `kinds`, and gives each its probability; `none of these` is always among them. A kind has a `name`, and `steps`, `height`, `moment`, `abundance` as far as they are known.",
        example: "let one = identify(#{ steps: [[19.2.mV, 0.3.mV]], range: [10.mV, 39.mV] });\nnote(`${one.name} of the bench with probability ${one.probability}`);\nlet who = identify(#{\n    steps: [[19.2.mV, 0.3.mV]],\n    range: [10.mV, 39.mV],\n    height: [0.16.nm, 0.01.nm],\n    kinds: [\n        #{ name: \"low one\", steps: [[19.mV, 0.5.mV]], height: [0.16.nm, 0.01.nm] },\n        #{ name: \"tall one\", steps: [[31.mV, 0.5.mV]], height: [0.21.nm, 0.01.nm], moment: [0.97, 0.02] },\n    ],\n});\nnote(`${who.name} with probability ${who.probability}`);",
        ..in_chapter(Chapter::Analysis)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn(
        "fit_steps",
        move |ctx: NativeCallContext, sweep: Sweep, channel: &str, count: Dynamic| {
            fit_steps(&h, &ctx, &sweep, channel, &count)
        },
    );
    let h = Rc::clone(host);
    engine.register_fn("identify", move |ctx: NativeCallContext, seen: Map| identify(&h, &ctx, seen));
}

fn fit_steps(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    sweep: &Sweep,
    channel: &str,
    count: &Dynamic,
) -> Result<FitHandle, Thrown> {
    let count = whole(ctx, count, "the number of steps", 1)?;
    let data = Data::take(ctx, Dynamic::from(sweep.clone()), channel)?;
    let (x, y) = data.only(ctx)?;
    let negative = x.iter().any(|x| *x < 0.0);
    let positive = x.iter().any(|x| *x > 0.0);
    // One polarity does not show where the middle is.
    let options = if negative && positive { Options::new() } else { Options::new().fix("zero", 0.0) };
    let fitted = fit::steps(x, y, usize::try_from(count).unwrap_or(usize::MAX), &options);
    data.keep(host, ctx, "inelastic steps", fitted, Vec::new())
}

/// Elementary charge, C: exact by the definition of the ampere (SI Brochure, 9th edition, 2019).
const ELEMENTARY_CHARGE_C: f64 = 1.602_176_634e-19;

/// Volts of an energy or of the bias that stands for it; energies are those of one electron.
fn volts(ctx: &NativeCallContext<'_>, value: &Dynamic, what: &str) -> Result<f64, Thrown> {
    match quantity(ctx, value, Dimension::ENERGY, what) {
        Ok(joule) => Ok(joule / ELEMENTARY_CHARGE_C),
        Err(_) => quantity(ctx, value, Dimension::VOLTAGE, what),
    }
}

/// What turns a value of a script into the unit of the analysis.
type Convert = fn(&NativeCallContext<'_>, &Dynamic, &str) -> Result<f64, Thrown>;

const STEP_MEV: Convert = |ctx, value, what| volts(ctx, value, what).map(|v| v * 1e3);
const HEIGHT_NM: Convert = |ctx, value, what| quantity(ctx, value, Dimension::LENGTH, what).map(|m| m * 1e9);
const MOMENT_MU_B: Convert = |ctx, value, what| number(ctx, value, what);

fn two(ctx: &NativeCallContext<'_>, value: Dynamic, what: &str) -> Result<[Dynamic; 2], Thrown> {
    let pair = value.try_cast::<Array>().and_then(|list| <[Dynamic; 2]>::try_from(list.to_vec()).ok());
    pair.ok_or_else(|| argument(ctx, format!("{what} is a pair in brackets, like [19.mV, 0.3.mV]")))
}

fn measured(
    ctx: &NativeCallContext<'_>,
    value: Dynamic,
    what: &str,
    convert: Convert,
) -> Result<Measured, Thrown> {
    let [value, error] = two(ctx, value, what)?;
    Ok(Measured { value: convert(ctx, &value, what)?, error: convert(ctx, &error, what)? })
}

fn list(
    ctx: &NativeCallContext<'_>,
    value: Option<Dynamic>,
    what: &str,
    convert: Convert,
) -> Result<Vec<Measured>, Thrown> {
    let Some(value) = value else { return Ok(Vec::new()) };
    let Some(items) = value.try_cast::<Array>() else {
        return Err(argument(ctx, format!("{what} is a list of pairs of a value and its error")));
    };
    items.into_iter().map(|item| measured(ctx, item, what, convert)).collect()
}

fn kind(ctx: &NativeCallContext<'_>, value: Dynamic) -> Result<identify::Kind, Thrown> {
    let Some(map) = value.try_cast::<Map>() else {
        return Err(argument(ctx, "`kinds` is a list of maps, like [#{ name: \"…\", height: […] }]"));
    };
    let mut fields = MapFields::new(ctx, "identify", map);
    let name = fields.text("name")?.ok_or_else(|| argument(ctx, "each kind needs a `name`"))?;
    let abundance = fields.take("abundance").map(|value| number(ctx, &value, "`abundance`")).transpose()?;
    let steps_mev = list(ctx, fields.take("steps"), "each of the `steps`", STEP_MEV)?;
    let height_nm =
        fields.take("height").map(|value| measured(ctx, value, "`height`", HEIGHT_NM)).transpose()?;
    let moment_mu_b =
        fields.take("moment").map(|value| measured(ctx, value, "`moment`", MOMENT_MU_B)).transpose()?;
    fields.finish()?;
    Ok(identify::Kind { name, abundance: abundance.unwrap_or(1.0), steps_mev, height_nm, moment_mu_b })
}

/// A kind of the bench file in the units of the analysis.
fn of_bench(spin: &KnownSpin) -> identify::Kind {
    let in_unit = |unit: f64| move |k: KnownValue| Measured { value: k.value / unit, error: k.spread / unit };
    identify::Kind {
        name: spin.name.clone(),
        abundance: spin.abundance,
        steps_mev: spin.steps_v.iter().copied().map(in_unit(1e-3)).collect(),
        height_nm: spin.height_m.map(in_unit(1e-9)),
        moment_mu_b: spin.moment_mu_b.map(in_unit(1.0)),
    }
}

fn identify(host: &Host, ctx: &NativeCallContext<'_>, map: Map) -> Result<Map, Thrown> {
    let mut fields = MapFields::new(ctx, "identify", map);
    let kinds = match fields.take("kinds") {
        Some(list) => {
            let list = list.try_cast::<Array>();
            let list = list.ok_or_else(|| argument(ctx, "`kinds` is a list of maps"))?;
            list.into_iter().map(|value| kind(ctx, value)).collect::<Result<Vec<_>, _>>()?
        }
        None if host.bench.known_spins.is_empty() => {
            let said = Said::with("the bench lists no `known_spins`", "list them there or give `kinds`");
            return Err(argument(ctx, said));
        }
        None => host.bench.known_spins.iter().map(of_bench).collect(),
    };
    let range = fields.take("range").map(|value| two(ctx, value, "`range`")).transpose()?;
    let step_range_mev = match range {
        Some([from, to]) => Some((STEP_MEV(ctx, &from, "`range`")?, STEP_MEV(ctx, &to, "`range`")?)),
        None => None,
    };
    let seen = Sighting {
        steps_mev: list(ctx, fields.take("steps"), "each of the `steps`", STEP_MEV)?,
        step_range_mev,
        height_nm: fields
            .take("height")
            .map(|value| measured(ctx, value, "`height`", HEIGHT_NM))
            .transpose()?,
        moments_mu_b: list(ctx, fields.take("moments"), "each of the `moments`", MOMENT_MU_B)?,
    };
    fields.finish()?;
    let candidates = identify::identify(&seen, &kinds)
        .map_err(|error| unfit(ctx, format!("nothing can be identified: {error}")))?;
    let all: Vec<String> =
        candidates.iter().map(|c| format!("{} {:.4}", name_of(c), c.probability)).collect();
    let title = format!("kind of spin: {}", all.join(", "));
    let body = serde_json::json!({ "seen": seen, "candidates": candidates });
    host.record(ctx, Statement::Judgement { what: JudgementKind::Identify, sweep: None, title, body })?;
    let candidates: Vec<Map> = candidates.iter().map(as_map).collect();
    // There is always a candidate: "none of these".
    let mut best = candidates.first().cloned().unwrap_or_default();
    let candidates: Array = candidates.into_iter().map(Dynamic::from_map).collect();
    best.insert("candidates".into(), candidates.into());
    Ok(best)
}

fn name_of(candidate: &Candidate) -> String {
    candidate.name.clone().unwrap_or_else(|| "none of these".to_owned())
}

fn as_map(candidate: &Candidate) -> Map {
    let mut map = Map::new();
    map.insert("name".into(), name_of(candidate).into());
    map.insert("probability".into(), candidate.probability.into());
    let reasons: Array = candidate.reasons.iter().cloned().map(Dynamic::from).collect();
    map.insert("reasons".into(), reasons.into());
    map
}
