//! More judgement on the go: contrast of the tip, lines in a spectrum, dwell, an adaptive search, own fits.

use super::analysis::rounded;
use crate::analysis::contrast::{ContrastVerdict, contrast_of_trace};
use crate::analysis::fit::{self, Fit, FitError, Options};
use crate::analysis::noise::best_dwell;
use crate::analysis::peaks;
use crate::analysis::search::Search;
use crate::bench::Role;
use crate::quantity::{Dimension, Quantity};
use crate::script::convert::{MapFields, number, quantity};
use crate::script::error::{Thrown, argument};
use crate::script::handles::{FitHandle, Sweep, Trace};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Deed, Kind, Time, Verb, acts, in_chapter, of, param};
use crate::script::units::as_value;
use crate::supervisor::{Answer, Request, Statement};
use rhai::{Array, Dynamic, Engine, FnPtr, Map, NativeCallContext};
use serde_json::json;
use std::rc::Rc;

/// Spread of the asymmetry of lines of which nothing is known.
const USUAL_ASYMMETRY: f64 = 1.0;

/// The most readings of one adaptive search.
const MOST_READINGS: u64 = 2_000;

/// Width of the widest line in a spectrum over frequency, Hz: longer waves are the transmission of the RF line.
const WIDEST_LINE_HZ: f64 = 40e6;

