//! What was said on a link is kept, and played again it leads to the same values and to the same failure.

use crate::common::{instruments, mimic, mimic_bench};
use noctule::bench::LinkKind;
use noctule::instrument::{ErrorKind, Instrument, InstrumentError, Scpi};
use noctule::mimic::player::Player;
use std::time::Duration;

/// Some readings, until one fails.
fn readings(instrument: &mut dyn Instrument, bench: &noctule::bench::Bench) -> (Vec<f64>, InstrumentError) {
    let mut values = Vec::new();
    for turn in 0..500 {
        let name = ["rf_level", "rf_frequency", "rf_output"][turn % 3];
        let channel = bench.channel(bench.find(name).expect("the channel"));
        match instrument.read(channel) {
            Ok(value) => values.push(value),
            Err(error) => return (values, error),
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    panic!("nothing has failed")
}

#[test]
fn a_recording_played_again_gives_the_same_values_and_fails_in_the_same_way() {
    for (kind, expected) in [
        ("Garbled", ErrorKind::Garbled),
        ("HalfReply", ErrorKind::TimedOut),
        ("DoubleReply", ErrorKind::OutOfStep),
    ] {
        let mimic = mimic(1.0, &format!("{kind}(at: \"300 ms\", on: \"source\", for: \"10 s\")"));
        let bench = mimic_bench(&mimic);
        let source = bench.links.iter().position(|link| link.name == "source").expect("the source");
        let mut all = instruments(&bench);
        let (values, error) = readings(all[source].as_mut(), &bench);
        assert!(values.len() > 5, "{kind}: {error}");
        let recording = all[source].recording().expect("it is kept");
        assert!(recording.starts_with("# link source\n"), "{recording}");

        let player = Player::new(&recording);
        assert!(player.len() > values.len());
        let address = player.serve("127.0.0.1:0".parse().expect("an address")).expect("a free port");
        let LinkKind::Scpi(link) = &bench.links[source].kind else { panic!("it speaks SCPI") };
        let mut link = link.clone();
        link.address = address.to_string();
        let mut played = Scpi::new("source", &link, bench.links[source].timeout_s);
        let (again, failed) = readings(&mut played, &bench);
        assert_eq!(again, values, "{kind}");
        assert_eq!((error.kind, failed.kind), (expected, expected), "{kind}: {error}; {failed}");
    }
}
