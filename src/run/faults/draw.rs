//! Faults drawn from a seed, swarm style: each seed draws which kinds exist at all, then how many and how strong.

use super::{FaultPlan, PROMISES, Promise};
use crate::faults::{LinkTrouble, Mishap, Planned, RunnerTrouble};
use crate::instrument::faulty::TASKS;
use crate::record::Word;
use noctule_ground::fault::Fault;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use serde::{Deserialize, Serialize};

/// The faults of a night have a stream of their own.
const FAULT_STREAM: u64 = 0xfa17;
/// So have outages, so that the nights of before are what they have been.
const OUTAGE_STREAM: u64 = 0xfa18;
/// Part of the nights with an outage.
const OUTAGE_PART: f64 = 0.25;
/// Nothing goes wrong before this, s: a night that can't even begin is another question.
const FIRST_S: f64 = 300.0;
/// Nothing goes wrong after this, s: faults stop, and the run must finish or say why.
const LAST_S: f64 = 8.0 * 3600.0;
/// Part of the nights in which something happens that must end the run.
const SEVERE_PART: f64 = 0.25;

macro_rules! kinds {
    ($($kind:ident => $recipe:expr,)*) => {
        /// The kinds of faults that nights are drawn from. [`PROMISES`] says what each leads to.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        #[allow(missing_docs, reason = "each is described by its promise")]
        pub enum Kind { $($kind,)* }

        impl Kind {
            /// All of them, in the order of [`PROMISES`].
            pub const ALL: &'static [Kind] = &[$(Kind::$kind,)*];

            /// What each is made of in one night, in the same order. What is drawn first stands first.
            const RECIPES: &'static [fn(&mut ChaCha8Rng) -> Vec<Planned>] = &[$($recipe,)*];
        }
    };
}