/// Shapes that can be fitted by their name.
const SHAPES: &[&str] = &["lorentzian", "gaussian", "decay", "approach", "line"];

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "contrast",
        params: &[param("trace", Kind::Handle("trace"), "a trace of the current")],
        gives: "a map with `verdict`, `polarisation`, `separation`, `reasons`",
        summary: "Judges whether a current has two levels, as it has under a magnetic tip: `verdict` is `contrast`, `none`, `undecided`, or `jump` where it changed from one to the other once and stayed.",
        example: "let seen = contrast(trace(\"Current\", 400, 5.ms));\nnote(`contrast: ${seen.verdict}`);",
        ..in_chapter(Chapter::Analysis)
    },
    Verb {
        name: "find_lines",
        params: &[
            param("sweep", Kind::Handle("sweep"), "a spectrum"),
            param("channel", Kind::Channel, "which reading; the lock-in's X where it is left out"),
        ],
        optional: 1,
        gives: "a list of maps with `centre`, `width`, `height`, `false_alarm`",
        summary: "The lines of a spectrum in rising order of frequency, each with the probability that noise alone shows one as strong anywhere in the range. Over frequency, waves of 80 MHz and more are taken for the transmission of the RF line, so lines are up to 40 MHz wide.",
        example: "let s = sweep(#{ channel: \"RfFrequency\", from: 14.GHz, to: 14.2.GHz, points: 41, read: \"LockinX\" });\nfor line in find_lines(s) { note(`a line at ${line.centre}`); }",
        ..in_chapter(Chapter::Analysis)
    },
    Verb {
        name: "pick_dwell",
        params: &[
            param("trace", Kind::Handle("trace"), "a trace of the signal at one point"),
            param("error", Kind::Handle("quantity"), "the error that is wanted, in the unit of the trace"),
        ],
        gives: "a map with `dwell`, `repeats`, `error`",
        summary: "How long to stay on a point for a wanted error, from the Allan deviation of a trace: longer is better only until drift sets in.",
        example: "let stay = pick_dwell(trace(\"LockinX\", 600, 50.ms), 2.fA);\nnote(`stay ${stay.dwell}, ${stay.repeats} times`);",
        nature: of(Deed::Answers),
        ..in_chapter(Chapter::Analysis)
    },
    Verb {
        name: "search_resonance",
        params: &[param(
            "plan",
            Kind::Fields("from to widest narrowest highest | readings error settle asymmetry"),
            "the range, the widths and the height to expect, and when to end",
        )],
        gives: "a map with `centre`, `centre_error`, `width`, `height`, `asymmetry`, `presence`, `readings`",
        summary: "Looks for one line by choosing each next frequency where it tells most, instead of sweeping. Ends after `readings`, or when the centre is known to `error`. The line may be lopsided either way; `asymmetry` says how much to expect (1 if it is not given, 0 for a line known to be symmetric, which then takes fewer readings).",
        example: "let found = search_resonance(#{ from: 11.3.GHz, to: 11.5.GHz, narrowest: 5.MHz, widest: 20.MHz, highest: 100.fA, readings: 12 });",
        nature: acts(Time::Open, &[Role::RfFrequency, Role::LockinX], &[]),
        ..in_chapter(Chapter::Analysis)
    },
    Verb {
        name: "fit_shape",
        params: &[
            param("shape", Kind::OneOf(SHAPES), "`lorentzian`, `gaussian`, `decay`, `approach` or `line`"),
            param("sweep", Kind::Handle("sweep"), "a sweep"),
            param("channel", Kind::Channel, "which reading"),
        ],
        gives: "a fit",
        summary: "Fits one of the built-in shapes to a reading against the axis of its sweep.",
        example: "let s = sweep(#{ channel: \"Bias\", from: 20.mV, to: 60.mV, points: 9, read: \"Current\" });\nlet line = fit_shape(\"line\", s, \"Current\");\nnote(`slope ${line.value(\"slope\")}`);",
        ..in_chapter(Chapter::Analysis)
    },
    Verb {
        name: "fit_points",
        params: &[
            param("shape", Kind::OneOf(SHAPES), "`lorentzian`, `gaussian`, `decay`, `approach` or `line`"),
            param("points", Kind::List, "a few results, `[[x, y], …]` or `[[x, y, error], …]`"),
        ],
        gives: "a fit",
        summary: "Fits one of the built-in shapes through results that a sequence has gathered, like widths against power. For what was swept, use `fit_shape`.",
        example: "let rows = [];\nfor i in 0..5 { rows.push([i * 1.mT, 2.MHz + i * 28.MHz, 0.1.MHz]); }\nlet line = fit_points(\"line\", rows);\nnote(`slope ${line.slope} ± ${line.slope_error}`);",
        ..in_chapter(Chapter::Analysis)
    },
    Verb {
        name: "fit_own",
        params: &[
            param("sweep", Kind::Handle("sweep"), "a sweep"),
            param("channel", Kind::Channel, "which reading"),
            param("start", Kind::List, "parameters to begin with, `[[\"a\", 1.0], …]`, in SI"),
            param("model", Kind::Function, "`|x, p| …`, with x a number and p a list, both in SI"),
        ],
        gives: "a fit",
        summary: "Fits a model of your own, with numerical derivatives. Start from typical magnitudes.",
        example: "let s = sweep(#{ channel: \"Bias\", from: 20.mV, to: 60.mV, points: 9, read: \"Current\" });\nlet own = fit_own(s, \"Current\", [[\"a\", 1e-12], [\"g\", 1e-10]], |x, p| p[0] + p[1] * x);",
        ..in_chapter(Chapter::Analysis)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("contrast", move |ctx: NativeCallContext, trace: Trace| contrast(&h, &ctx, &trace));
    let h = Rc::clone(host);
    engine.register_fn("find_lines", move |ctx: NativeCallContext, sweep: Sweep| {
        find_lines(&h, &ctx, &sweep, Role::LockinX.name())
    });
    let h = Rc::clone(host);
    engine.register_fn("find_lines", move |ctx: NativeCallContext, sweep: Sweep, channel: &str| {
        find_lines(&h, &ctx, &sweep, channel)
    });
    engine.register_fn("pick_dwell", pick_dwell);
    let h = Rc::clone(host);
    engine.register_fn("search_resonance", move |ctx: NativeCallContext, plan: Map| search(&h, &ctx, plan));
    let h = Rc::clone(host);
    engine.register_fn(
        "fit_shape",
        move |ctx: NativeCallContext, shape: &str, sweep: Sweep, channel: &str| {
            fit_shape(&h, &ctx, shape, &sweep, channel)
        },
    );
    let h = Rc::clone(host);
    engine.register_fn("fit_points", move |ctx: NativeCallContext, shape: &str, points: Array| {
        fit_points(&h, &ctx, shape, points)
    });
    let h = Rc::clone(host);
    engine.register_fn(
        "fit_own",
        move |ctx: NativeCallContext, sweep: Sweep, channel: &str, start: Array, model: FnPtr| {
            fit_own(&h, &ctx, &sweep, channel, start, &model)
        },
    );
}

