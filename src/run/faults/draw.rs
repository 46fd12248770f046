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

macro_rules! kinds {
    ($($kind:ident,)*) => {
        /// The kinds of faults that nights are drawn from. [`PROMISES`] says what each leads to.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
        #[allow(missing_docs, reason = "each is described by its promise")]
        pub enum Kind { $($kind,)* }

        impl Kind {
            /// All of them, in the order of [`PROMISES`].
            pub const ALL: &'static [Kind] = &[$(Kind::$kind,)*];
        }
    };
}

kinds! {
    PressureBurst, WarmSpell, StageSensorSilent, CurrentLost, LockinOverload, RfDropOut, SmallLeak, TipChange,
    TipDrift, GaugeStuck, GaugeStale, GaugeDrifts, GaugeSaturated, PressureGaugeSilent, ShortSilence, LateReplies,
    ShortGarble, Reconnect, ClockJump, SlowDisk, TwoHolds, OperatorHolds, TaskAnswerLost,
    Quench, TipCrash, StageWarm, BigLeak, CurrentSaturated, LeadVoltage, LongSilence, Refuses, Lies, DiskFull,
    FieldReadingStuck, HeliumGaugeSilent, TaskNeverEnds, LinkHangs, NotBroughtBack, TripWhileParking,
    OperatorStops, WindowEnds, KeeperLost,
}

