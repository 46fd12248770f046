//! What would change the odds of a plan: the same hidden worlds once more, each with one thing given.

use super::Setup;
use super::nights::{Night, Terms, part_of_nights};
use crate::instrument::simulated::World;
use crate::record::{Budget, Goals};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Something that could be given before people leave.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Change {
    /// The plan may go on for longer.
    Time,
    /// The plan may lift more atoms.
    Atoms,
    /// It may go to other areas.
    Areas,
    /// The bath is filled before.
    Refill,
    /// The pot is condensed before.
    Pot,
}

impl Change {
    /// All of them.
    pub const ALL: [Change; 5] = [Change::Time, Change::Atoms, Change::Areas, Change::Refill, Change::Pot];

    /// For people.
    pub fn words(self) -> &'static str {
        match self {
            Change::Time => "two hours more",
            Change::Atoms => "twelve more atoms that may be lifted",
            Change::Areas => "two more areas",
            Change::Refill => "a refill before",
            Change::Pot => "the pot condensed before",
        }
    }

    /// What the plan is given beyond what it says.
    fn more(self) -> Budget {
        let mut more = Budget::default();
        match self {
            Change::Time => more.ends_after_s = Some(2.0 * 3600.0),
            Change::Atoms => more.atoms = Some(12),
            Change::Areas => more.areas = Some(2),
            Change::Refill | Change::Pot => {}
        }
        more
    }

    /// The same rehearsal with this given.
    #[must_use]
    pub fn given(self, setup: Setup) -> Setup {
        let world = |change: fn(World) -> World| {
            let world = setup.world.as_ref().map(|world| Arc::new(change(world.as_ref().clone())));
            Setup { world, ..setup.clone() }
        };
        match self {
            Change::Refill => world(World::filled),
            Change::Pot => world(World::condensed),
            Change::Time | Change::Atoms | Change::Areas => {
                let goals = Goals { more: self.more(), ..Goals::default() };
                let mut setup = setup;
                setup.beforehand.goals = Some(Box::new(goals));
                setup
            }
        }
    }
}

/// What one thing changes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Changed {
    /// What is given.
    pub given: &'static str,
    /// Worlds in which both were rehearsed.
    pub worlds: u64,
    /// By how much the worth of the goals that are reached rises, as a part of the worth of all; mean over the worlds.
    pub worth: f64,
    /// Its standard error.
    pub worth_error: f64,
    /// By how much the share of worlds rises in which a line is proved, and rightly.
    pub proved: f64,
}

/// The nights with each thing given, in the worlds with these numbers.
pub fn what_if(
    setup: &Setup,
    terms: &Terms,
    first_seed: u64,
    numbers: &[u64],
    threads: usize,
) -> Vec<(Change, Vec<Night>)> {
    let with = |change| {
        let terms = Terms { change: Some(change), ..terms.clone() };
        (change, part_of_nights(setup, &terms, first_seed, numbers, threads).0)
    };
    Change::ALL.into_iter().map(with).collect()
}

/// What each thing changes, the most helpful first.
pub fn changes(nights: &[Night], with: &[(Change, Vec<Night>)]) -> Vec<Changed> {
    let mut all: Vec<Changed> =
        with.iter().filter_map(|(change, given)| changed(nights, *change, given)).collect();
    all.sort_by(|a, b| b.worth.total_cmp(&a.worth));
    all
}

fn changed(nights: &[Night], change: Change, given: &[Night]) -> Option<Changed> {
    let reached = |night: &Night| {
        let course = night.course.as_ref()?;
        let [reached, all] = course.worth();
        (all > 0.0).then_some((reached / all, f64::from(u8::from(course.proved))))
    };
    let pairs: Vec<[f64; 2]> = given
        .iter()
        .filter_map(|after| {
            let before = nights.iter().find(|before| before.seed == after.seed)?;
            let ((a, proved_a), (b, proved_b)) = (reached(before)?, reached(after)?);
            Some([b - a, proved_b - proved_a])
        })
        .collect();
    let count = pairs.len() as f64;
    if pairs.len() < 2 {
        return None;
    }
    let mean = |i: usize| pairs.iter().map(|pair| pair[i]).sum::<f64>() / count;
    let worth = mean(0);
    let variance = pairs.iter().map(|pair| (pair[0] - worth).powi(2)).sum::<f64>() / (count - 1.0);
    Some(Changed {
        given: change.words(),
        worlds: pairs.len() as u64,
        worth,
        worth_error: (variance / count).sqrt(),
        proved: mean(1),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::run::BenchSource;
    use crate::run::nights::Befalls;
    use crate::script::Sequence;

    /// A goal that needs three attempts where the plan may make two.
    const SHORT: &str = "goal(\"tip\", \"tip proved\");\nlet may = budget(#{ ends_after: 1.h, atoms: 2, areas: 1, pulses: 0 });\napproach();\nlet made = 0;\ntry { while made < 5 { pick_up(); made += 1; } } catch (refused) { if refused.what != \"forbidden\" { throw refused; } }\nresult(\"made\", `${made} of ${may.atoms} in ${may.ends_after}`);\npark();";

    #[test]
    fn what_is_given_reaches_the_plan_and_the_engine() {
        let source = BenchSource::load(None).unwrap();
        let sequence = Sequence::from_text("short.rhai", SHORT);
        let setup = Setup::for_rehearsal(sequence, source, Some("weekend"), 1, None).unwrap();
        let terms = Terms::from(Befalls::Nothing);
        let with = what_if(&setup, &terms, 3, &[0, 1], 1);
        assert_eq!(with.iter().map(|(change, _)| *change).collect::<Vec<_>>(), Change::ALL);
        let lifted = |nights: &[Night]| nights[0].course.as_ref().unwrap().lifted;
        let before = super::super::nights::nights(&setup, terms, 3, 2, 1).0;
        assert!(before.iter().all(|night| night.course.as_ref().unwrap().lifted <= 2));
        assert!(lifted(&with[1].1) >= lifted(&before), "{:?}", with[1].1);
        let told = changes(&before, &with);
        assert_eq!((told.len(), told[0].worlds), (5, 2));
    }

    #[test]
    fn bath_and_pot_are_full_where_they_are_given() {
        let source = BenchSource::load(None).unwrap();
        let sequence = Sequence::from_text("one.rhai", "note(\"one\");");
        let setup = Setup::for_rehearsal(sequence, source, Some("weekend"), 7, None).unwrap().drawn();
        let of = |setup: Setup| {
            let cryostat = &setup.world.as_ref().unwrap().cryostat;
            (cryostat.bath.initial_l / cryostat.bath.capacity_l, cryostat.pot.initial_part)
        };
        let before = of(setup.clone());
        assert!(before.0 < 1.0 && before.1 < 1.0, "{before:?}");
        assert_eq!(of(Change::Refill.given(setup.clone())), (1.0, before.1));
        assert_eq!(of(Change::Pot.given(setup)), (before.0, 1.0));
    }
}
