//! `prepare_tip.rhai`: keeps a good tip, makes one from a bare one, and says so rightly. `NOCTULE_CAMPAIGN=full` rehearses
//! 300 seeds of each world, in a window of eight hours.

use crate::common::{say, text};
use std::path::Path;
use std::sync::Mutex;

fn seeds(few: u64) -> u64 {
    if std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full") { 300 } else { few }
}

/// One rehearsal: its JSON and its exit code.
fn night(world: &str, seed: u64, folder: &Path) -> (serde_json::Value, i32) {
    let out = folder.join(format!("{world}_{seed}"));
    let seed = seed.to_string();
    let window = ["--start", "20:00", "--until", "04:00 tomorrow", "--json", "--out", text(&out)];
    let mut arguments = vec!["rehearse", "scripts/prepare_tip.rhai", "--world", world, "--seed", &seed];
    arguments.extend(window);
    let said = say(&arguments);
    let json = said.json();
    let _ = std::fs::remove_dir_all(&out);
    (json, said.code)
}

fn nights(world: &str, count: u64) -> Vec<(serde_json::Value, i32)> {
    let folder = tempfile::tempdir().unwrap();
    let done = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for worker in 0..2 {
            let (done, folder) = (&done, folder.path());
            scope.spawn(move || {
                for seed in (1..=count).filter(|seed| seed % 2 == worker) {
                    let night = night(world, seed, folder);
                    done.lock().unwrap().push(night);
                }
            });
        }
    });
    done.into_inner().unwrap()
}

#[test]
fn a_good_tip_is_kept_and_not_touched() {
    let nights = nights("night", seeds(6));
    for (json, code) in &nights {
        assert_eq!((json["result"]["what"].as_str(), *code), (Some("made"), 0), "{json}");
        assert_eq!(json["truth"]["tips"].as_array().unwrap().len(), 1, "{json}");
        assert_eq!(json["truth"]["lifted"].as_array().unwrap().len(), 0, "{json}");
    }
}

#[test]
fn a_bare_tip_is_made_good_in_most_nights_and_the_result_is_right() {
    let nights = nights("bare", seeds(12));
    let (mut made, mut hours) = (0, Vec::new());
    for (json, code) in &nights {
        let (result, truth) = (&json["result"], &json["truth"]);
        assert_eq!(
            (json["outcome"].as_str(), json["limit_violations"].as_u64()),
            (Some("finished"), Some(0))
        );
        let last = truth["tips"].as_array().unwrap().last().unwrap();
        // The atom nearest to the middle is the target: A9.
        assert!(!truth["lifted"].as_array().unwrap().iter().any(|name| name == "A9"), "{json}");
        if result["what"] == "made" {
            made += 1;
            hours.push(json["virtual_s"].as_f64().unwrap() / 3600.0);
            assert_eq!((last["polarised"].as_bool(), *code), (Some(true), 0), "{json}");
        } else {
            assert_eq!((result["what"].as_str(), *code), (Some("nothing"), 6), "{json}");
            assert!(result["about"].as_str().unwrap().len() > 10, "{json}");
        }
    }
    hours.sort_by(f64::total_cmp);
    println!("made in {made} of {}, median {:.2} h", nights.len(), hours[hours.len() / 2]);
    assert!(made * 10 >= nights.len() * 8, "made in {made} of {}", nights.len());
}
