//! Where a run was cut and resumed: why, how the bench was left, and how it was brought back.

use super::{Account, ParkStep, place_in_words};
use crate::history::Clock;
use crate::record::{Column, Ending, SafeAct};

/// One interruption of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Interruption {
    /// When the record before it ends, s.
    pub at_s: f64,
    /// How that part ended; none where it was cut without a word.
    pub ending: Option<Ending>,
    /// Whether the record says that the bench was parked.
    pub parked: bool,
    /// Park steps that were not reached.
    pub not_reached: Vec<String>,
    /// When it went on, s: the clock of the run stands still in between.
    pub again_s: f64,
    /// When it went on by the wall clock, where the record says so.
    pub taken_up_at: Option<String>,
    /// What was brought back, with whether it was reached.
    pub brought_back: Vec<(SafeAct<Column>, bool)>,
    /// What the search for the spot said, where there was one before anything was measured.
    pub centred: Option<String>,
    /// Whether the way back is still under way at this point of the record.
    pub(super) open: bool,
}

impl Interruption {
    /// Begins one: what had been its end is so no longer.
    pub(super) fn begin(account: &mut Account, again_s: f64, taken_up_at: Option<&str>) {
        let failed = |step: &&ParkStep| !step.achieved;
        let ending = account.history.ending.take();
        // Park steps of an end that was not recorded are those of an earlier one.
        let steps = if ending.is_some() { account.park.as_slice() } else { &[] };
        let not_reached = steps.iter().filter(failed).map(|s| format!("{} ({})", s.what, s.remark)).collect();
        account.interruptions.push(Self {
            at_s: account.history.end_s,
            ending,
            parked: std::mem::take(&mut account.history.parked),
            not_reached,
            again_s,
            taken_up_at: taken_up_at.map(crate::history::day_and_minute),
            brought_back: Vec::new(),
            centred: None,
            open: true,
        });
    }

    /// Why it was, in a sentence without a stop.
    pub fn why(&self) -> String {
        match &self.ending {
            None => "the record was cut without an end".to_owned(),
            Some(ending) => {
                let place = match ending.place.line {
                    0 => String::new(),
                    _ => format!(", at {}", place_in_words(&ending.place)),
                };
                ending.outcome.told(ending.reason.trim_end_matches('.')) + place.as_str()
            }
        }
    }

    /// All of it for a tired reader.
    pub fn in_words(&self, clock: &Clock) -> String {
        let mut text = format!("{} — {}.", clock.short(self.at_s), self.why());
        text += match (&self.ending, self.parked) {
            (None, _) => " Nothing says how the bench stood.",
            (Some(_), true) => " All park steps were reached.",
            (Some(_), false) => " PARKING WAS NOT COMPLETE.",
        };
        if !self.not_reached.is_empty() {
            text += &format!(" Not reached: {}.", self.not_reached.join("; "));
        }
        text += &match &self.taken_up_at {
            Some(at) => format!(" Resumed on {at} (the clock of the run stood still meanwhile)."),
            None => format!(" Resumed at {}.", clock.short(self.again_s)),
        };
        let names = |wanted: bool| {
            let all = self.brought_back.iter().filter(|(_, reached)| *reached == wanted);
            all.map(|(step, _)| step.in_words()).collect::<Vec<_>>().join(", ")
        };
        let (back, failed) = (names(true), names(false));
        if !back.is_empty() {
            text += &format!(" Brought back: {back}.");
        }
        if !failed.is_empty() {
            text += &format!(" NOT brought back: {failed}.");
        }
        match &self.centred {
            Some(said) => text += &format!(" The spot was looked for again: {said}."),
            None if self.brought_back.iter().any(|(step, _)| *step == SafeAct::Approach) => {
                text += " The tip came back without a search for its spot.";
            }
            None => {}
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Outcome, Place};

    #[test]
    fn a_crash_is_told_with_how_it_was_left_and_brought_back() {
        let bias = Column { channel: "bias".into(), unit: "mV".into(), si_unit: "V".into() };
        let reason = "the runner was gone; the keeper parked the bench".to_owned();
        let ending = Ending { outcome: Outcome::Fault, reason, place: Place::default(), latched: false };
        let mut one = Interruption {
            at_s: 60.0,
            ending: Some(ending),
            parked: true,
            not_reached: Vec::new(),
            again_s: 60.0,
            taken_up_at: None,
            brought_back: vec![(SafeAct::Approach, true), (SafeAct::Set(bias, 0.06), false)],
            centred: None,
            open: false,
        };
        let clock = Clock::default();
        let text = one.in_words(&clock);
        for part in [
            "fault: the runner was gone",
            "All park steps",
            "Brought back: approach",
            "NOT brought back: bias",
            "without a search",
        ] {
            assert!(text.contains(part), "{text}");
        }
        one.centred = Some("re-centred by 24 pm and -41 pm".into());
        (one.parked, one.not_reached) = (false, vec!["withdraw the tip (no answer)".into()]);
        let text = one.in_words(&clock);
        assert!(text.contains("NOT COMPLETE") && text.contains("withdraw the tip (no answer)"), "{text}");
        assert!(text.contains("looked for again: re-centred by 24 pm"), "{text}");
        one.ending = None;
        assert!(one.in_words(&clock).contains("cut without an end"));
    }
}
