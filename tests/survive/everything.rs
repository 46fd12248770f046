//! A sequence with everything in it that an interruption may meet, short at a fast pace.

/// A plan, approach, field, moves, centring, image, trace, a pulse, a pick-up, sweeps, a withdrawal and a second approach.
pub const EVERYTHING: &str = r#"// Invented.
goal("a good tip", "tip proved");
budget(#{ ends_after: 20.h, atoms: 4, areas: 2, pulses: 2 });
set("Bias", 60.mV);
set("Setpoint", 10.pA);
approach();
ramp_field(0.05.T);
go_to(3.2.nm, -1.85.nm);
let centred = recentre().found;
let _next = choose_next([#{ name: "all of it", goal: "a good tip", time: 10.min }]);
give_up("a good tip", "no atoms", "three areas are bare");
note(`centred: ${centred}`);
let seen = image(#{ x: 0.nm, y: 0.nm, size: 8.nm, pixels: 12, line_time: 1.s });
note(`spots: ${find_spots(seen).len()}`);
go_to(3.2.nm, -1.85.nm);
recentre();
set("RfLevel", -3.dBm);
set("RfOutput", 1);
for turn in 0..3 {
    let spectrum = sweep(#{ name: "esr", channel: "RfFrequency", from: 13.GHz, to: 13.2.GHz, points: 40,
        read: ["LockinX", "Current"], dwell: 200.ms, average: 2, settle: 100.ms });
    note(`turn ${turn}: ${spectrum.points}`);
    let current = trace("Current", 50, 5.ms);
    note(`scatter ${current.numbers.deviation}`);
    wait(20.s);
}
set("RfOutput", 0);
let pulsed = pulse(200.mV, 20.ms);
note(`pulse: ${pulsed.achieved}`);
let picked = pick_up();
note(`picked up: ${picked.achieved}`);
withdraw();
coarse_steps(3);
approach();
ramp_field(0.0.T);
let last = sweep(#{ name: "last", channel: "Bias", from: 60.mV, to: 80.mV, points: 20, read: ["Current"] });
note(`last: ${last.points}`);
"#;
/// Points of its sweeps, in order.
pub const POINTS: [usize; 4] = [40, 40, 40, 20];
