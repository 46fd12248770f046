//! What a plan may use, and what it asks people.

use crate::bench::TaskKind;
use crate::quantity::in_words;
use serde::{Deserialize, Serialize};

/// What a plan may use; none where it is not bounded by the plan.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Budget {
    /// Nothing is begun that would last beyond this time of the run, s.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ends_after_s: Option<f64>,
    /// Helium that must remain above the refill limit, m³.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub helium_m3: Option<f64>,
    /// Attempts to lift an atom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub atoms: Option<u32>,
    /// Coarse steps to another area.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub areas: Option<u32>,
    /// Voltage pulses.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pulses: Option<u32>,
}

impl Budget {
    /// What is bounded here, with so much more.
    #[must_use]
    pub fn with(self, more: &Budget) -> Self {
        let time = |own: Option<f64>, more: Option<f64>| own.map(|own| own + more.unwrap_or(0.0));
        let count =
            |own: Option<u32>, more: Option<u32>| own.map(|own| own.saturating_add(more.unwrap_or(0)));
        Self {
            ends_after_s: time(self.ends_after_s, more.ends_after_s),
            helium_m3: time(self.helium_m3, more.helium_m3),
            atoms: count(self.atoms, more.atoms),
            areas: count(self.areas, more.areas),
            pulses: count(self.pulses, more.pulses),
        }
    }

    /// How often a kind of task may be begun, and what that is called; none where nothing bounds it.
    fn bound(&self, kind: TaskKind) -> Option<(u32, &'static str)> {
        match kind {
            TaskKind::PickUp => Some((self.atoms?, "attempts to lift an atom")),
            TaskKind::CoarseShift => Some((self.areas?, "moves to another area")),
            TaskKind::Pulse => Some((self.pulses?, "pulses")),
            _ => None,
        }
    }

    /// Whether nothing is bounded.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// How often a plan has done what its budget bounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Used {
    /// Attempts to lift an atom.
    pub atoms: u32,
    /// Coarse steps to another area.
    pub areas: u32,
    /// Voltage pulses.
    pub pulses: u32,
}

impl Used {
    /// Takes in that a task was begun.
    pub fn count(&mut self, kind: TaskKind) {
        match kind {
            TaskKind::PickUp => self.atoms += 1,
            TaskKind::CoarseShift => self.areas += 1,
            TaskKind::Pulse => self.pulses += 1,
            _ => {}
        }
    }

    /// Why a task is beyond a budget, if it is.
    pub fn beyond(&self, budget: &Budget, kind: TaskKind) -> Option<String> {
        let (most, what) = budget.bound(kind)?;
        let used = match kind {
            TaskKind::PickUp => self.atoms,
            TaskKind::CoarseShift => self.areas,
            _ => self.pulses,
        };
        (used >= most).then(|| format!("the plan may use {most} {what}, and has used {used}"))
    }

    /// For people: what is used, of what may be.
    pub fn in_words(&self, budget: &Budget) -> String {
        let count = |used: u32, most: Option<u32>, what: &str| Some(format!("{used} of {} {what}", most?));
        let parts = [
            budget.ends_after_s.map(|s| format!("until {} after the start", in_words(s))),
            budget.helium_m3.map(|v| format!("{} L of helium to be left above the refill limit", v * 1e3)),
            count(self.atoms, budget.atoms, "attempts to lift an atom"),
            count(self.areas, budget.areas, "moves to another area"),
            count(self.pulses, budget.pulses, "pulses"),
        ];
        parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
    }
}

/// A question to people.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Asked {
    /// What it is called, for the one who answers.
    pub name: String,
    /// The question.
    pub question: String,
    /// What may be answered.
    pub answers: Vec<String>,
    /// Until when somebody may answer, s.
    pub until_s: f64,
    /// What is taken for the answer where nobody has answered by then.
    pub otherwise: String,
}

/// What somebody has answered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answered {
    /// The answer.
    pub says: String,
    /// Who gave it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// When, s.
    pub at_s: f64,
}

/// A question with what became of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Asking {
    /// The question.
    #[serde(flatten)]
    pub asked: Asked,
    /// When it was asked, s.
    pub at_s: f64,
    /// The answer, once somebody has given one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub answer: Option<Answered>,
}

impl Asking {
    /// A question that is asked now.
    pub fn new(asked: &Asked, at_s: f64) -> Self {
        Self { asked: asked.clone(), at_s, answer: None }
    }

    /// The answer that holds at a time: that of a person, or what is taken for it; nothing while it is open.
    pub fn holds_at(&self, now_s: f64) -> Option<&str> {
        let answered = self.answer.as_ref().map(|answer| answer.says.as_str());
        answered.or_else(|| (now_s >= self.asked.until_s).then_some(self.asked.otherwise.as_str()))
    }

    /// For people: the question, and what became of it.
    pub fn in_words(&self, now_s: f64) -> String {
        let Asked { name, question, answers, until_s, otherwise } = &self.asked;
        let what = match &self.answer {
            Some(answer) => {
                format!("{} answered `{}`", answer.by.as_deref().unwrap_or("an operator"), answer.says)
            }
            None if now_s >= *until_s => format!("nobody answered, so it was taken as `{otherwise}`"),
            None => format!(
                "open for {} more, then taken as `{otherwise}`; answer `{name}` with {}",
                in_words(until_s - now_s),
                answers.join(" or ")
            ),
        };
        format!("{question} — {what}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_budget_bounds_what_it_names() {
        let budget = Budget { atoms: Some(2), ends_after_s: Some(3600.0), ..Budget::default() };
        let mut used = Used::default();
        for _ in 0..2 {
            assert_eq!(used.beyond(&budget, TaskKind::PickUp), None);
            used.count(TaskKind::PickUp);
        }
        let why = used.beyond(&budget, TaskKind::PickUp);
        assert_eq!(why.as_deref(), Some("the plan may use 2 attempts to lift an atom, and has used 2"));
        assert_eq!(used.beyond(&budget, TaskKind::Pulse), None);
        let more = budget.with(&Budget { atoms: Some(1), pulses: Some(3), ..Budget::default() });
        assert_eq!((more.atoms, more.pulses, used.beyond(&more, TaskKind::PickUp)), (Some(3), None, None));
        assert_eq!(
            used.in_words(&budget),
            "until 1 h 00 min after the start, 2 of 2 attempts to lift an atom"
        );
    }

    #[test]
    fn a_question_is_open_until_it_is_answered_or_too_late() {
        let asked = Asked {
            name: "pulse".to_owned(),
            question: "May the tip be pulsed?".to_owned(),
            answers: vec!["yes".to_owned(), "no".to_owned()],
            until_s: 100.0,
            otherwise: "no".to_owned(),
        };
        let mut asking = Asking { asked, at_s: 0.0, answer: None };
        assert_eq!((asking.holds_at(99.0), asking.holds_at(100.0)), (None, Some("no")));
        assert!(asking.in_words(40.0).contains("open for 1 min 00 s more"), "{}", asking.in_words(40.0));
        asking.answer = Some(Answered { says: "yes".to_owned(), by: Some("Mira".to_owned()), at_s: 50.0 });
        assert_eq!(asking.holds_at(200.0), Some("yes"));
        assert_eq!(asking.in_words(200.0), "May the tip be pulsed? — Mira answered `yes`");
    }
}
