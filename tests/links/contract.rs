//! One contract, three implementations.

use crate::common::{channel, instruments, mimic, mimic_bench, read_bench, script, world};
use noctule::bench::{Address, Bench, ChannelId};
use noctule::instrument::{ErrorKind, Instrument, InstrumentError, Simulated, Task, TaskReport};
use noctule::quantity::TimePoint;
use noctule_sim::microscope::Microscope;
use std::time::{Duration, Instant};

/// Lets time pass for an instrument: so many seconds of its own.
type LetPass<'p> = &'p mut dyn FnMut(&mut dyn Instrument, f64);

fn kind<T: std::fmt::Debug>(result: Result<T, InstrumentError>) -> ErrorKind {
    result.expect_err("an error").kind
}

fn await_report(instrument: &mut dyn Instrument, let_pass: LetPass<'_>) -> TaskReport {
    for _ in 0..600 {
        match instrument.poll() {
            Ok(Some(report)) => return report,
            Ok(None) => let_pass(instrument, 1.0),
            Err(error) => panic!("{error}"),
        }
    }
    panic!("the task never ended");
}

/// What every implementation promises. `slowly` and `let_pass` rule the time.
fn keeps_the_contract(instrument: &mut dyn Instrument, bench: &Bench, link: usize, let_pass: LetPass<'_>) {
    let find = |name: &str| bench.channel(bench.find(name).unwrap_or_else(|| panic!("{name} is missing")));
    let bias = find("bias");

    let who = instrument.identify().expect("an identity");
    assert!(!who.text.is_empty());
    assert_eq!(instrument.identify(), Ok(who), "identify is repeatable");

    for _ in 0..2 {
        assert_eq!(instrument.set(bias, 0.0625), Ok(()), "set is repeatable");
        let read = instrument.read(bias).expect("a reading");
        assert!((read - 0.0625).abs() < 1e-12, "{read}");
    }
    assert_eq!(kind(instrument.set(bias, 1e6)), ErrorKind::Refused);
    assert_eq!(kind(instrument.set(bias, f64::NAN)), ErrorKind::Refused);
    assert_eq!(kind(instrument.set(find("current"), 1e-12)), ErrorKind::Refused);
    let read = instrument.read(bias).expect("a reading");
    assert!((read - 0.0625).abs() < 1e-12, "what is refused changes nothing: {read}");

    for id in bench.ids().filter(|id| bench.channel(*id).link == link) {
        let read = instrument.read(bench.channel(id));
        assert!(read.as_ref().is_ok_and(|value| value.is_finite()), "{}: {read:?}", bench.channel(id).name);
    }
    tasks(instrument, bench, let_pass);

    assert_eq!(instrument.reconnect(), Ok(()));
    assert_eq!(instrument.reconnect(), Ok(()), "reconnect is repeatable");
    assert!(instrument.read(bias).is_ok());
}

fn tasks(instrument: &mut dyn Instrument, bench: &Bench, let_pass: LetPass<'_>) {
    let find = |name: &str| bench.find(name).unwrap_or_else(|| panic!("{name} is missing"));
    assert_eq!(kind(instrument.poll()), ErrorKind::Refused, "no task runs");
    assert_eq!(instrument.abort(), Ok(()), "no harm if none runs");

    assert_eq!(instrument.begin(&Task::Approach, None), Ok(()));
    assert_eq!(instrument.poll(), Ok(None));
    assert_eq!(kind(instrument.begin(&Task::Approach, None)), ErrorKind::Busy);
    assert_eq!(instrument.poll(), Ok(None), "asking is repeatable, and being busy changes nothing");
    let report = await_report(instrument, let_pass);
    assert!(report.achieved && !report.remark.is_empty(), "{report:?}");
    assert_eq!(instrument.poll(), Ok(Some(report)), "a report can be asked for again");
    assert_eq!(instrument.read(bench.channel(find("approached"))), Ok(1.0));
    assert_eq!(kind(instrument.begin(&Task::CoarseStep { steps: 3 }, None)), ErrorKind::Refused);

    let current = find("current");
    let trace = Task::Trace { channel: current, samples: 50, interval_s: 0.01 };
    assert_eq!(instrument.begin(&trace, Some(bench.channel(current))), Ok(()));
    let report = await_report(instrument, let_pass);
    assert!(report.achieved && report.data.len() == 50, "{report:?}");
    let mean = report.data.iter().sum::<f64>() / 50.0;
    assert!((mean / 10e-12 - 1.0).abs() < 0.3, "the setpoint flows: {mean:e}");

    assert_eq!(instrument.begin(&Task::Withdraw, None), Ok(()));
    assert_eq!(instrument.abort(), Ok(()));
    assert_eq!(instrument.abort(), Ok(()), "abort is repeatable");
    assert_eq!(kind(instrument.poll()), ErrorKind::Refused, "an aborted task has no report");
    assert_eq!(instrument.read(bench.channel(find("approached"))), Ok(0.0));
}