kinds! {
    PressureBurst => |rng| at_once(world(Fault::PressureBurst { pa: between(rng, 2e-6, 1e-3) })),
    WarmSpell => |rng| lasting(between(rng, 600.0, 2400.0), world(Fault::WarmUp { k: between(rng, 0.3, 1.5) })),
    StageSensorSilent => |rng| {
        on(lasting(between(rng, 5.0, 1200.0), link(LinkTrouble::NotANumber)), "stage_temperature")
    },
    CurrentLost => |rng| vec![reads(0.0, between(rng, 5.0, 600.0), 0.0, "current")],
    LockinOverload => |rng| {
        let for_s = between(rng, 2.0, 120.0);
        lasting(for_s, world(Fault::LockinOverload { for_s }))
    },
    RfDropOut => |rng| {
        let for_s = between(rng, 5.0, 300.0);
        lasting(for_s, world(Fault::RfDropOut { for_s }))
    },
    SmallLeak => |rng| {
        let l_per_h = between(rng, 0.05, 0.3);
        lasting(between(rng, 1800.0, 10_800.0), world(Fault::HeliumLeak { l_per_h }))
    },
    TipChange => |_| at_once(world(Fault::TipChange)),
    TipDrift => |rng| {
        let m_per_s = between(rng, 1e-14, 2e-13) * sign(rng);
        lasting(between(rng, 300.0, 1800.0), world(Fault::TipDrift { m_per_s }))
    },
    GaugeStuck => |rng| on(lasting(between(rng, 60.0, 1800.0), link(LinkTrouble::Stuck)), gauge(rng)),
    GaugeStale => |rng| {
        let kind = LinkTrouble::Stale { by_s: between(rng, 1.0, 60.0) };
        on(lasting(between(rng, 60.0, 1800.0), link(kind)), gauge(rng))
    },
    GaugeDrifts => |rng| {
        // Up to a litre in an hour.
        let kind = LinkTrouble::Drifting { per_s: between(rng, 1e-8, 2.8e-7) * sign(rng) };
        on(lasting(between(rng, 60.0, 3600.0), link(kind)), "helium_level")
    },
    GaugeSaturated => |rng| vec![reads(0.0, between(rng, 60.0, 1200.0), 1e3, "pot_temperature")],
    PressureGaugeSilent => |rng| {
        on(lasting(between(rng, 5.0, 1800.0), link(LinkTrouble::NotANumber)), "chamber_pressure")
    },
    ShortSilence => |rng| {
        let heard = rng.random_bool(0.5);
        lasting(between(rng, 0.05, 1.5), link(LinkTrouble::NoReply { heard }))
    },
    LateReplies => |rng| {
        let by_s = between(rng, 0.005, 0.3);
        lasting(between(rng, 10.0, 600.0), link(LinkTrouble::LateReply { by_s }))
    },
    ShortGarble => |rng| lasting(between(rng, 0.01, 0.35), link(LinkTrouble::Garbled)),
    Reconnect => |rng| lasting(between(rng, 1.0, 60.0), link(LinkTrouble::ReconnectNeeded)),
    ClockJump => |rng| at_once(runner(RunnerTrouble::ClockJump { by_s: between(rng, 1.0, 3600.0) * sign(rng) })),
    SlowDisk => |rng| {
        let for_s = between(rng, 10.0, 1200.0);
        lasting(for_s, runner(RunnerTrouble::SlowDisk { lag_s: between(rng, 0.01, 3.0) }))
    },
    TwoHolds => |rng| {
        let overload = part(0.0, 120.0, world(Fault::LockinOverload { for_s: 120.0 }));
        vec![overload, part(between(rng, 6.0, 60.0), 0.0, strong_burst(rng))]
    },
    OperatorHolds => |rng| {
        let word = if rng.random_bool(0.5) { Word::Hold } else { Word::HoldForRefill };
        let release = part(between(rng, 60.0, 1200.0), 0.0, operator(Word::Release));
        vec![part(0.0, 0.0, operator(word)), release]
    },
    TaskAnswerLost => |_| {
        let kind = LinkTrouble::NoReply { heard: true };
        let lost = part(0.0, f64::INFINITY, link(kind));
        vec![Planned { times: Some(1), on: Some(TASKS.to_owned()), ..lost }]
    },
    Silence => |rng| {
        let heard = rng.random_bool(0.5);
        lasting(between(rng, 1.5, 600.0), link(LinkTrouble::NoReply { heard }))
    },
    Quench => |_| at_once(world(Fault::Quench)),
    TipCrash => |_| at_once(world(Fault::TipCrash)),
    StageWarm => |rng| {
        lasting(between(rng, 7200.0, 36_000.0), world(Fault::WarmUp { k: between(rng, 8.0, 30.0) }))
    },
    BigLeak => |rng| lasting(f64::INFINITY, world(Fault::HeliumLeak { l_per_h: between(rng, 30.0, 100.0) })),
    CurrentSaturated => |rng| vec![reads(0.0, between(rng, 2.0, 60.0), 1e-8, "current")],
    LeadVoltage => |rng| {
        let volts = between(rng, 2.5, 10.0);
        vec![reads(0.0, between(rng, 3.0, 60.0), volts, "magnet_voltage")]
    },
    LongSilence => |rng| {
        let heard = rng.random_bool(0.5);
        lasting(between(rng, 60.0, 3600.0), link(LinkTrouble::NoReply { heard }))
    },
    Refuses => |rng| lasting(between(rng, 60.0, 3600.0), link(LinkTrouble::Refuses)),
    Lies => |rng| lasting(between(rng, 60.0, 3600.0), link(LinkTrouble::Lies)),
    DiskFull => |_| lasting(f64::INFINITY, runner(RunnerTrouble::DiskFull)),
    FieldReadingStuck => |rng| {
        on(lasting(between(rng, 3600.0, 10_800.0), link(LinkTrouble::Stuck)), "field_z")
    },
    HeliumGaugeSilent => |rng| {
        on(lasting(between(rng, 3600.0, 10_800.0), link(LinkTrouble::NotANumber)), "helium_level")
    },
    TaskNeverEnds => |rng| {
        on(lasting(between(rng, 3600.0, 10_800.0), link(LinkTrouble::NeverDone)), TASKS)
    },
    LinkHangs => |rng| {
        let by_s = between(rng, 10.0, 300.0);
        lasting(between(rng, 60.0, 600.0), link(LinkTrouble::LateReply { by_s }))
    },
    NotBroughtBack => |rng| {
        let tip_is_out_s = between(rng, 20.0, 40.0);
        let burst = part(0.0, 0.0, strong_burst(rng));
        vec![burst, part(tip_is_out_s, between(rng, 3600.0, 7200.0), link(LinkTrouble::Refuses))]
    },
    TripWhileParking => |rng| {
        // Late replies, so that parking takes its time.
        let late = link(LinkTrouble::LateReply { by_s: between(rng, 0.2, 0.4) });
        let then_s = between(rng, 1.0, 2.0);
        vec![
            part(0.0, 120.0, late),
            reads(0.0, 60.0, 1e-8, "current"),
            reads(then_s, 60.0, 3.0, "magnet_voltage"),
        ]
    },
    OperatorStops => |_| at_once(operator(Word::Stop)),
    WindowEnds => |_| at_once(runner(RunnerTrouble::WindowEnds)),
    KeeperLost => |_| at_once(runner(RunnerTrouble::KeeperLost)),
    ShortOutage => |rng| lasting(between(rng, 0.01, 0.35), link(LinkTrouble::Outage)),
    GaugesAway => |rng| away(INSTRUMENTS[4], between(rng, 1.0, 1200.0)),
    InstrumentAway => |rng| {
        let instrument = INSTRUMENTS[rng.random_range(0..4)];
        away(instrument, between(rng, 1.0, 3600.0))
    },
    AllAway => |rng| lasting(between(rng, 1.0, 3600.0), link(LinkTrouble::Outage)),
}

