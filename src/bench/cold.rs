//! The condensation pot: how long a filling lasts, and what a new one needs.

use crate::quantity::Dimension;
use noctule_ground::section;
use noctule_ground::section::{Kind, Range};

section! {
    /// The condensation pot: how long a filling lasts, and what a new one needs. Without it nothing is foretold of the pot.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Pot = "Pot" {
        /// How long a filling lasts.
        pub lasts_s: f64 = Kind::Quantity(Dimension::TIME, Range::Positive), "lasts" or "72 h";
        /// Standard deviation of that from one filling to the next.
        pub spread_s: f64 = Kind::Quantity(Dimension::TIME, Range::NotNegative), "spread" or "5 h";
        /// Helium that condensing anew takes from the bath; with less above the refill limit it is not begun.
        pub helium_m3: f64 = Kind::Quantity(Dimension::VOLUME, Range::NotNegative), "helium" or "3 L";
        /// The stage is cold again below this.
        pub cold_below_k: f64 = Kind::Quantity(Dimension::TEMPERATURE, Range::Positive), "cold_below" or "400 mK";
        /// Longest time from condensing until the stage is cold again.
        pub cold_within_s: f64 = Kind::Quantity(Dimension::TIME, Range::Positive), "cold_within" or "3 h";
    }
}
