//! What the simulated microscope costs: one point of a spectrum, one gauge, a whole night.

use criterion::{Criterion, criterion_group, criterion_main};
use noctule_sim::{Act, Signal, microscope::Microscope, world::World};
use std::hint::black_box;

/// A microscope over a spin of the world, RF on, settled.
fn over_spin(world: &str, site: &str) -> Microscope {
    let world = World::shipped(world).expect("a shipped world");
    let mut microscope = Microscope::new(&world, 1);
    let set =
        |microscope: &mut Microscope, signal, value| microscope.set(signal, value).expect("a sound value");
    set(&mut microscope, Signal::Bias, 0.06);
    set(&mut microscope, Signal::Setpoint, 10e-12);
    set(&mut microscope, Signal::FieldZ, 0.6);
    let wait_s = microscope.begin(Act::Approach).expect("a withdrawn tip");
    microscope.advance_to(wait_s + 600.0);
    sit(&mut microscope, site);
    set(&mut microscope, Signal::RfFrequency, 15.1e9);
    set(&mut microscope, Signal::RfLevel, -3.0);
    set(&mut microscope, Signal::RfOutput, 1.0);
    microscope.advance_to(2000.0);
    microscope
}

fn sit(microscope: &mut Microscope, site: &str) {
    for _ in 0..3 {
        let truth = microscope.truth();
        let at_m = truth.spins.iter().find(|spin| spin.name == site).expect("a known site").at_m;
        microscope.set(Signal::TipX, at_m[0]).expect("within range");
        microscope.set(Signal::TipY, at_m[1]).expect("within range");
    }
}

/// One point as a sweep takes it; the clock moves by 10 ms, so that ticks do not dominate.
fn point(microscope: &mut Microscope, at: &mut u32) -> f64 {
    *at = (*at + 1) % 401;
    let f_hz = 15.05e9 + 0.3e6 * f64::from(*at);
    microscope.set(Signal::RfFrequency, f_hz).expect("within range");
    microscope.advance_to(microscope.now_s() + 0.01);
    microscope.read(Signal::LockinX)
}

fn hot_path(criterion: &mut Criterion) {
    for (world, site) in [("night", "A1"), ("night", "M1")] {
        let mut microscope = over_spin(world, site);
        let mut at = 0;
        criterion.bench_function(&format!("set frequency and read lock-in, {world} {site}"), |bencher| {
            bencher.iter(|| black_box(point(&mut microscope, &mut at)));
        });
    }
    let mut microscope = over_spin("night", "A1");
    for signal in
        [Signal::Current, Signal::Height, Signal::StageTemperature, Signal::HeliumLevel, Signal::FieldZ]
    {
        criterion.bench_function(&format!("read {}", signal.name()), |bencher| {
            bencher.iter(|| black_box(microscope.read(signal)));
        });
    }
    criterion.bench_function("one second of the world", |bencher| {
        bencher.iter(|| {
            let now_s = microscope.now_s();
            microscope.advance_to(now_s + 1.0);
        });
    });
}

/// Ten hours: about 10 000 points of spectra and 200 000 readings of monitors.
fn night(world: &World) -> f64 {
    let monitors = [
        Signal::StageTemperature,
        Signal::PotTemperature,
        Signal::HeliumLevel,
        Signal::ChamberPressure,
        Signal::PreparationPressure,
        Signal::Current,
        Signal::FieldZ,
    ];
    let mut microscope = Microscope::new(world, 5);
    microscope.set(Signal::Bias, 0.06).expect("a sound bias");
    microscope.set(Signal::Setpoint, 10e-12).expect("a sound setpoint");
    microscope.set(Signal::RfLevel, -3.0).expect("a sound level");
    let wait_s = microscope.begin(Act::Approach).expect("a withdrawn tip");
    microscope.advance_to(wait_s + 1.0);
    microscope.set(Signal::RfFrequency, 15e9).expect("within range");
    microscope.set(Signal::RfOutput, 1.0).expect("a switch");
    let mut sum = 0.0;
    for spectrum in 0..25 {
        let field_t = 0.4 + 0.6 * f64::from(spectrum) / 24.0;
        microscope.set(Signal::FieldZ, field_t).expect("within range");
        microscope.advance_to(microscope.now_s() + 240.0);
        sit(&mut microscope, "A1");
        for index in 0..401 {
            let f_hz = 25.1e9 * field_t + 0.4e6 * f64::from(index);
            microscope.set(Signal::RfFrequency, f_hz).expect("within range");
            microscope.advance_to(microscope.now_s() + 3.0);
            sum += microscope.read(Signal::LockinX);
            for monitor in monitors.iter().cycle().take(20) {
                sum += microscope.read(*monitor);
            }
        }
    }
    sum
}

fn nights(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("ten hours");
    group.sample_size(10);
    for name in World::shipped_names() {
        let world = World::shipped(name).expect("a shipped world");
        if name != "bare" {
            group.bench_function(name, |bencher| bencher.iter(|| black_box(night(&world))));
        }
    }
    group.finish();
}

criterion_group!(benches, hot_path, nights);
criterion_main!(benches);
