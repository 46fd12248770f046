//! All spectra of a spin and a tip judged at once.
//!
//! *The question* is whether a line moves with the field as a moment's line does: at `2 μ |B + B_tip| / h`.
//!
//! *Why a line of the apparatus does not pass.* The background is taken out of each spectrum by itself, whatever it is made
//! of below the longest delay of an RF line (`clean`). What stays at a frequency, at a place of the window, or at a time of
//! the sweep is found without regard to the field and masked (`locked`), and what stays at a frequency is taken out as well (`taken_out`). What is left is asked one thing: does it know the
//! field? Each spectrum answers by how much better a line does where the law has it than at any other place of the same
//! window ([`evidence`]). One strong feature in one spectrum counts no more than the number of places it might have had.
//!
//! *How often one may look*: after each spectrum; stopping at proof keeps the error rate ([`evidence`]).
//!
//! *Several lines*: a comb of equal lines is read off each spectrum without regard to the field, and asked for as a whole
//! (`combs`). Once a law is known, all spectra together say which lines share it (`members`), and where they end (`ends`).
//!
//! *Whose evidence*: that of one state of the tip. Where the line goes or steps along its law, spectra are cut (`segments`).
//!
//! *What a "no" needs*: along every law where it would stand out, a line of the height asked for is excluded.
//!
//! *Errors of moment and tip field*: generalised least squares over the centres, averaged over the size and the duration of
//! the wander of the tip field and over a smooth bend (`law`, `gls`). What the errors of the common shape do to all centres
//! together is part of it (`shape`), and what the alignment of the spin does to the field of the tip, as far as spectra at
//! other setpoints do not tell (`answers`).

mod answers;
mod centres;
mod claim;
mod clean;
mod combs;
pub mod design;
mod ends;
pub mod evidence;
mod gls;
mod judge;
mod law;
mod locked;
mod members;
mod outcome;
mod remembered;
mod scan;
mod segments;
mod shape;
mod spectra;
mod tables;
mod taken_out;
mod tried;

pub use judge::{judge, judge_again};
pub use locked::{Locked, LockedTo};
pub use outcome::{Judgement, LawPoint, LookedAt, Multiplet, ProvedLaw, Suspect, Verdict};
pub use remembered::Remembered;
pub use spectra::{Prior, SpectrumAt, long_enough, usual_setpoint_a};
