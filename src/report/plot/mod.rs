//! Plots of what is in a run file: a sweep, a map, a trace, a histogram, resonance against field; and the days of a campaign.
//!
//! Each comes as a [`Drawing`], which writes itself as SVG or as PNG. Axes carry units, fits and error bars are
//! drawn where the record has them, and what is not to be trusted is crossed, not left out.

mod card;
mod days;
mod resonance;
mod sweep;
mod timeline;
mod trace;

pub use card::{card, cards};
pub use days::days;
pub use resonance::{of_law, resonance};
pub use sweep::{map, spectrum, sweep};
pub use timeline::{letters, timeline};
pub use trace::{clock_axis, histogram, image, trace, watched, watched_chart};

use super::account::Account;
use super::figure::Drawing;
use crate::record::RecordError;

/// Why there is no plot.
#[derive(Debug, thiserror::Error)]
pub enum PlotError {
    /// The run file can't be read.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// The run has nothing of that name.
    #[error("this run has no {what} `{name}`; {known}")]
    Unknown {
        /// Sweep, trace, channel.
        what: &'static str,
        /// As asked for.
        name: String,
        /// What there is instead.
        known: String,
    },
    /// There is nothing to draw.
    #[error("{0}")]
    Nothing(String),
}

/// Usual size of a plot by itself, pixels.
pub const SIZE: (f64, f64) = (760.0, 440.0);

/// One drawing above another, as one.
pub(super) fn above(mut upper: Drawing, lower: Drawing) -> Drawing {
    use super::figure::Shape;
    let down = upper.height;
    upper.height += lower.height;
    upper.width = upper.width.max(lower.width);
    let lowered = |p: (f64, f64)| (p.0, p.1 + down);
    for shape in lower.shapes {
        upper.shapes.push(match shape {
            Shape::Line { places, ink, width, dashed } => {
                Shape::Line { places: places.into_iter().map(lowered).collect(), ink, width, dashed }
            }
            Shape::Pieces { pieces, ink, width } => {
                let pieces = pieces.into_iter().map(|(a, b)| (lowered(a), lowered(b))).collect();
                Shape::Pieces { pieces, ink, width }
            }
            Shape::Dots { places, ink, size } => {
                Shape::Dots { places: places.into_iter().map(lowered).collect(), ink, size }
            }
            Shape::Text { at, text, size, anchor, ink, turned } => {
                Shape::Text { at: lowered(at), text, size, anchor, ink, turned }
            }
            Shape::Cells { at, size, cells } => Shape::Cells { at: lowered(at), size, cells },
        });
    }
    upper
}

/// Names of the channels that were watched.
pub fn watched_names(account: &Account) -> Vec<&str> {
    account.monitors.keys().map(String::as_str).collect()
}
