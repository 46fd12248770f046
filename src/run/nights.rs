//! Many nights: the same sequence with other seeds and other faults, each judged by the oracle.

use super::Setup;
use super::campaign::{Course, PlanOdds};
use super::ended_by::LastFailed;
pub use super::ended_by::{EndedBy, How};
use super::faults::{FaultPlan, Kind, draw};
use super::odds::{InTheMorning, Odds};
use super::rehearse::rehearse_with_faults;
pub use super::terms::{Befalls, Terms, recorded};
use crate::faults::{Mishap, Planned, RunnerTrouble};
use crate::record::{DigestOnly, Outcome};
use crate::supervisor::{Probe, Word};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

/// What is not over after this counts as hung, s: twice as long as a plan of five days.
const LONGEST_S: f64 = 240.0 * 3600.0;
/// What a record calls the faults of a night, before its seed.
pub const NIGHT_NAME: &str = "night ";
/// Stack of each thread: a script may recurse.
const STACK: usize = 16 << 20;
/// One night in so many is done twice, to see that it repeats.
const REPEAT_EVERY: u64 = 10;
/// Seeds that are shown.
const WORST_SHOWN: usize = 5;

/// The faults of a night, and the stop that ends it if it hangs.
pub fn night_plan(seed: u64) -> (FaultPlan, Vec<Kind>) {
    let (plan, kinds) = draw(seed);
    (ended_at_last(plan), kinds)
}

pub(super) fn ended_at_last(mut plan: FaultPlan) -> FaultPlan {
    // The second word does not wait for the current point.
    for _ in 0..2 {
        let mishap = Mishap::Runner(RunnerTrouble::Operator(Word::Stop));
        plan.faults.push(Planned::once(LONGEST_S, 0.0, mishap));
    }
    plan
}

/// The name and the text of a night's faults, as a record keeps them.
pub fn night_document(seed: u64) -> (String, String) {
    let lines = night_plan(seed).0.faults.iter().map(|planned| planned.describe() + "\n").collect();
    (format!("{NIGHT_NAME}{seed}"), lines)
}

/// What became of one night.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Night {
    /// Its seed.
    pub seed: u64,
    /// Kinds of faults in it.
    pub kinds: Vec<Kind>,
    /// How it ended.
    pub outcome: Outcome,
    /// One sentence.
    pub reason: String,
    /// What ended it; nothing where it finished.
    pub ended_by: Option<EndedBy>,
    /// When, s.
    pub end_s: f64,
    /// Helium at the end, L.
    pub helium_left_l: Option<f64>,
    /// What should not have happened.
    pub violations: u64,
    /// The first of it.
    pub first_violation: Option<String>,
    /// Points that the sequence was given and that are not in the record.
    pub points_lost: u64,
    /// It did not come to its end by itself, or a defect ended it.
    pub hung: bool,
    /// Whether the bench was parked with all steps achieved.
    pub parked: bool,
    /// Interlocks that tripped, by name.
    pub trips: Vec<String>,
    /// Branches of recovery that were taken, in the order of [`Probe::ALL`].
    pub probes: Vec<u32>,
    /// Times from when an interlock had to act until it had, s.
    pub reactions_s: Vec<f64>,
    /// Digest of the record.
    pub digest: Option<String>,
    /// What it claims, beside what was there.
    pub morning: InTheMorning,
    /// What became of the plan.
    pub course: Option<Course>,
}

impl Night {
    /// Whether all its faults are ones that a sequence rides out.
    pub fn rides_out(&self) -> bool {
        self.kinds.iter().all(|kind| kind.promise().rides_out)
    }

    /// How bad it is; larger is worse.
    fn badness(&self) -> u64 {
        let broken = self.violations + self.points_lost + u64::from(self.hung);
        let promise = self.rides_out() && self.outcome != Outcome::Finished;
        broken * 1000
            + u64::from(promise) * 100
            + u64::from(!self.parked) * 10
            + u64::from(self.outcome != Outcome::Finished)
    }
}

