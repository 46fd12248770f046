use super::*;
use crate::quantity::Dimension;

struct Fake;

impl Readings for Fake {
    fn latest(&self, channel: ChannelId) -> Option<f64> {
        [Some(0.010), Some(0.35), None][channel.index()]
    }
    fn rate_per_s(&self, _: ChannelId) -> Option<f64> {
        Some(-0.001)
    }
    fn age_s(&self, channel: ChannelId) -> f64 {
        if channel.0 == 2 { f64::INFINITY } else { 4.0 }
    }
    fn frozen_s(&self, _: ChannelId) -> f64 {
        700.0
    }
    fn unreadable(&self, channel: ChannelId) -> bool {
        channel.0 == 2
    }
    fn clock_jump_s(&self) -> f64 {
        0.0
    }
}

fn read(text: &str) -> Result<Condition, ExpressionError> {
    let lookup = |name: &str| match name {
        "helium_level" => Some((ChannelId(0), Dimension::VOLUME)),
        "stage" | "StageTemperature" => Some((ChannelId(1), Dimension::TEMPERATURE)),
        "dead" => Some((ChannelId(2), Dimension::FIELD)),
        _ => None,
    };
    parse(text, &lookup, &["helium_level".to_owned(), "stage".to_owned()])
}

#[test]
fn conditions_are_worked_out() {
    for (text, truth) in [
        ("helium_level > 8 L", Some(true)),
        ("helium_level>8L and stage < 0.3 K", Some(false)),
        ("not (stage < 300 mK) or dead > 1 T", Some(true)),
        ("dead > 1 T", None),
        ("dead > 1 T and stage < 0.3 K", Some(false)),
        ("unreadable(dead)", Some(true)),
        ("age(dead) > 1 min", Some(true)),
        ("rate(stage) < -50 mK/min", Some(true)),
        ("frozen(stage) > 10 min", Some(true)),
        ("abs(stage - 0.4 K) < 0.1 K", Some(true)),
        ("2 * helium_level >= 20 L", Some(true)),
        ("stage == 0.35 K and clock_jump() < 5 s", Some(true)),
        ("-stage < 0 K", Some(true)),
    ] {
        let condition = read(text).unwrap_or_else(|e| panic!("{text}: {e}"));
        assert_eq!(condition.holds(&Fake), truth, "{text}");
    }
}

#[test]
fn what_can_not_be_understood_has_a_place_and_a_reason() {
    for (text, column, message) in [
        ("helium_level > 8 K", 15, "a volume and a temperature can't be compared"),
        ("helium_levl > 8 L", 0, "there is no channel `helium_levl`"),
        ("helium_level", 0, "this is a value, not a condition that is true or false"),
        ("stage > 3 mX", 8, "there is no unit `mX`"),
        ("rate(3) > 1", 5, "`rate` takes the name of a channel"),
        ("stage > ", 8, "a channel, a number or a bracket is expected here"),
        ("(stage > 1 K", 12, "a closing bracket is missing"),
        ("stage > 1 K stage", 12, "something is left over after the end of the condition"),
        ("speed(stage) > 1 K", 0, "there is no function `speed`"),
        ("stage $ 1", 6, "`$` has no meaning here"),
        ("stage + helium_level > 1 K", 8, "a temperature and a volume can't be added"),
    ] {
        let error = read(text).unwrap_err();
        assert!(error.message.starts_with(message), "{text}: {}", error.message);
        assert_eq!(error.column, column, "{text}");
    }
    assert_eq!(read("helium_levl > 8 L").unwrap_err().help.as_deref(), Some("did you mean `helium_level`?"));
}

#[test]
fn deep_nesting_ends_with_a_message() {
    let text = format!("{}stage > 1 K{}", "(".repeat(200), ")".repeat(200));
    assert!(read(&text).unwrap_err().message.contains("nested too deeply"));
}

#[test]
fn a_mark_that_nothing_can_pass_is_refused() {
    let lookup = |_: &str| Some((ChannelId(0), Dimension::TEMPERATURE));
    let error = parse("stage > 9e999 K", &lookup, &[]).unwrap_err();
    assert!(error.message.contains("not a finite number"), "{error:?}");
}

