//! The RF line: how much comes through it, and sweeps in which the level makes up for it.

use super::{deciding, places, sweeping};
use crate::analysis::transmission::Transmission;
use crate::bench::Role;
use crate::quantity::{Dimension, Quantity};
use crate::record::JudgementKind;
use crate::script::convert::{MapFields, quantity};
use crate::script::error::{Said, Thrown, argument, thrown, unfit, unusable};
use crate::script::handles::{Sweep, TransmissionHandle};
use crate::script::host::Host;
use crate::script::registry::{Chapter, Gives, Kind, Time, Verb, acts, in_chapter, param};
use crate::supervisor::Statement;
use rhai::{Dynamic, Engine, Map, NativeCallContext};
use std::ops::Range;
use std::rc::Rc;

/// Neighbouring points share a level where what they need differs by no more, dB: about 1 % of power to either side.
const SHARED_DB: f64 = 0.1;

/// The table of this chapter.
pub const VERBS: &[Verb] = &[
    Verb {
        name: "transmission",
        params: &[
            param("sweep", Kind::Handle("sweep"), "a sweep of the RF frequency at one level, off resonance"),
            param("channel", Kind::Channel, "which reading; the lock-in's X where it is left out"),
        ],
        optional: 1,
        gives: Gives::Handle("transmission"),
        summary: "How much of the RF comes through its line, from the current that the junction rectifies where no spin is: `spread` and `error` in dB, `at(frequency)` in dB from the mean, `level_for(frequency, wanted)` for the source.",
        example: "set(\"Setpoint\", 60.pA);\nset(\"RfLevel\", 0.dBm);\nwait(5.s);\nset(\"RfOutput\", 1);\nlet line = transmission(sweep(#{ channel: \"RfFrequency\", from: 10.GHz, to: 10.4.GHz, points: 11, read: \"LockinX\", dwell: 2.s, average: 8 }));\nnote(`spread ${line.spread} dB; at 10.2 GHz the source needs ${line.level_for(10.2.GHz, -14.dBm)}`);",
        ..in_chapter(Chapter::Sweeps)
    },
    Verb {
        name: "compensated_sweep",
        params: &[
            param(
                "plan",
                Kind::Fields(
                    "from to points read level | values passes until_error stop_after_point stop_after_pass name dwell average settle",
                ),
                "frequencies, the level at mean transmission, what is read",
            ),
            param(
                "transmission",
                Kind::Handle("transmission"),
                "as measured before over at least this range",
            ),
        ],
        gives: Gives::Handle("sweep"),
        summary: "Sweeps the RF frequency with a level for each point that brings the same power to the junction everywhere: the level is moved along, and its column says what it was.",
        example: "set(\"Setpoint\", 60.pA);\nset(\"RfLevel\", 0.dBm);\nwait(5.s);\nset(\"RfOutput\", 1);\nlet line = transmission(sweep(#{ channel: \"RfFrequency\", from: 10.GHz, to: 10.2.GHz, points: 6, read: \"LockinX\", dwell: 2.s, average: 8 }));\nlet flat = compensated_sweep(#{ from: 10.GHz, to: 10.2.GHz, points: 11, level: -3.dBm, read: \"LockinX\" }, line);",
        nature: acts(Time::Reckoned, &[Role::RfFrequency, Role::RfLevel], &[]),
        ..in_chapter(Chapter::Sweeps)
    },
];

pub(super) fn register(engine: &mut Engine, host: &Rc<Host>) {
    let h = Rc::clone(host);
    engine.register_fn("transmission", move |ctx: NativeCallContext, sweep: Sweep| {
        transmission(&h, &ctx, &sweep, Role::LockinX.name())
    });
    let h = Rc::clone(host);
    engine.register_fn("transmission", move |ctx: NativeCallContext, sweep: Sweep, channel: &str| {
        transmission(&h, &ctx, &sweep, channel)
    });
    let h = Rc::clone(host);
    engine.register_fn(
        "compensated_sweep",
        move |ctx: NativeCallContext, plan: Map, line: TransmissionHandle| {
            compensated(&h, &ctx, plan, &line.0)
        },
    );
    engine.register_type_with_name::<TransmissionHandle>("transmission");
    engine.register_get("spread", |line: &mut TransmissionHandle| line.0.spread_db());
    engine.register_get("error", |line: &mut TransmissionHandle| line.0.error_db);
    engine.register_fn("at", |ctx: NativeCallContext, line: &mut TransmissionHandle, frequency: Dynamic| {
        let f_hz = quantity(&ctx, &frequency, Dimension::FREQUENCY, "the frequency")?;
        line.0.at(f_hz).ok_or_else(|| outside(&ctx, f_hz, &line.0))
    });
    engine.register_fn(
        "level_for",
        |ctx: NativeCallContext, line: &mut TransmissionHandle, frequency: Dynamic, wanted: Dynamic| {
            let f_hz = quantity(&ctx, &frequency, Dimension::FREQUENCY, "the frequency")?;
            let wanted = quantity(&ctx, &wanted, Dimension::LEVEL, "the wanted level")?;
            let level = line.0.level_dbm(f_hz, wanted).ok_or_else(|| outside(&ctx, f_hz, &line.0))?;
            Ok::<_, Thrown>(Quantity::new(level, Dimension::LEVEL))
        },
    );
}

