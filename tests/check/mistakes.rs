//! Mistakes of a first evening: each is found before anything runs, at its line, with what to write instead.

use crate::more_mistakes::{BEGINNINGS, MORE};
use crate::own_mistakes::OWN;
use noctule::bench::{BUILTIN_NAME, builtin};
use noctule::diagnostic::Diagnostic;
use noctule::script::{Sequence, check};

/// A mistake: what it is, the sequence, its line, and words of the message or its help that say what to do.
pub struct Mistake(pub &'static str, pub &'static str, pub u32, pub &'static str);

const MISTAKES: &[Mistake] = &[
    // Words and names.
    Mistake("a misspelt verb", "aproach();", 1, "approach()"),
    Mistake("a word of another language", "sleep(5.s);", 1, "wait(time)"),
    Mistake("a role called like a verb", "bias(5.mV);", 1, "set(\"bias\", 5.mV)"),
    Mistake("a verb made up for a channel", "set_bias(5.mV);", 1, "set(\"bias\", 5.mV)"),
    Mistake("a channel without quotes", "set(Bias, 5.mV);", 1, "\"Bias\""),
    Mistake("a misspelt channel", "set(\"Bais\", 5.mV);", 1, "\"bias\""),
    Mistake("a misspelt variable", "let feild = 20.mT;\nramp_field(field);", 2, "feild"),
    Mistake(
        "a misspelt field of a plan",
        "let s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, point: 9, read: \"Current\" });\nnote(s);",
        1,
        "`points`",
    ),
    Mistake(
        "a misspelt result of a fit",
        "let s = sweep(#{ channel: \"RfFrequency\", from: 14.GHz, to: 14.2.GHz, points: 41, read: \"LockinX\" });\nnote(fit_resonance(s).center);",
        2,
        "`.centre`",
    ),
    Mistake("a channel that can only be read", "set(\"Current\", 20.pA);", 1, "Setpoint"),
    // Units.
    Mistake("no unit", "wait(5);", 1, "5.s"),
    Mistake("another unit", "set(\"Bias\", 5.T);", 1, "5.mV"),
    Mistake("a unit without its point", "set(\"Bias\", 60 mV);", 1, "60.mV"),
    Mistake("a value in quotes", "wait(\"2 s\");", 1, "2.s"),
    Mistake("a number in SI", "set(\"Setpoint\", 1e-11);", 1, "10.pA"),
    Mistake("a unit in the wrong case", "set(\"Bias\", 5.mv);", 1, "`.mV`"),
    Mistake("a sum of two kinds", "set(\"Bias\", 5.mV + 1);", 1, "unit"),
    Mistake(
        "a comparison with a plain number",
        "if read(\"StageTemperature\") > 1 { note(\"warm\"); }",
        1,
        "1.K",
    ),
    Mistake("two levels added", "set(\"RfLevel\", -12.dBm + 3.dBm);", 1, "3.dB"),
    Mistake(
        "a mean compared with a plain number",
        "let t = trace(\"Current\", 100, 5.ms);\nif t.numbers.mean > 1 { note(\"much\"); }",
        2,
        "1.A",
    ),
    Mistake(
        "a centre taken for a field",
        "let s = sweep(#{ channel: \"RfFrequency\", from: 14.GHz, to: 14.2.GHz, points: 41, read: \"LockinX\" });\nlet line = fit_resonance(s);\nramp_field(line.centre);",
        3,
        "field",
    ),
    Mistake("a unit lost in a function", "fn twice(x) { 2 * x }\nramp_field(twice(5.mV));", 2, "5.T"),
    Mistake(
        "a function called without a unit",
        "fn to_bias(v) { set(\"Bias\", v); }\nto_bias(60.mV);\nto_bias(60);",
        1,
        "called in line 3",
    ),
    Mistake(
        "a running value without a unit",
        "let b = 0;\nfor i in 0..3 { ramp_field(b * 1.mT); b += 10.mT; }",
        2,
        "0.T",
    ),
    // Limits and counts.
    Mistake("outside the limits", "ramp_field(20.T);", 1, "nearest permitted"),
    Mistake("a loop that leaves the limits", "for i in 0..10 { ramp_field(i * 2.T); }", 1, "`i` is"),
    Mistake(
        "a sum that leaves the limits",
        "let b = 1.T;\nwhile b < 30.T { ramp_field(b); b += 1.T; }",
        2,
        "nearest permitted",
    ),
    Mistake(
        "a limit left in a function",
        "fn ramp(n) { ramp_field(n * 1.T); }\nfor n in [1, 5, 50] { ramp(n); }",
        1,
        "called in line 2",
    ),
    Mistake(
        "an item that is not there",
        "let fields = [0.1.T, 0.2.T, 0.3.T];\nfor i in 1..=3 { ramp_field(fields[i]); }",
        2,
        "[0]",
    ),
    Mistake("the first item of an empty list", "let lines = [];\nnote(lines[0]);", 2, "empty"),
    Mistake(
        "a map without that name",
        "let plan = #{ from: 1.mV, to: 5.mV };\nset(\"Bias\", plan.form);",
        2,
        "`.from`",
    ),
    Mistake(
        "half a point",
        "let s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 4.5, read: \"Current\" });\nnote(s);",
        1,
        "whole number",
    ),
    Mistake("whole numbers divided", "ramp_field(1 / 2 * 20.mT);", 1, "2.0"),
    Mistake(
        "fractions in a range",
        "for x in range(0.0, 1.0, 0.1) { ramp_field(x * 50.mT); }",
        1,
        "count in whole numbers",
    ),
    Mistake("a range with units", "for b in 0.mT..50.mT { ramp_field(b); }", 1, "whole numbers"),
    // The state of the bench.
    Mistake(
        "a sweep with the tip out",
        "withdraw();\nlet s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\" });\nnote(s);",
        2,
        "approach()",
    ),
    Mistake(
        "an RF sweep with the RF off",
        "set(\"RfOutput\", false);\nlet s = sweep(#{ channel: \"RfFrequency\", from: 14.GHz, to: 14.2.GHz, points: 41, read: \"LockinX\" });\nnote(s);",
        2,
        "set(\"RfOutput\", true)",
    ),
    Mistake(
        "measuring after the park",
        "park();\nlet s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\" });\nnote(s);",
        2,
        "approach()",
    ),
    Mistake(
        "a column that was not read",
        "let s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\" });\nnote(fit_resonance(s).centre);",
        2,
        "LockinX",
    ),
    // Grammar.
    Mistake("a bracket left open", "wait(2.s;\napproach();", 1, "`)`"),
    Mistake("a semicolon left out", "approach()\nset(\"Bias\", 5.mV);", 2, "`;`"),
    Mistake("a function of another language", "def twice(x) { 2 * x }", 1, "fn twice"),
    Mistake("text in single quotes", "note('hello');", 1, "double quotes"),
    Mistake("no condition", "let n = 3;\nif n { note(\"x\"); }", 2, "comparison"),
    Mistake("one sign of equality", "let n = 3;\nif n = 3 { note(\"x\"); }", 2, "=="),
    Mistake("and in a word", "let n = 3;\nif n > 1 and n < 5 { note(\"x\"); }", 2, "&&"),
    Mistake("a block by indentation", "for i in 0..3:\n    note(i);", 1, "{"),
    Mistake("elif", "let n = 3;\nif n > 5 { note(1); } elif n > 1 { note(2); }", 2, "else if"),
    Mistake("a remark of another language", "# start\napproach();", 1, "//"),
    Mistake("true with a capital", "set(\"RfOutput\", True);", 1, "true"),
    Mistake("plus plus", "let i = 0;\ni++;", 2, "i += 1"),
    Mistake("a variable without let", "b = 5.mT;\nramp_field(b);", 1, "let b"),
    // Loops and order.
    Mistake("a loop that never ends", "let n = 0;\nwhile n < 10 { note(n); }", 2, "wait"),
    Mistake(
        "a variable of the main part in a function",
        "let b = 5.mT;\nfn start() { ramp_field(b); }\nstart();",
        2,
        "argument",
    ),
    Mistake("a result that nobody takes", "helium_left();", 1, "let"),
    Mistake("an error swallowed", "try { approach(); } catch (e) { }", 1, "note"),
    Mistake("a function that is never called", "fn prepare() { approach(); }\npark();", 1, "call it"),
    Mistake("what comes after the end", "stop(\"enough\");\nnote(\"late\");", 2, "line before"),
    // More of the same kinds, in other words.
    Mistake("a number to go through", "for i in 10 { note(i); }", 1, "0..10"),
    Mistake("a loop that counts by hand", "for (let i = 0; i < 10; i += 1) { note(i); }", 1, "in 0..10"),
    Mistake(
        "a map without its sign",
        "let s = sweep({ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\" });",
        1,
        "#{",
    ),
    Mistake("a map with signs of equality", "let m = #{ from = 1.mV };\nnote(m);", 1, "name: value"),
    Mistake("a value in a plain text", "let x = 3;\nnote(\"x is ${x}\");", 2, "backticks"),
    Mistake("a power with a roof", "let x = 3.nm;\nnote(x ^ 2);", 2, "**"),
    Mistake("the sine of a voltage", "note(sin(5.mV));", 1, "x.mV"),
    Mistake("a length of time in metres", "wait(5.m);", 1, "5.min"),
    Mistake("two comparisons in one", "let x = 2;\nif 1 < x < 3 { note(x); }", 2, "&&"),
    Mistake("the length of a list", "let l = [1, 2];\nnote(l.length);", 2, "len()"),
    Mistake("append for push", "let l = [1, 2];\nl.append(3);\nnote(l);", 2, "push"),
    Mistake(
        "a variable that has ended",
        "if helium_left() > 5.L { let b = 5.mT; note(b); }\nramp_field(b);",
        2,
        "before the block",
    ),
    Mistake("text without quotes", "note(hello);", 1, "double quotes"),
    Mistake("a text that is not closed", "note(\"hello);\nwait(1.s);", 1, "\""),
    Mistake("a block for a function", "step(\"first\", { wait(1.s); });", 1, "|| {"),
    Mistake("greater or equal the wrong way", "let x = 2;\nif x => 2 { note(x); }", 2, ">="),
    Mistake("nothing in another language", "let x = None;\nnote(x);", 1, "()"),
    Mistake("a verb without brackets", "park;", 1, "park()"),
    Mistake(
        "a role that is read only as a verb",
        "let t = temperature();\nnote(t);",
        1,
        "noctule guide verbs",
    ),
    Mistake("an argument too many", "wait(5.s, 3);", 1, "wait(time)"),
    Mistake("a window compared with a number", "if time_left() < 30 { park(); }", 1, "30.s"),
    Mistake("a function of a file handed over", "import \"tools\" as tools;\npark();", 1, "folder"),
];

fn all() -> impl Iterator<Item = &'static Mistake> {
    MISTAKES.iter().chain(MORE).chain(OWN)
}

