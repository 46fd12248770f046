//! The end of a window: parking is reckoned with the whole way of every channel, also of one that nobody has set.

use super::*;

/// The built-in bench, but parking brings the field down.
fn field_down() -> String {
    let keep = "Keep(channel: \"field_z\"),";
    let down = "Set(channel: \"field_z\", to: \"0 T\"),";
    assert!(builtin_text().contains(keep));
    builtin_text().replacen(keep, down, 1)
}

fn in_window(bench: &str, window_s: f64) -> Play {
    let mut play = Play::on(bench);
    let start = Start { window: Some(TimePoint::from_s(window_s)), ..Start::default() };
    play.supervisor = Supervisor::new(Arc::clone(&play.bench), start);
    play
}

/// Time that is kept free for parking, s.
fn kept_s(play: &Play, window_s: f64) -> f64 {
    window_s - play.supervisor.last_moment().expect("a window").s()
}

#[test]
fn a_field_left_from_yesterday_counts_as_soon_as_it_is_read() {
    let window_s = 3600.0;
    let still = |left_t: f64| {
        let mut play = in_window(&field_down(), window_s);
        play.put(Role::FieldZ, left_t);
        play.call(0, Request::Wait { seconds: 1e6 });
        play.until(25.0);
        kept_s(&play, window_s)
    };
    // 100 mT a minute; the minute that its step is given is no bound, as parking goes on until the field is down.
    let way_s = still(1.0) - still(0.0);
    assert!((way_s - 600.0).abs() < 1.0, "{way_s}");
}

#[test]
fn a_field_that_gives_no_answer_counts_with_the_longest_way() {
    let window_s = 3600.0;
    let mut play = in_window(&field_down(), window_s);
    play.dead.insert(play.bench.by_role(Role::FieldZ).unwrap());
    play.call(0, Request::Wait { seconds: 1e6 });
    play.until(25.0);
    let before_s = kept_s(&play, window_s);
    play.until(60.0);
    // From 1.5 T, the limit of the bench; the bias, which nobody has set either, takes three seconds.
    let way_s = kept_s(&play, window_s) - before_s;
    assert!((900.0..904.0).contains(&way_s), "{way_s}");
}

/// Where parking moves nothing far, not knowing where it stands costs nothing of a window.
#[test]
fn a_window_on_a_bench_that_keeps_its_field_is_used() {
    let mut play = in_window(builtin_text(), 600.0);
    play.call(0, Request::Wait { seconds: 1e6 });
    for moment_s in [1.0, 25.0, 60.0] {
        play.until(moment_s);
        let kept = kept_s(&play, 600.0);
        assert!(kept < 120.0, "{kept} s after {moment_s} s");
    }
}