/// One night.
pub fn night(setup: &Setup, seed: u64, terms: &Terms) -> Night {
    let (plan, kinds) = terms.befall(seed);
    let setup = terms.setup(setup, seed);
    let watches = LastFailed::default();
    let done = catch_unwind(AssertUnwindSafe(|| {
        let (recorder, watches) = (Box::new(DigestOnly::default()), Box::new(watches.clone()));
        rehearse_with_faults(&setup, &plan, recorder, watches, "night")
    }));
    let Ok(done) = done else {
        return Night {
            seed,
            kinds,
            outcome: Outcome::Fault,
            reason: "a defect of noctule ended it".to_owned(),
            ended_by: Some(EndedBy::Defect),
            end_s: 0.0,
            helium_left_l: None,
            violations: 0,
            first_violation: None,
            points_lost: 0,
            hung: true,
            parked: false,
            trips: Vec::new(),
            probes: vec![0; Probe::ALL.len()],
            reactions_s: Vec::new(),
            digest: None,
            morning: InTheMorning::default(),
            course: None,
        };
    };
    let summary = done.summary();
    let ended_by = EndedBy::of(&done.tally, &done.probes, watches.0.take().as_ref());
    let mut violations = done.oracle.violations;
    let mut first_violation = done.oracle.first.clone();
    let not_parked = if done.tally.parked { done.oracle.not_parked(&setup.bench) } else { Vec::new() };
    if !not_parked.is_empty() {
        violations += 1;
        first_violation.get_or_insert(format!("called parked, but not {}", not_parked.join(", ")));
    }
    Night {
        seed,
        kinds,
        outcome: summary.outcome,
        reason: summary.reason,
        ended_by,
        end_s: done.tally.end_s,
        helium_left_l: done
            .tally
            .helium
            .as_ref()
            .and_then(|level| level.readings.last())
            .map(|(_, last)| last * 1e3),
        violations,
        first_violation,
        points_lost: done.oracle.points_lost,
        hung: done.tally.ending.is_none() || done.tally.end_s >= LONGEST_S,
        parked: done.tally.parked,
        trips: done.tally.trips.iter().map(|trip| trip.name.clone()).collect(),
        probes: done.probes.to_vec(),
        reactions_s: done.oracle.reactions_s.clone(),
        digest: done.digest,
        morning: done
            .truth
            .as_ref()
            .map_or_else(InTheMorning::default, |truth| InTheMorning::new(&done.tally, truth)),
        course: done.truth.as_ref().map(|truth| Course::new(&done.tally, truth)),
    }
}

/// Nights with the seeds from `first_seed`, on so many threads. Their number changes nothing but the time.
/// Returns the nights in the order of their seeds, and for how many a repeat gave another digest, of how many.
pub fn nights(
    setup: &Setup,
    terms: impl Into<Terms>,
    first_seed: u64,
    count: u64,
    threads: usize,
) -> (Vec<Night>, u64, u64) {
    part_of_nights(setup, &terms.into(), first_seed, &(0..count).collect::<Vec<u64>>(), threads)
}

/// The same for some of the nights: those with these numbers, counted from 0.
pub fn part_of_nights(
    setup: &Setup,
    terms: &Terms,
    first_seed: u64,
    numbers: &[u64],
    threads: usize,
) -> (Vec<Night>, u64, u64) {
    let again: Vec<usize> =
        (0..numbers.len()).filter(|at| numbers[*at].is_multiple_of(REPEAT_EVERY)).collect();
    let (count, repeats) = (numbers.len(), again.len());
    let next = AtomicUsize::new(0);
    let done = Mutex::new(BTreeMap::new());
    std::thread::scope(|scope| {
        for _ in 0..threads.max(1) {
            let work = || {
                // A bench of its own: threads that count the owners of one keep taking its cache line from each
                // other.
                let setup = &Setup { bench: Arc::new(setup.bench.as_ref().clone()), ..setup.clone() };
                loop {
                    let job = next.fetch_add(1, Ordering::Relaxed);
                    if job >= count + repeats {
                        return;
                    }
                    let number = numbers[if job < count { job } else { again[job - count] }];
                    let night = night(setup, first_seed.wrapping_add(number), terms);
                    done.lock().unwrap_or_else(std::sync::PoisonError::into_inner).insert(job, night);
                }
            };
            let started = std::thread::Builder::new().stack_size(STACK).spawn_scoped(scope, work);
            started.expect("the machine has room for a thread");
        }
    });
    let mut done = done.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    let repeated = done.split_off(&count);
    let nights: Vec<Night> = done.into_values().collect();
    let differs = |(job, night): &(&usize, &Night)| {
        let first = nights.get(again[**job - count]);
        first.is_none_or(|first| night.digest.is_none() || first.digest != night.digest)
    };
    let differing = repeated.iter().filter(differs).count() as u64;
    (nights, differing, repeats as u64)
}

