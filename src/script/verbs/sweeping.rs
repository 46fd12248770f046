//! Sweeps, maps, traces.

use super::deciding::{self, Rules};
use super::places::{self, Line};
use crate::bench::{ChannelId, TaskKind};
use crate::instrument::Task;
use crate::quantity::Dimension;
use crate::script::convert::{MapFields, quantity, texts, whole};
use crate::script::error::{Said, Thrown, argument, unfit};
use crate::script::handles::{Numbers, Sweep, Trace};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Gives, Kind, Time, Verb, acts, in_chapter, looks, param};
use crate::script::table::bounds;
use crate::script::units::as_value;
use crate::supervisor::{Answer, Axis, Request, SweepPlan};
use rhai::{Dynamic, Engine, Map, NativeCallContext};
use std::rc::Rc;

/// The most points of one sweep.
const MOST_POINTS: u64 = 50_000_000;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "sweep",
        params: &[param(
            "plan",
            Kind::Fields(
                "channel from to points read | values passes along until_error stop_after_point stop_after_pass name dwell average settle both_ways",
            ),
            "what is set, what is read, and how; a list of `values` takes the place of `from`, `to` and `points`",
        )],
        gives: Gives::Handle("sweep"),
        summary: "Sets a channel to evenly spaced values, or to those of a list; at each one it waits until everything has settled, reads, and records the point. A channel that gives no value leaves a gap.",
        example: "let spectrum = sweep(#{ name: \"demo\", channel: \"RfFrequency\", from: 14.GHz, to: 14.1.GHz, points: 11, read: \"LockinX\", dwell: 100.ms, average: 2 });\nlet quick = sweep(#{ channel: \"RfFrequency\", values: [14.GHz, 14.02.GHz, 14.03.GHz], read: \"LockinX\", passes: [\"up\", \"down\", \"random\"], until_error: #{ channel: \"LockinX\", error: 50.fA } });",
        nature: acts(Time::Reckoned, &[], &[]),
        ..in_chapter(Chapter::Sweeps)
    },
    Verb {
        name: "grid",
        params: &[param(
            "plan",
            Kind::Fields(
                "fast slow read | stop_after_point stop_after_pass name dwell average settle both_ways",
            ),
            "two axes, each `#{ channel, from, to, points }` or `#{ channel, values }`, with `along` where a channel is moved along with it; and what is read",
        )],
        gives: Gives::Handle("sweep"),
        summary: "A map over two channels: for each value of the slow axis the fast axis is run through.",
        example: "let map = grid(#{ slow: #{ channel: \"Bias\", from: 20.mV, to: 30.mV, points: 3 }, fast: #{ channel: \"RfFrequency\", from: 14.GHz, to: 14.1.GHz, points: 5 }, read: [\"Current\"] });\nlet listed = grid(#{ slow: #{ channel: \"Setpoint\", values: [5.pA, 10.pA, 20.pA], along: #{ channel: \"RfLevel\", values: [-10.dBm, -12.dBm, -15.dBm] } }, fast: #{ channel: \"Bias\", from: 20.mV, to: 30.mV, points: 5 }, read: \"Current\" });",
        nature: acts(Time::Reckoned, &[], &[]),
        ..in_chapter(Chapter::Sweeps)
    },
    Verb {
        name: "trace",
        params: &[
            param("channel", Kind::Channel, "what is read"),
            param("samples", Kind::Number, "how many readings"),
            param("every", Kind::Time, "their distance in time"),
        ],
        gives: Gives::Handle("trace"),
        summary: "Reads one channel many times, evenly spaced.",
        example: "let current = trace(\"Current\", 200, 5.ms);",
        nature: looks(Time::Reckoned, &[], &[TaskKind::Trace]),
        ..in_chapter(Chapter::Sweeps)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("sweep", move |ctx: NativeCallContext, plan: Map| sweep(&h, &ctx, plan));
    let h = Rc::clone(host);
    engine.register_fn("grid", move |ctx: NativeCallContext, plan: Map| grid(&h, &ctx, plan));
    let h = Rc::clone(host);
    engine.register_fn(
        "trace",
        move |ctx: NativeCallContext, channel: &str, samples: Dynamic, every: Dynamic| {
            trace(&h, &ctx, channel, &samples, &every)
        },
    );
    register_sweep_type(engine);
    register_numbers_type(engine);
}

