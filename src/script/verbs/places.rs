//! Where a sweep goes: evenly spaced, by a list, in passes, with other channels moved along.

use crate::bench::ChannelId;
use crate::quantity::{Dimension, Quantity};
use crate::script::convert::{MapFields, kind_of, quantity, whole};
use crate::script::error::{Said, Thrown, argument};
use crate::script::handles::Numbers;
use crate::script::host::Host;
use crate::script::units::as_value;
use crate::supervisor::{Axis, SweepPlan};
use rand::seq::SliceRandom;
use rhai::{Array, Dynamic, FnPtr, Map, NativeCallContext};

/// The most points that a line has which is told point by point.
const MOST_LISTED: u64 = 200_000;

/// The fast axis of a plan.
#[derive(Debug, Clone)]
pub(super) struct Line {
    /// Its channel, its ends, and its points.
    pub axis: Axis,
    /// Its values in the order of measurement, where they are told point by point.
    pub places: Vec<f64>,
    /// How often it is run through within `places`.
    pub passes: u64,
    /// For each point its number in the order in which the values were written, where that differs.
    pub order: Vec<usize>,
}

impl From<Axis> for Line {
    fn from(axis: Axis) -> Self {
        Self { axis, places: Vec::new(), passes: 1, order: Vec::new() }
    }
}

/// The values of a channel that is known already: from, to and points, or a list; then in passes.
pub(super) fn line_of(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    fields: &mut MapFields<'_>,
    channel: ChannelId,
) -> Result<Line, Thrown> {
    let mut line = once(host, ctx, fields, channel)?;
    if let Some(passes) = fields.take("passes") {
        let passes = directions(ctx, &passes)?;
        if line.axis.points.saturating_mul(passes.len() as u64) > MOST_LISTED {
            return Err(argument(ctx, format!("a line in passes has at most {MOST_LISTED} points in all")));
        }
        run_through(host, &mut line, &passes);
    }
    Ok(line)
}

/// The values of a channel that is known already, each once: from, to and points, or a list.
pub(super) fn once(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    fields: &mut MapFields<'_>,
    channel: ChannelId,
) -> Result<Line, Thrown> {
    let dimension = host.channel_at(channel).dimension();
    match fields.take("values") {
        Some(values) => listed(ctx, channel, si_values(ctx, &values, dimension, "`values`")?),
        None => axis_of(ctx, fields, channel, dimension).map(Line::from),
    }
}

/// Evenly spaced values of a channel that is known already.
fn axis_of(
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

fn listed(ctx: &NativeCallContext<'_>, channel: ChannelId, places: Vec<f64>) -> Result<Line, Thrown> {
    let points = places.len() as u64;
    if points == 0 || points > MOST_LISTED {
        return Err(argument(
            ctx,
            format!("`values` is a list of 1 to {MOST_LISTED} values, not of {points}"),
        ));
    }
    let (from, to) = ends(&places);
    Ok(Line { axis: Axis { channel, from, to, points }, places, passes: 1, order: Vec::new() })
}

/// The outermost values, the way from the first to the last.
fn ends(places: &[f64]) -> (f64, f64) {
    let least = places.iter().copied().fold(f64::INFINITY, f64::min);
    let most = places.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if places.first() > places.last() { (most, least) } else { (least, most) }
}

/// A list of values with units, or a row of numbers.
pub(super) fn si_values(
    ctx: &NativeCallContext<'_>,
    value: &Dynamic,
    dimension: Dimension,
    what: &str,
) -> Result<Vec<f64>, Thrown> {
    if let Some(numbers) = value.read_lock::<Numbers>() {
        if numbers.dimension != dimension {
            return Err(argument(ctx, format!("{what} is {dimension}, not {}", numbers.dimension)));
        }
        if numbers.values.iter().any(|value| !value.is_finite()) {
            return Err(argument(ctx, format!("{what} has gaps")));
        }
        return Ok(numbers.values.to_vec());
    }
    let Some(list) = value.read_lock::<Array>() else {
        return Err(argument(ctx, format!("{what} is a list of values, not {}", kind_of(value))));
    };
    let item = |(i, item): (usize, &Dynamic)| quantity(ctx, item, dimension, &format!("item {i} of {what}"));
    list.iter().enumerate().map(item).collect()
}

/// How a pass goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Direction {
    Up,
    Down,
    Random,
}

fn directions(ctx: &NativeCallContext<'_>, value: &Dynamic) -> Result<Vec<Direction>, Thrown> {
    let Some(list) = value.read_lock::<Array>() else {
        let count = whole(ctx, value, "`passes`", 1)?.min(MOST_LISTED + 1);
        return Ok(vec![Direction::Up; usize::try_from(count).unwrap_or(usize::MAX)]);
    };
    let one = |item: &Dynamic| match item.to_string().as_str() {
        "up" => Ok(Direction::Up),
        "down" => Ok(Direction::Down),
        "random" => Ok(Direction::Random),
        _ => {
            let wrong = "`passes` is a number, or a list of \"up\", \"down\" and \"random\"";
            Err(argument(ctx, Said::with(wrong, format!("{} is none of them", kind_of(item)))))
        }
    };
    if list.is_empty() {
        return Err(argument(ctx, "`passes` is empty"));
    }
    list.iter().map(one).collect()
}

