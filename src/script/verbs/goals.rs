//! Goals of a plan: what settles them, what counts for them, and what is worth doing next.

use super::agenda::{Left, Needs};
use crate::quantity::{Dimension, Quantity, in_words};
use crate::record::{Alternative, Choice, Evidence, Goal, GoalPlan, GoalState, Goals, PlanSaid, Shortfall};
use crate::script::convert::{MapFields, kind_of, number, texts};
use crate::script::error::{Said, Thrown, argument};
use crate::script::handles::Sweep;
use crate::script::host::Host;
use crate::script::registry::{Chapter, Deed, Gives, Kind, Nature, Verb, in_chapter, of, param};
use crate::script::units::as_value;
use crate::supervisor::{Answer, Question, Request, Statement};
use rhai::{Array, Dynamic, Engine, Map, NativeCallContext};
use std::rc::Rc;

/// Helium that a bath loses by itself, m³/h: what is used beyond it is paid for with hours at the end (a bath of this kind,
/// 0.6 L/h; the rate of the run itself takes its place as soon as it is known).
const USUAL_LOSS_M3_H: f64 = 0.6e-3;
/// Nothing is so short that its worth an hour would be without limit, h.
const SHORTEST_H: f64 = 1.0 / 60.0;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "goal",
        params: &[
            param("name", Kind::Text, "its name, as people say it"),
            param("evidence", Kind::OneOf(Evidence::WORDS), "what settles it"),
            param(
                "more",
                Kind::Fields("| worth places against error after"),
                "what it is worth beside the others (1); for a map the number of `places` (5) and what the line is mapped `against`; the largest `error` with which a place counts, as a frequency for the centre of the line or as a part like 0.05 for its height; names of goals that must be reached `after` which it is begun, for a map every proof where nothing is said",
            ),
        ],
        optional: 1,
        gives: Gives::Nothing,
        summary: "Says a goal of the plan. Whether it is reached follows from the record alone: `tip proved` from tests on two atoms or from a proof, `resonance proved` from a verdict `real`, `line mapped` from trusted fits at so many places, each with the tip that is in now. When a test finds that the tip has changed, the tip is lost, and a map that is not complete begins anew, after another proof. Said again, it takes the place of what was said before.",
        example: "goal(\"a spin proved\", \"resonance proved\", #{ worth: 10 });",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "goals",
        gives: Gives::Told(
            "a list of maps with `name`, `evidence`, `state`, `why`, `over`, `worth`, `places`, `settled`, `at`, `against`, `error`, `after`",
        ),
        summary: "How far the goals are, by the evidence in the record: `state` is `open`, `reached`, `lost` or `given up`, `over` is true where nothing is left to do; `settled` places of a map, and `at` which.",
        example: "for one in goals() { note(`${one.name}: ${one.state}`); }",
        nature: of(Deed::Answers),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "counts_for",
        params: &[
            param("goal", Kind::Text, "the name of a goal that is a map"),
            param("sweep", Kind::Handle("sweep"), "the spectrum"),
            param("place", Kind::Value, "where in the map, like 0.45.T, or a text"),
        ],
        gives: Gives::Nothing,
        summary: "A spectrum counts for a map. It does so only while its last fit is trusted, and one place counts once.",
        example: "goal(\"power\", \"line mapped\", #{ places: 3, against: \"power\" });\nlet s = sweep(#{ channel: \"RfFrequency\", from: 10.1.GHz, to: 10.3.GHz, points: 41, read: \"LockinX\" });\nfit_resonance(s);\ncounts_for(\"power\", s, -3.dBm);",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "give_up",
        params: &[
            param("goal", Kind::Text, "the name of the goal"),
            param("shortfall", Kind::OneOf(Shortfall::WORDS), "the named reason"),
            param("why", Kind::Text, "more on it"),
        ],
        gives: Gives::Nothing,
        summary: "Gives a goal up, for a named reason. A goal that is reached stays reached, and evidence that comes later still counts.",
        example: "goal(\"a good tip\", \"tip proved\");\ngive_up(\"a good tip\", \"no atoms\", \"three areas are bare\");",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "choose_next",
        params: &[
            param(
                "of",
                Kind::Steps("name goal time | chance helium risk part"),
                "what could be done: its name, the goal it serves, how long it takes; the `chance` that it does what it is for (1), `helium` beyond what boils off, the `risk` that it costs the tip (0), and which `part` of the goal it is (one place of a map, else all of it)",
            ),
            param(
                "within",
                Kind::Fields("| time helium"),
                "time that is left, and helium that must remain above the refill limit; where the plan has a `budget`, the tighter of both holds",
            ),
        ],
        optional: 1,
        gives: Gives::Told("the name of the one to do, or an empty text where none can be begun"),
        summary: "Chooses by worth an hour: the chance times the worth of the goal and of those that wait for it, less the risk times all that is still open, over the time and the hours that its helium would have lasted. What does not fit into the time or the helium that is left, or risks more than it gains, is not begun. The choice is recorded with all alternatives and stands in the brief.",
        example: "goal(\"a spin proved\", \"resonance proved\");\nlet what = choose_next([#{ name: \"look for a line\", goal: \"a spin proved\", time: 40.min, chance: 0.8 }]);\nnote(`next: ${what}`);",
        nature: Nature { deed: Deed::Answers, ..of(Deed::Answers) },
        ..in_chapter(Chapter::Flow)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("goal", move |ctx: NativeCallContext, name: &str, evidence: &str| {
        goal(&h, &ctx, name, evidence, Map::new())
    });
    let h = Rc::clone(host);
    engine.register_fn("goal", move |ctx: NativeCallContext, name: &str, evidence: &str, more: Map| {
        goal(&h, &ctx, name, evidence, more)
    });
    let h = Rc::clone(host);
    engine.register_fn("goals", move |ctx: NativeCallContext| {
        let goals = goals(&h, &ctx)?;
        Ok::<_, Thrown>(goals.all.iter().map(|goal| Dynamic::from_map(told(goal))).collect::<Array>())
    });
    let h = Rc::clone(host);
    engine.register_fn(
        "counts_for",
        move |ctx: NativeCallContext, goal: &str, sweep: Sweep, place: Dynamic| {
            let goals = goals(&h, &ctx)?;
            if known(&ctx, &goals, goal)?.plan.evidence != Evidence::LineMapped {
                return Err(argument(&ctx, format!("`{goal}` is no map, so no spectrum counts for it")));
            }
            let (goal, place) = (goal.to_owned(), in_text(&place));
            say(&h, &ctx, PlanSaid::Counts { goal, sweep: sweep.data.sweep, place })
        },
    );
    let h = Rc::clone(host);
    engine.register_fn(
        "give_up",
        move |ctx: NativeCallContext, goal: &str, shortfall: &str, why: Dynamic| {
            known(&ctx, &goals(&h, &ctx)?, goal)?;
            let named = Shortfall::of(shortfall).ok_or_else(|| {
                let words = Shortfall::WORDS.join(", ");
                let wrong = format!("`{shortfall}` is no named reason");
                argument(&ctx, Said::with(wrong, format!("there are {words}")))
            })?;
            let (goal, why) = (goal.to_owned(), why.to_string());
            say(&h, &ctx, PlanSaid::GivenUp { goal, shortfall: named, why })
        },
    );
    let h = Rc::clone(host);
    engine.register_fn("choose_next", move |ctx: NativeCallContext, of: Array| {
        choose(&h, &ctx, of, Map::new())
    });
    let h = Rc::clone(host);
    engine.register_fn("choose_next", move |ctx: NativeCallContext, of: Array, within: Map| {
        choose(&h, &ctx, of, within)
    });
}

