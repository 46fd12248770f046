//! In which order commands reach an instrument, and which of them may come twice: parking, coming back after a hold,
//! trying again. The instrument is a mock: a command that nobody expects, or one out of its turn, fails the test.

use mockall::{Sequence as Order, mock};
use noctule::bench::{Channel, Role, builtin};
use noctule::drive::virtual_time::{Nobody, VirtualDrive};
use noctule::instrument::{ErrorKind, Identity, Instrument, InstrumentError, Task, TaskReport};
use noctule::quantity::TimePoint;
use noctule::record::{DigestOnly, Outcome};
use noctule::script::{ScriptEnd, Sequence, run};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::{Arc, Mutex};

mock! {
    Microscope {}
    impl Instrument for Microscope {
        fn identify(&mut self) -> Result<Identity, InstrumentError>;
        fn set(&mut self, channel: &Channel, si: f64) -> Result<(), InstrumentError>;
        fn read(&mut self, channel: &Channel) -> Result<f64, InstrumentError>;
        fn begin<'c>(&mut self, task: &Task, traced: Option<&'c Channel>) -> Result<(), InstrumentError>;
        fn poll(&mut self) -> Result<Option<TaskReport>, InstrumentError>;
        fn abort(&mut self) -> Result<(), InstrumentError>;
        fn look<'c>(&mut self, channels: &[&'c Channel]) -> Result<(), InstrumentError>;
        fn reconnect(&mut self) -> Result<(), InstrumentError>;
        fn pass_time(&mut self, now: TimePoint);
    }
}

/// What stands at the microscope: the last value of every channel, and the time.
struct Standing {
    values: Vec<(Role, f64)>,
    now_s: f64,
}

impl Standing {
    fn get(&self, role: Role) -> f64 {
        self.values.iter().find(|(other, _)| *other == role).map_or(0.0, |(_, value)| *value)
    }

    fn put(&mut self, role: Role, value: f64) {
        self.values.retain(|(other, _)| *other != role);
        self.values.push((role, value));
    }
}

/// A mock with what it stands for. Readings come as often as the supervisor likes; commands are expected one by one.
struct Bed {
    mock: MockMicroscope,
    standing: Arc<Mutex<Standing>>,
    order: Order,
}

impl Bed {
    fn new() -> Self {
        let values = vec![
            (Role::HeliumLevel, 0.05),
            (Role::StageTemperature, 0.3),
            (Role::Current, 1e-11),
            (Role::RfLevel, -50.0),
            (Role::Bias, 0.05),
        ];
        let standing = Arc::new(Mutex::new(Standing { values, now_s: 0.0 }));
        let mut mock = MockMicroscope::new();
        let clock = Arc::clone(&standing);
        mock.expect_pass_time().returning(move |now| clock.lock().unwrap().now_s = now.s());
        let done = TaskReport { achieved: true, ..TaskReport::default() };
        mock.expect_poll().returning(move || Ok(Some(done.clone())));
        // It answers when it is asked who it is.
        mock.expect_look().returning(|_| Ok(()));
        Self { mock, standing, order: Order::new() }
    }

    /// The next command sets a channel to a value.
    fn then_set(mut self, role: Role, si: f64) -> Self {
        let standing = Arc::clone(&self.standing);
        self.mock
            .expect_set()
            .withf(move |channel, value| channel.role == Some(role) && (value - si).abs() <= 1e-12 * si.abs())
            .times(1)
            .in_sequence(&mut self.order)
            .returning(move |_, value| {
                standing.lock().unwrap().put(role, value);
                Ok(())
            });
        self
    }

    /// The next commands would set a channel, and each of them fails.
    fn then_fail_to_set(mut self, role: Role, kind: ErrorKind, times: usize) -> Self {
        self.mock
            .expect_set()
            .withf(move |channel, _| channel.role == Some(role))
            .times(times)
            .in_sequence(&mut self.order)
            .returning(move |_, _| Err(InstrumentError::new(kind, "made up")));
        self
    }

    /// The next command is this task, and it brings the tip in or out where it is one that does.
    fn then_begin(mut self, task: Task) -> Self {
        let standing = Arc::clone(&self.standing);
        self.mock
            .expect_begin()
            .withf(move |begun, _| *begun == task)
            .times(1)
            .in_sequence(&mut self.order)
            .returning(move |task, _| {
                let approached = match task {
                    Task::Approach => 1.0,
                    Task::Withdraw => 0.0,
                    _ => return Ok(()),
                };
                standing.lock().unwrap().put(Role::Approached, approached);
                Ok(())
            });
        self
    }

    /// Parking, as the built-in bench orders it.
    fn then_park(self) -> Self {
        self.then_begin(Task::Withdraw)
            .then_set(Role::RfOutput, 0.0)
            .then_set(Role::Bias, 0.05)
            .then_set(Role::LockinModulation, 0.0)
            .then_set(Role::StageHeater, 0.0)
    }

