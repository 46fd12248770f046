//! Sweeps, maps, traces, histograms.

use crate::bench::{ChannelId, TaskKind};
use crate::instrument::Task;
use crate::quantity::Dimension;
use crate::script::convert::{MapFields, quantity, texts, whole};
use crate::script::error::{Thrown, argument};
use crate::script::handles::{Numbers, Sweep, Trace};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Kind, Time, Verb, acts, in_chapter, looks, param};
use crate::script::units::as_value;
use crate::supervisor::{Answer, Axis, Doubtful, Request, SweepPlan};
use rhai::{Array, Dynamic, Engine, Map, NativeCallContext};
use std::rc::Rc;
use std::sync::Arc;

/// The most points of one sweep.
const MOST_POINTS: u64 = 50_000_000;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "sweep",
        params: &[param(
            "plan",
            Kind::Fields("channel from to points read | name dwell average settle both_ways"),
            "what is set, what is read, and how",
        )],
        gives: "a sweep",
        summary: "Sets a channel to evenly spaced values; at each one it waits until everything has settled, reads, and records the point.",
        example: "let spectrum = sweep(#{ name: \"demo\", channel: \"RfFrequency\", from: 14.GHz, to: 14.1.GHz, points: 11, read: \"LockinX\", dwell: 100.ms, average: 2 });",
        nature: acts(Time::Reckoned, &[], &[]),
        ..in_chapter(Chapter::Sweeps)
    },
    Verb {
        name: "grid",
        params: &[param(
            "plan",
            Kind::Fields("fast slow read | name dwell average settle both_ways"),
            "two axes, each `#{ channel, from, to, points }`, and what is read",
        )],
        gives: "a sweep",
        summary: "A map over two channels: for each value of the slow axis the fast axis is run through.",
        example: "let map = grid(#{ slow: #{ channel: \"Bias\", from: 20.mV, to: 30.mV, points: 3 }, fast: #{ channel: \"RfFrequency\", from: 14.GHz, to: 14.1.GHz, points: 5 }, read: [\"Current\"] });",
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
        gives: "a trace",
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
    let fast = axis(host, ctx, &mut fields)?;
    let plan = plan(host, ctx, fields, fast, None)?;
    measure(host, ctx, plan)
}

fn grid(host: &Rc<Host>, ctx: &NativeCallContext<'_>, map: Map) -> Result<Sweep, Thrown> {
    let mut fields = MapFields::new(ctx, "grid", map);
    let mut inner = |name: &'static str| -> Result<Axis, Thrown> {
        let Some(map) = fields.need(name)?.try_cast::<Map>() else {
            return Err(argument(ctx, &format!("`{name}` is a map like #{{ channel, from, to, points }}")));
        };
        let mut inner = MapFields::new(ctx, "grid", map);
        let axis = axis(host, ctx, &mut inner)?;
        inner.finish()?;
        Ok(axis)
    };
    let (fast, slow) = (inner("fast")?, inner("slow")?);
    let plan = plan(host, ctx, fields, fast, Some(slow))?;
    measure(host, ctx, plan)
}

fn axis(host: &Host, ctx: &NativeCallContext<'_>, fields: &mut MapFields<'_>) -> Result<Axis, Thrown> {
    let name = fields
        .need("channel")?
        .into_string()
        .map_err(|_| argument(ctx, "`channel` is the name of a channel"))?;
    let channel = host.channel(ctx, &name)?;
    axis_of(ctx, fields, channel, host.channel_at(channel).dimension())
}

/// The values of a channel that is known already.
pub(super) fn axis_of(
    ctx: &NativeCallContext<'_>,
    fields: &mut MapFields<'_>,
    channel: ChannelId,
    dimension: Dimension,
) -> Result<Axis, Thrown> {
    let from = quantity(ctx, &fields.need("from")?, dimension, "`from`")?;
    let to = quantity(ctx, &fields.need("to")?, dimension, "`to`")?;
    let points = whole(ctx, &fields.need("points")?, "`points`", 1)?;
    Ok(Axis { channel, from, to, points })
}