pub(super) fn say(host: &Host, ctx: &NativeCallContext<'_>, said: PlanSaid) -> Result<(), Thrown> {
    host.record(ctx, Statement::Plan(Box::new(said)))
}

pub(super) fn goals(host: &Host, ctx: &NativeCallContext<'_>) -> Result<Goals, Thrown> {
    match host.call(ctx, Request::Ask(Question::Goals))? {
        Answer::Goals(goals) => Ok(*goals),
        other => Err(argument(ctx, format!("goals were expected, not {other:?}"))),
    }
}

fn known<'g>(ctx: &NativeCallContext<'_>, goals: &'g Goals, name: &str) -> Result<&'g Goal, Thrown> {
    goals.of(name).ok_or_else(|| {
        let names = goals.all.iter().map(|goal| goal.plan.name.as_str());
        let near = crate::document::nearest(name, names);
        let near = near.map(|near| format!("did you mean `{near}`? ")).unwrap_or_default();
        let help = format!("{near}say it with `goal` first");
        argument(ctx, Said::with(format!("the plan has no goal `{name}`"), help))
    })
}

fn goal(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    name: &str,
    evidence: &str,
    more: Map,
) -> Result<(), Thrown> {
    let evidence = Evidence::of(evidence).ok_or_else(|| {
        let words = Evidence::WORDS.join("`, `");
        argument(ctx, Said::with(format!("`{evidence}` settles nothing"), format!("there are `{words}`")))
    })?;
    let mut fields = MapFields::new(ctx, "goal", more);
    let worth = fields.take("worth").map(|value| number(ctx, &value, "`worth`")).transpose()?.unwrap_or(1.0);
    let places = fields.whole("places", 1)?;
    let against = fields.text("against")?.unwrap_or_default();
    let error = fields.take("error");
    let after = fields.take("after").map(|value| texts(ctx, &value, "`after`")).transpose()?;
    fields.finish()?;
    if !(worth.is_finite() && worth >= 0.0) {
        return Err(argument(ctx, "`worth` can't be negative"));
    }
    let map = evidence == Evidence::LineMapped;
    if !map && (places.is_some() || !against.is_empty() || error.is_some()) {
        return Err(argument(
            ctx,
            "only what is settled by `line mapped` has `places`, `against` and `error`",
        ));
    }
    let (centre_error_hz, height_error) = errors(ctx, error)?;
    let goals = goals(host, ctx)?;
    for before in after.iter().flatten() {
        known(ctx, &goals, before)?;
    }
    let proofs = || {
        let proofs = goals.all.iter().filter(|goal| map && goal.plan.evidence == Evidence::ResonanceProved);
        proofs.map(|goal| goal.plan.name.clone()).collect()
    };
    let places = if map { u32::try_from(places.unwrap_or(5)).unwrap_or(u32::MAX) } else { 0 };
    let after = after.unwrap_or_else(proofs);
    say(
        host,
        ctx,
        PlanSaid::Goal(GoalPlan {
            name: name.to_owned(),
            evidence,
            worth,
            places,
            against,
            centre_error_hz,
            height_error,
            after,
        }),
    )
}

