//! The faults files that are shipped: a rehearsal rides out the hard night, and drivers get along with the mimic.

use crate::bed::night_of_file;
use noctule::bench::{LinkKind, read};
use noctule::drive::connect::open_all;
use noctule::mimic::{Mimic, read_faults};
use noctule_sim::world::World;
use std::path::Path;
use std::time::{Duration, Instant};

fn shipped(name: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

#[test]
fn a_shipped_sequence_rides_out_the_hard_night() {
    let text = shipped("faults_hard_night.ron");
    let faults = text.split_once("Faults(faults: [").expect("a faults file").1;
    let faults = faults.rsplit_once("])").expect("its end").0;
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/power_and_distance.rhai");
    let night = night_of_file(&script, faults);
    assert_eq!(night.ending().0, "finished", "{:?}", night.ending());
    assert!(night.done.tally.parked);
    let tripped = |name: &str| night.done.tally.trips.iter().any(|trip| trip.name == name);
    assert!(tripped("pressure burst") && tripped("pressure gauge silent"), "{:?}", night.done.tally.trips);
    assert!(night.done.tally.holds >= 3, "{} holds", night.done.tally.holds);
}

#[test]
fn drivers_get_along_with_the_wire_of_the_mimic() {
    let faults = read_faults(&shipped("faults_mimic.ron")).expect("a sound faults file");
    let world = World::shipped("night").expect("the shipped world");
    // Five minutes of the simulated microscope in about three seconds.
    let mimic = Mimic::start(&world, 7, "127.0.0.1:0".parse().expect("an address"), 100.0, &faults);
    let mimic = mimic.expect("free ports");
    let (mut bench, _) = read(&shipped("bench_mimic.ron"), "bench_mimic.ron").expect("the shipped bench");
    for link in &mut bench.links {
        let address = mimic.address(&link.name).expect("an instrument of this name").to_string();
        if let LinkKind::Scpi(scpi) = &mut link.kind {
            scpi.address = address;
        }
        link.timeout_s = 0.3;
    }
    let mut instruments = open_all(&bench, Path::new("."), 1).expect("links");
    let (mut sound, mut failed) = (0, 0);
    let began = Instant::now();
    while began.elapsed() < Duration::from_secs(4) {
        for name in ["helium_level", "magnet_voltage", "current", "lockin_x", "rf_output"] {
            let channel = bench.channel(bench.find(name).expect("a channel of the shipped bench"));
            match instruments[channel.link].read(channel) {
                // 42 L of helium and no current in it: nothing is taken for the answer to something else.
                Ok(value) => {
                    assert!(name != "helium_level" || (0.001..0.1).contains(&value), "{name}: {value}");
                    assert!(name == "helium_level" || value.abs() < 0.1, "{name}: {value}");
                    sound += 1;
                }
                Err(_) => failed += 1,
            }
        }
    }
    assert!(failed >= 5 && sound > 10 * failed, "{sound} sound, {failed} failed");
}
