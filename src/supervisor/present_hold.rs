//! What a hold is doing, for people who ask.

use super::Supervisor;
use super::hold::{Stage, marks_hold};
use serde::{Deserialize, Serialize};

/// How far a hold has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum HoldStage {
    /// It was asked for and begins at the next point.
    Asked,
    /// The bench goes to the state in which it is held.
    Entering,
    /// It is there and waits.
    Waiting,
    /// The bench is brought back; then the sequence goes on.
    Leaving,
}

/// A hold as it is now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PresentHold {
    /// How far it has come.
    pub stage: HoldStage,
    /// Time since it began, s.
    pub for_s: f64,
    /// Whether it is for a helium transfer.
    pub refill: bool,
    /// Whether an operator wants it, and so has to release it.
    pub operator: bool,
    /// What it waits for, in the order in which it comes.
    pub waits_for: Vec<String>,
}

impl PresentHold {
    /// What it is for, how far it has come, what it waits for: one line.
    pub fn in_words(&self) -> String {
        let (state, purpose) =
            if self.refill { ("refill state", "for a refill") } else { ("hold state", "") };
        let stage = match self.stage {
            HoldStage::Asked => "asked for, begins at the next point".to_owned(),
            HoldStage::Entering if self.refill => format!("on the way to the {state}, not there yet"),
            HoldStage::Entering => format!("on the way to the {state}"),
            HoldStage::Waiting => format!("the {state} is reached"),
            HoldStage::Leaving => "the bench is brought back, then it goes on".to_owned(),
        };
        let mut parts = Vec::from_iter((!purpose.is_empty()).then(|| purpose.to_owned()));
        parts.push(stage);
        if !self.waits_for.is_empty() {
            parts.push(format!("waits for {}", self.waits_for.join(", then for ")));
        }
        parts.join("; ")
    }
}

impl Supervisor {
    /// The hold that is on, or that was asked for.
    pub fn present_hold(&self) -> Option<PresentHold> {
        let hold = &self.hold;
        let stage = match hold.stage {
            Stage::None if hold.wanted() => HoldStage::Asked,
            Stage::None => return None,
            Stage::Entering => HoldStage::Entering,
            Stage::Waiting => HoldStage::Waiting,
            Stage::Leaving => HoldStage::Leaving,
        };
        let mut waits_for = Vec::new();
        waits_for.extend(hold.silent.iter().map(|(link, (since, until))| {
            let words = crate::quantity::in_words;
            let (silent, left) = (words(self.now.since(*since)), words(until.since(self.now)));
            format!(
                "`{}` to answer (silent for {silent}, waited for {left} more)",
                self.bench.links[*link].name
            )
        }));
        let name = |index: &usize| format!("`{}` to clear", self.bench.interlocks[*index].name);
        waits_for.extend(hold.locks.keys().map(name));
        if hold.operator {
            waits_for.push("an operator's release".to_owned());
        }
        if let (true, Some(marks)) =
            (hold.refill && stage != HoldStage::Leaving, &self.bench.refill.resume_when)
        {
            let now = if marks_hold(&self.bench, &self.latest) { "so now" } else { "not so yet" };
            waits_for.push(format!("{} ({now})", marks.text));
        }
        let for_s = if stage == HoldStage::Asked { 0.0 } else { self.now.since(hold.since) };
        Some(PresentHold { stage, for_s, refill: hold.refill, operator: hold.operator, waits_for })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hold_says_what_it_is_for_and_what_it_waits_for() {
        let waits_for =
            vec!["an operator's release".to_owned(), "helium_level > 30 L (not so yet)".to_owned()];
        let mut hold =
            PresentHold { stage: HoldStage::Entering, for_s: 49.0, refill: true, operator: true, waits_for };
        let words = hold.in_words();
        assert!(
            words.starts_with("for a refill; on the way to the refill state, not there yet; waits"),
            "{words}"
        );
        assert!(
            words.ends_with("an operator's release, then for helium_level > 30 L (not so yet)"),
            "{words}"
        );
        hold.stage = HoldStage::Waiting;
        assert!(hold.in_words().contains("the refill state is reached"));
        (hold.refill, hold.waits_for) = (false, Vec::new());
        assert_eq!(hold.in_words(), "the hold state is reached");
    }
}
