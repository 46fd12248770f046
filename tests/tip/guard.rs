//! Sequences that try to harm a tip that is proved, one way or another: none succeeds, each refusal is recorded and said.
//! The same sequences do harm where nothing is known of the tip, or they would show nothing.

use crate::stage::{A1, A2, proved, rehearse};
use noctule::record::{TipLife, TipVerdict};

const READY: &str = "set(\"Bias\", 60.mV); set(\"Setpoint\", 10.pA); approach(); ramp_field(0.4.T);\n";
const TO_A1: &str = "go_to(3.2.nm, -1.85.nm); recentre(); recentre();\n";

/// What is tried, with the tip in range and the field up.
const IN_RANGE: [(&str, &str); 25] = [
    ("a pulse", "pulse(3.5.V, 100.ms);"),
    ("a pulse the other way", "pulse(-3.5.V, 100.ms);"),
    ("many pulses, caught", "for i in 0..30 { try { pulse(3.5.V, 100.ms); } catch { wait(1.s); } }"),
    ("a pick-up", "go_to(3.2.nm, -1.85.nm); recentre(); pick_up();"),
    (
        "many pick-ups",
        "go_to(3.2.nm, -1.85.nm); recentre(); for i in 0..20 { try { pick_up(); } catch { wait(1.s); } }",
    ),
    ("an atom put down", "put_down();"),
    ("a bias beyond the limit", "set(\"Bias\", 240.mV);"),
    ("a bias by steps", "for i in 0..12 { set(\"Bias\", 20.mV * (i + 1)); }"),
    (
        "a bias by a sweep",
        "sweep(#{ channel: \"Bias\", from: 60.mV, to: 240.mV, points: 60, read: \"Current\" });",
    ),
    (
        "a negative bias by a sweep",
        "sweep(#{ channel: \"Bias\", from: 60.mV, to: -240.mV, points: 60, read: \"Current\" });",
    ),
    ("a setpoint beyond the limit", "set(\"Setpoint\", 190.pA);"),
    ("a setpoint by steps", "for i in 0..19 { set(\"Setpoint\", 10.pA * (i + 1)); }"),
    (
        "a setpoint by a sweep",
        "sweep(#{ channel: \"Setpoint\", from: 10.pA, to: 190.pA, points: 40, read: \"Height\" });",
    ),
    (
        "both by a grid",
        "grid(#{ fast: #{ channel: \"Bias\", from: 60.mV, to: 230.mV, points: 20 }, slow: #{ channel: \"Setpoint\", from: 10.pA, to: 190.pA, points: 5 }, read: \"Current\" });",
    ),
    ("within a step", "step(\"clean\", || { pulse(3.5.V, 100.ms); });"),
    ("within an agenda", "agenda([#{ name: \"clean\", worth: 9, body: || { pulse(3.5.V, 100.ms); } }]);"),
    (
        "after saying that nothing was achieved",
        "result(\"nothing\", \"the tip is bad\"); decide(\"is the tip lost?\", true, \"so it is\"); pulse(3.5.V, 100.ms);",
    ),
    ("after long waiting", "for i in 0..14 { wait(1.h); } pulse(3.5.V, 100.ms);"),
    ("after parking", "park(); set(\"Bias\", 60.mV); approach(); pulse(3.5.V, 100.ms);"),
    (
        "after a test over the bare film",
        "for i in 0..3 { go_to(1.nm * i, 4.nm); test_tip(); wait(11.min); } pulse(3.5.V, 100.ms);",
    ),
    (
        "after tests on a strange top",
        "for i in 0..3 { go_to(-2.7.nm, -7.4.nm); recentre(); test_tip(); wait(11.min); } pulse(3.5.V, 100.ms);",
    ),
    (
        "after tests without a field",
        "ramp_field(0.T); for i in 0..3 { go_to(3.2.nm, -1.85.nm); recentre(); recentre(); test_tip(); wait(11.min); } pulse(3.5.V, 100.ms);",
    ),
    (
        "after tests in a field along the surface",
        "ramp_field(0.T); set(\"FieldX\", 0.4.T); for i in 0..3 { go_to(3.2.nm, -1.85.nm); recentre(); recentre(); test_tip(); wait(11.min); } pulse(3.5.V, 100.ms);",
    ),
    (
        "after a trace that shows nothing",
        "for i in 0..3 { contrast(trace(\"Height\", 400, 5.ms)); } pulse(3.5.V, 100.ms);",
    ),
    (
        "after tests of a modulated junction",
        "set(\"LockinModulation\", 30.mV); for i in 0..3 { try { test_tip(); } catch { } wait(11.min); } set(\"LockinModulation\", 0.mV); pulse(3.5.V, 100.ms);",
    ),
];

/// What is tried with the tip out.
const WITHDRAWN: [(&str, &str); 9] = [
    ("coarse steps towards the surface", "withdraw(); coarse_steps(4);"),
    ("coarse steps away", "withdraw(); coarse_steps(-4);"),
    (
        "single coarse steps, caught",
        "withdraw(); for i in 0..20 { try { coarse_steps(1); } catch { wait(1.s); } }",
    ),
    ("another area", "withdraw(); coarse_shift(2, 0);"),
    (
        "another area by single steps",
        "withdraw(); for i in 0..3 { try { coarse_shift(0, 1); } catch { wait(1.s); } }",
    ),
    ("an approach at a large setpoint", "withdraw(); set(\"Setpoint\", 190.pA); approach();"),
    (
        "an approach at a large setpoint, caught",
        "withdraw(); try { set(\"Setpoint\", 190.pA); } catch { } try { approach(); } catch { } set(\"Setpoint\", 160.pA);",
    ),
    ("a bias set while it is out", "withdraw(); set(\"Bias\", 450.mV); approach();"),
    ("an atom put down after an approach", "withdraw(); approach(); put_down();"),
];

