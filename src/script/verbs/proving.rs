//! Is it real? The verdict on spectra at several fields, and where to measure so that nothing can fool it.

use super::analysis::pairs;
use crate::analysis::joint::{
    Judgement, Prior, Remembered, SpectrumAt, Verdict, design, judge_again, long_enough,
};
use crate::bench::Role;
use crate::quantity::{Dimension, Quantity};
use crate::record::JudgementKind;
use crate::script::convert::{MapFields, number, quantity, whole};
use crate::script::error::{Said, Thrown, argument, unfit, unusable};
use crate::script::handles::{Sweep, VerdictHandle};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Deed, Gives, Kind, Verb, in_chapter, of, param};
use crate::supervisor::Statement;
use rhai::{Array, Dynamic, Engine, Map, NativeCallContext};
use std::cell::RefCell;
use std::rc::Rc;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "is_real",
        params: &[
            param(
                "spectra",
                Kind::List,
                "pairs of a field and a spectrum, `[[0.5.T, sweep], …]`, or maps `#{ field, sweep, tip }` where `tip` counts the states of the tip",
            ),
            param(
                "asked",
                Kind::Fields("| g_from g_to tip_field height alpha field_error alignment_shift spin"),
                "what may be there, where it is not g 1.4 to 2.3 and tip fields up to 60 mT; the `height` asked about in units of the noise of a point (4), the chance of a false proof (0.0003), the standard error of each field that was read (10 µT), and how far the field of the tip may go on the way to full alignment of the spin, as the gap follows the current (1 mT; next to nothing at a setpoint where the line does not move with the gap; spectra at other setpoints tell it); `spin` is what the brief calls the spin",
            ),
        ],
        optional: 1,
        gives: Gives::Handle("verdict"),
        summary: "Judges whether spectra at several fields show a moment: `verdict` is `real`, `absent`, `artefact`, `curved`, `splitting` or `undecided`, as it is without any spectrum; `reasons` says why. May be asked after each spectrum; stopping at the first proof keeps the chance of a false one. Only with `real` are there `moment`, `g`, `tip_field`, their errors, and `expected(field)`. Where the tip has changed on the way, `changed` is true, `states` has a verdict for each state of the tip, and the verdict itself is on the last one.",
        example: "// let judged = is_real(spectra);  if judged.proved { note(`moment ${with_error(judged.moment, judged.moment_error)}`); }",
        ..in_chapter(Chapter::Analysis)
    },
    Verb {
        name: "plan_fields",
        params: &[
            param("from", Kind::Field, "one end of the range"),
            param("to", Kind::Field, "the other end"),
            param("count", Kind::Number, "how many fields"),
        ],
        gives: Gives::Told("a list of fields"),
        summary: "Fields to measure at, in the order to visit them: the steps have no common measure and go up and down, so that neither a ripple nor a drift can pass for a moment.",
        example: "for field in plan_fields(500.mT, 560.mT, 4) { note(`a spectrum at ${field}`); }",
        nature: of(Deed::Answers),
        ..in_chapter(Chapter::Analysis)
    },
    Verb {
        name: "plan_window",
        params: &[
            param("judged", Kind::Handle("verdict"), "the verdict so far"),
            param("field", Kind::Field, "where the spectrum will be taken"),
            param("half_range", Kind::Value, "half of the window, at least"),
            param(
                "number",
                Kind::Number,
                "number of the spectrum, so that each window is put off by another part",
            ),
        ],
        gives: Gives::Told("a map with `from`, `to`, `centre`"),
        summary: "The window for the next spectrum. It holds the line of a proved law, or of the law that is suspected so far, but never twice at the same place: what stays at one place of the window can't pass for a line. Where a comb of lines is suspected it is as wide as that needs.",
        example: "// let window = plan_window(judged, 0.52.T, 150.MHz, 3);  sweep(#{ …, from: window.from, to: window.to, … })",
        nature: of(Deed::Answers),
        ..in_chapter(Chapter::Analysis)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    // Most spectra of a series have been asked about before.
    let remembered = Rc::new(RefCell::new(Remembered::default()));
    let (h, r) = (Rc::clone(host), Rc::clone(&remembered));
    engine.register_fn("is_real", move |ctx: NativeCallContext, list: Array| {
        is_real(&h, &ctx, list, (Prior::default(), None), &r)
    });
    let h = Rc::clone(host);
    engine.register_fn("is_real", move |ctx: NativeCallContext, list: Array, asked: Map| {
        let asked = prior(&ctx, asked)?;
        is_real(&h, &ctx, list, asked, &remembered)
    });
    engine.register_fn("plan_fields", plan_fields);
    engine.register_fn("plan_window", plan_window);
    register_verdict(engine);
}

