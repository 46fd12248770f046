//! What a plan may use, and what it asks people.

use super::goals::{goals, say};
use crate::quantity::{Dimension, Quantity};
use crate::record::{Asked, Budget, PlanSaid};
use crate::script::convert::{MapFields, texts};
use crate::script::error::{Thrown, argument};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Deed, Gives, Kind, Verb, in_chapter, of, param};
use crate::script::units::as_value;
use crate::supervisor::{Question, Request};
use rhai::{Dynamic, Engine, Map, NativeCallContext};
use std::rc::Rc;

/// How long somebody may take to answer where nothing is said, s.
const USUAL_WITHIN_S: f64 = 12.0 * 3600.0;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "budget",
        params: &[param(
            "of",
            Kind::Fields("| ends_after helium atoms areas pulses"),
            "the time of the run after which nothing is begun; helium that must remain above the refill limit; how often an atom may be lifted, another area be gone to by a coarse step, the tip be pulsed",
        )],
        gives: Gives::Told("a map with the same fields, as they hold"),
        summary: "Says what the plan may use. From then on `choose_next` begins nothing that time and helium do not suffice for, and what is beyond the counts is refused by the engine, whatever the sequence does, also after a resume. A rehearsal that wants to know what more would change (`noctule nights --what-if`) gives more than was said, so go on with what it gives back.",
        example: "let may = budget(#{ ends_after: 60.h, helium: 0.3.L, atoms: 20, areas: 4, pulses: 0 });\nnote(`${may.atoms} attempts to lift an atom`);",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "ask_people",
        params: &[
            param("name", Kind::Text, "what the question is called, for the one who answers"),
            param(
                "more",
                Kind::Fields("question answers otherwise | within"),
                "the `question`; what may be answered; what is taken for the answer where nobody has answered `within` a time (12 h)",
            ),
        ],
        gives: Gives::Told("the answer as a text; an empty one while the question is open"),
        summary: "Asks people something and does not wait: the question goes out as a message and stands in `status`, brief and live page, and somebody answers with `noctule answer RUN NAME ANSWER`. Asked again by the same name it tells how the question stands, so a plan goes on with other things meanwhile. The run never waits for people for the sake of safety: see to it that `otherwise` is harmless.",
        example: "let may = ask_people(\"pulse\", #{ question: \"May the tip be pulsed?\", answers: [\"yes\", \"no\"], within: 2.h, otherwise: \"no\" });\nif may == \"yes\" { note(\"somebody permits a pulse\"); }",
        nature: of(Deed::Answers),
        ..in_chapter(Chapter::Flow)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("budget", move |ctx: NativeCallContext, of: Map| budget(&h, &ctx, of));
    let h = Rc::clone(host);
    engine.register_fn("ask_people", move |ctx: NativeCallContext, name: &str, more: Map| {
        ask_people(&h, &ctx, name, more)
    });
}

fn budget(host: &Host, ctx: &NativeCallContext<'_>, of: Map) -> Result<Map, Thrown> {
    let mut fields = MapFields::new(ctx, "budget", of);
    let count = |fields: &mut MapFields<'_>, name: &'static str| {
        let count = fields.whole(name, 0)?;
        Ok::<_, Thrown>(count.map(|count| u32::try_from(count).unwrap_or(u32::MAX)))
    };
    let said = Budget {
        ends_after_s: fields.time("ends_after")?,
        helium_m3: fields.quantity("helium", Dimension::VOLUME)?,
        atoms: count(&mut fields, "atoms")?,
        areas: count(&mut fields, "areas")?,
        pulses: count(&mut fields, "pulses")?,
    };
    fields.finish()?;
    if said.helium_m3.is_some_and(|helium| helium < 0.0) {
        return Err(argument(ctx, "`helium` can't be negative"));
    }
    say(host, ctx, PlanSaid::Budget(said))?;
    let holds = goals(host, ctx)?.budget;
    let count = |name: &str, count: Option<u32>| Some((name.into(), i64::from(count?).into()));
    let value =
        |name: &str, si: Option<f64>, dimension| Some((name.into(), as_value(Quantity::new(si?, dimension))));
    let told: [Option<(rhai::Identifier, Dynamic)>; 5] = [
        value("ends_after", holds.ends_after_s, Dimension::TIME),
        value("helium", holds.helium_m3, Dimension::VOLUME),
        count("atoms", holds.atoms),
        count("areas", holds.areas),
        count("pulses", holds.pulses),
    ];
    Ok(told.into_iter().flatten().collect())
}

fn ask_people(host: &Host, ctx: &NativeCallContext<'_>, name: &str, more: Map) -> Result<String, Thrown> {
    let mut fields = MapFields::new(ctx, "ask_people", more);
    let question = fields.need("question")?.to_string();
    let answers = fields.need("answers")?;
    let answers = texts(ctx, &answers, "`answers`")?;
    let otherwise = fields.need("otherwise")?.to_string();
    let within_s = fields.time("within")?.unwrap_or(USUAL_WITHIN_S);
    fields.finish()?;
    if !answers.contains(&otherwise) {
        let all = answers.join("`, `");
        let message = format!("`otherwise` is one of the answers, `{all}`, not `{otherwise}`");
        return Err(argument(ctx, &message));
    }
    let now_s = host.number(ctx, Request::Ask(Question::Elapsed))?;
    let mut known = goals(host, ctx)?;
    if known.asking(name).is_none() {
        let until_s = now_s + within_s;
        say(
            host,
            ctx,
            PlanSaid::Asked(Asked { name: name.to_owned(), question, answers, until_s, otherwise }),
        )?;
        known = goals(host, ctx)?;
    }
    let holds = known.asking(name).and_then(|asking| asking.holds_at(now_s));
    Ok(holds.unwrap_or_default().to_owned())
}
