//! Faults drawn from a seed, swarm style: each seed draws which kinds exist at all, then how many and how strong.

use super::{FaultPlan, Mishap, PROMISES, Planned, Promise};
use crate::instrument::faulty::{Misbehaviour, TASKS};
use crate::quantity::Moment;
use crate::supervisor::Word;
use noctule_sim::Fault;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

/// The faults of a night have a stream of their own.
const FAULT_STREAM: u64 = 0xfa17;
/// Nothing goes wrong before this, s: a night that can't even begin is another question.
const FIRST_S: f64 = 300.0;
/// Nothing goes wrong after this, s: faults stop, and the run must finish or say why.
const LAST_S: f64 = 8.0 * 3600.0;
/// Part of the nights in which something happens that must end the run.
const SEVERE_PART: f64 = 0.25;

/// One of the mishaps that a kind is made of: so much later than the others, so long, and what.
struct Part {
    later_s: f64,
    for_s: f64,
    mishap: Mishap,
}

macro_rules! kinds {
    ($($kind:ident => $recipe:expr,)*) => {
        /// The kinds of faults that nights are drawn from. [`PROMISES`] says what each leads to.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        #[allow(missing_docs, reason = "each is described by its promise")]
        pub enum Kind { $($kind,)* }

        impl Kind {
            /// All of them, in the order of [`PROMISES`].
            pub const ALL: &'static [Kind] = &[$(Kind::$kind,)*];

            /// What each is made of in one night, in the same order. What is drawn first stands first.
            const RECIPES: &'static [fn(&mut ChaCha8Rng) -> Vec<Part>] = &[$($recipe,)*];
        }
    };
}

kinds! {
    PressureBurst => |rng| at_once(world(Fault::PressureBurst { pa: between(rng, 2e-6, 1e-3) })),
    WarmSpell => |rng| lasting(between(rng, 600.0, 2400.0), world(Fault::WarmUp { k: between(rng, 0.3, 1.5) })),
    StageSensorSilent => |rng| {
        lasting(between(rng, 5.0, 1200.0), link(Misbehaviour::NotANumber, named("stage_temperature")))
    },
    CurrentLost => |rng| lasting(between(rng, 5.0, 600.0), reads(0.0, "current")),
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
    GaugeStuck => |rng| lasting(between(rng, 60.0, 1800.0), link(Misbehaviour::Stuck, gauge(rng))),
    GaugeStale => |rng| {
        let kind = Misbehaviour::Stale { by_s: between(rng, 1.0, 60.0) };
        lasting(between(rng, 60.0, 1800.0), link(kind, gauge(rng)))
    },
    GaugeDrifts => |rng| {
        // Up to a litre in an hour.
        let kind = Misbehaviour::Drifting { per_s: between(rng, 1e-8, 2.8e-7) * sign(rng) };
        lasting(between(rng, 60.0, 3600.0), link(kind, named("helium_level")))
    },
    GaugeSaturated => |rng| lasting(between(rng, 60.0, 1200.0), reads(1e3, "pot_temperature")),
    PressureGaugeSilent => |rng| {
        lasting(between(rng, 5.0, 1800.0), link(Misbehaviour::NotANumber, named("chamber_pressure")))
    },
    ShortSilence => |rng| {
        let heard = rng.random_bool(0.5);
        lasting(between(rng, 0.05, 1.5), whole_link(Misbehaviour::NoReply { heard }))
    },
    LateReplies => |rng| {
        let by_s = between(rng, 0.005, 0.3);
        lasting(between(rng, 10.0, 600.0), whole_link(Misbehaviour::LateReply { by_s }))
    },
    ShortGarble => |rng| lasting(between(rng, 0.01, 0.35), whole_link(Misbehaviour::Garbled)),
    Reconnect => |rng| lasting(between(rng, 1.0, 60.0), whole_link(Misbehaviour::ReconnectNeeded)),
    ClockJump => |rng| at_once(Mishap::ClockJump { by_s: between(rng, 1.0, 3600.0) * sign(rng) }),
    SlowDisk => |rng| lasting(between(rng, 10.0, 1200.0), Mishap::SlowDisk { lag_s: between(rng, 0.01, 3.0) }),
    TwoHolds => |rng| {
        let overload = part(0.0, 120.0, world(Fault::LockinOverload { for_s: 120.0 }));
        vec![overload, part(between(rng, 6.0, 60.0), 0.0, strong_burst(rng))]
    },
    OperatorHolds => |rng| {
        let word = if rng.random_bool(0.5) { Word::Hold } else { Word::HoldForRefill };
        let release = part(between(rng, 60.0, 1200.0), 0.0, Mishap::Operator(Word::Release));
        vec![part(0.0, 0.0, Mishap::Operator(word)), release]
    },
    TaskAnswerLost => |_| {
        let kind = Misbehaviour::NoReply { heard: true };
        lasting(f64::INFINITY, Mishap::Link { kind, channel: named(TASKS), times: Some(1) })
    },
    Quench => |_| at_once(world(Fault::Quench)),
    TipCrash => |_| at_once(world(Fault::TipCrash)),
    StageWarm => |rng| {
        lasting(between(rng, 7200.0, 36_000.0), world(Fault::WarmUp { k: between(rng, 8.0, 30.0) }))
    },
    BigLeak => |rng| lasting(f64::INFINITY, world(Fault::HeliumLeak { l_per_h: between(rng, 30.0, 100.0) })),
    CurrentSaturated => |rng| lasting(between(rng, 2.0, 60.0), reads(1e-8, "current")),
    LeadVoltage => |rng| {
        let voltage = reads(between(rng, 2.5, 10.0), "magnet_voltage");
        lasting(between(rng, 3.0, 60.0), voltage)
    },
    LongSilence => |rng| {
        let heard = rng.random_bool(0.5);
        lasting(between(rng, 60.0, 3600.0), whole_link(Misbehaviour::NoReply { heard }))
    },
    Refuses => |rng| lasting(between(rng, 60.0, 3600.0), whole_link(Misbehaviour::Refuses)),
    Lies => |rng| lasting(between(rng, 60.0, 3600.0), whole_link(Misbehaviour::Lies)),
    DiskFull => |_| lasting(f64::INFINITY, Mishap::DiskFull),
    FieldReadingStuck => |rng| {
        lasting(between(rng, 3600.0, 10_800.0), link(Misbehaviour::Stuck, named("field_z")))
    },
    HeliumGaugeSilent => |rng| {
        lasting(between(rng, 3600.0, 10_800.0), link(Misbehaviour::NotANumber, named("helium_level")))
    },
    TaskNeverEnds => |rng| {
        lasting(between(rng, 3600.0, 10_800.0), link(Misbehaviour::NeverDone, named(TASKS)))
    },
    LinkHangs => |rng| {
        let by_s = between(rng, 10.0, 300.0);
        lasting(between(rng, 60.0, 600.0), whole_link(Misbehaviour::LateReply { by_s }))
    },
    NotBroughtBack => |rng| {
        let tip_is_out_s = between(rng, 20.0, 40.0);
        let burst = part(0.0, 0.0, strong_burst(rng));
        vec![burst, part(tip_is_out_s, between(rng, 3600.0, 7200.0), whole_link(Misbehaviour::Refuses))]
    },
    TripWhileParking => |rng| {
        // Late replies, so that parking takes its time.
        let late = whole_link(Misbehaviour::LateReply { by_s: between(rng, 0.2, 0.4) });
        let then_s = between(rng, 1.0, 2.0);
        vec![
            part(0.0, 120.0, late),
            part(0.0, 60.0, reads(1e-8, "current")),
            part(then_s, 60.0, reads(3.0, "magnet_voltage")),
        ]
    },
    OperatorStops => |_| at_once(Mishap::Operator(Word::Stop)),
    WindowEnds => |_| at_once(Mishap::WindowEnds),
    KeeperLost => |_| at_once(Mishap::KeeperLost),
}

