//! All laws at one width: which spectra show them.

use super::clean::Bases;
use super::combs::{Pattern, patterns};
use super::locked::{Locked, LockedTo, mask_locked};
use super::remembered::Remembered;
use super::scan::{Scanned, scan};
use super::spectra::{Prior, Ready};
use super::tables::{Group, PLACES_PER_WIDTH, Tables, groups, tables};
use super::taken_out::without;
use crate::analysis::realness::MU_B_PER_H_HZ_PER_T;

/// Log e-value from which a field shows the line.
pub(super) const SHOWS: f64 = 0.7;

/// One width with all that was found at it.
pub(super) struct Tried {
    /// The spectra, without what stays at a frequency.
    pub spectra: Vec<Ready>,
    pub tables: Tables,
    pub groups: Vec<Group>,
    pub locked: Vec<Locked>,
    pub scanned: Scanned,
}

pub(super) struct Case<'a> {
    pub spectra: &'a [Ready],
    pub bases: &'a Bases,
    pub prior: &'a Prior,
    /// Number of the field of each spectrum.
    pub numbers: &'a [usize],
    pub fields: usize,
}

impl Case<'_> {
    /// All laws at one width, what stays at a frequency masked.
    pub fn at_frequencies(&self, width: f64, pattern: Pattern, remembered: &mut Remembered) -> Tried {
        let mut tables = tables(self.spectra, self.bases, width, pattern, remembered);
        let locked = mask_locked(self.spectra, &mut tables, self.prior, &[LockedTo::Frequency]);
        // A comb that stays is masked alone: its lines are no single ones.
        if locked.is_empty() || pattern != Pattern::ONE {
            return self.scanned(self.spectra.to_vec(), tables, locked);
        }
        let spectra = without(self.spectra, self.bases, (&locked, width), remembered);
        let masks = std::mem::replace(
            &mut tables,
            super::tables::tables(&spectra, self.bases, width, pattern, remembered),
        );
        for (table, mask) in tables.all.iter_mut().zip(masks.all) {
            table.masked = mask.masked;
        }
        self.scanned(spectra, tables, locked)
    }

    /// The same for the combs that the spectra may hold.
    pub fn combs(&self, tried: &[Tried], remembered: &mut Remembered) -> Vec<Tried> {
        let all: Vec<&Tables> = tried.iter().map(|t| &t.tables).collect();
        let asked = patterns(self.spectra, self.bases, &all, remembered).into_iter();
        asked.map(|(number, pattern)| self.at_frequencies(all[number].width, pattern, remembered)).collect()
    }

    pub fn in_windows(&self, tried: &Tried) -> Option<Tried> {
        let mut tables = tried.tables.clone();
        let more = mask_locked(&tried.spectra, &mut tables, self.prior, &[LockedTo::Window, LockedTo::Sweep]);
        let locked = tried.locked.iter().chain(&more).copied().collect();
        (!more.is_empty()).then(|| self.scanned(tried.spectra.clone(), tables, locked))
    }

    /// Spectra whose field shows something where a law has it, or up to so many places beside it.
    pub fn showing(&self, t: &Tried, law: impl Fn(f64) -> f64, reach: i32) -> Vec<usize> {
        let shows = |k: &usize| {
            let g = &t.groups[self.numbers[*k]];
            let beside = |places: i32| law(g.field_t) + t.tables.width / PLACES_PER_WIDTH * f64::from(places);
            (-reach..=reach).filter_map(|places| g.index(beside(places))).any(|i| g.log_e[i] > SHOWS)
        };
        (0..self.spectra.len()).filter(shows).collect()
    }

    fn scanned(&self, spectra: Vec<Ready>, mut tables: Tables, locked: Vec<Locked>) -> Tried {
        // Across another gap the line may lie elsewhere: that is no evidence, neither for a law nor against it.
        let beside = spectra.iter().zip(&mut tables.all).filter(|(s, _)| s.beside());
        beside.for_each(|(_, table)| table.masked.fill(true));
        let groups = groups(&spectra, &tables, self.numbers, self.fields);
        let slopes = (self.prior.g_from * MU_B_PER_H_HZ_PER_T, self.prior.g_to * MU_B_PER_H_HZ_PER_T);
        let scanned = scan(&groups, tables.width, slopes, self.prior);
        Tried { spectra, tables, groups, locked, scanned }
    }
}