/// Outages are drawn apart from what was there before them.
const OUTAGES: [Kind; 5] =
    [Kind::Silence, Kind::ShortOutage, Kind::GaugesAway, Kind::InstrumentAway, Kind::AllAway];

/// What goes out together on a bench with five instruments: channels by the names of the shipped benches, and tasks. The
/// gauges stand last: a run can wait for them.
const INSTRUMENTS: [&[&str]; 5] = [
    &["bias", "setpoint", "feedback", "current", "height", "tip_x", "tip_y", "approached", TASKS],
    &["field_z", "field_x", "magnet_voltage"],
    &["rf_frequency", "rf_level", "rf_output"],
    &[
        "lockin_x",
        "lockin_y",
        "lockin_reference",
        "lockin_modulation",
        "lockin_time_constant",
        "lockin_order",
        "lockin_overload",
    ],
    &["stage_temperature", "pot_temperature", "helium_level", "chamber_pressure", "preparation_pressure"],
];

/// An instrument is away.
fn away(channels: &[&str], for_s: f64) -> Vec<Planned> {
    channels.iter().flat_map(|channel| on(lasting(for_s, link(LinkTrouble::Outage)), channel)).collect()
}

impl Kind {
    /// What is promised.
    pub fn promise(self) -> &'static Promise {
        &PROMISES[self as usize]
    }

    /// What it is made of, in one night: most are one mishap.
    fn draw(self, at_s: f64, rng: &mut ChaCha8Rng) -> Vec<Planned> {
        let parts = Kind::RECIPES[self as usize](rng).into_iter();
        parts.map(|part| Planned { at_s: at_s + part.at_s, ..part }).collect()
    }
}

/// So much later than the beginning of its kind, for so long.
fn part(later_s: f64, for_s: f64, mishap: Mishap) -> Planned {
    Planned::once(later_s, for_s, mishap)
}

fn at_once(mishap: Mishap) -> Vec<Planned> {
    vec![part(0.0, 0.0, mishap)]
}

fn lasting(for_s: f64, mishap: Mishap) -> Vec<Planned> {
    vec![part(0.0, for_s, mishap)]
}

fn world(fault: Fault) -> Mishap {
    Mishap::World(fault)
}

/// A burst that is certain to have the tip withdrawn.
fn strong_burst(rng: &mut ChaCha8Rng) -> Mishap {
    world(Fault::PressureBurst { pa: between(rng, 2e-4, 1e-3) })
}

fn link(kind: LinkTrouble) -> Mishap {
    Mishap::Link(kind)
}

fn runner(trouble: RunnerTrouble) -> Mishap {
    Mishap::Runner(trouble)
}