fn found(text: &str) -> Vec<Diagnostic> {
    let text = &BEGINNINGS.iter().fold(text.to_owned(), |text, (word, lines)| text.replace(word, lines));
    check::check(&Sequence::from_text("night.rhai", text), &builtin(), BUILTIN_NAME)
}

#[test]
fn mistakes_are_found_at_their_line_with_what_to_write() {
    let mut missed = Vec::new();
    for Mistake(name, text, line, words) in all() {
        let told = found(text);
        let said = |d: &Diagnostic| format!("{} — {}", d.message, d.help.as_deref().unwrap_or(""));
        let hit = told.iter().any(|d| d.line == *line && said(d).contains(words) && d.help.is_some());
        if !hit {
            let told: Vec<String> = told.iter().map(|d| format!("{}: {}", d.line, said(d))).collect();
            missed.push(format!("{name}: {told:#?}"));
        }
    }
    let count = all().count();
    println!("{} of {count} mistakes are found with what to write", count - missed.len());
    assert!(missed.is_empty(), "{}", missed.join("\n"));
}

#[test]
fn no_message_names_a_type_of_the_engine() {
    for Mistake(name, text, ..) in all() {
        for d in found(text) {
            let words = format!("{} {}", d.message, d.help.as_deref().unwrap_or(""));
            for inside in ["i64", "f64", "Dynamic", "FnPtr", "ImmutableString", "::quantity", "rhai"] {
                assert!(!words.contains(inside), "{name}: {words}");
            }
        }
    }
}