fn sweep(host: &Rc<Host>, ctx: &NativeCallContext<'_>, map: Map) -> Result<Sweep, Thrown> {
    let mut fields = MapFields::new(ctx, "sweep", map);
    let channel = channel(host, ctx, &mut fields)?;
    let line = places::line_of(host, ctx, &mut fields, channel)?;
    let along = fields.take("along");
    let (plan, rules) = plan(host, ctx, fields, (line, along), None)?;
    deciding::measure(host, ctx, plan, &rules)
}

fn grid(host: &Rc<Host>, ctx: &NativeCallContext<'_>, map: Map) -> Result<Sweep, Thrown> {
    let mut fields = MapFields::new(ctx, "grid", map);
    let mut inner = |name: &'static str| -> Result<(Line, Option<Dynamic>), Thrown> {
        let Some(map) = fields.need(name)?.try_cast::<Map>() else {
            return Err(argument(ctx, format!("`{name}` is a map like #{{ channel, from, to, points }}")));
        };
        let mut inner = MapFields::new(ctx, "grid", map);
        let channel = channel(host, ctx, &mut inner)?;
        let line = match name {
            "fast" => places::line_of(host, ctx, &mut inner, channel)?,
            _ => places::once(host, ctx, &mut inner, channel)?,
        };
        let along = inner.take("along");
        inner.finish()?;
        Ok((line, along))
    };
    let ((fast, fast_along), (slow, slow_along)) = (inner("fast")?, inner("slow")?);
    let (mut plan, rules) = plan(host, ctx, fields, (fast, fast_along), Some(slow.axis))?;
    plan.slow_places = slow.places.into();
    if let Some(along) = slow_along {
        places::take_along_slow(host, ctx, along, &mut plan)?;
    }
    deciding::measure(host, ctx, plan, &rules)
}

fn channel(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    fields: &mut MapFields<'_>,
) -> Result<ChannelId, Thrown> {
    let name = fields.need("channel")?.into_string();
    host.channel(ctx, &name.map_err(|_| argument(ctx, "`channel` is the name of a channel"))?)
}

/// The rest of a plan, when its axes and what is moved along are known, and what may end it early.
pub(super) fn plan(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    mut fields: MapFields<'_>,
    (line, along): (Line, Option<Dynamic>),
    slow: Option<Axis>,
) -> Result<(SweepPlan, Rules), Thrown> {
    let read = texts(ctx, &fields.need("read")?, "`read`")?;
    let read = read.iter().map(|name| host.channel(ctx, name)).collect::<Result<Vec<_>, _>>()?;
    let name = fields.text("name")?.unwrap_or_else(|| "sweep".to_owned());
    let mut plan = SweepPlan::plain(&name, line.axis, read);
    (plan.slow, plan.places, plan.passes) = (slow, line.places.into(), line.passes);
    plan.dwell_s = fields.time("dwell")?.unwrap_or(0.0);
    let samples = fields.whole("average", 1)?.unwrap_or(1);
    plan.samples = u32::try_from(samples).map_err(|_| argument(ctx, "`average` is too large"))?;
    plan.settle_s = fields.time("settle")?;
    plan.both_ways = fields.flag("both_ways")?;
    if let Some(along) = along {
        places::take_along(host, ctx, along, &mut plan, &line.order)?;
    }
    let rules = Rules::take(host, ctx, &mut fields)?;
    plan.again = rules.again;
    fields.finish()?;
    if plan.both_ways && plan.passes > 1 {
        return Err(argument(
            ctx,
            Said::with("`both_ways` is passes: [\"up\", \"down\"]", "give one of the two"),
        ));
    }
    if plan.total() > MOST_POINTS {
        return Err(argument(
            ctx,
            format!("a sweep has at most {MOST_POINTS} points, this one has {}", plan.total()),
        ));
    }
    Ok((plan, rules))
}

