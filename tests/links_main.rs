//! The three kinds of instruments against their contract, against bad peers and against every fault
//! that the mimic can have on the way.

#[path = "links/bad_peers.rs"]
mod bad_peers;
#[path = "links/bench_files.rs"]
mod bench_files;
#[path = "links/common.rs"]
mod common;
#[path = "links/contract.rs"]
mod contract;
#[path = "links/link_faults.rs"]
mod link_faults;
#[path = "links/mimic_commands.rs"]
mod mimic_commands;
#[path = "links/processes.rs"]
mod processes;
#[cfg(all(feature = "serial", unix))]
#[path = "links/serial.rs"]
mod serial;
