//! How long a run will still take, and what is left of helium and window: for everybody who watches it.

use crate::quantity::in_words;
use serde::{Deserialize, Serialize};

/// What lies ahead of a run, as far as it is known.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Outlook {
    /// Time left of the whole sequence, if it is known.
    pub left: Option<TimeLeft>,
    /// What the time left rests on, or why it is not known: one phrase.
    pub basis: String,
    /// Points of the current sweep: done and planned.
    pub sweep_points: Option<(u64, u64)>,
    /// Time left of the current sweep at its own pace, s.
    pub sweep_left_s: Option<f64>,
    /// Helium, where the bench has a gauge that has been read.
    pub helium: Option<HeliumAhead>,
    /// Time until the window ends, s.
    pub window_left_s: Option<f64>,
}

/// A time with its bounds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TimeLeft {
    /// Best estimate, s.
    pub s: f64,
    /// Bounds at 95 %, s; none while the run has shown too little of its own pace.
    pub between_s: Option<(f64, f64)>,
}

/// Helium now, and when the refill is due.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HeliumAhead {
    /// Level by the straight line through the readings, litres.
    pub level_l: f64,
    /// Level above the refill limit, litres.
    pub above_limit_l: f64,
    /// Time until the mark is reached, s; none where the readings do not show it yet.
    pub due_in_s: Option<f64>,
    /// Its bounds at 95 %, s; the later one is missing where it may never come.
    pub due_between_s: Option<(f64, Option<f64>)>,
}

impl Outlook {
    /// Time left in words: `2 h 10 min (1 h 58 min to 2 h 25 min)`, or that it is not known.
    pub fn left_words(&self) -> String {
        let Some(left) = self.left else { return "not known".to_owned() };
        match left.between_s {
            Some((least, most)) if in_words(least) != in_words(most) => {
                format!("{} ({} to {})", in_words(left.s), in_words(least), in_words(most))
            }
            _ => in_words(left.s),
        }
    }

    /// Helium in words: `41.2 L, refill due in 1 d 4 h`.
    pub fn helium_words(&self) -> Option<String> {
        let helium = self.helium?;
        let due = match helium.due_in_s {
            Some(due_s) if due_s <= 0.0 => ", refill is due".to_owned(),
            Some(due_s) => format!(", refill due in {}", in_words(due_s)),
            None => ", no forecast yet".to_owned(),
        };
        Some(format!("{:.1} L{due}", helium.level_l))
    }

    /// Whether the window ends before the sequence is likely to: something a person should see.
    pub fn is_too_long(&self) -> bool {
        matches!((self.left, self.window_left_s), (Some(left), Some(window_s)) if left.s > window_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_say_what_is_known_and_what_is_not() {
        let mut outlook = Outlook::default();
        assert_eq!((outlook.left_words().as_str(), outlook.helium_words()), ("not known", None));
        outlook.left = Some(TimeLeft { s: 7200.0, between_s: Some((6600.0, 7800.0)) });
        assert_eq!(outlook.left_words(), "2 h 00 min (1 h 50 min to 2 h 10 min)");
        outlook.window_left_s = Some(7000.0);
        assert!(outlook.is_too_long());
        let helium = HeliumAhead { level_l: 41.23, above_limit_l: 31.2, due_in_s: None, due_between_s: None };
        outlook.helium = Some(helium);
        assert_eq!(outlook.helium_words().unwrap(), "41.2 L, no forecast yet");
        outlook.helium = Some(HeliumAhead { due_in_s: Some(100_800.0), ..helium });
        assert_eq!(outlook.helium_words().unwrap(), "41.2 L, refill due in 1 d 4 h");
    }
}
