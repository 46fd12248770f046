//! An outage, then back: of each link and of all, at any moment of a run with everything in it, from a second to an hour.

use crate::bed::{Night, night};
use noctule::record::{During, Entry, SafeAct};
use std::fmt::Write;

/// What goes out together.
pub struct Away {
    /// Its name here.
    pub name: &'static str,
    /// Its channels, and tasks; nothing where everything goes.
    places: &'static [&'static str],
}

/// All links, then each instrument of the mimic.
pub const LINKS: [Away; 6] = [
    Away { name: "all", places: &[] },
    Away {
        name: "electronics",
        places: &[
            "bias",
            "setpoint",
            "feedback",
            "current",
            "height",
            "tip_x",
            "tip_y",
            "approached",
            "tasks",
        ],
    },
    Away { name: "magnet", places: &["field_z", "field_x", "magnet_voltage"] },
    Away { name: "source", places: &["rf_frequency", "rf_level", "rf_output"] },
    Away {
        name: "lockin",
        places: &["lockin_x", "lockin_y", "lockin_reference", "lockin_modulation", "lockin_overload"],
    },
    Away {
        name: "monitors",
        places: &["stage_temperature", "pot_temperature", "helium_level", "chamber_pressure"],
    },
];

/// The faults of an outage.
pub fn away(link: &Away, at: &str, for_s: f64) -> String {
    if link.places.is_empty() {
        return format!(r#"Outage(at: "{at}", for: "{for_s} s"),"#);
    }
    link.places.iter().fold(String::new(), |mut text, place| {
        let _ = write!(text, r#"Outage(at: "{at}", for: "{for_s} s", channel: "{place}"),"#);
        text
    })
}

/// How long after the outage was over, or after the run had begun to end if that was later, the tip was out and the RF
/// was off, s.
fn safe_after_s(night: &Night, back_s: f64) -> f64 {
    let steps = night.entries.iter().filter_map(|(at, entry)| match entry {
        Entry::SafeStep { during: During::Park, step, achieved, .. } => Some((at.s(), step, *achieved)),
        _ => None,
    });
    let steps: Vec<_> = steps.collect();
    let began_s = steps.first().expect("it is parked").0;
    let done = |wanted: &dyn Fn(&SafeAct<noctule::record::Column>) -> bool| {
        steps
            .iter()
            .filter(|(_, step, achieved)| *achieved && wanted(step))
            .map(|(at_s, ..)| *at_s)
            .next_back()
    };
    let tip_s = done(&|step| *step == SafeAct::Withdraw);
    let rf_s = done(&|step| matches!(step, SafeAct::Set(column, _) if column.channel == "rf_output"));
    let safe_s = tip_s.zip(rf_s).map_or(f64::INFINITY, |(tip_s, rf_s)| tip_s.max(rf_s));
    safe_s - back_s.max(began_s)
}

/// However it ended, the bench is parked, and it was safe ten seconds after the last link was back.
pub fn safe_in_time(night: &Night, at_s: f64, back_s: f64) -> f64 {
    assert!(night.done.tally.parked, "{:?}", night.steps("park"));
    let after_s = safe_after_s(night, back_s);
    assert!(
        after_s <= 10.0,
        "away at {at_s} s, back at {back_s} s, safe {after_s} s later: {:?}",
        night.steps("park")
    );
    after_s
}

/// Every phase of a night: approach, ramps, moves, centring, image, pulse, trace, sweep, hold, wait.
const PHASES: &str = r#"
    set("Bias", 60.mV);
    set("Setpoint", 10.pA);
    approach();
    ramp_field(0.1.T);
    go_to(3.2.nm, -1.85.nm);
    recentre();
    let i = image(#{ x: 0.nm, y: 0.nm, size: 10.nm, pixels: 16, line_time: 1.s });
    go_to(3.2.nm, -1.85.nm);
    recentre();
    set("RfOutput", 1);
    sweep(#{ name: "s", channel: "RfFrequency", from: 10.GHz, to: 10.1.GHz, points: 60,
        read: ["LockinX", "Current"], dwell: 1.s, average: 2 });
    trace("Current", 100, 100.ms);
    wait(1.min);
    pulse(200.mV, 20.ms);
    set("RfOutput", 0);
    withdraw();
    coarse_steps(5);
    approach();
    ramp_field(0.0.T);
"#;

#[test]
fn after_an_outage_in_any_phase_the_bench_is_safe_soon() {
    let held = r#"Operator(at: "6 min", says: "hold"), Operator(at: "9 min", says: "release"),
        PressureBurst(at: "11 min", height: "1e-6 mbar"),"#;
    let undisturbed = night(PHASES, held);
    assert_eq!(undisturbed.ending().0, "finished", "{:?}", undisturbed.ending());
    let length_s = undisturbed.done.tally.end_s;
    let cases: u32 = if std::env::var("NOCTULE_CAMPAIGN").is_ok_and(|v| v == "full") { 600 } else { 24 };
    let (mut finished, mut slowest_s, mut notes) = (0, 0.0_f64, Vec::new());
    for case in 0..cases {
        let link = &LINKS[case as usize % LINKS.len()];
        // Moments and lengths that fill their ranges evenly: multiples of two irrational numbers.
        let (part, size) = (f64::from(case) * 0.618_034 % 1.0, f64::from(case) * 0.754_878 % 1.0);
        let (at_s, for_s) = (1.0 + part * length_s, 3600.0_f64.powf(size));
        let night = night(PHASES, &format!("{held}{}", away(link, &format!("{at_s} s"), for_s)));
        slowest_s = slowest_s.max(safe_in_time(&night, at_s, at_s + for_s));
        finished += u32::from(night.ending().0 == "finished");
        notes.push(format!("{} at {at_s:.0} s for {for_s:.0} s: {:?}", link.name, night.ending()));
    }
    println!(
        "{cases} outages over {length_s:.0} s: {finished} finished, the slowest was safe after {slowest_s:.1} s"
    );
    println!("{}", notes.join("\n"));
}
