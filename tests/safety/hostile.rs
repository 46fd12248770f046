//! Hostile sequences: each ends with a clear message and a parked bench.

use crate::bed::{Night, night, night_of_file, night_until};
use crate::common::{say, text, write};
use std::os::unix::fs::symlink;

const TRIP: &str = r#"Saturated(at: "10 s", channel: "magnet_voltage", to: "3 V")"#;
const STOP: &str = r#"Operator(at: "10 s", says: "stop"), Operator(at: "11 s", says: "stop")"#;

fn ends_with(night: &Night, word: &str, part: &str) {
    let (outcome, reason) = night.ending();
    assert_eq!(outcome, word, "{reason}");
    assert!(reason.contains(part), "{reason}");
    assert!(night.done.tally.parked);
}

#[test]
fn catching_everything_catches_no_trip_no_stop_and_no_window() {
    let sequence = r#"
        while true { try { wait(1.s); read("Current"); } catch (e) { note(`caught ${e}`); } }
    "#;
    ends_with(&night(sequence, TRIP), "interlock", "magnet voltage tripped");
    ends_with(&night(sequence, STOP), "stopped", "on request");
    ends_with(&night_until(sequence, "", Some(300.0)), "stopped", "the window ends");
    let own = night("try { stop(\"enough\"); } catch { } wait(1.s); note(\"still here\");", "");
    ends_with(&own, "failed", "enough");
}

#[test]
fn catching_round_steps_and_functions_catches_nothing_either() {
    let sequence = r#"
        fn again() { try { step("s", || { try { wait(1.h); } catch { wait(1.h); } }); } catch { again(); } }
        try { again(); } catch { while true { try { again(); } catch { } } }
    "#;
    ends_with(&night(sequence, TRIP), "interlock", "magnet voltage tripped");
    ends_with(&night(sequence, STOP), "stopped", "on request");
}

#[test]
fn an_interlock_acts_in_an_endless_loop_without_verbs() {
    for sequence in [
        "while true { }",
        "loop { try { while true { } } catch { } }",
        "let x = [1, 2, 3]; x.filter(|v| { while true { } true });",
        "step(\"s\", || { while true { } });",
    ] {
        let night = night(sequence, TRIP);
        ends_with(&night, "interlock", "magnet voltage tripped");
        let at_s = night.done.tally.trips[0].at_s;
        assert!(at_s < 11.6, "tripped at {at_s} s: {sequence}");
        assert!(night.done.oracle.reactions_s.iter().all(|s| *s <= 1.02), "{sequence}");
    }
    ends_with(&night("while true { }", STOP), "stopped", "on request");
    ends_with(&night_until("while true { }", "", Some(102.0)), "stopped", "the window ends");
}

#[test]
fn computing_for_ever_ends_even_if_nothing_else_happens() {
    ends_with(&night("try { while true { } } catch { }", ""), "failed", "without calling a verb");
}

#[test]
fn huge_texts_arrays_and_maps_are_refused() {
    ends_with(&night("let t = \"noctule\"; while true { t += t; }", ""), "failed", "string");
    ends_with(&night("let a = [1]; while true { a += a; }", ""), "failed", "array");
    ends_with(&night("let a = []; a.pad(1000000000, 0);", ""), "failed", "array");
    ends_with(&night("let a = []; while true { a.push(1); }", ""), "failed", "array");
}

/// The engine does not measure what grows by assignment, so the host does.
#[test]
fn what_grows_by_assignment_is_bounded_too() {
    let much = "holds more than";
    for sequence in [
        "let m = #{}; let i = 0; while true { if i % 5000 == 0 { wait(1.s); } try { m[`${i}`] = i; i += 1; } catch { } }",
        // Twenty lists of twenty thousand elements, and the same again in each of these.
        "let b = []; b.pad(20000, 1); let a = []; a.pad(20000, 0); let i = 0; while true { a[i] = b; i += 1; }",
        "let a = [0, 0]; while true { let b = [0, 0]; b[0] = a; b[1] = a; a = b; }",
        "let t = \"x\"; for i in 0..19 { t += t; } let a = []; a.pad(1000, ()); for i in 0..1000 { a[i] = `${t}${i}`; }",
        // Out of sight of the main part: in a function, behind `this`, behind a closure.
        "fn grow() { let i = 0; while true { this[`${i}`] = i; i += 1; } } let m = #{}; m.grow();",
        "fn make() { let m = #{}; |i| { m[`${i}`] = i; } } let f = make(); let i = 0; while true { f.call(i); i += 1; }",
        "fn deep(n) { let a = []; a.pad(19000, n); for i in 0..20 { let x = i + n; } if n < 60 { deep(n + 1); } let z = a; } deep(0);",
    ] {
        ends_with(&night(sequence, ""), "failed", much);
    }
    for sequence in [
        "let a = [0]; while true { let b = [0]; b[0] = a; a = b; }",
        "let m = #{}; while true { let n = #{}; n.x = m; m = n; }",
        "let f = || 1; while true { let g = f; f = || g.call(); }",
    ] {
        ends_with(&night(sequence, ""), "failed", "nested more than 32 deep");
    }
    // Rows of numbers have a bound of their own, and all of them count together.
    let handles = r#"
        let s = sweep(#{ name: "s", channel: "RfFrequency", from: 10.GHz, to: 11.GHz, points: 20000,
            read: ["Current"], dwell: 1.ms, settle: 0.s });
        let m = #{}; let i = 0; while true { m[`${i}`] = s.column("Current"); i += 1; }
    "#;
    ends_with(&night(handles, ""), "failed", "tables and rows of numbers hold more than 1024 MB");
}

