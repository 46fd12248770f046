//! Nothing a sequence or a fault does can hurt the microscope: the promises of the table in
//! `noctule::run::faults::PROMISES`, hostile sequences, and arbitrary events.

mod aliases;
mod bed;
mod blind;
#[path = "../fuzz/bodies.rs"]
mod bodies;
mod cases;
#[path = "../common/mod.rs"]
mod common;
mod fuzzed;
mod hostile;
mod interplay;
mod outages;
mod permits;
mod properties;
mod real_time;
mod resumed;
mod shipped_faults;
#[path = "../common/wrapped.rs"]
mod wrapped;