/// The rest of a plan, when its axes are known.
pub(super) fn plan(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    mut fields: MapFields<'_>,
    fast: Axis,
    slow: Option<Axis>,
) -> Result<SweepPlan, Thrown> {
    let read = texts(ctx, &fields.need("read")?, "`read`")?;
    let read = read.iter().map(|name| host.channel(ctx, name)).collect::<Result<Vec<_>, _>>()?;
    let name = fields.text("name")?.unwrap_or_else(|| "sweep".to_owned());
    let dwell_s = fields.time("dwell")?.unwrap_or(0.0);
    let samples = fields.whole("average", 1)?.unwrap_or(1);
    let settle_s = fields.time("settle")?;
    let both_ways = fields.flag("both_ways")?;
    fields.finish()?;
    let samples = u32::try_from(samples).map_err(|_| argument(ctx, "`average` is too large"))?;
    let plan = SweepPlan {
        name,
        fast,
        slow,
        read,
        samples,
        dwell_s,
        settle_s,
        both_ways,
        continues: None,
        done: Vec::new(),
        doubtful: Doubtful::default(),
    };
    if plan.total() > MOST_POINTS {
        return Err(argument(
            ctx,
            &format!("a sweep has at most {MOST_POINTS} points, this one has {}", plan.total()),
        ));
    }
    Ok(plan)
}

fn measure(host: &Rc<Host>, ctx: &NativeCallContext<'_>, plan: SweepPlan) -> Result<Sweep, Thrown> {
    match host.call(ctx, Request::Sweep(Arc::new(plan)))? {
        Answer::Sweep(data) => Ok(Sweep { data: Rc::new(data), bench: Arc::clone(&host.bench) }),
        other => Err(argument(ctx, &format!("a sweep was expected, not {other:?}"))),
    }
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
            numbers: Numbers::new(report.data, host.channel_at(channel).dimension()),
            interval_s,
        }),
        other => Err(argument(ctx, &format!("a trace was expected, not {other:?}"))),
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
            argument(&ctx, &format!("this sweep did not read `{name}`; it read {names}"))
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
    engine.register_get("least", |numbers: &mut Numbers| {
        as_value(numbers.quantity(numbers.values.iter().copied().fold(f64::INFINITY, f64::min)))
    });
    engine.register_get("most", |numbers: &mut Numbers| {
        as_value(numbers.quantity(numbers.values.iter().copied().fold(f64::NEG_INFINITY, f64::max)))
    });
    engine.register_indexer_get(|ctx: NativeCallContext, numbers: &mut Numbers, index: i64| {
        let found = usize::try_from(index).ok().and_then(|i| numbers.values.get(i));
        let count = numbers.values.len();
        found.map(|value| as_value(numbers.quantity(*value))).ok_or_else(|| {
            argument(
                &ctx,
                &format!("there is no item {index}; they count from 0 to {}", count.saturating_sub(1)),
            )
        })
    });
    engine.register_fn(
        "histogram",
        |ctx: NativeCallContext, trace: &mut Trace, bins: i64| -> Result<Array, Thrown> {
            let bins = usize::try_from(bins).ok().filter(|b| (1..=10_000).contains(b));
            let bins = bins.ok_or_else(|| argument(&ctx, "a histogram has 1 to 10,000 bins"))?;
            Ok(histogram(&trace.numbers, bins))
        },
    );
}

/// Pairs of the middle of a bin and its count.
fn histogram(numbers: &Numbers, bins: usize) -> Array {
    let least = numbers.values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = numbers.values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let width = ((most - least) / bins as f64).max(f64::MIN_POSITIVE);
    let mut counts = vec![0_i64; bins];
    for value in numbers.values.iter() {
        let bin = ((value - least) / width) as usize;
        counts[bin.min(bins - 1)] += 1;
    }
    let pair = |(i, count): (usize, &i64)| {
        let middle = least + (i as f64 + 0.5) * width;
        Dynamic::from_array(vec![as_value(numbers.quantity(middle)), (*count).into()])
    };
    counts.iter().enumerate().map(pair).collect()
}
