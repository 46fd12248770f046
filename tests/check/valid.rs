//! The check says nothing about what is in order, and comes to an end whatever it is given.

use noctule::bench::{BUILTIN_NAME, builtin};
use noctule::diagnostic::{Code, Diagnostic};
use noctule::script::{Sequence, check, registry};
use proptest::prelude::*;

fn found(text: &str) -> Vec<Diagnostic> {
    check::check(&Sequence::from_text("night.rhai", text), &builtin(), BUILTIN_NAME)
}

#[test]
fn a_bench_file_with_names_of_before_is_read_and_told_the_new_ones() {
    let text = include_str!("../../scripts/bench_simulated.ron")
        .replace("refill_limit: ", "refill_mark: ")
        .replace("task: \"coarse_shift\"", "task: \"drop\"");
    let (bench, found) = noctule::bench::read(&text, "bench.ron").expect("it can be used");
    assert_eq!(bench.helium.unwrap().refill_limit_m3, 0.01);
    let told: Vec<(Code, &str)> = found.iter().map(|d| (d.code, d.message.as_str())).collect();
    assert_eq!(
        told,
        [
            (Code::BenchRenamed, "the task `drop` is called `put_down` now"),
            (Code::BenchRenamed, "`refill_mark` is called `refill_limit` now"),
        ]
    );
}

#[test]
fn what_is_in_order_passes_without_a_word() {
    let text = r#"
        // Uses most of what the language has.
        const LEVEL = -12.dBm;
        let fields = [0.1.T, 0.17.T, 0.2.T];
        let lines = [];
        let failed = 0;
        fn offset(x) { if x > 3 { return 1; } x + 1 }
        private fn twice(f) { f.call(2) }
        step("start", || { approach(); set("RfLevel", LEVEL); settle(); });
        for (field, i) in fields {
            ramp_field(field);
            let plan = #{ name: `field ${i}`, channel: "RfFrequency", from: 14.GHz, to: 14.2.GHz, points: 41, read: ["LockinX", "lockin_y"], dwell: 100.ms, average: 2, settle: 0.s, both_ways: true };
            if i == 0 { plan.average = 4; }
            let spectrum = sweep(plan);
            try {
                let line = fit_resonance(spectrum);
                if line.trusted { lines.push([field, line]); } else { failed += 1; }
            } catch (error) {
                note(`no fit: ${error.message}`);
            }
        }
        let scale = |x| x * offset(3);
        note(twice(scale));
        if lines.len() > 2 {
            let law = resonance_law(lines);
            note(`moment ${law.moment} ± ${law.moment_error}, at 1 T: ${law.expected(1.T)}`);
        }
        let n = 0;
        while read("StageTemperature") > 0.4.K && n < 10 { wait(10.s); n += 1; }
        let current = trace("Current", 200, 5.ms);
        for bin in current.histogram(20) { note(bin[0] + bin[0]); }
        let mean = current.numbers.mean;
        if mean > 1.pA || failed > 0 { note(`${mean.pA} pA`); }
        switch failed { 0 => note("all"), 1..5 => note("some"), _ => { note("many"); } }
        let text = if failed > 0 { "some failed" } else { "none failed" };
        note(text.to_upper());
        let ratio = read("Bias") / 1.mV + 1.5;
        note(ratio.floor() + 7 / 2.0 + 8 / 2 - -ratio);
        let tries = 0;
        do { tries += 1; wait(1.s); } while tries < 3;
        if decide("enough helium?", helium_left() > 2.L, "for the next step") { wait(elapsed() * 0.0 + 1.s); }
        step("end", #{ time: 5.min, helium: 0.5.L }, || { withdraw(); set("RfOutput", 0); set("feedback", true); });
        park();
    "#;
    assert_eq!(found(text), []);
}

#[test]
fn shipped_sequences_pass_without_a_word() {
    let mut count = 0;
    for entry in std::fs::read_dir("scripts").expect("the folder is there") {
        let path = entry.expect("it can be read").path();
        if path.extension().is_some_and(|e| e == "rhai") {
            let sequence = Sequence::load(&path).expect("it can be read");
            assert_eq!(check::check(&sequence, &builtin(), BUILTIN_NAME), [], "{}", path.display());
            count += 1;
        }
    }
    assert!(count >= 5, "{count}");
}

#[test]
fn examples_of_the_registry_have_no_errors() {
    for verb in registry::all() {
        let errors: Vec<Diagnostic> = found(verb.example)
            .into_iter()
            .filter(|d| d.severity == noctule::diagnostic::Severity::Error)
            .collect();
        assert!(errors.is_empty(), "{}: {errors:#?}", verb.name);
    }
}

#[test]
fn places_are_counted_in_characters() {
    let found = found("/* größer */ wait(5); park();");
    assert_eq!((found[0].line, found[0].column), (1, 19));
}

#[test]
fn deep_and_long_texts_come_to_an_end() {
    let deep = format!("let x = {}1{};", "(".repeat(500), ")".repeat(500));
    assert!(!found(&deep).is_empty());
    let nested = format!("{}note(1);{}", "step(\"a\", || {".repeat(40), "});".repeat(40));
    found(&nested);
    // Each level is looked at several times.
    let mut maps = "1.GHz".to_owned();
    for _ in 0..12 {
        maps = format!("f(sweep(#{{ from: {maps} }}))");
    }
    found(&format!("fn f(x) {{ x }}\nlet _x = {maps};"));
    // Functions that call each other many times.
    let chain: String =
        (0..60).map(|i| format!("fn f{i}() {{ f{0}(); f{0}(); f{0}(); }}\n", i + 1)).collect();
    let text = format!("{chain}fn f60() {{ wait(1.s); f60(); }}\nf0();");
    found(&text);
    assert!(
        check::outline(&Sequence::from_text("night.rhai", &text), &builtin())
            .is_some_and(|o| o.total.most_s.is_none())
    );
    let open = "{".repeat(300);
    assert!(!found(&open).is_empty());
    let lines = "note(1);\n".repeat(70_000);
    assert_eq!(found(&lines)[0].code.text(), "S02");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn odd_texts_are_reported_with_a_place_and_never_break_the_check(
        parts in proptest::collection::vec(prop_oneof![
            Just("set(\"Bias\", "), Just("5.mV"), Just(");"), Just("{"), Just("}"), Just("let x = "), Just("x"),
            Just("|| "), Just("if "), Just("for i in 0..3 "), Just("loop "), Just("\""), Just("`${"), Just("//"),
            Just("\n"), Just("fn f(a) "), Just("#{ a: "), Just(", "), Just("try "), Just("catch (e) "), Just("é"),
            Just("import \"a\" as b;"), Just("switch x "), Just("=> "), Just("-"), Just("/ 0"), Just("[0]"), Just(".abs()"),
        ], 0..25)
    ) {
        for diagnostic in found(&parts.concat()) {
            prop_assert!(diagnostic.line > 0 && diagnostic.column > 0, "{diagnostic}");
        }
    }
}

#[test]
fn steps_of_a_level_are_read_in_decibels_and_in_dbm() {
    let text = std::fs::read_to_string("scripts/bench_simulated.ron").expect("it is there");
    let older = text.replace("\"10 dB\"", "\"10 dBm\"").replace("\"50 dB/s\"", "\"50 dBm/s\"");
    assert_ne!(text, older);
    let (new, old) = (noctule::bench::read(&text, "lab.ron"), noctule::bench::read(&older, "lab.ron"));
    assert_eq!(new.expect("it is in order"), old.expect("it is in order"));
}
