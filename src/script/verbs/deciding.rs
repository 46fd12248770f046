//! Sweeps that decide: a rule of the sequence, or an error that is wanted, ends them early.
//!
//! A sweep with a rule is measured in stretches, each of which is a call of its own: what the rule was shown is in the
//! record before it is asked, so a replay asks it the same.

use crate::bench::ChannelId;
use crate::quantity::Quantity;
use crate::script::convert::{MapFields, kind_of, quantity};
use crate::script::error::{Said, Thrown, argument};
use crate::script::handles::Sweep;
use crate::script::host::Host;
use crate::supervisor::{Again, Answer, Doubtful, Request, Statement, SweepData, SweepPlan};
use rhai::{Dynamic, FnPtr, Map, NativeCallContext};
use std::rc::Rc;
use std::sync::Arc;

/// What may end a sweep before its last point.
#[derive(Debug, Default)]
pub(super) struct Rules {
    after_point: Option<FnPtr>,
    after_pass: Option<FnPtr>,
    /// A channel, and the standard error of its means at which the passes are enough, SI.
    error: Option<(ChannelId, f64)>,
    /// The same for each point alone, which is read again until then.
    pub(super) again: Option<Again>,
}

impl Rules {
    /// From the fields of a plan.
    pub(super) fn take(
        host: &Host,
        ctx: &NativeCallContext<'_>,
        fields: &mut MapFields<'_>,
    ) -> Result<Self, Thrown> {
        let mut rule = |name: &'static str| -> Result<Option<FnPtr>, Thrown> {
            let Some(value) = fields.take(name) else { return Ok(None) };
            let described = kind_of(&value);
            let wrong = || argument(ctx, format!("`{name}` is a function, |taken| …, not {described}"));
            value.try_cast::<FnPtr>().ok_or_else(wrong).map(Some)
        };
        let (after_point, after_pass) = (rule("stop_after_point")?, rule("stop_after_pass")?);
        let wanted = fields.take("until_error").map(|value| wanted_error(host, ctx, value)).transpose()?;
        let (error, again) = match wanted {
            Some((channel, error, Some(at_most))) => (None, Some(Again { channel, error, at_most })),
            Some((channel, error, None)) => (Some((channel, error)), None),
            None => (None, None),
        };
        Ok(Self { after_point, after_pass, error, again })
    }

    /// Points after which it is asked; none if nothing ends the sweep early.
    fn stretch(&self, plan: &SweepPlan) -> Option<u64> {
        let pass = plan.fast.points / plan.passes.max(1);
        let asked = self.after_pass.is_some() || self.error.is_some();
        if self.after_point.is_some() { Some(1) } else { asked.then_some(pass) }
    }

    /// Why what was measured is enough; nothing if it is not.
    fn enough(
        &self,
        host: &Host,
        ctx: &NativeCallContext<'_>,
        taken: &Sweep,
    ) -> Result<Option<String>, Thrown> {
        let plan = &taken.data.plan;
        let pass = (plan.fast.points / plan.passes.max(1)).max(1);
        let whole_pass = (taken.points() as u64).is_multiple_of(pass);
        if self.asked(host, ctx, self.after_point.as_ref(), "stop_after_point", taken)? {
            return Ok(Some("the sequence had seen enough after this point".to_owned()));
        }
        if !whole_pass {
            return Ok(None);
        }
        if self.asked(host, ctx, self.after_pass.as_ref(), "stop_after_pass", taken)? {
            return Ok(Some("the sequence had seen enough after this pass".to_owned()));
        }
        let Some((channel, wanted)) = self.error else { return Ok(None) };
        let reached = taken.mean_error(channel).filter(|error| *error <= wanted);
        let dimension = host.channel_at(channel).dimension().change();
        let show = |si: f64| super::fitting::rounded(Quantity::new(si, dimension));
        Ok(reached.map(|error| {
            let passes = taken.points() as u64 / pass;
            format!(
                "the error of the means is {} after {passes} passes, {} was wanted",
                show(error),
                show(wanted)
            )
        }))
    }

    fn asked(
        &self,
        host: &Host,
        ctx: &NativeCallContext<'_>,
        rule: Option<&FnPtr>,
        name: &str,
        taken: &Sweep,
    ) -> Result<bool, Thrown> {
        let Some(rule) = rule else { return Ok(false) };
        let answer = host.only_looking(|| rule.call_within_context::<Dynamic>(ctx, (taken.clone(),)))?;
        let wrong = || {
            argument(ctx, format!("`{name}` says true to stop or false to go on, not {}", kind_of(&answer)))
        };
        answer.as_bool().map_err(|_| wrong())
    }
}