/// What may be there, and what the spin is called.
fn prior(ctx: &NativeCallContext<'_>, asked: Map) -> Result<(Prior, Option<String>), Thrown> {
    let mut fields = MapFields::new(ctx, "is_real", asked);
    let mut prior = Prior::default();
    let plain = |fields: &mut MapFields<'_>, name: &'static str, known: f64| {
        fields.take(name).map_or(Ok(known), |value| number(ctx, &value, &format!("`{name}`")))
    };
    prior.g_from = plain(&mut fields, "g_from", prior.g_from)?;
    prior.g_to = plain(&mut fields, "g_to", prior.g_to)?;
    prior.height = plain(&mut fields, "height", prior.height)?;
    prior.alpha = plain(&mut fields, "alpha", prior.alpha)?;
    prior.tip_field_t = fields.quantity("tip_field", Dimension::FIELD)?.unwrap_or(prior.tip_field_t);
    prior.alignment_shift_t =
        fields.quantity("alignment_shift", Dimension::FIELD)?.unwrap_or(prior.alignment_shift_t);
    prior.field_error_t = fields.quantity("field_error", Dimension::FIELD)?.unwrap_or(prior.field_error_t);
    let spin = fields.text("spin")?;
    fields.finish()?;
    Ok((prior, spin))
}

/// A spectrum with the conditions that it was taken under.
struct Taken {
    field_t: f64,
    tip: u32,
    sweep: Sweep,
}

fn taken(ctx: &NativeCallContext<'_>, i: usize, item: Dynamic) -> Result<Taken, Thrown> {
    if item.is_array() {
        let mut pair = pairs::<Sweep>(ctx, vec![item], "a sweep")?;
        let (field_t, sweep) = pair.pop().ok_or_else(|| unfit(ctx, "there is nothing to judge"))?;
        return Ok(Taken { field_t, tip: 0, sweep });
    }
    let wrong = |what: &str| argument(ctx, format!("item {i} of the list {what}"));
    let map = item.try_cast::<Map>().ok_or_else(|| {
        let wrong = format!("item {i} of the list is neither a pair nor a map");
        argument(ctx, Said::with(wrong, "one is added with spectra.push([field, sweep])"))
    })?;
    let mut fields = MapFields::new(ctx, "is_real", map);
    let field_t = fields.quantity("field", Dimension::FIELD)?.ok_or_else(|| wrong("has no `field`"))?;
    let sweep = fields.need("sweep")?.try_cast::<Sweep>().ok_or_else(|| wrong("has no spectrum"))?;
    let tip = fields.whole("tip", 0)?.unwrap_or(0);
    fields.finish()?;
    Ok(Taken { field_t, tip: u32::try_from(tip).unwrap_or(u32::MAX), sweep })
}