fn trace(
    host: &Rc<Host>,
    ctx: &NativeCallContext<'_>,
    name: &str,
    samples: &Dynamic,
    every: &Dynamic,
) -> Result<Trace, Thrown> {
    let channel = host.channel(ctx, name)?;
    let samples = whole(ctx, samples, "the number of samples", 1)?;
    let samples =
        u32::try_from(samples).map_err(|_| argument(ctx, "a trace has at most 4 billion samples"))?;
    let interval_s = quantity(ctx, every, Dimension::TIME, "the distance in time")?;
    if interval_s <= 0.0 {
        return Err(argument(ctx, "the distance in time must be greater than zero"));
    }
    match host.call(ctx, Request::Task(Task::Trace { channel, samples, interval_s }))? {
        Answer::Task(report) => Ok(Trace {
            channel: host.channel_at(channel).name.clone(),
            role: host.channel_at(channel).role.map(|role| role.name()),
            numbers: Numbers::new(report.data, host.channel_at(channel).dimension()),
            interval_s,
        }),
        other => Err(argument(ctx, format!("a trace was expected, not {other:?}"))),
    }
}

fn register_sweep_type(engine: &mut Engine) {
    engine.register_type_with_name::<Sweep>("sweep");
    engine.register_get("points", |sweep: &mut Sweep| sweep.points() as i64);
    engine.register_get("name", |sweep: &mut Sweep| sweep.data.plan.name.clone());
    engine.register_get("number", |sweep: &mut Sweep| sweep.data.sweep as i64);
    engine.register_fn("column", |ctx: NativeCallContext, sweep: &mut Sweep, name: &str| {
        sweep.column(name).ok_or_else(|| {
            let names = sweep.names().join(", ");
            let wrong = format!("this sweep did not read `{name}`");
            argument(&ctx, Said::with(wrong, format!("it read {names}")))
        })
    });
    engine.register_fn("to_string", |sweep: &mut Sweep| {
        format!("sweep {} `{}`, {} points", sweep.data.sweep, sweep.data.plan.name, sweep.points())
    });
}

fn register_numbers_type(engine: &mut Engine) {
    engine.register_type_with_name::<Numbers>("numbers");
    engine.register_type_with_name::<Trace>("trace");
    engine.register_get("numbers", |trace: &mut Trace| trace.numbers.clone());
    engine.register_get("len", |numbers: &mut Numbers| numbers.values.len() as i64);
    engine.register_get("mean", |numbers: &mut Numbers| as_value(numbers.quantity(numbers.mean())));
    engine.register_get("deviation", |numbers: &mut Numbers| as_value(numbers.change(numbers.deviation())));
    engine
        .register_get("least", |numbers: &mut Numbers| as_value(numbers.quantity(bounds(numbers.known()).0)));
    engine
        .register_get("most", |numbers: &mut Numbers| as_value(numbers.quantity(bounds(numbers.known()).1)));
    engine.register_get("gaps", |numbers: &mut Numbers| {
        (numbers.values.len() - numbers.known().count()) as i64
    });
    engine.register_get("errors", |ctx: NativeCallContext, numbers: &mut Numbers| {
        let dimension = numbers.dimension.change();
        let errors = numbers.errors.clone().map(|values| Numbers { values, errors: None, dimension });
        errors.ok_or_else(|| argument(&ctx, "the errors of these numbers are not known"))
    });
    engine.register_indexer_get(|ctx: NativeCallContext, numbers: &mut Numbers, index: i64| {
        let found = usize::try_from(index).ok().and_then(|i| numbers.values.get(i));
        let count = numbers.values.len();
        found.map(|value| as_value(numbers.quantity(*value))).ok_or_else(|| {
            let help = format!("they count from 0 to {}", count.saturating_sub(1));
            unfit(&ctx, Said::with(format!("there is no item {index}"), help))
        })
    });
}
