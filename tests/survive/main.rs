//! Runs that are killed, cut, held, refilled, starved of disk: nothing acknowledged is lost, nothing happens twice.

#[path = "../common/mod.rs"]
mod common;
mod damaged;
mod deciding;
mod disk;
mod edges;
mod everything;
mod gate;
mod interruptions;
mod keeper;
mod lab;
mod locks;
mod once;
mod outages;
mod refill;
mod rehearsal;
mod resumes;
mod taken_up;
mod windows;
mod words;
