//! What tripped an interlock, for people.

use super::{Cause, Compared, Entry, Unseen};
use crate::quantity::{Quantity, Unit, significant};

impl Entry {
    /// What tripped an interlock, for people; the condition where nothing else is known.
    pub fn what_tripped(&self) -> String {
        let Entry::Interlock { condition, cause, .. } = self else { return String::new() };
        match cause {
            Cause::Compared(Compared { column: Some(column), value, limit }) => {
                let (value, limit) = (column.show(*value), column.show(*limit));
                format!("{} is {value}, the limit is {limit}", column.channel)
            }
            Cause::Compared(Compared { column: None, value, limit }) => match written(condition, *limit) {
                Some((what, unit)) => {
                    let shown = |si: f64| format!("{} {}", significant(unit.from_si(si), 3), unit.text);
                    format!("{what} is {}, the limit is {}", shown(*value), shown(*limit))
                }
                None => {
                    let digits = |number: f64| significant(number, 4);
                    format!("{condition}: {} against the limit {}", digits(*value), digits(*limit))
                }
            },
            Cause::Beyond(channel) => format!("{condition}; {channel} lies beyond what it can show"),
            Cause::Blind(unseen) => {
                let silent = |one: &Unseen| {
                    format!("{} has given no value for {}", one.channel, crate::quantity::in_words(one.for_s))
                };
                unseen.iter().map(silent).collect::<Vec<_>>().join(", ")
            }
            Cause::Condition => condition.clone(),
        }
    }
}

/// What a condition of one comparison looks at, and the unit in which its limit is written.
fn written(condition: &str, limit: f64) -> Option<(&str, Unit)> {
    let at = condition.find(['<', '>'])?;
    let (what, rest) = condition.split_at(at);
    let right = rest.trim_start_matches(['<', '>', '=']).trim();
    let quantity: Quantity = right.parse().ok()?;
    let unit = right.trim_start_matches(|c: char| c.is_ascii_digit() || "+-.eE_ ".contains(c)).trim();
    let same = (quantity.si - limit).abs() <= 1e-9 * limit.abs();
    same.then(|| Unit::parse(unit)).flatten().map(|unit| (what.trim(), unit))
}