/// Smallest, middle and largest of some numbers.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
#[allow(missing_docs, reason = "the fields are the quantiles that they name")]
pub struct Spread {
    pub count: usize,
    pub least: f64,
    pub p10: f64,
    pub median: f64,
    pub p90: f64,
    pub p99: f64,
    pub most: f64,
}

impl Spread {
    pub(super) fn of(mut numbers: Vec<f64>) -> Self {
        numbers.sort_by(f64::total_cmp);
        if numbers.is_empty() {
            return Self::default();
        }
        // Nearest rank.
        let at = |part: f64| {
            let rank = (part * numbers.len() as f64).ceil() as usize;
            numbers[rank.clamp(1, numbers.len()) - 1]
        };
        Self {
            count: numbers.len(),
            least: numbers[0],
            p10: at(0.1),
            median: at(0.5),
            p90: at(0.9),
            p99: at(0.99),
            most: at(1.0),
        }
    }
}

/// How one kind of fault went.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FaultCount {
    /// The fault.
    pub fault: &'static str,
    /// What is promised.
    pub promised: &'static str,
    /// Nights in which it was.
    pub nights: u64,
    /// How many of them finished.
    pub finished: u64,
}

/// One of the worst nights.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct WorstNight {
    /// Its seed.
    pub seed: u64,
    /// How it ended.
    pub outcome: Outcome,
    /// Why.
    pub reason: String,
    /// What should not have happened.
    pub violation: Option<String>,
    /// The faults in it.
    pub faults: Vec<&'static str>,
    /// The command that repeats it.
    pub command: String,
}

/// The campaign, as it is printed.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(missing_docs, reason = "fields are named after what they count")]
pub struct Campaign {
    pub count: u64,
    pub finished: u64,
    pub interlock: u64,
    pub failed: u64,
    pub stopped: u64,
    pub fault: u64,
    /// Nights all of whose faults the design promises to ride out.
    pub rideable: u64,
    pub rideable_finished: u64,
    pub limit_violations: u64,
    pub points_lost: u64,
    pub hung: u64,
    pub not_parked: u64,
    pub digest_repeats: u64,
    pub digest_repeats_differing: u64,
    pub simulated_hours: f64,
    pub wall_s: f64,
    pub threads: usize,
    pub finish_time_h: Spread,
    pub helium_left_l: Spread,
    pub reaction_s: Spread,
    pub interlocks: BTreeMap<String, u64>,
    pub endings: BTreeMap<String, u64>,
    /// For each ending the first night with it: its whole reason, and what repeats it.
    pub ending_examples: BTreeMap<String, EndingExample>,
    pub faults: Vec<FaultCount>,
    pub probes: BTreeMap<&'static str, u64>,
    pub probes_unreached: Vec<&'static str>,
    /// What will be known in the morning; none where nothing was judged.
    pub odds: Option<Odds>,
    /// What became of the plan; none where the truth is not known.
    pub plan: Option<PlanOdds>,
    pub worst_seeds: Vec<WorstNight>,
}

/// A night of those that ended alike.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EndingExample {
    /// Its reason, whole.
    pub reason: String,
    /// What repeats it.
    pub command: String,
}

