//! Setting, reading, waiting.

use crate::bench::Role;
use crate::quantity::{Dimension, Quantity};
use crate::script::convert::{quantity, whole};
use crate::script::error::{Thrown, argument};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Gives, Kind, Time, Verb, acts, in_chapter, looks, param};
use crate::script::units::as_value;
use crate::supervisor::{Answer, Question, Request};
use rhai::{Dynamic, Engine, FnPtr, NativeCallContext};
use std::rc::Rc;

/// Time between samples of an averaged reading, s.
const SAMPLE_SPACING_S: f64 = 0.05;

/// How often the condition of a wait is looked at, s.
const LOOKS_AT_MOST_EVERY_S: f64 = 0.2;
const LOOKS_AT_LEAST_EVERY_S: f64 = 10.0;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "set",
        params: &[
            param("channel", Kind::Channel, "name or role of a channel"),
            param("value", Kind::OfChannel, "the value with its unit"),
        ],
        gives: Gives::Nothing,
        summary: "Brings a channel to a value within its limits, largest step and slew, and waits until it is there.",
        example: "set(\"Bias\", 60.mV);",
        nature: acts(Time::Reckoned, &[], &[]),
        ..in_chapter(Chapter::Bench)
    },
    Verb {
        name: "read",
        params: &[
            param("channel", Kind::Channel, "name or role of a channel"),
            param("samples", Kind::Number, "how many samples are averaged"),
        ],
        optional: 1,
        gives: Gives::Told("the value with its unit"),
        summary: "Reads a channel, or the mean of several samples 50 ms apart.",
        example: "let level = read(\"HeliumLevel\", 5);",
        nature: looks(Time::Reckoned, &[], &[]),
        ..in_chapter(Chapter::Bench)
    },
    Verb {
        name: "ramp_field",
        params: &[param("field", Kind::Field, "the field along z")],
        gives: Gives::Nothing,
        summary: "Ramps the field along z at its permitted rate and waits until it is there and settled.",
        example: "ramp_field(20.mT);",
        nature: acts(Time::Reckoned, &[Role::FieldZ], &[]),
        ..in_chapter(Chapter::Bench)
    },
    Verb {
        name: "wait",
        params: &[param("time", Kind::Time, "how long")],
        gives: Gives::Nothing,
        summary: "Lets time pass. Time spent on hold does not count.",
        example: "wait(2.s);",
        nature: looks(Time::Reckoned, &[], &[]),
        ..in_chapter(Chapter::Bench)
    },
    Verb {
        name: "wait_until",
        params: &[
            param("condition", Kind::Function, "a function that says true when it is so"),
            param("at_most", Kind::Time, "how long it is waited for"),
        ],
        gives: Gives::Flag,
        summary: "Waits until a condition is met, and gives true; or false when it is not met in time. It is asked again after a hundredth of that time, at least every 10 s and at most five times a second; it only looks and moves nothing.",
        example: "if !wait_until(|| read(\"StageTemperature\") < 0.5.K, 5.min) {\n    note(\"still too warm\");\n}",
        nature: looks(Time::Reckoned, &[], &[]),
        ..in_chapter(Chapter::Bench)
    },
    Verb {
        name: "settle",
        gives: Gives::Nothing,
        summary: "Waits until the lock-in shows what is there now, by its time constant and filter order.",
        example: "settle();",
        nature: looks(Time::Reckoned, &[], &[]),
        ..in_chapter(Chapter::Bench)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("set", move |ctx: NativeCallContext, channel: &str, value: Dynamic| {
        set(&h, &ctx, channel, &value)
    });
    let h = Rc::clone(host);
    engine.register_fn("read", move |ctx: NativeCallContext, channel: &str| read(&h, &ctx, channel, 1));
    let h = Rc::clone(host);
    engine.register_fn("read", move |ctx: NativeCallContext, channel: &str, samples: Dynamic| {
        let samples = whole(&ctx, &samples, "the number of samples", 1)?;
        read(&h, &ctx, channel, samples)
    });
    let h = Rc::clone(host);
    engine.register_fn("ramp_field", move |ctx: NativeCallContext, field: Dynamic| {
        set(&h, &ctx, "FieldZ", &field)
    });
    let h = Rc::clone(host);
    engine.register_fn("wait", move |ctx: NativeCallContext, time: Dynamic| -> Result<(), Thrown> {
        let seconds = quantity(&ctx, &time, Dimension::TIME, "the time")?;
        if seconds < 0.0 {
            return Err(argument(&ctx, "a time can't be negative"));
        }
        h.call(&ctx, Request::Wait { seconds }).map(|_| ())
    });
    let h = Rc::clone(host);
    engine.register_fn("wait_until", move |ctx: NativeCallContext, condition: FnPtr, at_most: Dynamic| {
        wait_until(&h, &ctx, &condition, &at_most)
    });
    let h = Rc::clone(host);
    engine.register_fn("settle", move |ctx: NativeCallContext| h.call(&ctx, Request::Settle).map(|_| ()));
}

fn set(host: &Host, ctx: &NativeCallContext<'_>, name: &str, value: &Dynamic) -> Result<(), Thrown> {
    let id = host.channel(ctx, name)?;
    let channel = host.channel_at(id);
    let value = quantity(ctx, value, channel.dimension(), &format!("`{}`", channel.name))?;
    host.call(ctx, Request::Set { channel: id, value }).map(|_| ())
}

fn wait_until(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    condition: &FnPtr,
    at_most: &Dynamic,
) -> Result<bool, Thrown> {
    let at_most_s = quantity(ctx, at_most, Dimension::TIME, "the longest time")?;
    let elapsed = || host.number(ctx, Request::Ask(Question::Elapsed));
    let until_s = elapsed()? + at_most_s;
    let pause_s = (at_most_s / 100.0).clamp(LOOKS_AT_MOST_EVERY_S, LOOKS_AT_LEAST_EVERY_S);
    loop {
        let answer = host.only_looking(|| condition.call_within_context::<Dynamic>(ctx, ()))?;
        let met = answer.as_bool().map_err(|_| {
            let given = crate::script::convert::kind_of(&answer);
            argument(ctx, format!("the condition says true or false, not {given}"))
        })?;
        let left_s = until_s - elapsed()?;
        if met || left_s <= 0.0 {
            return Ok(met);
        }
        host.call(ctx, Request::Wait { seconds: pause_s.min(left_s) })?;
    }
}

fn read(host: &Host, ctx: &NativeCallContext<'_>, name: &str, samples: u64) -> Result<Dynamic, Thrown> {
    let id = host.channel(ctx, name)?;
    let samples = u32::try_from(samples).unwrap_or(u32::MAX);
    let request = Request::Read { channels: vec![id], samples, spacing_s: SAMPLE_SPACING_S };
    match host.call(ctx, request)? {
        Answer::Numbers(values) => {
            let value = values.first().copied().unwrap_or(f64::NAN);
            Ok(as_value(Quantity::new(value, host.channel_at(id).dimension())))
        }
        other => Err(argument(ctx, format!("a reading was expected, not {other:?}"))),
    }
}