/// The largest error with which a place counts: of the centre, Hz, or of the height, as a part of it.
fn errors(ctx: &NativeCallContext<'_>, error: Option<Dynamic>) -> Result<(Option<f64>, Option<f64>), Thrown> {
    let Some(error) = error else { return Ok((None, None)) };
    let value = error.clone().try_cast::<Quantity>();
    let (centre, height) = match value.filter(|value| value.dimension != Dimension::NONE) {
        Some(value) if value.dimension == Dimension::FREQUENCY => (Some(value.si), None),
        Some(_) => {
            let message = "`error` is a frequency, for the centre, or a part like 0.05, for the height";
            return Err(argument(ctx, message));
        }
        None => (None, Some(number(ctx, &error, "`error`")?)),
    };
    if centre.or(height).is_some_and(|error| !(error.is_finite() && error > 0.0)) {
        return Err(argument(ctx, "`error` must be above zero"));
    }
    Ok((centre, height))
}

/// A place as people write it; a value in its own unit.
fn in_text(place: &Dynamic) -> String {
    place.clone().try_cast::<Quantity>().map_or_else(|| place.to_string(), |value| value.to_string())
}

/// A goal as a sequence sees it.
fn told(goal: &Goal) -> Map {
    let at = goal.counted.iter().map(|(_, place)| place.clone().into());
    Map::from([
        ("name".into(), goal.plan.name.clone().into()),
        ("evidence".into(), goal.plan.evidence.word().into()),
        ("state".into(), goal.state.word().into()),
        ("why".into(), goal.why.clone().into()),
        ("over".into(), goal.is_over().into()),
        ("worth".into(), goal.plan.worth.into()),
        ("places".into(), i64::from(goal.plan.places).into()),
        ("settled".into(), i64::from(goal.settled).into()),
        ("at".into(), at.collect::<Array>().into()),
        ("against".into(), goal.plan.against.clone().into()),
        (
            "error".into(),
            goal.plan.centre_error_hz.map_or_else(
                || goal.plan.height_error.map_or(Dynamic::UNIT, Dynamic::from),
                |hz| as_value(Quantity::new(hz, Dimension::FREQUENCY)),
            ),
        ),
        ("after".into(), goal.plan.after.iter().cloned().map(Dynamic::from).collect::<Array>().into()),
    ])
}