#[test]
fn the_simulated_microscope_keeps_the_contract() {
    let bench = noctule::bench::builtin();
    let mut simulated = Simulated::new(Microscope::new(&world(), 7));
    let mut now = TimePoint::START;
    keeps_the_contract(&mut simulated, &bench, 0, &mut |instrument, seconds| {
        now = now.after(seconds);
        instrument.pass_time(now);
    });
    let foreign = channel("x", Address::Named("x".to_owned()));
    assert_eq!(kind(simulated.read(&foreign)), ErrorKind::Absent);
}

#[test]
fn scpi_keeps_the_contract() {
    // So slow that nothing ends by itself while it is looked at; sped up where time shall pass.
    let mimic = mimic(0.01, "");
    let bench = mimic_bench(&mimic);
    let mut all = instruments(&bench);
    let mut clock = crate::common::Raw::connect(mimic.address("monitors").expect("monitors"));
    let mut let_pass = |_: &mut dyn Instrument, seconds: f64| {
        let until_s = clock.number("SYST:ELAP?") + seconds;
        clock.tell("SYST:PACE 1000");
        while clock.number("SYST:ELAP?") < until_s {}
        clock.tell("SYST:PACE 0.01");
    };
    let electronics = bench.links.iter().position(|link| link.name == "electronics").expect("electronics");
    keeps_the_contract(all[electronics].as_mut(), &bench, electronics, &mut let_pass);
    for id in bench.ids() {
        let read = all[bench.channel(id).link].read(bench.channel(id));
        assert!(read.is_ok(), "{}: {read:?}", bench.channel(id).name);
    }
    for instrument in &mut all {
        let who = instrument.identify().expect("an identity");
        assert!(who.simulated && who.text.starts_with("noctule-mimic,"), "{who:?}");
    }
    let foreign = channel("x", Address::Named("x".to_owned()));
    assert_eq!(kind(all[0].read(&foreign)), ErrorKind::Absent);
}

#[test]
fn the_python_bridge_keeps_the_contract() {
    if std::process::Command::new("python3").arg("--version").output().is_err() {
        assert!(std::env::var_os("NOCTULE_NEEDS_PYTHON").is_none(), "python3 is not here");
        eprintln!("python3 is not here: scripts/bridge.py WAS NOT TESTED");
        return;
    }
    let bench = read_bench(&script("bench_bridge.ron"));
    let mut bridge = instruments(&bench).remove(0);
    // It lives in real time; a pause is enough.
    keeps_the_contract(bridge.as_mut(), &bench, 0, &mut |_, _| std::thread::sleep(Duration::from_millis(20)));
    assert!(!bridge.identify().expect("an identity").simulated, "nothing but a mimic is ever paced");
    let foreign = channel("x", Address::Signal(noctule_sim::Signal::Bias));
    assert_eq!(kind(bridge.read(&foreign)), ErrorKind::Absent);
    let unknown = channel("x", Address::Named("nothing".to_owned()));
    assert_eq!(kind(bridge.read(&unknown)), ErrorKind::Refused);
    let image = Task::Image { x_m: 0.0, y_m: 0.0, size_m: 1e-9, pixels: 8, line_s: 0.1 };
    assert_eq!(kind(bridge.begin(&image, None)), ErrorKind::Refused);
}

#[test]
fn all_tasks_have_their_messages_at_the_mimic() {
    let mimic = mimic(1000.0, "");
    let bench = mimic_bench(&mimic);
    let mut all = instruments(&bench);
    let link = bench.task_link.expect("a link for tasks");
    let instrument = all[link].as_mut();
    let helium = bench.find("helium_level").expect("a gauge");
    let tasks: [(Task, Option<ChannelId>); 11] = [
        (Task::CoarseStep { steps: -20 }, None),
        (Task::Approach, None),
        (Task::MoveTip { x_m: 2e-9, y_m: -1e-9, speed_m_s: 1e-9 }, None),
        (Task::Pulse { volts: 0.5, length_s: 0.1 }, None),
        (Task::PickUp, None),
        (Task::PutDown, None),
        (Task::Trace { channel: helium, samples: 5, interval_s: 1.0 }, Some(helium)),
        (Task::Image { x_m: 0.0, y_m: 0.0, size_m: 4e-9, pixels: 16, line_s: 0.1 }, None),
        (Task::Withdraw, None),
        (Task::Persist { persistent: true }, None),
        (Task::Regenerate, None),
    ];
    for (task, traced) in tasks {
        instrument
            .begin(&task, traced.map(|id| bench.channel(id)))
            .unwrap_or_else(|e| panic!("{task:?}: {e}"));
        let until = Instant::now() + Duration::from_secs(60);
        let report = loop {
            assert!(Instant::now() < until, "{task:?} does not end");
            match instrument.poll().unwrap_or_else(|e| panic!("{task:?}: {e}")) {
                Some(report) => break report,
                None => std::thread::sleep(Duration::from_millis(2)),
            }
        };
        match task {
            Task::Trace { .. } => {
                assert_eq!(report.data.len(), 5);
                // A bath of some tens of litres, in cubic metres.
                assert!(report.data.iter().all(|level| (0.001..0.2).contains(level)), "{report:?}");
            }
            Task::Image { .. } => assert_eq!(report.data.len(), 256),
            _ => assert!(report.data.is_empty()),
        }
    }
}
