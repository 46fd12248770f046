use super::*;
use crate::instrument::ErrorKind;

fn pulse(volts: f64, length_s: f64) -> Request {
    Request::Task(Task::Pulse { volts, length_s })
}

#[test]
fn a_pulse_beyond_the_limits_of_the_bench_never_leaves() {
    for (volts, length_s) in
        [(12.0, 0.02), (-4.1, 0.02), (1.0, 0.6), (1.0, 0.0), (1.0, -0.1), (f64::NAN, 0.02), (1.0, f64::NAN)]
    {
        let mut play = Play::new();
        play.call(0, pulse(volts, length_s));
        play.until(30.0);
        let Some(Err(Denial::Forbidden(reason))) = play.replies.pop() else { panic!("{volts}, {length_s}") };
        assert!(reason.contains("the limits of `pulse`"), "{reason}");
        assert!(play.sent.is_empty(), "{:?}", play.sent);
    }
    for (volts, length_s) in [(4.0, 0.5), (-4.0, 0.02)] {
        let mut play = Play::new();
        play.call(0, pulse(volts, length_s));
        play.until(30.0);
        assert_eq!(play.sent, ["pulse"]);
        assert!(matches!(play.replies.as_slice(), [Ok(Answer::Task(_))]), "{:?}", play.replies);
    }
}

#[test]
fn without_limits_only_the_instrument_limits_a_pulse() {
    let text = builtin_text().replace("pulse: Pulse(max: \"4 V\", longest: \"500 ms\"),", "");
    assert_ne!(text, builtin_text());
    let mut play = Play::on(&text);
    play.call(0, pulse(9.0, 2.0));
    play.until(30.0);
    assert_eq!(play.sent, ["pulse"]);
}

#[test]
fn a_pulse_that_fails_is_sent_once_and_the_record_says_so() {
    for kind in [ErrorKind::Refused, ErrorKind::TimedOut, ErrorKind::Garbled, ErrorKind::Absent] {
        let mut play = Play::new();
        play.fails = Some(kind);
        play.call(0, pulse(1.0, 0.02));
        play.until(30.0);
        assert_eq!(play.sent, ["pulse"], "{kind:?}");
        let fault = |entry: &Entry| match entry {
            Entry::Fault { trouble, .. } => Some(trouble.in_words()),
            _ => None,
        };
        let faults: Vec<String> = play.entries.iter().filter_map(fault).collect();
        assert_eq!(faults.len(), 1, "{faults:?}");
        assert!(faults[0].ends_with("tried once: `pulse` is never repeated on its own"), "{}", faults[0]);
    }
    // An instrument that was busy has not taken it, so it may be sent again.
    let mut play = Play::new();
    play.fails = Some(ErrorKind::Busy);
    play.call(0, pulse(1.0, 0.02));
    play.until(30.0);
    assert_eq!(play.sent, ["pulse", "pulse", "pulse"]);
    let said = play
        .entries
        .iter()
        .any(|entry| matches!(entry, Entry::Fault { trouble, .. } if trouble.in_words().ends_with("after 3 attempts")));
    assert!(said, "{:?}", play.entries);
}
