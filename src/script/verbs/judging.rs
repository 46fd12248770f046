//! More judgement on the go: contrast of the tip, lines in a spectrum, dwell, an adaptive search.

use super::fitting::{dimensions, rounded};
use crate::analysis::contrast::{ContrastVerdict, contrast_of_trace};
use crate::analysis::fit::FitError;
use crate::analysis::noise::best_dwell;
use crate::analysis::peaks;
use crate::analysis::search::Search;
use crate::bench::Role;
use crate::quantity::{Dimension, Quantity};
use crate::record::JudgementKind;
use crate::script::convert::{MapFields, number, quantity};
use crate::script::error::{Thrown, argument, unfit};
use crate::script::handles::{Sweep, Trace};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Deed, Gives, Kind, Time, Verb, acts, in_chapter, of, param};
use crate::script::units::as_value;
use crate::supervisor::{Answer, Request, Statement};
use rhai::{Array, Dynamic, Engine, Map, NativeCallContext};
use std::rc::Rc;

/// Spread of the asymmetry of lines of which nothing is known.
const USUAL_ASYMMETRY: f64 = 1.0;

/// The most readings of one adaptive search.
const MOST_READINGS: u64 = 2_000;

/// Width of the widest line in a spectrum over frequency, Hz: longer waves are the transmission of the RF line.
const WIDEST_LINE_HZ: f64 = 40e6;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "contrast",
        params: &[param("trace", Kind::Handle("trace"), "a trace of the current")],
        gives: Gives::Told("a map with `verdict`, `polarisation`, `separation`, `reasons`"),
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
        gives: Gives::Told("a list of maps with `centre`, `width`, `height`, `false_alarm`"),
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
        gives: Gives::Told("a map with `dwell`, `repeats`, `error`"),
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
        gives: Gives::Told(
            "a map with `centre`, `centre_error`, `width`, `height`, `asymmetry`, `presence`, `readings`",
        ),
        summary: "Looks for one line by choosing each next frequency where it tells most, instead of sweeping. Ends after `readings`, or when the centre is known to `error`. The line may be lopsided either way; `asymmetry` says how much to expect (1 if it is not given, 0 for a line known to be symmetric, which then takes fewer readings).",
        example: "let found = search_resonance(#{ from: 11.3.GHz, to: 11.5.GHz, narrowest: 5.MHz, widest: 20.MHz, highest: 100.fA, readings: 12 });",
        nature: acts(Time::Open, &[Role::RfFrequency, Role::LockinX], &[]),
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
}

fn contrast(host: &Host, ctx: &NativeCallContext<'_>, trace: &Trace) -> Result<Map, Thrown> {
    let judged = contrast_of_trace(&trace.numbers.values, trace.interval_s)
        .map_err(|error| unfit(ctx, format!("this trace can't be judged: {error}")))?;
    let verdict = match judged.verdict {
        ContrastVerdict::Contrast => "contrast",
        ContrastVerdict::Jump => "jump",
        ContrastVerdict::None => "none",
        ContrastVerdict::Undecided => "undecided",
    };
    let reason = judged.reasons.first().cloned().unwrap_or_default();
    let statement = Statement::Judgement {
        what: JudgementKind::Contrast,
        sweep: None,
        title: format!("contrast: {verdict}. {reason}"),
        body: serde_json::to_value(&judged).unwrap_or_default(),
    };
    host.record(ctx, statement)?;
    let mut map = Map::new();
    map.insert("verdict".into(), verdict.into());
    map.insert("polarisation".into(), judged.polarisation.map_or(0.0, |(p, _)| p).into());
    map.insert("separation".into(), judged.separation.into());
    let reasons: Array = judged.reasons.into_iter().map(Dynamic::from).collect();
    map.insert("reasons".into(), reasons.into());
    Ok(map)
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
        .ok_or_else(|| argument(ctx, format!("this sweep did not read `{channel}`")))?;
    let (x, y) = stretches.into_iter().max_by_key(|(x, _)| x.len()).unwrap_or_default();
    let (x_is, y_is) = dimensions(sweep, channel);
    let spans = x.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |m, v| (m.0.min(*v), m.1.max(*v)));
    let wavy = x_is == Dimension::FREQUENCY && spans.1 - spans.0 > 2.0 * WIDEST_LINE_HZ;
    let plan = peaks::Search { over_waves: wavy.then_some(WIDEST_LINE_HZ), ..peaks::Search::default() };
    let found = peaks::find(&x, &y, &plan)
        .map_err(|error| unfit(ctx, format!("no lines can be looked for: {error}")))?;
    let mut title = format!("{} {}: {} lines", sweep.data.plan.name, sweep.data.sweep, found.lines.len());
    let mut body = serde_json::to_value(&found).unwrap_or_default();
    if sweep.data.doubtful.count() > 0 {
        let [from, to] = [spans.0, spans.1].map(|si| Quantity::new(si, x_is));
        title = format!("{title} from {from} to {to}{}", sweep.left_out_in_words());
        body["left_out"] = sweep.data.doubtful.count().into();
    }
    host.record(
        ctx,
        Statement::Judgement { what: JudgementKind::Lines, sweep: Some(sweep.data.sweep), title, body },
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
        .map_err(|error| unfit(&ctx, format!("no dwell can be picked: {error}")))?;
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
    let bad = |error: FitError| argument(ctx, format!("the search can't begin: {error}"));
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
    host.record(ctx, Statement::Judgement { what: JudgementKind::Search, sweep: None, title, body })?;
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
