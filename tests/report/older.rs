//! Run files that the first version of the schema wrote, when requests, answers and steps were recorded as texts:
//! they are still read by everything that only reads. All three were rehearsed in the invented laboratory.

use crate::common::{noctule, say, text};
use std::path::{Path, PathBuf};

fn older(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/version_1").join(name).with_extension("sqlite")
}

/// A copy, so that whatever is done to it is not done to the data.
fn copy_of(name: &str, folder: &Path) -> PathBuf {
    let path = folder.join("run.sqlite");
    std::fs::copy(older(name), &path).unwrap();
    path
}

#[test]
fn the_brief_tells_an_older_run_as_the_version_that_wrote_it_did() {
    let brief = say(&["brief", text(&older("finished"))]);
    assert_eq!(brief.code, 0, "{}", brief.stderr);
    for line in [
        "▲ FINISHED",
        "✓ The bench is parked",
        "▲ 44 s held (`pressure burst`)",
        "1 sweep, 31 points, 1 fit, 1 of them not trusted, 1 image, 1 trace",
        "✓ Tip                withdrawn, since 22:09",
        "✓ Field, z           0.5 T, left as it was, 22:09",
        "✓ Bias               50 mV, set, 22:09",
        "✓ RF level           -14 dBm, set, 22:08",
        // Its bench file calls the refill limit by the name that it had then.
        "refill limit",
        "22:04     hold: withdraw the tip — done (reads 0)",
        "22:04     restore: find the spot again by height — done (re-centred by 66.5 pm",
        "22:06     an operator said: hold",
        "✓ bias to 50 mV: reads 50 mV",
        "✓ leave field_z as it is: it was last at 0.5 T",
    ] {
        assert!(brief.stdout.contains(line), "`{line}` is missing in\n{}", brief.stdout);
    }
    let stopped = say(&["brief", text(&older("stopped"))]).stdout;
    assert!(stopped.contains("Stopped on request at 22:0"), "{stopped}");
    assert!(stopped.contains("the sequence was at night.rhai, line 50"), "{stopped}");
}

#[test]
fn what_was_begun_when_an_older_run_was_cut_is_told() {
    let brief = say(&["brief", text(&older("cut"))]);
    assert_eq!(brief.code, 0, "{}", brief.stderr);
    let words = brief.stdout.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(words.contains("Pulse(length_s: 0.02, volts: 0.5) was begun at 22:09"), "{words}");
}

#[test]
fn tables_figures_and_lists_are_made_of_older_runs() {
    let folder = tempfile::tempdir().unwrap();
    let path = copy_of("finished", folder.path());
    let out = folder.path().join("out");
    let export = say(&["export", text(&path), "--as", "csv", "--out", text(&out)]);
    assert_eq!(export.code, 0, "{}", export.stderr);
    let sweep = std::fs::read_to_string(out.join("sweep_0000_esr.csv")).unwrap();
    assert_eq!(sweep.lines().count(), 32, "a header and 31 points");
    let trace: Vec<_> = std::fs::read_dir(&out)
        .unwrap()
        .filter_map(|file| file.unwrap().file_name().into_string().ok())
        .filter(|name| name.starts_with("trace_") && name.ends_with(".csv"))
        .collect();
    assert_eq!(trace.len(), 1, "{trace:?}");
    let hdf5 = folder.path().join("run.h5");
    let export = say(&["export", text(&path), "--as", "hdf5", "--out", text(&hdf5)]);
    assert_eq!(export.code, 0, "{}", export.stderr);
    let figure = folder.path().join("figure.svg");
    let plot = say(&["plot", text(&path), "image", "0", "--out", text(&figure)]);
    assert_eq!(plot.code, 0, "{}", plot.stderr);
    let runs = noctule().args(["runs", "--folder", text(folder.path())]).output().unwrap();
    assert!(String::from_utf8_lossy(&runs.stdout).contains("31 points"), "{runs:?}");
}

#[test]
fn an_older_run_is_not_gone_on_with_and_the_message_says_why() {
    let folder = tempfile::tempdir().unwrap();
    let path = copy_of("stopped", folder.path());
    let before = std::fs::read(&path).unwrap();
    let said = say(&["resume", text(&path)]);
    assert_eq!(said.code, 2, "{}", said.stderr);
    for part in ["schema 1", "calls were recorded as texts", "finish it with the version that began it"] {
        assert!(said.stderr.contains(part), "`{part}` is missing in {}", said.stderr);
    }
    assert_eq!(std::fs::read(&path).unwrap(), before, "nothing was written");
}
