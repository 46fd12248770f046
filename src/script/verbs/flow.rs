//! Steps, notes, decisions, time, chance, and the end.

use super::agenda::{Left, Needs};
use crate::bench::Role;
use crate::quantity::{Dimension, Quantity};
use crate::record::{Ending, Outcome};
use crate::script::convert::{MapFields, plain_number};
use crate::script::error::{Said, Thrown, argument, ended, thrown};
use crate::script::host::{Host, place_of};
use crate::script::registry::{
    Chapter, Deed, Gives, Kind, Nature, Time, Verb, acts, in_chapter, looks, of, param,
};
use crate::supervisor::{Question, Request, Statement};
use rand::RngExt;
use rhai::{Dynamic, Engine, FnPtr, Map, NativeCallContext};
use std::rc::Rc;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "step",
        params: &[
            param("name", Kind::Text, "what the step is, for the brief"),
            param("needs", Kind::Fields("| time helium"), "what must be left for it to begin"),
            param("body", Kind::Function, "what is done, `|| { … }`"),
        ],
        optional: 1,
        gives: Gives::Told("what the body gives; nothing if it was skipped"),
        summary: "Groups what follows under a name. With `#{ time: 40.min }` or `#{ helium: 2.L }` the step is skipped where less is left, rather than cut in half. Helium is judged by the forecast from the run's own readings of the level, at the lower edge of its 95 % band, now and when the step will end.",
        example: "step(\"warm-up\", || { wait(1.s); });",
        nature: looks(Time::Body, &[], &[]),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "note",
        params: &[param("text", Kind::Text, "for the record and the brief")],
        gives: Gives::Nothing,
        summary: "Puts a note into the record.",
        example: "note(\"the tip looks sharp\");",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "hand_over",
        params: &[param("text", Kind::Text, "what the next shift must know, or do")],
        gives: Gives::Nothing,
        summary: "Your words for whoever comes next: they stand at the top of the brief, under *For the next shift*, in their order. Otherwise a note like any other.",
        example: "hand_over(\"take an image before the tip is moved sideways\");",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "with_error",
        params: &[
            param("value", Kind::Value, "a value"),
            param("error", Kind::Value, "its error, of the same unit"),
        ],
        gives: Gives::Text,
        summary: "A value with its error as people write them: the error with two digits, the value with as many decimals.",
        example: "note(`line at ${with_error(14.20312345.GHz, 0.42.MHz)}`);   // line at 14.20312 ± 0.00042 GHz",
        nature: of(Deed::Answers),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "decide",
        params: &[
            param("question", Kind::Text, "what is decided"),
            param("answer", Kind::Flag, "the decision"),
            param("reason", Kind::Text, "why"),
        ],
        optional: 1,
        gives: Gives::Flag,
        summary: "Records a decision with its reason and gives it back, to be used in an `if`.",
        example: "if decide(\"enough helium?\", read(\"HeliumLevel\") > 5.L) { note(\"yes\"); }",
        nature: of(Deed::Tells),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "stop",
        params: &[param("reason", Kind::Text, "why")],
        gives: Gives::Never,
        summary: "Ends the sequence with an outcome `failed` and parks the bench.",
        example: "if read(\"HeliumLevel\") < 1.L { stop(\"no helium\"); }",
        nature: of(Deed::Ends),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "park",
        gives: Gives::Nothing,
        summary: "Brings the bench to its safe state, in the order of the bench file. The sequence can go on working with its data.",
        example: "park();",
        nature: Nature { deed: Deed::Secures, ..acts(Time::Open, &[], &[]) },
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "elapsed",
        gives: Gives::Time,
        summary: "Time since the run began.",
        example: "let t = elapsed();",
        nature: of(Deed::Answers),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "time_left",
        gives: Gives::Time,
        summary: "Time until the window ends, with parking taken off. Very long where there is no window.",
        example: "if time_left() > 10.min { note(\"one more\"); }",
        nature: of(Deed::Answers),
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "helium_left",
        gives: Gives::Volume,
        summary: "Helium above the refill limit of the bench.",
        example: "let spare = helium_left();",
        nature: Nature { roles: &[Role::HeliumLevel], ..of(Deed::Answers) },
        ..in_chapter(Chapter::Flow)
    },
    Verb {
        name: "random",
        gives: Gives::Number,
        summary: "A random number from 0 up to 1. The same seed gives the same numbers.",
        example: "let x = random();",
        nature: of(Deed::Answers),
        ..in_chapter(Chapter::Flow)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    register_steps(engine, host);
    register_words(engine, host);
    register_questions(engine, host);
}