#[test]
fn what_may_be_in_order_is_not_complained_about() {
    for text in [
        // The branch decides what is known.
        "let l = [1, 2, 3];\nfor i in 0..6 { if i < l.len() { note(l[i]); } }",
        "let l = [1, 2];\nlet i = 5;\nif i < 2 && l[i] > 0 { note(\"x\"); }",
        "let l = [];\nfor i in 0..3 { l.push(i); }\nnote(l[2]);",
        // A loop that may end before it leaves the limits.
        "for i in 0..40 { if read(\"HeliumLevel\") < 5.L { break; } ramp_field(i * 0.1.T); }\npark();",
        // The tip comes back in one of two branches.
        "withdraw();\nif helium_left() > 5.L { approach(); let s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\" }); note(s); }\npark();",
        "withdraw();\nstep(\"a\", || { approach(); });\nlet s = sweep(#{ channel: \"Bias\", from: 1.mV, to: 5.mV, points: 9, read: \"Current\" });\nnote(s);\npark();",
        // A helper that takes whatever it is given.
        "fn twice(x) { 2 * x }\nramp_field(twice(5.mT));\nset(\"Bias\", twice(5.mV));\npark();",
        "fn pick(l, i) { if i >= l.len() { return l[-1]; } l[i] }\nnote(pick([1, 2], 7));",
        "let best = ();\nfor x in [3, 1, 2] { if best == () || x < best { best = x; } }\nnote(best);",
        "let plan = #{ a: 1 };\nplan.b = 2;\nnote(plan.b);",
        "fn count(n) { if n <= 0 { return 0; } 1 + count(n - 1) }\nnote(count(5));",
    ] {
        let told: Vec<String> = found(text).iter().map(ToString::to_string).collect();
        assert!(told.is_empty(), "{text}\n{told:#?}");
    }
}