/// One of the things that could be done, as the sequence says it.
struct Could {
    name: String,
    goal: String,
    chance: f64,
    needs: Needs,
    risk: f64,
    part: Option<f64>,
}

fn could(ctx: &NativeCallContext<'_>, value: Dynamic) -> Result<Could, Thrown> {
    let described = kind_of(&value);
    let Some(map) = value.try_cast::<Map>() else {
        return Err(argument(ctx, format!("what could be done is a map, #{{ … }}, not {described}")));
    };
    let mut fields = MapFields::new(ctx, "choose_next", map);
    let needs = Needs::take(&mut fields, ctx)?;
    let text = |fields: &mut MapFields<'_>, name: &'static str| {
        fields.need(name)?.into_string().map_err(|_| argument(ctx, format!("`{name}` is a text")))
    };
    let (name, goal) = (text(&mut fields, "name")?, text(&mut fields, "goal")?);
    let share = |fields: &mut MapFields<'_>, name: &'static str| {
        let Some(value) = fields.take(name) else { return Ok(None) };
        let share = number(ctx, &value, &format!("`{name}`"))?;
        let fits = (0.0..=1.0).contains(&share);
        if fits { Ok(Some(share)) } else { Err(argument(ctx, format!("`{name}` goes from 0 to 1"))) }
    };
    let (chance, risk, part) =
        (share(&mut fields, "chance")?, share(&mut fields, "risk")?, share(&mut fields, "part")?);
    fields.finish()?;
    if needs.time_s.is_none() {
        return Err(argument(ctx, format!("`{name}` does not say how much `time` it takes")));
    }
    Ok(Could { name, goal, chance: chance.unwrap_or(1.0), needs, risk: risk.unwrap_or(0.0), part })
}

/// The worth of what is still open of a goal, and of everything that waits for it.
fn stake(goals: &Goals, goal: &Goal) -> f64 {
    let own = if goal.is_over() { 0.0 } else { goal.plan.worth };
    let waits = |other: &&Goal| other.plan.after.contains(&goal.plan.name) && !other.is_over();
    own + goals.all.iter().filter(waits).map(|other| stake(goals, other)).sum::<f64>()
}