fn register_steps(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("step", move |ctx: NativeCallContext, name: &str, body: FnPtr| {
        step(&h, &ctx, name, None, &body)
    });
    let h = Rc::clone(host);
    engine.register_fn("step", move |ctx: NativeCallContext, name: &str, needs: Map, body: FnPtr| {
        let mut fields = MapFields::new(&ctx, "step", needs);
        let needs = Needs::take(&mut fields, &ctx)?;
        fields.finish()?;
        let lacking = Left::ask(&h, &ctx, needs)?.lacking(needs);
        step(&h, &ctx, name, lacking, &body)
    });
}

/// A step of the sequence: its body, unless it is left out.
pub(super) fn step(
    host: &Rc<Host>,
    ctx: &NativeCallContext<'_>,
    name: &str,
    left_out: Option<String>,
    body: &FnPtr,
) -> Result<Dynamic, Thrown> {
    let step = host.next_step();
    let parent = host.steps.borrow().last().copied();
    host.record(ctx, Statement::StepBegin { step, name: name.to_owned(), parent })?;
    if left_out.is_some() {
        host.record(ctx, Statement::StepEnd { step, left_out })?;
        return Ok(Dynamic::UNIT);
    }
    host.steps.borrow_mut().push(step);
    let result = body.call_within_context::<Dynamic>(ctx, ());
    host.steps.borrow_mut().pop();
    let result = result?;
    host.record(ctx, Statement::StepEnd { step, left_out: None })?;
    Ok(result)
}

fn register_words(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("note", move |ctx: NativeCallContext, text: Dynamic| {
        h.record(&ctx, Statement::Note { text: text.to_string(), for_next_shift: false })
    });
    let h = Rc::clone(host);
    engine.register_fn("hand_over", move |ctx: NativeCallContext, text: Dynamic| {
        h.record(&ctx, Statement::Note { text: text.to_string(), for_next_shift: true })
    });
    engine.register_fn("with_error", |ctx: NativeCallContext, value: Dynamic, error: Dynamic| {
        with_error(&ctx, &value, &error)
    });
    let h = Rc::clone(host);
    engine.register_fn("decide", move |ctx: NativeCallContext, question: &str, answer: bool| {
        decide(&h, &ctx, question, answer, "")
    });
    let h = Rc::clone(host);
    engine.register_fn(
        "decide",
        move |ctx: NativeCallContext, question: &str, answer: bool, reason: &str| {
            decide(&h, &ctx, question, answer, reason)
        },
    );
    engine.register_fn("stop", |ctx: NativeCallContext, reason: &str| -> Result<(), Thrown> {
        let ending = Ending {
            outcome: Outcome::Failed,
            reason: reason.to_owned(),
            place: place_of(&ctx),
            latched: false,
        };
        Err(ended(ending, ctx.call_position()))
    });
    engine.register_fn("exit", |ctx: NativeCallContext| -> Result<(), Thrown> {
        Err(thrown(
            &ctx,
            "argument",
            "wrong",
            Said::with("`exit` looks like a normal end", "use stop(\"why\") or let the sequence end"),
        ))
    });
    let h = Rc::clone(host);
    engine.register_fn("park", move |ctx: NativeCallContext| h.call(&ctx, Request::Park).map(|_| ()));
}

fn with_error(ctx: &NativeCallContext<'_>, value: &Dynamic, error: &Dynamic) -> Result<String, Thrown> {
    let of = |number: &Dynamic, what: &str| {
        let plain = plain_number(number).map(Quantity::number);
        let found = number.clone().try_cast::<Quantity>().or(plain);
        found.ok_or_else(|| argument(ctx, format!("the {what} is no number")))
    };
    let (value, error) = (of(value, "value")?, of(error, "error")?);
    if value.dimension != error.dimension {
        return Err(argument(
            ctx,
            format!("the error {error} is not {} like its value {value}", value.dimension),
        ));
    }
    Ok(value.with_error(error.si))
}

fn decide(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    question: &str,
    answer: bool,
    reason: &str,
) -> Result<bool, Thrown> {
    let statement = Statement::Decision { question: question.to_owned(), answer, reason: reason.to_owned() };
    host.record(ctx, statement).map(|()| answer)
}

fn register_questions(engine: &mut Engine, host: &Rc<Host>) {
    let questions = [
        ("elapsed", Question::Elapsed, Dimension::TIME),
        ("time_left", Question::TimeLeft, Dimension::TIME),
        ("helium_left", Question::HeliumLeft, Dimension::VOLUME),
    ];
    for (name, question, dimension) in questions {
        let h = Rc::clone(host);
        engine.register_fn(name, move |ctx: NativeCallContext| {
            h.number(&ctx, Request::Ask(question)).map(|si| Quantity::new(si, dimension))
        });
    }
    let h = Rc::clone(host);
    engine.register_fn("random", move || h.random.borrow_mut().random::<f64>());
}
