//! Parts of a campaign: nights are independent, so any of them may be rehearsed anywhere, and added up afterwards.

use super::Setup;
use super::nights::{Befalls, Campaign, Night, Terms, add_up, part_of_nights};
use super::what_if::{Change, changes, what_if};
use crate::record::Entry;
use serde::{Deserialize, Serialize};
use std::time::Instant;

/// What all parts of a campaign have in common.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Whole {
    /// Hash of the text of the sequence.
    pub sequence: String,
    /// The same of the bench.
    pub bench: String,
    /// The same of the world.
    pub world: String,
    /// Version of noctule.
    pub version: String,
    /// Seed of the first night.
    pub seed: u64,
    /// Nights in all.
    pub count: u64,
    /// What befalls them.
    pub befalls: Befalls,
    /// Whether each is in a world of its own.
    pub drawn: bool,
    /// Who comes to fill, in words.
    pub visits: Vec<String>,
    /// What repeats a night, without its seed.
    pub command: String,
}

/// One of the parts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Shard {
    /// Which, from 1.
    pub shard: u64,
    /// Of how many.
    pub shards: u64,
    /// What all of them are parts of.
    pub whole: Whole,
    /// Its nights.
    pub nights: Vec<Night>,
    /// The same worlds with each thing given that could change the odds, where that was asked for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub changed: Vec<(Change, Vec<Night>)>,
    /// Nights that were done twice, and how many of them gave another digest.
    pub repeats: u64,
    /// See `repeats`.
    pub differing: u64,
    /// Threads.
    pub threads: usize,
    /// Time that it took, s.
    pub wall_s: f64,
}

/// The nights of one part: every `shards`-th from the number `shard` on, counted from 1.
pub fn shard(
    setup: &Setup,
    terms: &Terms,
    (seed, count): (u64, u64),
    (shard, shards): (u64, u64),
    threads: usize,
    command: &str,
    asks_what_if: bool,
) -> Shard {
    let started = Instant::now();
    let numbers: Vec<u64> = (0..count).filter(|number| number % shards == shard - 1).collect();
    let (nights, differing, repeats) = part_of_nights(setup, terms, seed, &numbers, threads);
    let changed = if asks_what_if { what_if(setup, terms, seed, &numbers, threads) } else { Vec::new() };
    let (sequence, bench, world) = match setup.identity() {
        Entry::Identity(identity) => (identity.sequence_hash, identity.bench_hash, identity.world_hash),
        _ => Default::default(),
    };
    let whole = Whole {
        sequence,
        bench,
        world,
        version: env!("CARGO_PKG_VERSION").to_owned(),
        seed,
        count,
        befalls: terms.befalls,
        drawn: terms.drawn,
        visits: terms.visits.iter().map(|visit| visit.describe()).collect(),
        command: command.to_owned(),
    };
    let wall_s = started.elapsed().as_secs_f64();
    Shard { shard, shards, whole, nights, changed, repeats, differing, threads, wall_s }
}

/// Adds parts up to the whole.
///
/// # Errors
/// One sentence, where they are not all the parts of one campaign.
pub fn merge(shards: Vec<Shard>) -> Result<Campaign, String> {
    let Some(first) = shards.first() else { return Err("there is nothing to merge".to_owned()) };
    let (whole, of) = (first.whole.clone(), first.shards);
    if let Some(other) = shards.iter().find(|one| one.whole != whole || one.shards != of) {
        return Err(format!(
            "part {} is of another campaign: sequence, bench, world, seed, count and terms must be the same",
            other.shard
        ));
    }
    let mut numbers: Vec<u64> = shards.iter().map(|one| one.shard).collect();
    numbers.sort_unstable();
    if numbers != (1..=of).collect::<Vec<u64>>() {
        return Err(format!("these are the parts {numbers:?} of {of}; each must be there once"));
    }
    let repeats = shards.iter().fold((0, 0), |sum, one| (sum.0 + one.differing, sum.1 + one.repeats));
    let (threads, wall_s) =
        (shards.iter().map(|one| one.threads).sum(), shards.iter().map(|one| one.wall_s).sum());
    let with = |change: Change| {
        let such = shards.iter().flat_map(|one| one.changed.iter().filter(|(of, _)| *of == change));
        (change, such.flat_map(|(_, nights)| nights.clone()).collect())
    };
    let changed: Vec<(Change, Vec<Night>)> = Change::ALL.into_iter().map(with).collect();
    let mut nights: Vec<Night> = shards.into_iter().flat_map(|one| one.nights).collect();
    nights.sort_by_key(|night| night.seed.wrapping_sub(whole.seed));
    if nights.len() as u64 != whole.count {
        return Err(format!("there are {} nights of {}", nights.len(), whole.count));
    }
    let mut campaign = add_up(&nights, repeats, threads, wall_s, &whole.command);
    if let Some(plan) = &mut campaign.plan {
        plan.changes = changes(&nights, &changed);
    }
    Ok(campaign)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::BenchSource;
    use crate::run::nights::nights;
    use crate::script::Sequence;

    #[test]
    fn the_merged_table_is_that_of_the_one_run_alone() {
        let source = BenchSource::load(None).unwrap();
        let text =
            "goal(\"tip\", \"tip proved\"); approach(); test_tip(); give_up(\"tip\", \"no time\", \"so\");";
        let setup =
            Setup::for_rehearsal(Sequence::from_text("test.rhai", text), source, None, 1, None).unwrap();
        let terms = Terms { drawn: true, ..Terms::from(Befalls::Faults) };
        let command = "noctule rehearse test.rhai --night";
        let (all, differing, repeats) = nights(&setup, terms.clone(), 5, 7, 2);
        let alone = add_up(&all, (differing, repeats), 1, 1.0, command);
        let parts = [3, 1, 2].map(|part| {
            let part = shard(&setup, &terms, (5, 7), (part, 3), 1, command, false);
            // As it comes from a file.
            serde_json::from_str::<Shard>(&serde_json::to_string(&part).unwrap()).unwrap()
        });
        let merged = merge(parts.to_vec()).unwrap();
        assert_eq!(Campaign { wall_s: 1.0, threads: 1, ..merged }, alone);
        assert_eq!(alone.plan.as_ref().unwrap().goals[0].reached.of, 7);
        assert!(merge(parts[..2].to_vec()).unwrap_err().contains("each must be there once"));
        let mut strange = parts.to_vec();
        strange[1].whole.seed = 6;
        assert!(merge(strange).unwrap_err().contains("another campaign"));
    }
}