fn contrast(host: &Host, ctx: &NativeCallContext<'_>, trace: &Trace) -> Result<Map, Thrown> {
    let judged = contrast_of_trace(&trace.numbers.values, trace.interval_s)
        .map_err(|error| argument(ctx, &format!("this trace can't be judged: {error}")))?;
    let verdict = match judged.verdict {
        ContrastVerdict::Contrast => "contrast",
        ContrastVerdict::Jump => "jump",
        ContrastVerdict::None => "none",
        ContrastVerdict::Undecided => "undecided",
    };
    let reason = judged.reasons.first().cloned().unwrap_or_default();
    let jot = Statement::Judgement {
        what: "contrast".to_owned(),
        sweep: None,
        title: format!("contrast: {verdict}. {reason}"),
        body: serde_json::to_value(&judged).unwrap_or_default(),
    };
    host.record(ctx, jot)?;
    let mut map = Map::new();
    map.insert("verdict".into(), verdict.into());
    map.insert("polarisation".into(), judged.polarisation.map_or(0.0, |(p, _)| p).into());
    map.insert("separation".into(), judged.separation.into());
    let reasons: Array = judged.reasons.into_iter().map(Dynamic::from).collect();
    map.insert("reasons".into(), reasons.into());
    Ok(map)
}

pub(super) fn spectrum(
    ctx: &NativeCallContext<'_>,
    sweep: &Sweep,
    channel: &str,
) -> Result<(Vec<f64>, Vec<f64>), Thrown> {
    sweep.spectrum(channel).ok_or_else(|| argument(ctx, &format!("this sweep did not read `{channel}`")))
}

pub(super) fn dimensions(sweep: &Sweep, channel: &str) -> (Dimension, Dimension) {
    let x = sweep.bench.channel(sweep.data.plan.fast.channel).dimension();
    (x, sweep.column(channel).map_or(Dimension::NONE, |column| column.dimension))
}

fn find_lines(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    sweep: &Sweep,
    channel: &str,
) -> Result<Array, Thrown> {
    // Points are taken as evenly spaced, so a gap ends what is looked at.
    let stretches = sweep
        .stretches(channel)
        .ok_or_else(|| argument(ctx, &format!("this sweep did not read `{channel}`")))?;
    let (x, y) = stretches.into_iter().max_by_key(|(x, _)| x.len()).unwrap_or_default();
    let (x_is, y_is) = dimensions(sweep, channel);
    let spans = x.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |m, v| (m.0.min(*v), m.1.max(*v)));
    let wavy = x_is == Dimension::FREQUENCY && spans.1 - spans.0 > 2.0 * WIDEST_LINE_HZ;
    let plan = peaks::Search { over_waves: wavy.then_some(WIDEST_LINE_HZ), ..peaks::Search::default() };
    let found = peaks::find(&x, &y, &plan)
        .map_err(|error| argument(ctx, &format!("no lines can be looked for: {error}")))?;
    let mut title = format!("{} {}: {} lines", sweep.data.plan.name, sweep.data.sweep, found.lines.len());
    let mut body = serde_json::to_value(&found).unwrap_or_default();
    if sweep.data.doubtful.count() > 0 {
        let [from, to] = [spans.0, spans.1].map(|si| Quantity::new(si, x_is));
        title = format!("{title} from {from} to {to}{}", sweep.left_out_in_words());
        body["left_out"] = sweep.data.doubtful.count().into();
    }
    host.record(
        ctx,
        Statement::Judgement { what: "lines".to_owned(), sweep: Some(sweep.data.sweep), title, body },
    )?;
    let line = |peak: &peaks::Peak| {
        let mut map = Map::new();
        map.insert("centre".into(), as_value(Quantity::new(peak.centre, x_is)));
        map.insert("width".into(), as_value(Quantity::new(peak.width, x_is)));
        map.insert("height".into(), as_value(Quantity::new(peak.height, y_is)));
        map.insert("false_alarm".into(), peak.false_alarm.into());
        Dynamic::from_map(map)
    };
    Ok(found.lines.iter().map(line).collect())
}