impl Kind {
    /// What is promised.
    pub fn promise(self) -> &'static Promise {
        &PROMISES[self as usize]
    }

    /// What it is made of, in one night: most are one mishap.
    fn draw(self, at: Moment, rng: &mut ChaCha8Rng) -> Vec<Planned> {
        let burst = |rng: &mut ChaCha8Rng| Fault::PressureBurst { pa: between(rng, 2e-4, 1e-3) };
        let later = |seconds: f64, for_s, mishap| Planned { at: at.after(seconds), for_s, mishap };
        let reads = |at, channel| Mishap::Link {
            kind: Misbehaviour::Saturated { at },
            channel: named(channel),
            times: None,
        };
        match self {
            Kind::TwoHolds => {
                let overload = Mishap::World(Fault::LockinOverload { for_s: 120.0 });
                let then_s = between(rng, 6.0, 60.0);
                vec![later(0.0, 120.0, overload), later(then_s, 0.0, Mishap::World(burst(rng)))]
            }
            Kind::OperatorHolds => {
                let word = if rng.random_bool(0.5) { Word::Hold } else { Word::HoldForRefill };
                let release = Mishap::Operator(Word::Release);
                vec![later(0.0, 0.0, Mishap::Operator(word)), later(between(rng, 60.0, 1200.0), 0.0, release)]
            }
            Kind::NotBroughtBack => {
                let kind = Misbehaviour::Refuses;
                let refuses = Mishap::Link { kind, channel: None, times: None };
                let tip_is_out_s = between(rng, 20.0, 40.0);
                vec![
                    later(0.0, 0.0, Mishap::World(burst(rng))),
                    later(tip_is_out_s, between(rng, 3600.0, 7200.0), refuses),
                ]
            }
            Kind::TripWhileParking => {
                // Late replies, so that parking takes its time.
                let kind = Misbehaviour::LateReply { by_s: between(rng, 0.2, 0.4) };
                let then_s = between(rng, 1.0, 2.0);
                vec![
                    later(0.0, 120.0, Mishap::Link { kind, channel: None, times: None }),
                    later(0.0, 60.0, reads(1e-8, "current")),
                    later(then_s, 60.0, reads(3.0, "magnet_voltage")),
                ]
            }
            _ => vec![self.draw_one(at, rng)],
        }
    }

    fn draw_one(self, at: Moment, rng: &mut ChaCha8Rng) -> Planned {
        let stage = Some("stage_temperature".to_owned());
        let link = |kind, channel| Mishap::Link { kind, channel, times: None };
        let whole = None;
        let (for_s, mishap) = match self {
            Kind::PressureBurst => {
                (0.0, Mishap::World(Fault::PressureBurst { pa: between(rng, 2e-6, 1e-3) }))
            }
            Kind::WarmSpell => {
                (between(rng, 600.0, 2400.0), Mishap::World(Fault::WarmUp { k: between(rng, 0.3, 1.5) }))
            }
            Kind::StageSensorSilent => (between(rng, 5.0, 1200.0), link(Misbehaviour::NotANumber, stage)),
            Kind::CurrentLost => {
                (between(rng, 5.0, 600.0), link(Misbehaviour::Saturated { at: 0.0 }, named("current")))
            }
            Kind::LockinOverload => {
                let for_s = between(rng, 2.0, 120.0);
                (for_s, Mishap::World(Fault::LockinOverload { for_s }))
            }
            Kind::RfDropOut => {
                let for_s = between(rng, 5.0, 300.0);
                (for_s, Mishap::World(Fault::RfDropOut { for_s }))
            }
            Kind::SmallLeak => {
                let l_per_h = between(rng, 0.05, 0.3);
                (between(rng, 1800.0, 10_800.0), Mishap::World(Fault::HeliumLeak { l_per_h }))
            }
            Kind::TipChange => (0.0, Mishap::World(Fault::TipChange)),
            Kind::TipDrift => {
                let m_per_s = between(rng, 1e-14, 2e-13) * sign(rng);
                (between(rng, 300.0, 1800.0), Mishap::World(Fault::TipDrift { m_per_s }))
            }
            Kind::GaugeStuck => (between(rng, 60.0, 1800.0), link(Misbehaviour::Stuck, gauge(rng))),
            Kind::GaugeStale => {
                let by_s = between(rng, 1.0, 60.0);
                (between(rng, 60.0, 1800.0), link(Misbehaviour::Stale { by_s }, gauge(rng)))
            }
            Kind::GaugeDrifts => {
                // Up to a litre in an hour.
                let per_s = between(rng, 1e-8, 2.8e-7) * sign(rng);
                let kind = Misbehaviour::Drifting { per_s };
                (between(rng, 60.0, 3600.0), link(kind, named("helium_level")))
            }
            Kind::GaugeSaturated => {
                let kind = Misbehaviour::Saturated { at: 1e3 };
                (between(rng, 60.0, 1200.0), link(kind, named("pot_temperature")))
            }
            Kind::PressureGaugeSilent => {
                (between(rng, 5.0, 1800.0), link(Misbehaviour::NotANumber, named("chamber_pressure")))
            }
            Kind::ShortSilence => {
                let heard = rng.random_bool(0.5);
                (between(rng, 0.05, 1.5), link(Misbehaviour::NoReply { heard }, whole))
            }
            Kind::LateReplies => {
                let by_s = between(rng, 0.005, 0.3);
                (between(rng, 10.0, 600.0), link(Misbehaviour::LateReply { by_s }, whole))
            }
            Kind::ShortGarble => (between(rng, 0.01, 0.35), link(Misbehaviour::Garbled, whole)),
            Kind::Reconnect => (between(rng, 1.0, 60.0), link(Misbehaviour::ReconnectNeeded, whole)),
            Kind::ClockJump => (0.0, Mishap::ClockJump { by_s: between(rng, 1.0, 3600.0) * sign(rng) }),
            Kind::SlowDisk => {
                (between(rng, 10.0, 1200.0), Mishap::SlowDisk { lag_s: between(rng, 0.01, 3.0) })
            }
            Kind::Quench => (0.0, Mishap::World(Fault::Quench)),
            Kind::TipCrash => (0.0, Mishap::World(Fault::TipCrash)),
            Kind::StageWarm => {
                (between(rng, 7200.0, 36_000.0), Mishap::World(Fault::WarmUp { k: between(rng, 8.0, 30.0) }))
            }
            Kind::BigLeak => {
                (f64::INFINITY, Mishap::World(Fault::HeliumLeak { l_per_h: between(rng, 30.0, 100.0) }))
            }
            Kind::CurrentSaturated => {
                let kind = Misbehaviour::Saturated { at: 1e-8 };
                (between(rng, 2.0, 60.0), link(kind, named("current")))
            }
            Kind::LeadVoltage => {
                let kind = Misbehaviour::Saturated { at: between(rng, 2.5, 10.0) };
                (between(rng, 3.0, 60.0), link(kind, named("magnet_voltage")))
            }
            Kind::LongSilence => {
                let heard = rng.random_bool(0.5);
                (between(rng, 60.0, 3600.0), link(Misbehaviour::NoReply { heard }, whole))
            }
            Kind::Refuses => (between(rng, 60.0, 3600.0), link(Misbehaviour::Refuses, whole)),
            Kind::Lies => (between(rng, 60.0, 3600.0), link(Misbehaviour::Lies, whole)),
            Kind::DiskFull => (f64::INFINITY, Mishap::DiskFull),
            Kind::TaskAnswerLost => {
                let kind = Misbehaviour::NoReply { heard: true };
                (f64::INFINITY, Mishap::Link { kind, channel: named(TASKS), times: Some(1) })
            }
            Kind::FieldReadingStuck => {
                (between(rng, 3600.0, 10_800.0), link(Misbehaviour::Stuck, named("field_z")))
            }
            Kind::HeliumGaugeSilent => {
                (between(rng, 3600.0, 10_800.0), link(Misbehaviour::NotANumber, named("helium_level")))
            }
            Kind::TaskNeverEnds => {
                (between(rng, 3600.0, 10_800.0), link(Misbehaviour::NeverDone, named(TASKS)))
            }
            Kind::LinkHangs => {
                let by_s = between(rng, 10.0, 300.0);
                (between(rng, 60.0, 600.0), link(Misbehaviour::LateReply { by_s }, whole))
            }
            Kind::OperatorStops => (0.0, Mishap::Operator(Word::Stop)),
            Kind::WindowEnds => (0.0, Mishap::WindowEnds),
            Kind::KeeperLost => (0.0, Mishap::KeeperLost),
            Kind::TwoHolds | Kind::OperatorHolds | Kind::NotBroughtBack | Kind::TripWhileParking => {
                unreachable!("these are made of several")
            }
        };
        Planned { at, for_s, mishap }
    }
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
}
