//! See `driver_lines` in `bodies.rs`.
#![no_main]

#[path = "../bodies.rs"]
mod bodies;

libfuzzer_sys::fuzz_target!(|data: &[u8]| bodies::driver_lines(data));