fn pick_dwell(ctx: NativeCallContext<'_>, trace: Trace, error: Dynamic) -> Result<Map, Thrown> {
    let wanted = quantity(&ctx, &error, trace.numbers.dimension, "the wanted error")?;
    let dwell = best_dwell(&trace.numbers.values, trace.interval_s, wanted)
        .map_err(|error| argument(&ctx, &format!("no dwell can be picked: {error}")))?;
    let mut map = Map::new();
    map.insert("dwell".into(), Dynamic::from(Quantity::new(dwell.dwell_s, Dimension::TIME)));
    map.insert("repeats".into(), (dwell.averages as i64).into());
    map.insert("error".into(), as_value(trace.numbers.change(dwell.expected_error)));
    Ok(map)
}

fn search(host: &Host, ctx: &NativeCallContext<'_>, plan: Map) -> Result<Map, Thrown> {
    let mut fields = MapFields::new(ctx, "search_resonance", plan);
    let mut frequency =
        |name: &'static str| -> Result<Option<f64>, Thrown> { fields.quantity(name, Dimension::FREQUENCY) };
    let (from, to) = (frequency("from")?, frequency("to")?);
    let (narrowest, widest, error) = (frequency("narrowest")?, frequency("widest")?, frequency("error")?);
    let highest = fields.quantity("highest", Dimension::CURRENT)?;
    let readings = fields.whole("readings", 1)?.unwrap_or(60).min(MOST_READINGS);
    let settle_s = fields.time("settle")?;
    let asymmetry = fields.take("asymmetry").map(|value| number(ctx, &value, "`asymmetry`")).transpose()?;
    fields.finish()?;
    let (Some(from), Some(to), Some(narrowest), Some(widest), Some(highest)) =
        (from, to, narrowest, widest, highest)
    else {
        return Err(argument(
            ctx,
            "`search_resonance` needs `from`, `to`, `narrowest`, `widest` and `highest`",
        ));
    };
    let bad = |error: FitError| argument(ctx, &format!("the search can't begin: {error}"));
    let (range, widths, heights) = ((from, to), (narrowest, widest), (-highest, highest));
    let mut search =
        Search::new(range, widths, heights, asymmetry.unwrap_or(USUAL_ASYMMETRY), None).map_err(bad)?;
    let frequency = host.channel(ctx, Role::RfFrequency.name())?;
    let lockin = host.channel(ctx, Role::LockinX.name())?;
    for _ in 0..readings {
        let f_hz = search.next();
        host.call(ctx, Request::Set { channel: frequency, value: f_hz })?;
        let wait = settle_s.map_or(Request::Settle, |seconds| Request::Wait { seconds });
        host.call(ctx, wait)?;
        let request = Request::Read { channels: vec![lockin], samples: 4, spacing_s: 0.15 };
        let Answer::Numbers(values) = host.call(ctx, request)? else { continue };
        search.observe(f_hz, values.first().copied().unwrap_or(f64::NAN)).map_err(bad)?;
        let known = search.estimate();
        if error.is_some_and(|error| known.centre_error < error && known.presence > 0.99) {
            break;
        }
    }
    let known = search.estimate();
    let centre = Quantity::new(known.centre, Dimension::FREQUENCY);
    let spread = rounded(Quantity::new(known.centre_error, Dimension::FREQUENCY));
    let title = format!(
        "adaptive search: line at {centre} ± {spread} with probability {:.3}, after {} readings",
        known.presence, known.observations
    );
    let body = serde_json::to_value(known).unwrap_or_default();
    host.record(ctx, Statement::Judgement { what: "search".to_owned(), sweep: None, title, body })?;
    let mut map = Map::new();
    let hertz = |si| Dynamic::from(Quantity::new(si, Dimension::FREQUENCY));
    map.insert("centre".into(), hertz(known.centre));
    map.insert("centre_error".into(), hertz(known.centre_error));
    map.insert("width".into(), hertz(known.width));
    map.insert("height".into(), Dynamic::from(Quantity::new(known.height, Dimension::CURRENT)));
    map.insert("asymmetry".into(), known.asymmetry.into());
    map.insert("presence".into(), known.presence.into());
    map.insert("readings".into(), (known.observations as i64).into());
    Ok(map)
}