impl Kind {
    /// What is promised.
    pub fn promise(self) -> &'static Promise {
        &PROMISES[self as usize]
    }

    /// What it is made of, in one night: most are one mishap.
    fn draw(self, at: Moment, rng: &mut ChaCha8Rng) -> Vec<Planned> {
        let parts = Kind::RECIPES[self as usize](rng).into_iter();
        parts
            .map(|Part { later_s, for_s, mishap }| Planned { at: at.after(later_s), for_s, mishap })
            .collect()
    }
}

fn part(later_s: f64, for_s: f64, mishap: Mishap) -> Part {
    Part { later_s, for_s, mishap }
}

fn at_once(mishap: Mishap) -> Vec<Part> {
    vec![part(0.0, 0.0, mishap)]
}

fn lasting(for_s: f64, mishap: Mishap) -> Vec<Part> {
    vec![part(0.0, for_s, mishap)]
}

fn world(fault: Fault) -> Mishap {
    Mishap::World(fault)
}

/// A burst that is certain to have the tip withdrawn.
fn strong_burst(rng: &mut ChaCha8Rng) -> Mishap {
    world(Fault::PressureBurst { pa: between(rng, 2e-4, 1e-3) })
}

fn link(kind: Misbehaviour, channel: Option<String>) -> Mishap {
    Mishap::Link { kind, channel, times: None }
}

fn whole_link(kind: Misbehaviour) -> Mishap {
    link(kind, None)
}

/// A gauge stands at a value.
fn reads(at: f64, channel: &str) -> Mishap {
    link(Misbehaviour::Saturated { at }, named(channel))
}

fn named(channel: &str) -> Option<String> {
    Some(channel.to_owned())
}

fn gauge(rng: &mut ChaCha8Rng) -> Option<String> {
    let gauges = ["stage_temperature", "helium_level", "chamber_pressure", "pot_temperature"];
    named(gauges[rng.random_range(0..gauges.len())])
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
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(FAULT_STREAM);
    let busy = rng.random_range(0.02..0.35);
    let severe = rng.random_bool(SEVERE_PART);
    let must_end: Vec<Kind> = Kind::ALL.iter().copied().filter(|kind| !kind.promise().rides_out).collect();
    let the_severe = must_end[rng.random_range(0..must_end.len())];
    let (mut plan, mut kinds) = (FaultPlan::default(), Vec::new());
    for kind in Kind::ALL {
        let exists =
            if kind.promise().rides_out { rng.random_bool(busy) } else { severe && *kind == the_severe };
        if !exists {
            continue;
        }
        kinds.push(*kind);
        let times = if kind.promise().rides_out { rng.random_range(1..=3) } else { 1 };
        for _ in 0..times {
            let at = Moment::from_s(rng.random_range(FIRST_S..LAST_S));
            plan.faults.extend(kind.draw(at, &mut rng));
        }
    }
    plan.faults.sort_by_key(|planned| planned.at);
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
                plan.faults
                    .iter()
                    .all(|planned| planned.at.s() >= FIRST_S && planned.at.s() <= LAST_S + 1200.0)
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
            for byte in format!("{:?}", draw(seed)).bytes() {
                sum = (sum ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3);
            }
        }
        assert_eq!(format!("{sum:016x}"), "699d2af8c6c3c5fa");
    }
}
