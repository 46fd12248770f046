//! Nothing a sequence or a fault does can hurt the microscope: the promises of the table in
//! `noctule::run::faults::PROMISES`, hostile sequences, and arbitrary events.

#[path = "safety/bed.rs"]
mod bed;
#[path = "../fuzz/bodies.rs"]
mod bodies;
#[path = "safety/cases.rs"]
mod cases;
mod common;
#[path = "safety/fuzzed.rs"]
mod fuzzed;
#[path = "safety/hostile.rs"]
mod hostile;
#[path = "safety/permits.rs"]
mod permits;
#[path = "safety/properties.rs"]
mod properties;
#[path = "safety/resumed.rs"]
mod resumed;
#[path = "safety/shipped_faults.rs"]
mod shipped_faults;
#[path = "safety/wall.rs"]
mod wall;
#[path = "common/wrapped.rs"]
mod wrapped;
