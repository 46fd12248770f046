//! The outline of a sequence: what each branch costs, without physics.

use noctule::bench::builtin;
use noctule::script::{Sequence, check};

fn outline(text: &str) -> check::Outline {
    check::outline(&Sequence::from_text("night.rhai", text), &builtin()).expect("it is parsed")
}

#[test]
fn waits_and_loops_add_up() {
    let total = outline("for i in 0..10 { wait(3.s); } wait(1.min);").total;
    assert_eq!((total.least_s, total.most_s), (90.0, Some(90.0)));
}

#[test]
fn branches_give_bounds() {
    let total = outline("if random() < 0.5 { wait(10.s); } else { wait(20.s); }").total;
    assert_eq!((total.least_s, total.most_s), (10.0, Some(20.0)));
    let total = outline("while read(\"StageTemperature\") > 0.4.K { wait(1.s); }").total;
    assert_eq!((total.least_s, total.most_s), (0.0, None));
}

#[test]
fn steps_are_listed_and_may_be_left_out() {
    let found = outline(
        "fn look() { wait(5.s); }\nstep(\"a\", || { look(); look(); });\nstep(\"b\", #{ time: 1.min }, || { wait(7.s); });",
    );
    let steps: Vec<(u32, &str, f64, Option<f64>)> =
        found.steps.iter().map(|s| (s.line, s.name.as_str(), s.cost.least_s, s.cost.most_s)).collect();
    assert_eq!(steps, [(2, "a", 10.0, Some(10.0)), (3, "b", 0.0, Some(7.0))]);
}

#[test]
fn a_sweep_costs_its_points() {
    let found = outline(
        "sweep(#{ channel: \"RfFrequency\", from: 14.GHz, to: 14.1.GHz, points: 11, read: \"LockinX\", dwell: 400.ms, average: 4, both_ways: true });",
    );
    // Four stages of 300 ms to 99 %: 10.0451 time constants; 2 ms of the channel; three spacings of 100 ms.
    let each = 0.3 * 10.0451 + 0.002 + 0.3;
    assert_eq!(found.total.least_points, 22.0);
    assert!((found.total.least_s - 22.0 * each).abs() < 0.01, "{found:?}");
}

#[test]
fn what_only_the_microscope_knows_is_counted_not_guessed() {
    let total = outline("approach(); recentre(); park();").total;
    assert_eq!((total.untimed, total.least_s), (3, 0.0));
}

#[test]
fn shipped_sequences_have_an_outline() {
    for entry in std::fs::read_dir("scripts").expect("the folder is there") {
        let path = entry.expect("it can be read").path();
        if path.extension().is_some_and(|e| e == "rhai") {
            let sequence = Sequence::load(&path).expect("it can be read");
            let found = check::outline(&sequence, &builtin()).expect("it is parsed");
            // What an imported library does is not followed, nor what others call.
            let library =
                sequence.name.starts_with("campaign") || sequence.text.contains("campaign::pursue(");
            assert!(library || !found.steps.is_empty(), "{}", path.display());
            println!("{}: {:?}", path.display(), found.total);
        }
    }
}
