//! `noctule` runs measurement sequences on a millikelvin scanning tunnelling
//! microscope while nobody is in the room.

#[macro_use]
mod output;

pub mod analysis;
pub mod bench;
pub mod cautions;
pub mod cli;
pub mod drive;
pub mod faults;
pub mod guide;
pub mod history;
pub mod instrument;
pub mod live;
pub mod logbook;
pub mod mimic;
pub mod record;
pub mod report;
pub mod run;
pub mod script;
pub mod supervisor;

pub use noctule_ground::{diagnostic, document, quantity};
