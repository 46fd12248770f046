//! What the fuzz targets do, over their seeds and over everything that was found once; and over a few inputs
//! made from these, so that a target that no longer holds is noticed here.

use crate::bodies;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::path::{Path, PathBuf};

fn inputs(kind: &str, target: &str) -> Vec<(PathBuf, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz").join(kind).join(target);
    let Ok(files) = std::fs::read_dir(folder) else { return Vec::new() };
    let mut paths: Vec<PathBuf> = files.map(|file| file.expect("a file").path()).collect();
    paths.sort();
    paths.into_iter().map(|path| (path.clone(), std::fs::read(&path).expect("a readable file"))).collect()
}

#[test]
fn every_seed_and_every_input_that_was_found_once_is_met() {
    for (target, body) in bodies::ALL {
        let seeds = inputs("seeds", target);
        assert!(!seeds.is_empty(), "{target} has no seeds");
        for (path, data) in seeds.into_iter().chain(inputs("found", target)) {
            eprintln!("{}", path.display());
            body(&data);
        }
    }
}

/// Cuts, doubles, swaps and flips, as a fuzzer does, without its eyes.
fn mutated(data: &[u8], random: &mut ChaCha8Rng) -> Vec<u8> {
    let mut bytes = data.to_vec();
    for _ in 0..random.random_range(1..4) {
        if bytes.is_empty() {
            return bytes;
        }
        let (a, b) = (random.random_range(0..bytes.len()), random.random_range(0..bytes.len()));
        let (from, to) = (a.min(b), a.max(b));
        match random.random_range(0..5) {
            0 => bytes.truncate(to),
            1 => drop(bytes.drain(from..to.min(from + 20))),
            2 => bytes
                .splice(from..from, data[from.min(data.len() - 1)..].iter().take(20).copied())
                .for_each(drop),
            3 => bytes.swap(a, b),
            _ => bytes[a] = random.random_range(b' '..=b'~'),
        }
    }
    bytes
}

/// Each target for half a second; with `NOCTULE_FUZZ_S=600` for ten minutes, beside those that a fuzzer with eyes runs.
#[test]
fn inputs_near_the_seeds_are_met_for_as_long_as_is_asked_for() {
    let seconds =
        std::env::var("NOCTULE_FUZZ_S").ok().and_then(|text| text.parse::<f64>().ok()).unwrap_or(0.5);
    std::thread::scope(|scope| {
        for (target, body) in bodies::ALL {
            scope.spawn(move || {
                let mut random = ChaCha8Rng::seed_from_u64(2);
                let mut pool: Vec<Vec<u8>> =
                    inputs("seeds", target).into_iter().map(|(_, data)| data).collect();
                let (began, mut count) = (std::time::Instant::now(), 0_u64);
                while began.elapsed().as_secs_f64() < seconds {
                    let from = random.random_range(0..pool.len());
                    let input = mutated(&pool[from], &mut random);
                    body(&input);
                    count += 1;
                    // Now and then one of them is gone on from.
                    if count % 97 == 0 && input.len() < 4096 {
                        if pool.len() < 500 {
                            pool.push(input);
                        } else {
                            let place = random.random_range(0..pool.len());
                            pool[place] = input;
                        }
                    }
                }
                eprintln!("{target}: {count} inputs in {seconds} s");
            });
        }
    });
}

#[test]
fn inputs_near_the_seeds_are_met() {
    let mut random = ChaCha8Rng::seed_from_u64(1);
    for (target, body) in bodies::ALL {
        let seeds = inputs("seeds", target);
        for turn in 0..400 {
            let (_, seed) = &seeds[turn % seeds.len()];
            body(&mutated(seed, &mut random));
        }
    }
}