#[test]
fn what_goes_on_for_ever_ends_with_a_message() {
    let text = format!("stage > {}1 K", "1 K + ".repeat(100_000));
    let error = read(&text).unwrap_err();
    assert!(error.message.contains("too long"), "{error}");
    let text = format!("stage > {}1 K", "1 K + ".repeat(490));
    assert_eq!(read(&text).unwrap().holds(&Fake), Some(false));
}

#[test]
fn two_marks_of_one_thing_are_held_against_each_other() {
    for (trip, clear, both) in [
        ("stage > 800 mK", "stage < 900 mK", true),
        ("stage > 800 mK", "stage < 600 mK", false),
        ("stage > 800 mK", "stage < 800 mK", false),
        ("stage >= 800 mK", "stage <= 800 mK", true),
        ("800 mK < stage", "900 mK > stage", true),
        ("stage > 800 mK", "stage > 600 mK", true),
        ("abs(dead) > 2 T", "abs(dead) < 2.5 T", true),
        ("dead < -1 T", "dead > -2 T", true),
        ("dead < -2 T", "dead > -1 T", false),
        ("stage == 1 K", "stage == 0 K", false),
        // What is not as simple as that is left alone.
        ("stage > 800 mK", "abs(stage) < 900 mK", false),
        ("stage > 800 mK and dead > 1 T", "stage < 900 mK", false),
        ("stage > 800 mK", "helium_level < 9 L", false),
        ("stage != 1 K", "stage > 1 K", false),
    ] {
        let (a, b) = (read(trip).unwrap(), read(clear).unwrap());
        assert_eq!(a.may_hold_with(&b), both, "{trip}, {clear}");
        assert_eq!(b.may_hold_with(&a), both, "{clear}, {trip}");
    }
}

/// What a condition of one comparison looks at, and in which unit its limit is written.
#[test]
fn one_comparison_says_what_it_compares() {
    let stage = Some(ChannelId(1));
    for (text, channel, written) in [
        ("stage > 1.2 K", stage, Some(("stage", "K"))),
        ("1200 mK < stage", stage, Some(("stage", "mK"))),
        ("rate(stage) > -50 mK/min", None, Some(("rate(stage)", "mK/min"))),
        ("abs(stage - 0.4 K) < 100 mK", None, Some(("abs(stage - 0.4 K)", "mK"))),
        ("2 * helium_level >= 20 L", None, Some(("2 * helium_level", "L"))),
        ("clock_jump() > 5 s", None, Some(("clock_jump()", "s"))),
        ("stage / 1 K > 0.5", None, Some(("stage / 1 K", ""))),
        ("stage < StageTemperature", stage, None),
        ("stage > 1 K or helium_level < 6 L", None, None),
        ("not stage > 1 K", None, None),
        ("unreadable(dead)", None, None),
    ] {
        let condition = read(text).unwrap_or_else(|e| panic!("{text}: {e}"));
        assert_eq!(condition.compared(), channel, "{text}");
        let told = condition.written().map(|w| (w.what.as_str(), w.unit.text.as_str()));
        assert_eq!(told, written, "{text}");
    }
    assert_eq!(read("1 K > stage").unwrap().distance(&Fake), Some((0.35, 1.0)), "the limit stands behind");
}

#[test]
fn a_condition_says_where_a_channel_has_to_stand() {
    for (text, wants) in [
        ("stage == 1 K", Some(1.0)),
        ("1 K == stage and helium_level > 8 L", Some(1.0)),
        ("helium_level > 8 L and (stage == 0 K and unreadable(dead))", Some(0.0)),
        ("stage == 1 K or helium_level > 8 L", None),
        ("not stage == 1 K", None),
        ("stage > 1 K", None),
        ("helium_level == 1 L", None),
    ] {
        assert_eq!(read(text).unwrap().wants(ChannelId(1)), wants, "{text}");
    }
}