/// Runs a line through several times: up is the order in which it was written. Random orders come from the seed of the
/// run, so they repeat.
fn run_through(host: &Host, line: &mut Line, passes: &[Direction]) {
    let once: Vec<f64> = match line.places.is_empty() {
        true => (0..line.axis.points).map(|i| line.axis.at(i)).collect(),
        false => std::mem::take(&mut line.places),
    };
    for pass in passes {
        let mut order: Vec<usize> = (0..once.len()).collect();
        match pass {
            Direction::Up => {}
            Direction::Down => order.reverse(),
            Direction::Random => order.shuffle(&mut *host.random.borrow_mut()),
        }
        line.order.extend(order);
    }
    line.places = line.order.iter().map(|i| once[*i]).collect();
    (line.axis.points, line.passes) = (line.places.len() as u64, passes.len() as u64);
}

/// The channels that are moved along with the swept one: a map like `#{ channel, from, to }`, or several in a list.
pub(super) fn take_along(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    value: Dynamic,
    plan: &mut SweepPlan,
    order: &[usize],
) -> Result<(), Thrown> {
    let way = Way { axis: plan.fast, places: plan.places.to_vec(), passes: plan.passes, order };
    for (channel, values) in companions(host, ctx, value, &way)? {
        push(plan, channel, values);
    }
    Ok(())
}

/// The channels that are moved along with the slow axis of a map.
pub(super) fn take_along_slow(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    value: Dynamic,
    plan: &mut SweepPlan,
) -> Result<(), Thrown> {
    let Some(axis) = plan.slow else { return Ok(()) };
    let way = Way { axis, places: plan.slow_places.to_vec(), passes: 1, order: &[] };
    for (channel, values) in companions(host, ctx, value, &way)? {
        plan.read.retain(|read| *read != channel);
        plan.read.push(channel);
        plan.slow_along.push(values.into());
    }
    Ok(())
}

/// The values along which other channels are moved.
struct Way<'a> {
    axis: Axis,
    /// Its values point by point, where they are not evenly spaced.
    places: Vec<f64>,
    passes: u64,
    /// For each point its number in the order in which the values were written, where that differs.
    order: &'a [usize],
}

impl Way<'_> {
    fn at(&self, i: u64) -> f64 {
        self.places.get(i as usize).copied().unwrap_or_else(|| self.axis.at(i))
    }
}

fn companions(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    value: Dynamic,
    way: &Way<'_>,
) -> Result<Vec<(ChannelId, Vec<f64>)>, Thrown> {
    let items = match value.clone().try_cast::<Array>() {
        Some(list) => list,
        None => vec![value],
    };
    if way.axis.points > MOST_LISTED {
        return Err(argument(ctx, format!("other channels are moved along at most {MOST_LISTED} points")));
    }
    let one = |item: Dynamic| {
        let described = kind_of(&item);
        let Some(map) = item.try_cast::<Map>() else {
            let message = format!("`along` is a map like #{{ channel, from, to }}, not {described}");
            return Err(argument(ctx, &message));
        };
        let mut inner = MapFields::new(ctx, "along", map);
        let name = inner.need("channel")?;
        let name = name.into_string().map_err(|_| argument(ctx, "`channel` is the name of a channel"))?;
        let channel = host.channel(ctx, &name)?;
        let values = companion(host, ctx, &mut inner, way, channel)?;
        inner.finish()?;
        Ok((channel, values))
    };
    items.into_iter().map(one).collect()
}

/// Moves a channel along to these values.
pub(super) fn push(plan: &mut SweepPlan, channel: ChannelId, values: Vec<f64>) {
    // It is not read: its column says where it was put.
    plan.read.retain(|read| *read != channel);
    plan.read.push(channel);
    plan.along.push(values.into());
}

/// Where a channel is moved at each point of the way: by a function of the swept value, a list, or evenly.
fn companion(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    fields: &mut MapFields<'_>,
    way: &Way<'_>,
    channel: ChannelId,
) -> Result<Vec<f64>, Thrown> {
    let (name, dimension) = (&host.channel_at(channel).name, host.channel_at(channel).dimension());
    let (what, points) = (format!("`{name}`"), way.axis.points);
    if let Some(rule) = fields.take("by") {
        let rule = rule.try_cast::<FnPtr>();
        let rule = rule.ok_or_else(|| argument(ctx, "`by` is a function of the swept value, |x| …"))?;
        let swept = host.channel_at(way.axis.channel).dimension();
        let value = |i: u64| {
            let x = as_value(Quantity::new(way.at(i), swept));
            quantity(ctx, &rule.call_within_context::<Dynamic>(ctx, (x,))?, dimension, &what)
        };
        return host.only_looking(|| (0..points).map(value).collect());
    }
    let once = points / way.passes.max(1);
    if let Some(values) = fields.take("values") {
        let values = si_values(ctx, &values, dimension, &what)?;
        if values.len() as u64 != once {
            let message = format!("{what} has {} values for {once} points", values.len());
            return Err(argument(ctx, &message));
        }
        let in_order =
            |i: usize| way.order.get(i).map_or(values[i % values.len()], |written| values[*written]);
        return Ok((0..usize::try_from(points).unwrap_or(0)).map(in_order).collect());
    }
    let from = quantity(ctx, &fields.need("from")?, dimension, "`from`")?;
    let to = quantity(ctx, &fields.need("to")?, dimension, "`to`")?;
    let span = way.axis.to - way.axis.from;
    let share = |x: f64| if span == 0.0 { 0.0 } else { (x - way.axis.from) / span };
    Ok((0..points).map(|i| from + (to - from) * share(way.at(i))).collect())
}
