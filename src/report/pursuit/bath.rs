//! Helium over the days: what the runs used, what was filled in them and between them.

use super::{Days, RunPart};
use crate::quantity::{Unit, significant};
use serde::Serialize;

/// The helium of a campaign.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Bath {
    /// First level of the first run, m³.
    pub first_m3: f64,
    /// Last level of the last run, m³.
    pub last_m3: f64,
    /// Level at which a refill is due, m³.
    pub limit_m3: f64,
    /// Used in the runs, m³.
    pub used_m3: f64,
    /// Filled in during runs, m³.
    pub filled_m3: f64,
    /// Filled in between runs, m³: at least so much, for nobody knows what was lost meanwhile.
    pub filled_between_m3: f64,
    /// Times between two runs in which helium was filled in.
    pub fillings_between: u64,
    /// Lost between runs where nothing was filled in, m³.
    pub lost_between_m3: f64,
    /// When the refill is due, by the last run.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub due: Option<String>,
    /// Everything in words.
    pub words: String,
    /// Readings of each run to be drawn: s from the beginning of the first run, m³.
    #[serde(skip)]
    pub levels: Vec<Vec<(f64, f64)>>,
    /// In which levels are printed.
    #[serde(skip)]
    pub unit: Unit,
}

impl Bath {
    /// Of runs in order of time; nothing where none of them read the level.
    pub(super) fn of(parts: &[&RunPart], days: &Days) -> Option<Self> {
        let baths: Vec<_> = parts.iter().filter_map(|part| Some((*part, part.bath.as_ref()?))).collect();
        let ((_, first), (_, last)) = (baths.first()?, baths.last()?);
        let mut bath = Self {
            first_m3: first.ends_m3[0],
            last_m3: last.last_m3,
            limit_m3: last.limit_m3,
            used_m3: baths.iter().map(|(_, bath)| bath.used_m3).sum(),
            filled_m3: baths.iter().map(|(_, bath)| bath.filled_m3).sum(),
            filled_between_m3: 0.0,
            fillings_between: 0,
            lost_between_m3: 0.0,
            due: last.due.clone(),
            words: String::new(),
            levels: Vec::new(),
            unit: last.unit.clone(),
        };
        for pair in baths.windows(2) {
            let rise_m3 = pair[1].1.ends_m3[0] - pair[0].1.ends_m3[1];
            if rise_m3 > pair[1].1.transfer_m3 {
                bath.filled_between_m3 += rise_m3;
                bath.fillings_between += 1;
            } else {
                bath.lost_between_m3 += (-rise_m3).max(0.0);
            }
        }
        for (part, own) in &baths {
            let from_s = days.of(part, 0.0).at_s;
            bath.levels.push(own.levels.iter().map(|(at_s, level_m3)| (from_s + at_s, *level_m3)).collect());
        }
        bath.words = bath.in_words();
        Some(bath)
    }

    fn in_words(&self) -> String {
        let shown = |m3: f64| format!("{} {}", significant(self.unit.from_si(m3), 3), self.unit.text);
        let some = |m3: f64, what: &str| (m3 > 0.0).then(|| format!("{} {what}", shown(m3)));
        let mut words =
            vec![format!("{} at the beginning, {} at the end", shown(self.first_m3), shown(self.last_m3))];
        words.extend(some(self.used_m3, "used in the runs"));
        words.extend(some(self.filled_m3, "filled in during them"));
        words.extend(some(self.lost_between_m3, "lost between them"));
        words.extend(some(self.filled_between_m3, "or more filled in between them"));
        let due = self.due.as_ref().map_or(String::new(), |due| {
            format!("; the refill limit of {} is reached {due}", shown(self.limit_m3))
        });
        format!("{}{due}", words.join(", "))
    }
}
