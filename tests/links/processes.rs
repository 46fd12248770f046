//! Driver processes that are none, or bad ones. They are written for the shell, which is everywhere where the tests run.

use crate::common::channel;
use noctule::bench::{Address, Channel, ProcessLink};
use noctule::instrument::{ErrorKind, Instrument, InstrumentError, Process};
use std::path::Path;
use std::time::{Duration, Instant};

fn shell(program: &str, timeout_s: f64) -> Process {
    command(&["sh", "-c", program], timeout_s)
}

fn command(words: &[&str], timeout_s: f64) -> Process {
    let link = ProcessLink { command: words.iter().map(|word| (*word).to_owned()).collect() };
    Process::new("driver", &link, Path::new(env!("CARGO_MANIFEST_DIR")), timeout_s)
}

fn bias() -> Channel {
    channel("bias", Address::Named("bias".to_owned()))
}

fn kind<T: std::fmt::Debug>(result: Result<T, InstrumentError>) -> ErrorKind {
    result.expect_err("an error").kind
}

/// Answers the n-th request with the n-th of some lines.
fn answers(lines: &[&str]) -> String {
    let mut program = String::new();
    for line in lines {
        program.push_str(&format!("read request; echo '{line}'; "));
    }
    program + "cat >/dev/null"
}

#[test]
fn a_program_that_is_not_there_or_ends_is_absent() {
    assert_eq!(kind(command(&["no-such-program-anywhere"], 0.5).identify()), ErrorKind::Absent);
    assert_eq!(kind(command(&["./no-such-program"], 0.5).identify()), ErrorKind::Absent);
    assert_eq!(kind(command(&[], 0.5).identify()), ErrorKind::Absent);
    let mut ends = shell("exit 3", 2.0);
    for _ in 0..3 {
        assert_eq!(kind(ends.identify()), ErrorKind::Absent);
    }
    assert_eq!(kind(ends.reconnect()), ErrorKind::Absent);
    // Half a line is no answer.
    assert_eq!(kind(shell("read request; printf '{\"jsonrpc\"'", 2.0).identify()), ErrorKind::Absent);
}

#[test]
fn a_program_that_ends_later_is_started_again() {
    let mut driver = shell(
        r#"read request; echo '{"jsonrpc":"2.0","id":'"${request##*\"id\":}" | sed 's/\("id":[0-9]*\).*/\1,"result":0.5}/'; exit"#,
        2.0,
    );
    assert_eq!(driver.read(&bias()), Ok(0.5));
    std::thread::sleep(Duration::from_millis(100));
    assert_eq!(driver.read(&bias()), Ok(0.5), "the next call starts it again");
}

#[test]
fn rubbish_is_garbled() {
    for line in [
        "hello",
        "{}",
        "[1,2]",
        r#"{"jsonrpc":"2.0","id":99,"result":1}"#,
        r#"{"jsonrpc":"2.0","id":1,"result":"x"}"#,
        r#"{"jsonrpc":"2.0","id":1}"#,
    ] {
        assert_eq!(kind(shell(&answers(&[line]), 2.0).read(&bias())), ErrorKind::Garbled, "{line}");
    }
    assert_eq!(
        kind(shell("read request; printf '\\377\\376\\000\\n'; cat >/dev/null", 2.0).read(&bias())),
        ErrorKind::Garbled
    );
}

#[test]
fn megabytes_without_an_end_are_garbled_and_the_next_start_is_sound() {
    let mut driver = shell("read request; head -c 30000000 /dev/zero; cat >/dev/null", 5.0);
    assert_eq!(kind(driver.read(&bias())), ErrorKind::Garbled);
    assert_eq!(kind(driver.read(&bias())), ErrorKind::Garbled, "it was started anew, and does it again");
}

#[test]
fn a_late_reply_is_dropped() {
    let program = r#"read a; sleep 0.4; echo '{"jsonrpc":"2.0","id":1,"result":0.1}'; read b; echo '{"jsonrpc":"2.0","id":2,"result":0.2}'; cat >/dev/null"#;
    let mut driver = shell(program, 0.2);
    assert_eq!(kind(driver.read(&bias())), ErrorKind::TimedOut);
    std::thread::sleep(Duration::from_millis(400));
    assert_eq!(driver.read(&bias()), Ok(0.2));
}

#[test]
fn a_reply_that_comes_twice_is_dropped_the_second_time() {
    let first = r#"{"jsonrpc":"2.0","id":1,"result":0.1}"#;
    let second = r#"{"jsonrpc":"2.0","id":2,"result":0.2}"#;
    let program = format!("read a; echo '{first}'; echo '{first}'; read b; echo '{second}'; cat >/dev/null");
    let mut driver = shell(&program, 2.0);
    assert_eq!(driver.read(&bias()), Ok(0.1));
    assert_eq!(driver.read(&bias()), Ok(0.2));
}

#[test]
fn notifications_and_what_is_said_to_standard_error_are_no_replies() {
    let program = r#"read a; echo oh >&2; echo '{"jsonrpc":"2.0","method":"log","params":{}}'; echo '{"jsonrpc":"2.0","id":1,"result":0.1}'; cat >/dev/null"#;
    assert_eq!(shell(program, 2.0).read(&bias()), Ok(0.1));
}

#[test]
fn error_codes_become_kinds() {
    let error =
        |code: i32| format!(r#"{{"jsonrpc":"2.0","id":1,"error":{{"code":{code},"message":"because"}}}}"#);
    for (code, expected) in [
        (1, ErrorKind::Absent),
        (2, ErrorKind::Busy),
        (3, ErrorKind::Refused),
        (4, ErrorKind::Garbled),
        (5, ErrorKind::TimedOut),
        (-32601, ErrorKind::Refused),
        (-32603, ErrorKind::Garbled),
        (77, ErrorKind::Refused),
    ] {
        let failed = shell(&answers(&[&error(code)]), 2.0).read(&bias()).expect_err("an error");
        assert_eq!(failed.kind, expected, "{code}");
        assert!(failed.message.contains("because"), "{failed}");
    }
}

#[test]
fn a_program_that_hangs_holds_nobody_up() {
    let began = Instant::now();
    let mut driver = shell("exec sleep 60", 0.01);
    for _ in 0..200 {
        assert_eq!(kind(driver.set(&bias(), 0.05)), ErrorKind::TimedOut);
    }
    drop(driver);
    assert!(began.elapsed() < Duration::from_secs(20), "dropping ends it: {:?}", began.elapsed());
}