#[test]
fn what_a_sequence_may_hold_is_enough() {
    let sequence = r#"
        let a = []; for i in 0..5000 { a.push(i); }
        let m = #{}; for i in 0..2000 { m[`${i}`] = [i, i]; }
        let f = |n| if n == 0 { a.len() } else { a[n] };
        if f.call(0) != 5000 || m.len() != 2000 { stop("something is missing"); }
        fn down(n) { if n == 0 { 0 } else { 1 + down(n - 1) } }
        if down(50) != 50 { stop("not so deep"); }
    "#;
    ends_with(&night(sequence, ""), "finished", "");
}

#[test]
fn deep_recursion_and_deep_nesting_are_refused() {
    ends_with(&night("fn f(x) { f(x + 1) } f(0);", ""), "failed", "too deeply");
    ends_with(&night("let f = |g, x| g.call(g, x + 1); f.call(f, 0);", ""), "failed", "too deeply");
    let nested = format!("let x = {}1{};", "(".repeat(5000), ")".repeat(5000));
    ends_with(&night(&nested, ""), "failed", "exceeds maximum complexity");
}

#[test]
fn imports_do_not_lead_out_of_the_folder() {
    let folder = tempfile::tempdir().unwrap();
    let inside = folder.path().join("inside");
    std::fs::create_dir(&inside).unwrap();
    let secret = write(folder.path(), "secret.rhai", "fn tell() { 1 }");
    symlink(&secret, inside.join("innocent.rhai")).unwrap();
    symlink(folder.path(), inside.join("door")).unwrap();
    let absolute = format!("import \"{}\" as s; s::tell();", text(&secret));
    for sequence in [
        "import \"../secret\" as s; s::tell();",
        "import \"x/../../secret\" as s; s::tell();",
        "import \"innocent\" as s; s::tell();",
        "import \"door/secret\" as s; s::tell();",
        "try { import \"../secret\" as s; } catch { } import \"../secret\" as s;",
        absolute.as_str(),
    ] {
        let file = write(&inside, "main.rhai", sequence);
        ends_with(&night_of_file(&file, ""), "failed", "leads out of the sequence's folder");
    }
    // An imported file is as little trusted as the sequence itself.
    write(&inside, "helper.rhai", "fn spin() { while true { try { while true { } } catch { } } }");
    let file = write(&inside, "main.rhai", "import \"helper\" as h; try { h::spin(); } catch { }");
    ends_with(&night_of_file(&file, TRIP), "interlock", "magnet voltage tripped");
}

#[test]
fn a_function_named_like_a_verb_moves_nothing_that_the_verb_would_not() {
    let sequence =
        r#"fn set(channel, value) { "nothing" } set("Bias", 9.V); fn park() { } park(); wait(1.s);"#;
    let night = night(sequence, TRIP);
    assert!(night.done.tally.parked, "{:?}", night.ending());
    let folder = tempfile::tempdir().unwrap();
    let file = write(folder.path(), "shadow.rhai", "fn set(channel, value) { 1 }\nset(\"Bias\", 60.mV);\n");
    let said = say(&["check", text(&file)]);
    assert_eq!(said.code, 2, "{}{}", said.stdout, said.stderr);
    assert!(format!("{}{}", said.stdout, said.stderr).contains("set"), "{}", said.stderr);
}

#[test]
fn eval_exit_and_the_outside_are_not_there() {
    for (sequence, part) in [
        ("eval(\"1\");", "eval"),
        ("exit();", "exit"),
        ("open_file(\"x\");", "open_file"),
        ("sleep(1);", "sleep"),
        ("timestamp();", "timestamp"),
        ("let f = Fn(\"eval\"); f.call(\"1\");", "eval"),
    ] {
        ends_with(&night(sequence, ""), "failed", part);
    }
}

#[test]
fn a_sequence_can_not_raise_a_limit() {
    let sequence = r#"
        approach();
        let refused = 0;
        for v in [9.V, -9.V, 400.mV, 501.mV] { try { set("Bias", v); } catch { refused += 1; } }
        for f in [9.T, -9.T, 1.6.T] { try { ramp_field(f); } catch { refused += 1; } }
        for r in [11.dBm, 300.dBm] { try { set("RfLevel", r); } catch { refused += 1; } }
        try { coarse_step(5); } catch { refused += 1; }
        try { sweep(#{ name: "s", channel: "Bias", from: 0.mV, to: 2.V, points: 5, read: ["Current"] }); }
        catch { refused += 1; }
        note(`${refused} refused`);
        if refused != 11 { stop(`${refused} refused`); }
    "#;
    ends_with(&night(sequence, ""), "finished", "");
}