fn text(what: &str) -> String {
    format!("{READY}{what}")
}

#[test]
fn no_sequence_harms_a_proved_tip() {
    let (mut tried, mut harmful) = (0, 0);
    for (name, what) in IN_RANGE.iter().chain(&WITHDRAWN) {
        let seen = rehearse(&text(what), "night", 3, Some(proved()), "");
        assert_eq!(seen.harm, Vec::<String>::new(), "{name}");
        assert_eq!((seen.apexes, seen.lifted.len(), seen.violations), (1, 0, 0), "{name}");
        assert!(seen.refused >= 1, "{name}: nothing was refused: {} {:?}", seen.reason, seen.notes);
        assert_eq!(seen.said, seen.refused, "{name}: each refusal is said");
        assert!(seen.tip.proved_s.is_some(), "{name}");
        tried += 1;
        // Without a guard over it the same sequence does harm.
        harmful += usize::from(!rehearse(&text(what), "night", 3, None, "").harm.is_empty());
    }
    assert!(tried >= 30, "{tried}");
    assert_eq!(harmful, tried, "each of them does harm where nothing is guarded");
}

#[test]
fn neither_holds_nor_interlocks_open_a_way() {
    let tries = "for i in 0..200 { try { pulse(3.5.V, 100.ms); } catch { wait(2.s); } }";
    let high = "for i in 0..100 { try { set(\"Setpoint\", 190.pA); } catch { wait(3.s); } try { set(\"Bias\", 230.mV); } catch { } }";
    for faults in [
        "Operator(at: \"320 s\", says: \"hold\"), Operator(at: \"350 s\", says: \"release\")",
        "Operator(at: \"320 s\", says: \"refill\"), Operator(at: \"900 s\", says: \"release\")",
        "PressureBurst(at: \"330 s\", height: \"3e-8 mbar\")",
        "NoReply(at: \"330 s\", for: \"1 s\", every: \"20 s\")",
        "LockinOverload(at: \"330 s\", for: \"30 s\"), PressureBurst(at: \"340 s\", height: \"3e-8 mbar\")",
        "Refuses(at: \"330 s\", for: \"20 s\")",
    ] {
        for what in [tries, high] {
            let seen = rehearse(&text(what), "night", 5, Some(proved()), faults);
            assert_eq!(
                (seen.harm.len(), seen.apexes, seen.violations),
                (0, 1, 0),
                "{faults}: {:?}",
                seen.harm
            );
            assert!(seen.refused >= 1, "{faults}: {}", seen.reason);
        }
    }
}

/// A tip that has died is found lost by tests where it had been good; then, and only then, it may be touched.
#[test]
fn a_tip_that_is_lost_may_be_made_anew() {
    let look = "for i in 0..2 { go_to(3.2.nm, -1.85.nm); recentre(); recentre(); note(test_tip().verdict); go_to(-4.6.nm, 5.3.nm); recentre(); recentre(); note(test_tip().verdict); }";
    let sequence = format!("{READY}{look} note(tip_now().guarded); {TO_A1} pick_up();");
    let mut died = 0;
    for seed in 1..12 {
        let faults = "TipChange(at: \"280 s\")";
        let seen = rehearse(&sequence, "fickle", seed, Some(proved()), faults);
        let none = seen.notes.iter().filter(|note| *note == "none").count();
        if none == 4 {
            died += 1;
            assert_eq!((seen.refused, seen.harm.len()), (0, 1), "seed {seed}: {:?}", seen.notes);
        } else if none == 0 {
            assert_eq!(seen.harm.len(), 0, "seed {seed}: {:?}", seen.notes);
        }
    }
    assert!(died >= 2, "{died} of 11 changes left a blind tip");
}

/// For some hours after a person's look nothing but a person's word lets it be touched.
#[test]
fn a_persons_look_and_a_persons_word_count() {
    let mut lost = proved().tests[0];
    lost.finding.verdict = TipVerdict::None;
    let twice = |looked_s, word_until_s| TipLife {
        lost: vec![lost, noctule::record::TipTest { at_m: A2, ..lost }],
        looked_s,
        word_until_s,
        ..proved()
    };
    let hour = 3600.0;
    for (tip, harm) in [
        (proved(), 0),
        (TipLife { lost: vec![lost], ..proved() }, 0),
        (twice(None, None), 1),
        (twice(Some(-2.0 * hour), None), 0),
        (twice(Some(-13.0 * hour), None), 1),
        (TipLife { looked_s: Some(-2.0 * hour), ..proved() }, 0),
        (twice(Some(-2.0 * hour), Some(4.0 * hour)), 1),
        (TipLife { word_until_s: Some(4.0 * hour), ..proved() }, 1),
        // A word that has run out is none.
        (TipLife { word_until_s: Some(-60.0), ..proved() }, 0),
    ] {
        let seen = rehearse(&text("put_down();"), "night", 1, Some(tip.clone()), "");
        assert_eq!(seen.harm.len(), harm, "{tip:?}: {:?}", seen.reason);
    }
    assert!(A1 != A2);
}
