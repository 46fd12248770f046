//! What whole simulated nights say, beside what was there: a table of worlds and sequences.
//!
//! It is left out by itself, because it needs an optimised program and minutes:
//!
//! ```text
//! NOCTULE_PROGRAM=target/release/noctule cargo test --test evidence -- --ignored --nocapture
//! ```
//!
//! `NOCTULE_CAMPAIGN=full` draws large numbers, `NOCTULE_SEED` other nights.

use serde_json::Value;
use std::process::Command;

/// One row: a sequence in a world, and how many nights are drawn, small and full.
struct Row {
    sequence: &'static str,
    world: &'static str,
    nights: (u64, u64),
    there: There,
}

/// What there is to be found.
#[derive(Clone, Copy, PartialEq)]
enum There {
    Nothing,
    Spin,
    /// A line of which no straight law is true.
    Bent,
}
use There::{Bent, Nothing, Spin};

const PROVE: &str = "scripts/prove_resonance.rhai";
const SERIES: &str = "scripts/overnight_field_sweep.rhai";
const OWN: &str = "tests/evidence/own_style.rhai";

const fn row(sequence: &'static str, world: &'static str, nights: (u64, u64), there: There) -> Row {
    Row { sequence, world, nights, there }
}

const ROWS: [Row; 17] = [
    row(PROVE, "bare", (12, 1000), Nothing),
    row(PROVE, "blind", (12, 1000), Nothing),
    row(PROVE, "wander", (12, 400), Nothing),
    row(SERIES, "bare", (4, 300), Nothing),
    row(SERIES, "blind", (4, 300), Nothing),
    row(OWN, "bare", (8, 600), Nothing),
    row(OWN, "blind", (8, 600), Nothing),
    row(PROVE, "night", (20, 600), Spin),
    row(PROVE, "stranger", (12, 300), Spin),
    // Lines of one moment, also over more than a window that holds one.
    row(PROVE, "tests/evidence/two_lines.ron", (8, 100), Spin),
    row(PROVE, "tests/evidence/six_lines.ron", (8, 100), Spin),
    row(PROVE, "tests/evidence/eight_lines.ron", (8, 100), Spin),
    // Here a proof is not reached yet; only the full campaign asks for it.
    row(PROVE, "rough", (0, 200), Spin),
    row(SERIES, "night", (6, 200), Spin),
    row(SERIES, "fickle", (4, 200), Spin),
    row(PROVE, "tests/evidence/apex_follows.ron", (12, 100), Bent),
    row(SERIES, "tests/evidence/apex_follows.ron", (4, 60), Bent),
];

fn nights(row: &Row, count: u64, seed: u64) -> Value {
    let program =
        std::env::var("NOCTULE_PROGRAM").unwrap_or_else(|_| env!("CARGO_BIN_EXE_noctule").to_owned());
    let (count, seed) = (count.to_string(), seed.to_string());
    // A night that a fault ends proves nothing either way; what must never be said is asked for with faults as well.
    let calm: &[&str] = if row.there == Nothing { &[] } else { &["--without-faults"] };
    let told = Command::new(program)
        .args(["nights", row.sequence, "--world", row.world, "--count", &count, "--seed", &seed, "--json"])
        .args(calm)
        .output()
        .expect("the program starts");
    let text = String::from_utf8_lossy(&told.stdout).into_owned();
    serde_json::from_str(&text)
        .unwrap_or_else(|e| panic!("{e}: {text}{}", String::from_utf8_lossy(&told.stderr)))
}

#[test]
#[ignore = "minutes of an optimised program"]
fn what_nights_say_is_true() {
    let full = std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full");
    let seed: u64 = std::env::var("NOCTULE_SEED").ok().and_then(|s| s.parse().ok()).unwrap_or(7001);
    println!(
        "{:<38} {:<9} {:>6} {:>6} {:>6} {:>9}  {:<21} {:<21} time to proof, h",
        "sequence",
        "world",
        "nights",
        "proved",
        "false",
        "undecided",
        "moment 68/95 % rms",
        "tip field 68/95 % rms"
    );
    let (mut falsely, mut judged, mut wrong) = (0, 0, Vec::new());
    for row in &ROWS {
        let count = if full { row.nights.1 } else { row.nights.0 };
        if count == 0 {
            println!("{:<38} {:<9} only in the full campaign", row.sequence, row.world);
            continue;
        }
        let told = nights(row, count, seed);
        let odds = &told["odds"];
        let count = |what: &str| odds[what]["count"].as_u64().unwrap_or(0);
        let number = |v: &Value| v.as_f64().unwrap_or(f64::NAN);
        let cover = |what: &str| {
            let (c, share) = (&odds[what], |v: &Value| 100.0 * number(&v["share"]));
            format!("{:.0}/{:.0} {:.2}", share(&c["within_one"]), share(&c["within_two"]), number(&c["rms"]))
        };
        let of = odds["judged"].as_u64().unwrap_or(0);
        let (proved, false_real, open) = (count("proved_and_right"), count("false_real"), count("undecided"));
        let time = &odds["time_to_proof_h"];
        println!(
            "{:<38} {:<9} {of:>6} {proved:>6} {false_real:>6} {open:>9}  {:<21} {:<21} {:.2} {:.2} {:.2}",
            row.sequence,
            row.world,
            cover("moment"),
            cover("tip_field"),
            number(&time["p10"]),
            number(&time["median"]),
            number(&time["p90"])
        );
        falsely += false_real;
        judged += of;
        let spins = odds["proved_and_right"]["of"].as_u64().unwrap_or(0);
        let as_wanted = match row.there {
            Nothing => true,
            Spin => 100 * proved >= 80 * spins,
            Bent => 100 * proved <= 5 * spins,
        };
        if !as_wanted {
            wrong.push(format!("{} in {}: {proved} of {spins} proved", row.sequence, row.world));
        }
        for what in ["limit_violations", "points_lost", "hung", "digest_repeats_differing"] {
            assert_eq!(told[what], 0, "{what}");
        }
    }
    println!("called real what was not there: {falsely} of {judged}");
    assert!(judged > 0 && falsely * 1000 <= judged, "{falsely} of {judged} are false");
    assert!(wrong.is_empty(), "{wrong:?}");
}