fn fit_shape(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    shape: &str,
    sweep: &Sweep,
    channel: &str,
) -> Result<FitHandle, Thrown> {
    let (x, y) = spectrum(ctx, sweep, channel)?;
    let fitted = shaped(ctx, shape, &x, &y, &Options::new())?;
    keep_fit(host, ctx, shape, sweep, channel, fitted)
}

type Fitted = Result<Fit, FitError>;

fn shaped(
    ctx: &NativeCallContext<'_>,
    shape: &str,
    x: &[f64],
    y: &[f64],
    options: &Options,
) -> Result<Fitted, Thrown> {
    match shape {
        "lorentzian" => Ok(fit::lorentzian(x, y, options)),
        "gaussian" => Ok(fit::gaussian(x, y, options)),
        "decay" => Ok(fit::decay(x, y, options)),
        "approach" => Ok(fit::approach(x, y, options)),
        "line" => Ok(fit::line(x, y, options)),
        _ => Err(argument(ctx, &format!("there is no shape `{shape}`; there are {}", SHAPES.join(", ")))),
    }
}

/// Any value with or without a unit.
fn any_quantity(ctx: &NativeCallContext<'_>, value: &Dynamic, row: usize) -> Result<Quantity, Thrown> {
    let plain = crate::script::convert::plain_number(value).map(Quantity::number);
    let found = value.clone().try_cast::<Quantity>().or(plain);
    found.ok_or_else(|| argument(ctx, &format!("row {row} of the list holds something that is no number")))
}

fn fit_points(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    shape: &str,
    points: Array,
) -> Result<FitHandle, Thrown> {
    let mut columns = [const { Vec::new() }; 3];
    let mut dimensions: [Option<Dimension>; 3] = [None; 3];
    for (i, row) in points.into_iter().enumerate() {
        let row = row.try_cast::<Array>().filter(|row| (2..=3).contains(&row.len()));
        let row = row.ok_or_else(|| argument(ctx, &format!("row {i} is not [x, y] or [x, y, error]")))?;
        for (k, value) in row.iter().enumerate() {
            let value = any_quantity(ctx, value, i)?;
            // An error has the unit of its value.
            let wanted = *dimensions[k.min(1)].get_or_insert(value.dimension);
            if value.dimension != wanted {
                return Err(argument(ctx, &format!("row {i}: {value} is not {wanted} like those before it")));
            }
            columns[k].push(value.si);
        }
    }
    let [x, y, errors] = columns;
    let options = match errors.len() {
        0 => Options::new(),
        n if n == x.len() => Options::new().sigmas(&errors),
        _ => return Err(argument(ctx, "either every row has an error, or none has")),
    };
    let fit = shaped(ctx, shape, &x, &y, &options)?
        .map_err(|error| argument(ctx, &format!("these points can't be fitted: {error}")))?;
    let [x_is, y_is, _] = dimensions.map(|dimension| dimension.unwrap_or(Dimension::NONE));
    let handle = FitHandle { fit: Rc::new(fit), x: x_is, y: y_is };
    let title = format!("{} points, {shape}: {}", x.len(), in_short(&handle));
    let body = json!({ "x": x, "y": y, "fit": &*handle.fit, "trusted": handle.fit.trusted(),
        "why": handle.fit.words() });
    host.record(ctx, Statement::Judgement { what: "fit".to_owned(), sweep: None, title, body })?;
    Ok(handle)
}

