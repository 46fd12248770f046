//! The three kinds of instruments against their contract, against bad peers and against every fault
//! that the mimic can have on the way.

mod bad_line;
mod bad_peers;
mod bench_files;
mod common;
mod contract;
mod link_faults;
mod manners;
mod mimic_commands;
mod out_of_step;
mod processes;
mod recorder;
#[cfg(all(feature = "serial", unix))]
mod serial;