fn is_real(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    list: Array,
    (prior, spin): (Prior, Option<String>),
    remembered: &RefCell<Remembered>,
) -> Result<VerdictHandle, Thrown> {
    let taken =
        list.into_iter().enumerate().map(|(i, item)| taken(ctx, i, item)).collect::<Result<Vec<_>, _>>()?;
    let mut columns = Vec::with_capacity(taken.len());
    for one in &taken {
        let stretches = one.sweep.stretches(Role::LockinX.name());
        let stretches =
            stretches.ok_or_else(|| argument(ctx, "a spectrum in the list did not read the lock-in"))?;
        // What lies between doubtful or missing points is a spectrum of its own: several at one field count once.
        let doubted = one.sweep.data.doubtful.count() > 0;
        let long = long_enough(stretches, doubted, |(f_hz, _)| f_hz.len());
        columns.extend(long.into_iter().map(|curve| (one, curve)));
    }
    let spectra: Vec<SpectrumAt<'_>> = columns
        .iter()
        .map(|(one, (f_hz, y))| SpectrumAt {
            field_t: one.field_t,
            start_s: one.sweep.data.sweep as f64,
            upward: one.sweep.data.plan.fast.from <= one.sweep.data.plan.fast.to,
            tip: one.tip,
            setpoint_a: one.sweep.data.setpoint_a,
            f_hz,
            y,
        })
        .collect();
    // A night goes on from here: a tip that changed before the first spectrum, or a hold in the middle of the only one.
    if spectra.is_empty() {
        return Ok(nothing_yet(&prior, taken.len()));
    }
    let judged = judge_again(&spectra, &prior, &mut remembered.borrow_mut())
        .map_err(|error| unfit(ctx, format!("these spectra can't be judged: {error}")))?;
    for one in &judged {
        // Several tips may be given, and one that was given may have changed unasked.
        let segments = judged.iter().filter(|other| other.tip == one.tip).count();
        let of_tip = match (judged.len() > segments, segments > 1) {
            (false, false) => String::new(),
            (true, false) => format!(" (tip state {})", one.tip),
            (_, true) => format!(" (tip state {}, part {} of {segments})", one.tip, one.segment + 1),
        };
        let reason = one.reasons.first().cloned().unwrap_or_default();
        let mut title = format!("verdict{of_tip}: {}. {reason}", one.verdict.word());
        let mut body = serde_json::to_value(one).unwrap_or_default();
        let of_tip = || taken.iter().filter(|t| t.tip == one.tip).map(|t| &t.sweep.data);
        let judged = || of_tip().filter(|data| (one.from_s..=one.to_s).contains(&(data.sweep as f64)));
        body["sweeps"] = judged().map(|data| data.sweep).collect();
        body["series"] = of_tip().next().map(|data| data.sweep).into();
        let left_out: u64 = judged().map(|data| data.doubtful.count()).sum();
        if left_out > 0 {
            title = format!("{title} ({left_out} doubtful points left out)");
            body["left_out"] = left_out.into();
        }
        body["segments"] = segments.into();
        if let Some(spin) = &spin {
            body["spin"] = spin.as_str().into();
        }
        host.record(ctx, Statement::Judgement { what: JudgementKind::Verdict, sweep: None, title, body })?;
    }
    // The last tip state is the one that can still be measured with.
    let mut states: Vec<VerdictHandle> =
        judged.into_iter().map(|one| VerdictHandle(Rc::new(one), Rc::new([]))).collect();
    let last = states.pop().ok_or_else(|| unfit(ctx, "there is nothing to judge"))?;
    Ok(VerdictHandle(last.0, states.into()))
}

/// The verdict where there is nothing to judge; it says nothing about the spin, so it isn't recorded.
fn nothing_yet(prior: &Prior, taken: usize) -> VerdictHandle {
    let why = if taken == 0 {
        "No spectrum has been taken yet."
    } else {
        "Nearly all points of the spectra so far are doubtful or missing."
    };
    let mut judged = Judgement::open(prior);
    judged.reasons.push(why.to_owned());
    VerdictHandle(Rc::new(judged), Rc::new([]))
}

fn plan_fields(
    ctx: NativeCallContext<'_>,
    from: Dynamic,
    to: Dynamic,
    count: Dynamic,
) -> Result<Array, Thrown> {
    let a = quantity(&ctx, &from, Dimension::FIELD, "the first field")?;
    let b = quantity(&ctx, &to, Dimension::FIELD, "the last field")?;
    let count = whole(&ctx, &count, "the number of fields", 1)?.min(10_000);
    let fields = design::fields((a.min(b), a.max(b)), usize::try_from(count).unwrap_or(1))
        .map_err(|error| argument(&ctx, format!("no fields can be planned: {error}")))?;
    // A tenth of a millitesla is far below any step, and is read more easily.
    let rounded = |b: f64| (b * 1e4).round() * 1e-4;
    Ok(fields.into_iter().map(|b| Dynamic::from(Quantity::new(rounded(b), Dimension::FIELD))).collect())
}

/// Part of the half range by which a window is put off at most, so that the line stays well inside.
const PUT_OFF: f64 = 0.55;
/// Part of the room that is always inside: a comb of eight lines, with a line more to each side.
const KEPT_IN: f64 = 0.8;