    /// Runs a sequence; readings are what stands there, changed by `seen`. Gives its end, and whether all is parked.
    fn run(
        mut self,
        text: &str,
        seen: impl Fn(Role, f64, f64) -> Result<f64, InstrumentError> + Send + 'static,
    ) -> (ScriptEnd, bool) {
        let standing = Arc::clone(&self.standing);
        let mut reads = 0;
        self.mock.expect_read().returning(move |channel| {
            let standing = standing.lock().unwrap();
            let role = channel.role.expect("each channel of the built-in bench has a role");
            let mut shown = standing.get(role);
            // Live gauges have noise, and no current flows while the tip is out.
            reads += 1;
            let noise = 1e-15 * f64::from(reads % 7);
            match role {
                Role::Current if standing.get(Role::Approached) < 0.5 => shown = noise,
                Role::Current | Role::StageTemperature | Role::ChamberPressure | Role::MagnetVoltage => {
                    shown += noise
                }
                _ => {}
            }
            seen(role, shown, standing.now_s)
        });
        let drive = VirtualDrive::new(
            Arc::new(builtin()),
            vec![Box::new(self.mock)],
            Box::new(DigestOnly::default()),
            Box::new(Nobody),
            1,
            Some(TimePoint::START.after(12.0 * 3600.0)),
        );
        let drive = Rc::new(RefCell::new(drive));
        let (end, _) = run(&Sequence::from_text("test.rhai", text), drive.clone());
        drive.borrow_mut().finish(end.outcome, end.reason.clone(), end.place.clone());
        assert_eq!(drive.borrow().oracle.violations, 0, "{:?}", drive.borrow().oracle.first);
        let parked = drive.borrow().tally.parked;
        (end, parked)
    }
}

fn as_it_stands(_: Role, value: f64, _: f64) -> Result<f64, InstrumentError> {
    Ok(value)
}

#[test]
fn parking_takes_the_tip_out_before_anything_is_set() {
    let bed = Bed::new().then_begin(Task::Approach).then_set(Role::RfOutput, 1.0).then_park();
    let (end, parked) = bed.run(r#"approach(); set("RfOutput", 1);"#, as_it_stands);
    assert_eq!((end.outcome, parked), (Outcome::Finished, true), "{}", end.reason);
}

#[test]
fn parking_goes_on_behind_a_step_that_fails() {
    let bed = Bed::new()
        .then_begin(Task::Approach)
        .then_set(Role::RfOutput, 1.0)
        .then_begin(Task::Withdraw)
        .then_fail_to_set(Role::RfOutput, ErrorKind::Refused, 2)
        .then_set(Role::Bias, 0.05)
        .then_set(Role::LockinModulation, 0.0)
        .then_set(Role::StageHeater, 0.0)
        // What failed is come back to, until it is done.
        .then_set(Role::RfOutput, 0.0);
    let (_, parked) = bed.run(r#"approach(); set("RfOutput", 1);"#, as_it_stands);
    assert!(parked, "the RF is off at last");
}

#[test]
fn after_a_hold_the_tip_comes_back_before_the_rf() {
    let bed = Bed::new()
        .then_begin(Task::Approach)
        .then_set(Role::RfOutput, 1.0)
        // Gas from the tenth minute to the twelfth.
        .then_begin(Task::Withdraw)
        .then_set(Role::RfOutput, 0.0)
        .then_set(Role::StageHeater, 0.0)
        .then_begin(Task::Approach)
        .then_set(Role::RfOutput, 1.0)
        .then_park();
    let gas = |role: Role, value: f64, now_s: f64| {
        let burst = role == Role::ChamberPressure && (600.0..720.0).contains(&now_s);
        Ok(if burst { 1e-4 } else { value })
    };
    let (end, parked) = bed.run(r#"approach(); set("RfOutput", 1); wait(30.min);"#, gas);
    assert_eq!((end.outcome, parked), (Outcome::Finished, true), "{}", end.reason);
}

#[test]
fn a_command_that_was_lost_is_sent_again_and_one_that_was_refused_is_not() {
    // Three attempts, and three more because the instrument answers when it is asked who it is.
    for (kind, times) in [(ErrorKind::TimedOut, 6), (ErrorKind::Garbled, 6), (ErrorKind::Refused, 1)] {
        let bed = Bed::new().then_fail_to_set(Role::RfFrequency, kind, times).then_park();
        let (end, parked) = bed.run(r#"set("RfFrequency", 10.GHz);"#, as_it_stands);
        assert_eq!((end.outcome, parked), (Outcome::Fault, true), "{}", end.reason);
    }
}

#[test]
fn a_connection_that_is_gone_is_made_anew_before_the_next_attempt() {
    let mut bed = Bed::new().then_fail_to_set(Role::RfFrequency, ErrorKind::Absent, 1);
    bed.mock.expect_reconnect().times(1).in_sequence(&mut bed.order).returning(|| Ok(()));
    let bed = bed.then_set(Role::RfFrequency, 1e10).then_park();
    let (end, parked) = bed.run(r#"set("RfFrequency", 10.GHz);"#, as_it_stands);
    assert_eq!((end.outcome, parked), (Outcome::Finished, true), "{}", end.reason);
}

#[test]
fn a_pulse_whose_answer_was_lost_is_not_given_a_second_time() {
    let mut bed = Bed::new().then_begin(Task::Approach);
    bed.mock
        .expect_begin()
        .withf(|task, _| matches!(task, Task::Pulse { .. }))
        .times(1)
        .in_sequence(&mut bed.order)
        .returning(|_, _| Err(InstrumentError::new(ErrorKind::TimedOut, "made up")));
    // It may be going on, and nothing else begins before it has ended.
    bed.mock.expect_abort().times(1).in_sequence(&mut bed.order).returning(|| Ok(()));
    let (end, parked) = bed.then_park().run("approach(); pulse(1.V, 10.ms);", as_it_stands);
    assert_eq!((end.outcome, parked), (Outcome::Fault, true), "{}", end.reason);
}
