//! Kept spins: nothing is lifted, put down or pulsed near them, whatever is known of the tip.

use crate::stage::{A1, A2, kept, rehearse};
use noctule::record::TipLife;

const READY: &str = "set(\"Bias\", 60.mV); set(\"Setpoint\", 10.pA); approach();\n";

#[test]
fn no_sequence_touches_a_kept_spin() {
    let ways = [
        ("at once", "go_to(3.2.nm, -1.85.nm); recentre(); pick_up();"),
        (
            "again and again",
            "go_to(3.2.nm, -1.85.nm); for i in 0..20 { try { pick_up(); } catch { wait(1.s); } }",
        ),
        ("a pulse on it", "go_to(3.2.nm, -1.85.nm); pulse(3.5.V, 100.ms);"),
        ("something put down on it", "go_to(3.2.nm, -1.85.nm); put_down();"),
        ("beside it", "go_to(3.2.nm, -1.2.nm); pick_up();"),
        (
            "by steps of the scanner",
            "go_to(2.4.nm, -1.85.nm); for i in 0..9 { set(\"TipX\", 2.4.nm + 0.1.nm * i); try { pick_up(); } catch { } }",
        ),
        (
            "by a sweep of the scanner",
            "go_to(2.nm, -1.85.nm); sweep(#{ channel: \"TipX\", from: 2.nm, to: 3.2.nm, points: 20, read: \"Height\" }); pick_up();",
        ),
        (
            "kept anew elsewhere",
            "keep_spin(\"target\", 9.nm, 9.nm); go_to(3.2.nm, -1.85.nm); recentre(); pick_up();",
        ),
        (
            "after centring on others",
            "go_to(-4.6.nm, 5.3.nm); recentre(); go_to(8.9.nm, 6.4.nm); recentre(); go_to(3.2.nm, -1.85.nm); recentre(); pick_up();",
        ),
        (
            "there and back by coarse steps",
            "withdraw(); coarse_shift(3, 0); coarse_shift(-3, 0); approach(); go_to(3.2.nm, -1.85.nm); pick_up();",
        ),
        ("one coarse step", "withdraw(); coarse_shift(1, 0); approach(); pick_up();"),
        ("half the way back", "withdraw(); coarse_shift(3, 0); coarse_shift(-2, 0); approach(); pick_up();"),
    ];
    for (name, what) in ways {
        let life = TipLife { kept: vec![kept("target", A1)], ..TipLife::default() };
        let seen = rehearse(&format!("{READY}{what}"), "night", 2, Some(life), "");
        assert!(seen.refused >= 1, "{name}: {}", seen.reason);
        let done: Vec<_> = seen.harm.iter().filter(|harm| !harm.starts_with("coarse")).collect();
        assert!(done.is_empty() && !seen.lifted.contains(&"A1".to_owned()), "{name}: {done:?}");
        assert_eq!((seen.apexes, seen.violations), (1, 0), "{name}");
    }
}

#[test]
fn other_atoms_and_other_areas_are_free() {
    let life = TipLife { kept: vec![kept("target", A1)], ..TipLife::default() };
    let other = format!("{READY}go_to(-4.6.nm, 5.3.nm); recentre(); pick_up();");
    assert_eq!(rehearse(&other, "night", 2, Some(life.clone()), "").harm.len(), 1);
    let far = format!("{READY}withdraw(); coarse_shift(3, 0); approach(); put_down();");
    assert_eq!(rehearse(&far, "night", 2, Some(life), "").refused, 0);
    // A spin that the sequence itself keeps is kept as well.
    let own = format!("{READY}keep_spin(\"mine\", -4.6.nm, 5.3.nm); go_to(-4.6.nm, 5.3.nm); pick_up();");
    let seen = rehearse(&own, "night", 2, None, "");
    assert_eq!((seen.harm.len(), seen.refused), (0, 1));
    assert!(seen.tip.kept[0].at_m[0] - A2[0] < 1e-10);
}