fn fit_own(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    sweep: &Sweep,
    channel: &str,
    start: Array,
    model: &FnPtr,
) -> Result<FitHandle, Thrown> {
    let (x, y) = spectrum(ctx, sweep, channel)?;
    let wrong = || argument(ctx, "parameters are pairs of a name and a number, `[[\"a\", 1.0], …]`");
    let mut names = Vec::new();
    for pair in start {
        let pair = pair.try_cast::<Array>().filter(|p| p.len() == 2).ok_or_else(wrong)?;
        let name = pair[0].clone().into_string().map_err(|_| wrong())?;
        names.push((name, crate::script::convert::plain_number(&pair[1]).ok_or_else(wrong)?));
    }
    let start: Vec<(&str, f64)> = names.iter().map(|(name, value)| (name.as_str(), *value)).collect();
    // An error in the model ends the fit at once; the solver itself only knows numbers.
    let failure = std::cell::RefCell::new(None);
    let curve = |x: &[f64], p: &[f64]| -> f64 {
        if failure.borrow().is_some() {
            return f64::NAN;
        }
        let list: Array = p.iter().map(|v| Dynamic::from(*v)).collect();
        let answer = model.call_within_context::<Dynamic>(ctx, (x[0], list));
        match answer {
            Ok(value) => crate::script::convert::plain_number(&value).unwrap_or(f64::NAN),
            Err(error) => {
                failure.borrow_mut().get_or_insert(error);
                f64::NAN
            }
        }
    };
    let fitted = fit::closure(curve, &start, &[&x], &y, &Options::new());
    if let Some(error) = failure.into_inner() {
        return Err(error);
    }
    keep_fit(host, ctx, "own model", sweep, channel, fitted)
}

/// Keeps a fit in the record and gives its handle.
pub(super) fn keep_fit(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    shape: &str,
    sweep: &Sweep,
    channel: &str,
    fitted: Result<Fit, FitError>,
) -> Result<FitHandle, Thrown> {
    let fit = fitted
        .map_err(|error| argument(ctx, &format!("sweep {} can't be fitted: {error}", sweep.data.sweep)))?;
    let (x, y) = dimensions(sweep, channel);
    let handle = FitHandle { fit: Rc::new(fit), x, y };
    let (of, left_out) = (&sweep.data, sweep.left_out_in_words());
    let title = format!("{} {}, {shape}: {}{left_out}", of.plan.name, of.sweep, in_short(&handle));
    let body = super::analysis::fit_body(channel, &handle, std::slice::from_ref(sweep));
    host.record(
        ctx,
        Statement::Judgement { what: "fit".to_owned(), sweep: Some(sweep.data.sweep), title, body },
    )?;
    Ok(handle)
}

/// Parameters with their errors.
pub(super) fn in_short(handle: &FitHandle) -> String {
    let one = |p: &fit::Parameter| {
        let show = |si| rounded(Quantity::new(si, handle.dimension(&p.name)));
        format!("{} {} ± {}", p.name, show(p.value), show(p.standard_error))
    };
    let values: Vec<String> = handle.fit.parameters.iter().map(one).collect();
    values.join(", ")
}