/// Adds nights up. `command` is what repeats a night, without its seed.
pub fn add_up(nights: &[Night], repeats: (u64, u64), threads: usize, wall_s: f64, command: &str) -> Campaign {
    let with = |outcome: Outcome| nights.iter().filter(|night| night.outcome == outcome).count() as u64;
    let rideable: Vec<&Night> = nights.iter().filter(|night| night.rides_out()).collect();
    let is_finished = |night: &Night| night.outcome == Outcome::Finished;
    let mut probes: BTreeMap<&'static str, u64> = Probe::ALL.iter().map(|probe| (probe.name(), 0)).collect();
    let (mut interlocks, mut endings, mut ending_examples) =
        (BTreeMap::new(), BTreeMap::new(), BTreeMap::new());
    for night in nights {
        for (probe, count) in Probe::ALL.iter().zip(&night.probes) {
            *probes.entry(probe.name()).or_default() += u64::from(*count);
        }
        for name in &night.trips {
            *interlocks.entry(name.clone()).or_default() += 1;
        }
        if let Some(by) = &night.ended_by {
            let ending = format!("{}: {}", night.outcome.word(), by.in_words());
            ending_examples.entry(ending.clone()).or_insert_with(|| EndingExample {
                reason: night.reason.clone(),
                command: format!("{command} {}", night.seed),
            });
            *endings.entry(ending).or_default() += 1;
        }
    }
    Campaign {
        count: nights.len() as u64,
        finished: with(Outcome::Finished),
        interlock: with(Outcome::Interlock),
        failed: with(Outcome::Failed),
        stopped: with(Outcome::Stopped),
        fault: with(Outcome::Fault),
        rideable: rideable.len() as u64,
        rideable_finished: rideable.iter().filter(|night| is_finished(night)).count() as u64,
        limit_violations: nights.iter().map(|night| night.violations).sum(),
        points_lost: nights.iter().map(|night| night.points_lost).sum(),
        hung: nights.iter().filter(|night| night.hung).count() as u64,
        not_parked: nights.iter().filter(|night| !night.parked).count() as u64,
        digest_repeats: repeats.1,
        digest_repeats_differing: repeats.0,
        simulated_hours: nights.iter().map(|night| night.end_s).sum::<f64>() / 3600.0,
        wall_s,
        threads,
        finish_time_h: Spread::of(
            nights.iter().filter(|n| is_finished(n)).map(|night| night.end_s / 3600.0).collect(),
        ),
        helium_left_l: Spread::of(nights.iter().filter_map(|night| night.helium_left_l).collect()),
        reaction_s: Spread::of(nights.iter().flat_map(|night| night.reactions_s.clone()).collect()),
        interlocks,
        endings,
        ending_examples,
        faults: Kind::ALL.iter().map(|kind| fault_count(*kind, nights)).collect(),
        probes_unreached: probes.iter().filter(|(_, count)| **count == 0).map(|(name, _)| *name).collect(),
        probes,
        odds: odds(nights),
        plan: PlanOdds::of(nights, command),
        worst_seeds: worst_seeds(nights, command),
    }
}

/// How many nights had a kind of fault in them, and how many of these finished.
fn fault_count(kind: Kind, nights: &[Night]) -> FaultCount {
    let with: Vec<&Night> = nights.iter().filter(|night| night.kinds.contains(&kind)).collect();
    let promise = kind.promise();
    FaultCount {
        fault: promise.fault,
        promised: promise.behaviour,
        nights: with.len() as u64,
        finished: with.iter().filter(|night| night.outcome == Outcome::Finished).count() as u64,
    }
}

fn worst_seeds(nights: &[Night], command: &str) -> Vec<WorstNight> {
    let mut worst: Vec<&Night> = nights.iter().filter(|night| night.badness() > 0).collect();
    worst.sort_by_key(|night| (std::cmp::Reverse(night.badness()), night.seed));
    let told = |night: &&Night| WorstNight {
        seed: night.seed,
        outcome: night.outcome,
        reason: night.reason.clone(),
        violation: night.first_violation.clone(),
        faults: night.kinds.iter().map(|kind| kind.promise().fault).collect(),
        command: format!("{command} {}", night.seed),
    };
    worst.iter().take(WORST_SHOWN).map(told).collect()
}

