//! What tripped an interlock, for people.

use super::{Cause, Compared, Entry, Unseen};
use crate::quantity::{Unit, significant, value_in};

impl Entry {
    /// What tripped an interlock, for people; the condition where nothing else is known.
    pub fn what_tripped(&self) -> String {
        let Entry::Interlock { condition, cause, .. } = self else { return String::new() };
        match cause {
            Cause::Compared(Compared { column: Some(column), value, limit, .. }) => {
                let (value, limit) = (column.show(*value), column.show(*limit));
                format!("{} is {value}, the limit is {limit}", column.channel)
            }
            Cause::Compared(Compared { column: None, written, value, limit }) => {
                let unit = written.as_ref().and_then(|(what, unit)| Some((what, Unit::parse(unit)?)));
                match unit {
                    Some((what, unit)) => {
                        let shown = |si: f64| value_in(si, &unit, 3);
                        format!("{what} is {}, the limit is {}", shown(*value), shown(*limit))
                    }
                    None => {
                        let digits = |number: f64| significant(number, 4);
                        format!("{condition}: {} against the limit {}", digits(*value), digits(*limit))
                    }
                }
            }
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