fn operator(word: Word) -> Mishap {
    runner(RunnerTrouble::Operator(word))
}

/// Of one channel, or of tasks alone.
fn on(parts: Vec<Planned>, channel: &str) -> Vec<Planned> {
    parts.into_iter().map(|part| Planned { on: Some(channel.to_owned()), ..part }).collect()
}

/// A gauge stands at a value.
fn reads(later_s: f64, for_s: f64, at: f64, channel: &str) -> Planned {
    Planned { on: Some(channel.to_owned()), ..part(later_s, for_s, link(LinkTrouble::Saturated { at })) }
}

fn gauge(rng: &mut ChaCha8Rng) -> &'static str {
    let gauges = ["stage_temperature", "helium_level", "chamber_pressure", "pot_temperature"];
    gauges[rng.random_range(0..gauges.len())]
}

/// Evenly spread over the decades.
fn between(rng: &mut ChaCha8Rng, from: f64, to: f64) -> f64 {
    (rng.random_range(0.0..1.0) * (to / from).ln()).exp() * from
}

fn sign(rng: &mut ChaCha8Rng) -> f64 {
    if rng.random_bool(0.5) { 1.0 } else { -1.0 }
}

/// The faults of one night, and the kinds that they are of.
pub fn draw(seed: u64) -> (FaultPlan, Vec<Kind>) {
    let (mut plan, mut kinds) = draw_all_but_outages(seed);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(OUTAGE_STREAM);
    if rng.random_bool(OUTAGE_PART) {
        let kind = OUTAGES[rng.random_range(0..OUTAGES.len())];
        // Over the decades, so that short nights have their part.
        let at_s = between(&mut rng, FIRST_S, LAST_S);
        plan.faults.extend(kind.draw(at_s, &mut rng));
        kinds.push(kind);
    }
    plan.faults.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    (plan, kinds)
}

fn draw_all_but_outages(seed: u64) -> (FaultPlan, Vec<Kind>) {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(FAULT_STREAM);
    let busy = rng.random_range(0.02..0.35);
    let severe = rng.random_bool(SEVERE_PART);
    let all = || Kind::ALL.iter().copied().filter(|kind| !OUTAGES.contains(kind));
    let must_end: Vec<Kind> = all().filter(|kind| !kind.promise().rides_out).collect();
    let the_severe = must_end[rng.random_range(0..must_end.len())];
    let (mut plan, mut kinds) = (FaultPlan::default(), Vec::new());
    for kind in all() {
        let exists =
            if kind.promise().rides_out { rng.random_bool(busy) } else { severe && kind == the_severe };
        if !exists {
            continue;
        }
        kinds.push(kind);
        let times = if kind.promise().rides_out { rng.random_range(1..=3) } else { 1 };
        for _ in 0..times {
            let at_s = rng.random_range(FIRST_S..LAST_S);
            plan.faults.extend(kind.draw(at_s, &mut rng));
        }
    }
    plan.faults.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    (plan, kinds)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_has_its_promise_and_is_drawn() {
        assert_eq!(Kind::ALL.len(), PROMISES.len());
        let mut seen = vec![0; Kind::ALL.len()];
        for seed in 0..1000 {
            let (plan, kinds) = draw(seed);
            assert!(
                plan.faults.iter().all(|planned| planned.at_s >= FIRST_S && planned.at_s <= LAST_S + 1200.0)
            );
            kinds.iter().for_each(|kind| seen[*kind as usize] += 1);
            assert_eq!(draw(seed), (plan, kinds), "the same seed draws the same faults");
        }
        assert!(seen.iter().all(|count| *count > 5), "{seen:?}");
    }

    /// A record knows a night by its seed alone, so what is drawn for a seed does not change without need.
    #[test]
    fn the_nights_are_what_they_have_been() {
        let mut sum = 0xcbf2_9ce4_8422_2325_u64;
        for seed in 0..2000 {
            for byte in format!("{:?}", draw_all_but_outages(seed)).bytes() {
                sum = (sum ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
            }
        }
        assert_eq!(format!("{sum:016x}"), "b4dc72b2a3476b9e");
    }
}