/// A channel, its error that is wanted, and where it is reached point by point, the readings of a point at most.
fn wanted_error(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    value: Dynamic,
) -> Result<(ChannelId, f64, Option<u32>), Thrown> {
    let Some(map) = value.try_cast::<Map>() else {
        let message = "`until_error` is a map like #{ channel: \"LockinX\", error: 20.fA }, with `readings: 50` where each point is read again by itself";
        return Err(argument(ctx, message));
    };
    let mut fields = MapFields::new(ctx, "until_error", map);
    let name =
        fields.text("channel")?.ok_or_else(|| argument(ctx, "`until_error` needs the field `channel`"))?;
    let channel = host.channel(ctx, &name)?;
    let dimension = host.channel_at(channel).dimension().change();
    let error = quantity(ctx, &fields.need("error")?, dimension, "`error`")?;
    let readings = fields.whole("readings", u64::from(Again::FEWEST))?;
    fields.finish()?;
    if error <= 0.0 {
        return Err(argument(ctx, "`error` must be greater than zero"));
    }
    let too_many = |_| argument(ctx, "`readings` is too large");
    Ok((channel, error, readings.map(u32::try_from).transpose().map_err(too_many)?))
}

/// Measures a sweep, to its end or until a rule ends it.
pub(super) fn measure(
    host: &Rc<Host>,
    ctx: &NativeCallContext<'_>,
    plan: SweepPlan,
    rules: &Rules,
) -> Result<Sweep, Thrown> {
    let handle = |data: Rc<SweepData>| Sweep { data, bench: Arc::clone(&host.bench) };
    if let Some(again) = plan.again
        && !plan.gauges().contains(&again.channel)
    {
        let name = &host.channel_at(again.channel).name;
        return Err(argument(ctx, format!("`until_error` needs `{name}` among what is read")));
    }
    let Some(stretch) = rules.stretch(&plan) else {
        let data = data_of(ctx, host.call(ctx, Request::Sweep(Arc::new(plan)))?)?;
        return Ok(handle(Rc::new(data)));
    };
    if let Some((channel, _)) = rules.error
        && !plan.gauges().contains(&channel)
    {
        let name = &host.channel_at(channel).name;
        let wrong = format!("`until_error` goes by `{name}`, which is not read");
        return Err(argument(ctx, Said::with(wrong, "add it to `read`")));
    }
    if let Some((channel, _)) = rules.error
        && plan.passes < 2
    {
        let name = &host.channel_at(channel).name;
        let wrong = format!("`until_error` needs two `passes` or more, in which `{name}` is read");
        let help = "or `readings: 50` in it, the most of each point";
        return Err(argument(ctx, Said::with(wrong, help)));
    }
    let plan = Arc::new(plan);
    let mut taken: Option<Rc<SweepData>> = None;
    let mut first = 0;
    loop {
        let until = (first + stretch).min(plan.total());
        let piece = Arc::new(SweepPlan { first, until: Some(until), ..(*plan).clone() });
        let request = match &taken {
            None => Request::Sweep(piece),
            Some(taken) => Request::SweepOn { sweep: taken.sweep, first, until, plan: Some(piece) },
        };
        let more = data_of(ctx, host.call(ctx, request)?)?;
        let taken = taken.get_or_insert_with(|| {
            let (doubtful, values) = (Doubtful::default(), Vec::new());
            Rc::new(SweepData { plan: Arc::clone(&plan), doubtful, values, ..more })
        });
        // The sequence may have kept what it was shown; else nothing is copied.
        let so_far = Rc::make_mut(taken);
        so_far.values.extend_from_slice(&more.values);
        so_far.doubtful.append(&more.doubtful, 0);
        first = until;
        if until >= plan.total() {
            return Ok(handle(Rc::clone(taken)));
        }
        let because = match rules.enough(host, ctx, &handle(Rc::clone(taken))) {
            Ok(None) => continue,
            Ok(Some(because)) => Ok(because),
            Err(error) => Err(error),
        };
        let sweep = taken.sweep;
        let ended = |because: String| host.record(ctx, Statement::SweepEnd { sweep, points: first, because });
        return match because {
            Ok(because) => ended(because).map(|()| handle(Rc::clone(taken))),
            Err(error) => ended("its stop rule failed".to_owned()).and(Err(error)),
        };
    }
}

fn data_of(ctx: &NativeCallContext<'_>, answer: Answer) -> Result<SweepData, Thrown> {
    match answer {
        Answer::Sweep(data) => Ok(data),
        other => Err(argument(ctx, format!("a sweep was expected, not {other:?}"))),
    }
}
