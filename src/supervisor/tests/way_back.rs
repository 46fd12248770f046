//! What an approach needs is back before it, on the way back from a hold and where a cut run goes on.

use super::*;

/// Sets the biases one after the other, with an approach after the first, waits, and is held with the tip out until the
/// burst is over. What is sent from then on is left in `sent`.
fn back_from_a_burst(bench: &str, biases: &[f64]) -> Play {
    let mut play = Play::on(bench);
    for (n, bias) in biases.iter().enumerate() {
        let call = 2 * n as u64;
        play.set(call, Role::Bias, *bias);
        let later = play.now.after(10.0).s();
        play.until(later);
        if n == 0 {
            play.call(call + 1, Request::Task(Task::Approach));
            play.until(later + 5.0);
        }
    }
    assert!(play.replies.iter().all(Result::is_ok), "{:?}", play.replies);
    play.replies.clear();
    play.call(9, Request::Wait { seconds: 1e5 });
    play.put(Role::ChamberPressure, 1e-5);
    play.until(200.0);
    assert!(play.supervisor.is_held() && play.get(Role::Approached) == 0.0);
    play.sent.clear();
    play.put(Role::ChamberPressure, 5e-9);
    play.until(900.0);
    play
}

/// The built-in bench, but a hold sets this bias.
fn holding_at(bias: &str) -> String {
    let with = format!("\n    hold: [ Set(channel: \"bias\", to: \"{bias}\"),");
    let bench = builtin_text().replacen("\n    hold: [", &with, 1);
    assert!(bench.contains(&with));
    bench
}

#[test]
fn the_bias_is_back_before_the_tip_comes_in() {
    for bias in ["0 mV", "10 mV"] {
        let play = back_from_a_burst(&holding_at(bias), &[0.06]);
        assert!(!play.supervisor.is_held() && !play.over);
        let last = play.sent.iter().rposition(|sent| sent.starts_with("bias ")).unwrap();
        let in_at = play.sent.iter().position(|sent| sent == "approach").unwrap();
        assert!(last < in_at, "{:?}", play.sent);
        assert_eq!(play.get(Role::Bias), 0.06);
    }
}

#[test]
fn where_the_sequence_stood_at_zero_the_tip_comes_in_with_the_bias_of_its_last_approach() {
    for bench in [builtin_text().to_owned(), holding_at("0 mV")] {
        let play = back_from_a_burst(&bench, &[0.04, 0.0]);
        assert!(!play.supervisor.is_held() && !play.over);
        let moved: Vec<&str> = play
            .sent
            .iter()
            .map(String::as_str)
            .filter(|sent| sent.starts_with("bias ") || *sent == "approach")
            .collect();
        assert_eq!(moved, ["bias 0.02", "bias 0.04", "approach", "bias 0.02", "bias 0"]);
    }
}

/// A permit looks at the tip before so much is set: the way back does not carry it in.
#[test]
fn a_bias_above_its_mark_is_not_carried_in() {
    // On a bench that lets a sequence approach with it.
    let bench = holding_at("50 mV").replace("abs(bias) < 251 mV", "abs(bias) < 2 V");
    let play = back_from_a_burst(&bench, &[0.3]);
    let highest = play.sent.iter().filter_map(|sent| sent.strip_prefix("bias ")?.parse().ok());
    assert!(highest.fold(0.0, f64::max) < 0.25 + 1e-9, "{:?}", play.sent);
    assert!(play.sent.contains(&"approach".to_owned()), "{:?}", play.sent);
    let Some(Err(Denial::Ended(ending))) = play.replies.last() else { panic!("{:?}", play.replies) };
    assert!(ending.reason.contains("this can move what lies under the tip"), "{}", ending.reason);
}

#[test]
fn a_run_that_goes_on_has_the_bias_back_before_the_tip_and_the_rf_after_it() {
    let mut play = Play::new();
    let id = |role| play.bench.by_role(role).unwrap();
    let values = vec![(id(Role::Bias), 0.02), (id(Role::Setpoint), 1e-11), (id(Role::RfOutput), 1.0)];
    play.call(0, Request::Restore { approach: Some(true), values });
    play.until(30.0);
    assert_eq!(play.replies, [Ok(Answer::Number(0.0))]);
    assert_eq!(play.sent, ["bias 0.02", "setpoint 0.00000000001", "approach", "rf_output 1"]);
}