fn choose(host: &Host, ctx: &NativeCallContext<'_>, of: Array, within: Map) -> Result<String, Thrown> {
    let mut fields = MapFields::new(ctx, "choose_next", within);
    let (time_s, helium_m3) = (fields.time("time")?, fields.quantity("helium", Dimension::VOLUME)?);
    fields.finish()?;
    let all = of.into_iter().map(|value| could(ctx, value)).collect::<Result<Vec<Could>, Thrown>>()?;
    let goals = goals(host, ctx)?;
    let plan_s = match goals.budget.ends_after_s {
        Some(ends_after_s) => {
            let left_s = ends_after_s - host.number(ctx, Request::Ask(Question::Elapsed))?;
            Some(time_s.map_or(left_s, |time_s| time_s.min(left_s)))
        }
        None => time_s,
    };
    let kept_m3 = helium_m3.into_iter().chain(goals.budget.helium_m3).fold(0.0, f64::max);
    let asked = Needs { time_s: Some(0.0), helium_m3: host.bench.helium.map(|_| 0.0) };
    let left = Left::ask(host, ctx, asked)?;
    let loss_m3_h = left.loss_m3_h().unwrap_or(USUAL_LOSS_M3_H);
    let open: f64 = goals.all.iter().filter(|goal| !goal.is_over()).map(|goal| goal.plan.worth).sum();
    let mut alternatives = Vec::with_capacity(all.len());
    for one in &all {
        let goal = known(ctx, &goals, &one.goal)?;
        let part = one.part.unwrap_or_else(|| 1.0 / f64::from(goal.plan.places.max(1)));
        let time_s = one.needs.time_s.unwrap_or(0.0);
        let helium_m3 = one.needs.helium_m3.unwrap_or(0.0);
        let gain = one.chance * part * stake(&goals, goal);
        let hours = (time_s / 3600.0 + helium_m3 / loss_m3_h).max(SHORTEST_H);
        let needs = Needs { helium_m3: asked.helium_m3.map(|_| helium_m3 + kept_m3), ..one.needs };
        let risked = one.risk * open;
        let lacking = lacking(&goals, goal, plan_s, needs, &left)
            .or_else(|| (risked > gain).then(|| format!("it risks {risked:.2}, and gains {gain:.2}")));
        alternatives.push(Alternative {
            name: one.name.clone(),
            goal: one.goal.clone(),
            gain,
            time_s,
            helium_m3,
            risk: one.risk,
            worth_an_hour: (gain - risked) / hours,
            lacking,
        });
    }
    let fits = alternatives.iter().enumerate().filter(|(_, one)| one.lacking.is_none());
    // Of equal worth the first one.
    let taken =
        fits.rev().max_by(|(_, a), (_, b)| a.worth_an_hour.total_cmp(&b.worth_an_hour)).map(|(i, _)| i);
    let name = taken.map(|i| alternatives[i].name.clone()).unwrap_or_default();
    say(host, ctx, PlanSaid::Choice(Choice { at_s: 0.0, taken, of: alternatives }))?;
    Ok(name)
}

/// Why something can't be begun, if it can't.
fn lacking(goals: &Goals, goal: &Goal, plan_s: Option<f64>, needs: Needs, left: &Left) -> Option<String> {
    if goal.is_over() {
        return Some(format!("`{}` is {}", goal.plan.name, goal.state.word()));
    }
    let waits = goal
        .plan
        .after
        .iter()
        .find(|name| goals.of(name).is_none_or(|before| before.state != GoalState::Reached));
    if let Some(before) = waits {
        return Some(format!("`{before}` is not reached"));
    }
    let needed_s = needs.time_s.unwrap_or(0.0);
    if let Some(plan_s) = plan_s.filter(|plan_s| *plan_s < needed_s) {
        return Some(format!(
            "it needs {}, and the plan has {}",
            in_words(needed_s),
            in_words(plan_s.max(0.0))
        ));
    }
    left.lacking(needs)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Entry, Place, TipLife};

    #[test]
    fn a_goal_is_worth_what_waits_for_it_as_well() {
        let mut goals = Goals::default();
        for (name, worth, after) in
            [("tip", 2.0, vec![]), ("spin", 5.0, vec!["tip"]), ("map", 3.0, vec!["spin"])]
        {
            let after = after.into_iter().map(str::to_owned).collect();
            let plan = GoalPlan { after, ..GoalPlan::plain(name, Evidence::ResonanceProved, worth) };
            let entry = Entry::Plan { n: 0, said: Box::new(PlanSaid::Goal(plan)), place: Place::default() };
            goals.entry(0.0, &entry, &TipLife::default(), &crate::history::TipRules::default());
        }
        assert_eq!(goals.all.iter().map(|goal| stake(&goals, goal)).collect::<Vec<_>>(), [10.0, 8.0, 3.0]);
        let waits = lacking(&goals, &goals.all[2], None, Needs::default(), &Left::default());
        assert_eq!(waits.as_deref(), Some("`spin` is not reached"));
        let needs = Needs { time_s: Some(3600.0), helium_m3: None };
        let short = lacking(&goals, &goals.all[0], Some(600.0), needs, &Left::default());
        assert_eq!(short.as_deref(), Some("it needs 1 h 00 min, and the plan has 10 min"));
    }
}
