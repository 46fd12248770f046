//! Randomness: one stream for each source, and the noise processes built on it.
//!
//! Two rules keep a world the same to the last bit. Every source draws from a
//! stream of its own, so that adding a sensor changes no other. And a process
//! that the rest of the world feels ([`Telegraph`], [`Wander`]) moves on at its
//! own events or on a fixed grid of time, never because somebody looked at it.

mod driven;
mod flicker;
mod stream;
mod telegraph;
mod wander;

pub use driven::{Driven, kept};
pub use flicker::Flicker;
pub use stream::{Source, Stream};
pub use telegraph::Telegraph;
pub use wander::Wander;