fn odds(nights: &[Night]) -> Option<Odds> {
    let mornings: Vec<&InTheMorning> = nights.iter().map(|night| &night.morning).collect();
    mornings.iter().any(|night| night.judged).then(|| Odds::of(&mornings))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::Bench;
    use crate::bench::{StepAction, builtin};
    use crate::drive::SharedPort;
    use crate::drive::virtual_time::{Nobody, VirtualDrive};
    use crate::script::{self, Sequence};
    use std::cell::RefCell;
    use std::rc::Rc;
    use std::sync::Arc;

    /// Runs a sequence with a supervisor that believes in another bench than the true one, by which the
    /// oracle goes; gives what the oracle says first.
    fn deceived(sequence: &str, fault: Option<Planned>, weaken: impl Fn(&mut Bench)) -> Option<String> {
        let bench = Arc::new(builtin());
        let mut supposed = builtin();
        weaken(&mut supposed);
        let world = crate::instrument::simulated::World::shipped("night").unwrap();
        let plan = FaultPlan { faults: fault.into_iter().collect() };
        let instruments = plan.instruments(&bench, &world, 1);
        let recorder = Box::new(DigestOnly::default());
        let mut drive = VirtualDrive::new(bench, instruments, recorder, Box::new(Nobody), 1, None);
        drive.deceive(supposed);
        let drive = Rc::new(RefCell::new(drive));
        let port: SharedPort = drive.clone();
        let (end, _) = script::run(&Sequence::from_text("test.rhai", sequence), port);
        drive.borrow_mut().finish(end.outcome, end.reason, end.place);
        let drive = drive.borrow();
        drive.oracle.first.clone()
    }

    fn channel<'b>(bench: &'b mut Bench, name: &str) -> &'b mut crate::bench::Channel {
        bench.channels.iter_mut().find(|channel| channel.name == name).unwrap()
    }

    /// The canary: each safety taken away from the supervisor is missed by the oracle, so that its silence
    /// over a thousand nights means something.
    #[test]
    fn the_oracle_catches_a_weakened_supervisor() {
        let caught = |found: Option<String>, word: &str| {
            assert!(found.as_deref().is_some_and(|first| first.contains(word)), "{word}: {found:?}");
        };
        let limits = deceived("set(\"Bias\", 700.mV);", None, |b| channel(b, "bias").max = 1.0);
        caught(limits, "outside its limits");
        let step = deceived("set(\"Bias\", 200.mV);", None, |b| channel(b, "bias").step = 1.0);
        caught(step, "at once");
        let slew = deceived("set(\"Bias\", 200.mV);", None, |b| channel(b, "bias").slew_per_s = 100.0);
        caught(slew, "faster than its slew");
        let permit = deceived("set(\"RfOutput\", 1);", None, |b| b.permits.clear());
        caught(permit, "without the permit");
        let at_the_spin =
            "approach(); keep_spin(\"t\", 3.2.nm, -1.85.nm); go_to(3.2.nm, -1.85.nm); recentre(); pick_up();";
        caught(deceived(at_the_spin, None, |b| b.guard = None), "at the kept spin `t`");
        let order = deceived("wait(1.s);", None, |b| {
            b.park.retain(|step| !matches!(step.action, StepAction::Keep { .. }));
            b.park.reverse();
        });
        caught(order, "order of parking");
        let crash = Planned::once(300.0, 0.0, Mishap::World(noctule_ground::fault::Fault::TipCrash));
        let blind = deceived("approach(); wait(10.min);", Some(crash.clone()), |b| {
            b.interlocks.iter_mut().for_each(|lock| lock.action = crate::bench::Action::Warn);
        });
        caught(blind, "has not acted");
        let sound = deceived("approach(); set(\"RfOutput\", 1); wait(10.min);", Some(crash), |_| {});
        assert_eq!(sound, None);
    }

    #[test]
    fn the_number_of_threads_changes_nothing() {
        let source = super::super::BenchSource::load(None).unwrap();
        let sequence = Sequence::from_text("test.rhai", "approach(); wait(30.min);");
        let setup = Setup::for_rehearsal(sequence, source, None, 1, None).unwrap();
        let one = nights(&setup, Befalls::Faults, 5, 8, 1);
        assert_eq!(one, nights(&setup, Befalls::Faults, 5, 8, 3));
        let (calm, ..) = nights(&setup, Befalls::Nothing, 5, 8, 1);
        assert!(calm.iter().all(|night| night.kinds.is_empty() && night.outcome == Outcome::Finished));
        assert_eq!((one.1, one.2), (0, 1), "the repeat gives the same digest");
    }

    #[test]
    fn an_ending_has_its_whole_reason_and_a_night_to_repeat() {
        let source = super::super::BenchSource::load(None).unwrap();
        let sequence = Sequence::from_text("test.rhai", "set(\"RfOutput\", 1);");
        let setup = Setup::for_rehearsal(sequence, source, None, 1, None).unwrap();
        let (all, ..) = nights(&setup, Befalls::Faults, 5, 3, 1);
        let campaign = add_up(&all, (0, 0), 1, 1.0, "noctule rehearse test.rhai --night");
        assert_eq!(campaign.endings.values().sum::<u64>(), 3 - campaign.finished);
        let one = &campaign.ending_examples["failed: `set rf_output`, not permitted"];
        assert!(one.reason.contains("RF heats the stage"), "{one:?}");
        assert!(one.command.starts_with("noctule rehearse test.rhai --night "), "{one:?}");
    }
}
