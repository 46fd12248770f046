//! Bad input gets a clear message and the right exit code, and nothing is moved.

use crate::common::{Said, say, text, write};
use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::Path;

fn rehearse(folder: &Path, sequence: &str) -> Said {
    let file = write(folder, "faulty.rhai", sequence);
    let out = folder.join("out");
    let _ = std::fs::remove_dir_all(&out);
    say(&["rehearse", text(&file), "--json", "--out", text(&out)])
}

#[test]
fn a_sequence_with_a_typo_a_wrong_unit_or_a_value_out_of_limits_is_rejected() {
    let folder = tempfile::tempdir().unwrap();
    for (sequence, words) in [
        ("sett(\"Bias\", 60.mV);", "sett"),
        ("set(\"Bias\", 60.mT);", "a voltage"),
        ("set(\"Bias\", 6.V);", "limits"),
        ("set(\"Bais\", 60.mV);", "did you mean \"bias\""),
        ("let x = ;", "faulty.rhai"),
    ] {
        let said = rehearse(folder.path(), sequence);
        assert_eq!(said.code, 2, "{sequence}: {}", said.stderr);
        assert!(said.stderr.contains(words), "{sequence}: {}", said.stderr);
        assert!(!folder.path().join("out/run.sqlite").exists(), "nothing was begun");
    }
    let said = say(&["rehearse", "scripts/no_such_file.rhai"]);
    assert_eq!(said.code, 2);
    assert!(said.stderr.contains("can't be read"), "{}", said.stderr);
}

#[test]
fn a_bench_with_five_faults_is_reported_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let bench = std::fs::read_to_string("scripts/bench_simulated.ron")
        .unwrap()
        .replace("max: \"500 mV\", step: \"20 mV\"", "max: \"500 mV\", stepp: \"20 mV\"")
        .replace("min: \"0.5 pA\"", "min: \"0.5\"")
        .replace("slew: \"100 mT/min\", settle: \"10 s\",\n            tolerance: \"1 mT\", arrive_within: \"5 min\"),\n        Channel(name: \"field_x\"", "slew: \"100 mT\", settle: \"10 s\",\n            tolerance: \"1 mT\", arrive_within: \"5 min\"),\n        Channel(name: \"field_z\"")
        .replace("Set(channel: \"bias\", to: \"50 mV\")", "Set(channel: \"bias\", to: \"900 mV\")");
    let bench = write(folder.path(), "bench.ron", &bench);
    let said = say(&["rehearse", "scripts/overnight_field_sweep.rhai", "--bench", text(&bench), "--json"]);
    assert_eq!(said.code, 2);
    let found = said.json();
    let lines: Vec<u64> =
        found["diagnostics"].as_array().unwrap().iter().map(|d| d["line"].as_u64().unwrap()).collect();
    assert!(lines.len() >= 5 && lines.iter().all(|line| *line > 0), "{found:#}");
    for words in [
        "did you mean `step`",
        "has no unit",
        "two channels are named `field_z`",
        "lies outside the limits of `bias`",
    ] {
        assert!(said.stderr.contains(words), "{words} is missing in\n{}", said.stderr);
    }
}

/// A bench with one SCPI instrument at a port.
fn bench_at(port: u16) -> String {
    format!(
        "Bench(name: \"one invented instrument at {port}\",\n\
         links: {{ \"box\": Scpi(address: \"127.0.0.1:{port}\", timeout: \"300 ms\") }},\n\
         channels: [Channel(name: \"bias\", role: Bias, unit: \"mV\", link: \"box\", min: \"0 mV\", max: \"100 mV\",\n\
         set: \"VOLT {{}}\", query: \"VOLT?\")],\n\
         park: [Set(channel: \"bias\", to: \"0 mV\")])\n"
    )
}

#[test]
fn a_missing_instrument_stops_a_run_before_anything_moves() {
    let folder = tempfile::tempdir().unwrap();
    let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let bench = write(folder.path(), "bench.ron", &bench_at(free));
    let sequence = write(folder.path(), "one.rhai", "set(\"Bias\", 10.mV);\npark();\n");
    let out = folder.path().join("out");
    let said = say(&["run", text(&sequence), "--bench", text(&bench), "--out", text(&out), "--json"]);
    assert_eq!(said.code, 5, "{}", said.stderr);
    assert!(
        said.stderr.contains("link `box`") && said.stderr.contains("nothing was moved"),
        "{}",
        said.stderr
    );
    assert!(!out.join("run.sqlite").exists());
}

#[test]
fn a_peer_that_answers_rubbish_stops_a_run_before_anything_moves() {
    let folder = tempfile::tempdir().unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let mut stream = stream;
            let mut heard = [0; 256];
            while stream.read(&mut heard).is_ok_and(|n| n > 0) {
                if stream.write_all(&[0xff, 0x00, 0xfe, b'\n']).is_err() {
                    break;
                }
            }
        }
    });
    let bench = write(folder.path(), "bench.ron", &bench_at(port));
    let sequence = write(folder.path(), "one.rhai", "set(\"Bias\", 10.mV);\npark();\n");
    let out = folder.path().join("out");
    let said = say(&["run", text(&sequence), "--bench", text(&bench), "--out", text(&out), "--json"]);
    assert_eq!(said.code, 5, "{}", said.stderr);
    assert!(said.stderr.contains("garbled"), "{}", said.stderr);
}

#[test]
fn a_real_instrument_is_never_paced() {
    let folder = tempfile::tempdir().unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let mut stream = stream;
            let mut heard = [0; 256];
            while stream.read(&mut heard).is_ok_and(|n| n > 0) {
                if stream.write_all(b"Lantern Works,invented source,7,1.0\n").is_err() {
                    break;
                }
            }
        }
    });
    let bench = write(folder.path(), "bench.ron", &bench_at(port));
    let sequence = write(folder.path(), "one.rhai", "set(\"Bias\", 10.mV);\npark();\n");
    let said = say(&["run", text(&sequence), "--bench", text(&bench), "--pace", "10"]);
    assert_eq!(said.code, 5, "{}", said.stderr);
    assert!(said.stderr.contains("a real instrument is never paced"), "{}", said.stderr);
}
