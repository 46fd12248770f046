//! What the next shift reads of a night.

mod night;
mod outlook;