fn plan_window(
    ctx: NativeCallContext<'_>,
    judged: VerdictHandle,
    field: Dynamic,
    half_range: Dynamic,
    number: Dynamic,
) -> Result<Map, Thrown> {
    let field_t = quantity(&ctx, &field, Dimension::FIELD, "the field")?;
    let half = quantity(&ctx, &half_range, Dimension::FREQUENCY, "half of the window")?;
    let number = whole(&ctx, &number, "the number of the spectrum", 0)?;
    let Some((place, room)) = judged.0.place(field_t) else {
        return Err(unusable(
            &ctx,
            "there is neither a proved nor a suspected law to follow: ask `suspected` first",
        ));
    };
    let half = half.max(room);
    let most = (PUT_OFF * half).min(half - KEPT_IN * room);
    let off = most * (2.0 * design::unrelated(usize::try_from(number).unwrap_or(0)) - 1.0);
    let centre = ((place + off) * 1e-5).round() * 1e5;
    let mut map = Map::new();
    for (name, value) in [("from", centre - half), ("to", centre + half), ("centre", centre)] {
        map.insert(name.into(), Dynamic::from(Quantity::new(value, Dimension::FREQUENCY)));
    }
    Ok(map)
}

/// What is asked for without a proof is refused: no number comes from noise.
fn law<T>(
    ctx: &NativeCallContext<'_>,
    verdict: &VerdictHandle,
    of: impl Fn(&crate::analysis::joint::ProvedLaw) -> T,
) -> Result<T, Thrown> {
    verdict.0.law.as_ref().map(of).ok_or_else(|| {
        let verdict = verdict.0.verdict.word();
        let wrong = format!("the verdict is {verdict}, so there is no moment and no tip field");
        unusable(ctx, Said::with(wrong, "ask `proved` first"))
    })
}

fn register_verdict(engine: &mut Engine) {
    engine.register_type_with_name::<VerdictHandle>("verdict");
    engine.register_get("verdict", |verdict: &mut VerdictHandle| verdict.0.verdict.word().to_owned());
    engine.register_get("proved", |verdict: &mut VerdictHandle| verdict.0.law.is_some());
    engine.register_get("decided", |verdict: &mut VerdictHandle| verdict.0.verdict != Verdict::Undecided);
    engine.register_get("suspected", |verdict: &mut VerdictHandle| {
        verdict.0.law.is_some() || verdict.0.suspect.is_some()
    });
    engine.register_get("reasons", |verdict: &mut VerdictHandle| -> Array {
        verdict.0.reasons.iter().map(|reason| Dynamic::from(reason.clone())).collect()
    });
    engine.register_get("changed", |verdict: &mut VerdictHandle| !verdict.1.is_empty());
    engine.register_get("states", |verdict: &mut VerdictHandle| -> Array {
        let this = VerdictHandle(Rc::clone(&verdict.0), Rc::new([]));
        verdict.1.iter().cloned().chain([this]).map(Dynamic::from).collect()
    });
    engine.register_get("next", |verdict: &mut VerdictHandle| verdict.0.next.clone().unwrap_or_default());
    engine.register_get("lines", |verdict: &mut VerdictHandle| lines(&verdict.0));
    let field = |si| Quantity::new(si, Dimension::FIELD);
    type Plain = fn(&crate::analysis::joint::ProvedLaw) -> f64;
    let plain: [(&str, Plain); 4] = [
        ("moment", |l| l.moment_mu_b),
        ("moment_error", |l| l.moment_error),
        ("g", |l| l.g),
        ("g_error", |l| l.g_error),
    ];
    for (name, of) in plain {
        engine.register_get(name, move |ctx: NativeCallContext, verdict: &mut VerdictHandle| {
            law(&ctx, verdict, of)
        });
    }
    let fields: [(&str, Plain); 2] =
        [("tip_field", |l| l.tip_field_t), ("tip_field_error", |l| l.tip_field_error)];
    for (name, of) in fields {
        engine.register_get(name, move |ctx: NativeCallContext, verdict: &mut VerdictHandle| {
            law(&ctx, verdict, of).map(field)
        });
    }
    engine.register_fn("expected", |ctx: NativeCallContext, verdict: &mut VerdictHandle, field: Dynamic| {
        let field_t = quantity(&ctx, &field, Dimension::FIELD, "the field")?;
        let f_hz = law(&ctx, verdict, |l| l.predict(field_t).0)?;
        Ok::<_, Thrown>(Quantity::new(f_hz, Dimension::FREQUENCY))
    });
}

/// How many lines are proved.
fn lines(judged: &Judgement) -> i64 {
    match (&judged.multiplet, judged.law.is_some()) {
        (Some(multiplet), _) => multiplet.lines as i64,
        (None, proved) => i64::from(proved),
    }
}
