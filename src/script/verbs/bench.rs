//! Setting, reading, waiting.

use crate::bench::Role;
use crate::quantity::{Dimension, Quantity};
use crate::script::convert::{quantity, whole};
use crate::script::error::{Thrown, argument};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Kind, Time, Verb, acts, in_chapter, looks, param};
use crate::script::units::as_value;
use crate::supervisor::{Answer, Request};
use rhai::{Dynamic, Engine, NativeCallContext};
use std::rc::Rc;

/// Time between samples of an averaged reading, s.
const SAMPLE_SPACING_S: f64 = 0.05;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "set",
        params: &[
            param("channel", Kind::Channel, "name or role of a channel"),
            param("value", Kind::OfChannel, "the value with its unit"),
        ],
        gives: "nothing",
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
        gives: "the value with its unit",
        summary: "Reads a channel, or the mean of several samples 50 ms apart.",
        example: "let level = read(\"HeliumLevel\", 5);",
        nature: looks(Time::Reckoned, &[], &[]),
        ..in_chapter(Chapter::Bench)
    },
    Verb {
        name: "ramp_field",
        params: &[param("field", Kind::Field, "the field along z")],
        gives: "nothing",
        summary: "Ramps the field along z at its permitted rate and waits until it is there and settled.",
        example: "ramp_field(20.mT);",
        nature: acts(Time::Reckoned, &[Role::FieldZ], &[]),
        ..in_chapter(Chapter::Bench)
    },
    Verb {
        name: "wait",
        params: &[param("time", Kind::Time, "how long")],
        gives: "nothing",
        summary: "Lets time pass. Time spent on hold does not count.",
        example: "wait(2.s);",
        nature: looks(Time::Reckoned, &[], &[]),
        ..in_chapter(Chapter::Bench)
    },
    Verb {
        name: "settle",
        gives: "nothing",
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
    engine.register_fn("settle", move |ctx: NativeCallContext| h.call(&ctx, Request::Settle).map(|_| ()));
}

fn set(host: &Host, ctx: &NativeCallContext<'_>, name: &str, value: &Dynamic) -> Result<(), Thrown> {
    let id = host.channel(ctx, name)?;
    let channel = host.channel_at(id);
    let value = quantity(ctx, value, channel.dimension(), &format!("`{}`", channel.name))?;
    host.call(ctx, Request::Set { channel: id, value }).map(|_| ())
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
        other => Err(argument(ctx, &format!("a reading was expected, not {other:?}"))),
    }
}