fn outside(ctx: &NativeCallContext<'_>, f_hz: f64, line: &Transmission) -> Thrown {
    let show = |si: Option<&f64>| Quantity::new(si.copied().unwrap_or(f64::NAN), Dimension::FREQUENCY);
    let (first, last) = (show(line.f_hz.first()), show(line.f_hz.last()));
    let asked = Quantity::new(f_hz, Dimension::FREQUENCY);
    unfit(ctx, format!("the transmission was measured from {first} to {last}, not at {asked}"))
}

fn transmission(
    host: &Host,
    ctx: &NativeCallContext<'_>,
    sweep: &Sweep,
    channel: &str,
) -> Result<TransmissionHandle, Thrown> {
    if host.bench.by_role(Role::RfFrequency) != Some(sweep.data.plan.fast.channel) {
        return Err(argument(ctx, "a transmission is worked out from a sweep of the RF frequency"));
    }
    let (f_hz, signal) = sweep
        .spectrum(channel)
        .ok_or_else(|| argument(ctx, format!("this sweep did not read `{channel}`")))?;
    let line = Transmission::from_rectified(&f_hz, &signal).map_err(|error| {
        unusable(ctx, format!("sweep {} shows no transmission: {error}", sweep.data.sweep))
    })?;
    let title = format!(
        "{} {}: transmission of the RF line within {:.2} dB, known to {:.2} dB",
        sweep.data.plan.name,
        sweep.data.sweep,
        line.spread_db(),
        line.error_db
    );
    let body = serde_json::to_value(&line).unwrap_or_default();
    let what = JudgementKind::Transmission;
    host.record(ctx, Statement::Judgement { what, sweep: Some(sweep.data.sweep), title, body })?;
    Ok(TransmissionHandle(Rc::new(line)))
}

fn compensated(
    host: &Rc<Host>,
    ctx: &NativeCallContext<'_>,
    map: Map,
    line: &Transmission,
) -> Result<Sweep, Thrown> {
    let mut fields = MapFields::new(ctx, "compensated_sweep", map);
    let frequency = host.channel(ctx, Role::RfFrequency.name())?;
    let level = host.channel(ctx, Role::RfLevel.name())?;
    let wanted = quantity(ctx, &fields.need("level")?, Dimension::LEVEL, "`level`")?;
    let fast = places::line_of(host, ctx, &mut fields, frequency)?;
    let (mut plan, rules) = sweeping::plan(host, ctx, fields, (fast, None), None)?;
    if plan.both_ways {
        return Err(argument(ctx, "a compensated sweep goes one way"));
    }
    let mut levels = Vec::new();
    for i in 0..plan.fast.points {
        let f_hz = plan.at(i).0;
        levels.push(line.level_dbm(f_hz, wanted).ok_or_else(|| outside(ctx, f_hz, line))?);
    }
    // Refused as a whole, before anything is measured.
    let channel = host.channel_at(level);
    if let Some(needed) = levels.iter().find(|needed| !channel.within(**needed)) {
        let wrong = format!(
            "the compensation would need {}, outside the limits of `{}`, {} to {}",
            channel.show(*needed),
            channel.name,
            channel.show(channel.min),
            channel.show(channel.max)
        );
        return Err(thrown(ctx, "forbidden", "refused", Said::with(wrong, "choose another `level`")));
    }
    for (range, level_dbm) in pieces(&levels) {
        levels[range].fill(level_dbm);
    }
    places::push(&mut plan, level, levels);
    deciding::measure(host, ctx, plan, &rules)
}

/// Ranges of neighbouring points that can share a level, and that level.
fn pieces(levels: &[f64]) -> Vec<(Range<usize>, f64)> {
    let mut pieces = Vec::new();
    let mut start = 0;
    while start < levels.len() {
        let (mut least, mut most) = (levels[start], levels[start]);
        let mut end = start + 1;
        while end < levels.len() {
            let (low, high) = (least.min(levels[end]), most.max(levels[end]));
            if high - low > SHARED_DB {
                break;
            }
            (least, most, end) = (low, high, end + 1);
        }
        pieces.push((start..end, 0.5 * (least + most)));
        start = end;
    }
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_share_a_level_only_where_it_hardly_differs() {
        let levels = [0.0, 0.04, 0.08, 0.2, -3.0];
        let found = pieces(&levels);
        assert_eq!(found.iter().map(|p| p.0.clone()).collect::<Vec<_>>(), [0..3, 3..4, 4..5]);
        for (range, level) in found {
            assert!(levels[range].iter().all(|needed| (needed - level).abs() <= 0.5 * SHARED_DB + 1e-12));
        }
    }
}
