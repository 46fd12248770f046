//! See `fault_file` in `bodies.rs`.
#![no_main]

#[path = "../bodies.rs"]
mod bodies;

libfuzzer_sys::fuzz_target!(|data: &[u8]| bodies::fault_file(data));
