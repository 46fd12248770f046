//! The tip's state and history while the microscope runs.

use super::effects::Effects;
use crate::noise::{Source, Stream, Telegraph, Wander};
use crate::tip::{Apex, Odds};
use crate::world::TipLaw;

/// The tip now.
#[derive(Debug, Clone)]
pub(super) struct TipState {
    pub(super) apex: Apex,
    pub(super) switching: Telegraph,
    pub(super) preparation: Stream,
    pub(super) landing: Stream,
    odds: Odds,
    apexes: Stream,
    /// Flaws of what comes out of a change, and what becomes of an atom that was not lifted.
    pub(super) flaws: Stream,
    spontaneous: Stream,
    /// Time in range that is left until the tip changes by itself, s.
    until_change_s: f64,
    /// Whether the apex lives for minutes only.
    short_lived: bool,
    changes_per_s: f64,
    /// Grows with every change, so that caches notice.
    pub(super) generation: u64,
    field_wander: Wander,
    /// Times it has touched the surface.
    pub(super) crashes: u32,
}

impl TipState {
    pub(super) fn new(law: &TipLaw, effects: &Effects, seed: u64) -> Self {
        let mut spontaneous = Stream::new(seed, Source::Spontaneous);
        let changes_per_s = law.preparation.changes_per_hour / 3600.0;
        let until_change_s = next_change(&mut spontaneous, changes_per_s);
        Self {
            apex: law.apex,
            switching: Telegraph::new(seed, Source::Switching, true),
            preparation: Stream::new(seed, Source::Preparation),
            landing: Stream::new(seed, Source::Landing),
            odds: law.odds,
            apexes: Stream::new(seed, Source::Apex),
            flaws: Stream::new(seed, Source::Flaws),
            spontaneous,
            until_change_s,
            short_lived: false,
            changes_per_s,
            generation: 0,
            field_wander: Wander::new(seed, Source::TipField, effects.tip_wander, effects.tip_wander_s, 60.0),
            crashes: 0,
        }
    }

    /// A new apex with `atoms` atoms on it.
    pub(super) fn change(&mut self, now_s: f64, atoms: u32) {
        let drawn = Apex::drawn(atoms, &self.odds, &mut self.apexes);
        let (apex, short_lived) = drawn.with_flaws(&self.odds, &mut self.flaws);
        self.apex = apex;
        let life_s = self.odds.short_life_s * self.flaws.exponential();
        self.until_change_s = match self.short_lived {
            // What was to come for the one before says nothing of this one.
            _ if short_lived => life_s,
            true => next_change(&mut self.spontaneous, self.changes_per_s),
            false => self.until_change_s,
        };
        self.short_lived = short_lived;
        self.switching.set_rates(now_s, 0.0, 0.0);
        self.generation += 1;
    }

    /// What the field of the tip is multiplied with now.
    pub(super) fn wander(&self) -> f64 {
        1.0 + self.field_wander.value()
    }

    /// Its field wanders on: once a minute.
    pub(super) fn step(&mut self) {
        self.field_wander.step();
    }

    /// `dt_s` in tunnelling range. Tells whether the tip changed by itself.
    pub(super) fn wear(&mut self, dt_s: f64) -> bool {
        self.until_change_s -= dt_s;
        if self.until_change_s > 0.0 {
            return false;
        }
        self.until_change_s = next_change(&mut self.spontaneous, self.changes_per_s);
        true
    }

    /// Atoms left after a change that nobody asked for: it may take some along.
    pub(super) fn atoms_after_change(&mut self) -> u32 {
        let lost = (self.preparation.uniform() * f64::from(self.apex.atoms + 1)) as u32;
        self.apex.atoms - lost.min(self.apex.atoms)
    }

    pub(super) fn sign(&self) -> f64 {
        if self.switching.is_up() { 1.0 } else { -1.0 }
    }
}

fn next_change(stream: &mut Stream, changes_per_s: f64) -> f64 {
    let unit = stream.exponential();
    if changes_per_s > 0.0 { unit / changes_per_s } else { f64::INFINITY }
}
