//! What counts as the same when a run is made again from its record, and how a row is told to people.
//!
//! Calls must be the same, in the same order, with the same answers. Words for people may be edited: notes,
//! names of steps, questions and reasons of decisions, titles. So may lines: a comment more above changes
//! nothing. What a sequence has worked out from data decides nothing by itself; the calls after it do.

use super::Entry;
use super::entry::from_row;
use serde_json::Value;

/// Whether two bodies of one kind stand for the same. Equal texts are; the others are compared without words.
pub(super) fn same(kind: &str, recorded: &str, now: &str) -> bool {
    if recorded == now || kind == "context" {
        return true;
    }
    match (bare(kind, recorded), bare(kind, now)) {
        (Some(recorded), Some(now)) => recorded == now,
        _ => false,
    }
}

/// A body without what may be edited.
fn bare(kind: &str, body: &str) -> Option<Value> {
    let mut value: Value = serde_json::from_str(body).ok()?;
    let object = value.as_object_mut()?;
    object.remove("place");
    let words: &[&str] = match kind {
        "identity" => &["sequence", "sequence_hash", "version"],
        "note" => &["text", "for_next_shift"],
        "decision" => &["question", "reason"],
        "judgement" => &["title", "body"],
        "step_begin" => &["name"],
        "result" => &["about"],
        _ => &[],
    };
    for word in words {
        object.remove(*word);
    }
    if kind == "step_end" && object.get("left_out").is_some_and(|reason| !reason.is_null()) {
        object.insert("left_out".to_owned(), Value::Bool(true));
    }
    if let Some(ending) = object.get_mut("ending").and_then(Value::as_object_mut) {
        ending.remove("place");
    }
    Some(value)
}

/// A row in words: the verb, its arguments, and the line that it came from.
pub(super) fn describe(kind: &str, body: &str) -> String {
    let Ok(entry) = from_row(kind, body) else { return format!("{kind} {body}") };
    let what = match &entry {
        Entry::SweepEnd { sweep, points, .. } => format!("the end of sweep {sweep}, {points} points"),
        Entry::StepEnd { .. } => "the end of a step".to_owned(),
        Entry::End { ending, .. } => format!("the end: {}, {}", ending.outcome.word(), ending.reason),
        Entry::StepBegin { name, .. } => format!("step \"{name}\""),
        Entry::Note { text, .. } => format!("note \"{text}\""),
        Entry::Decision { question, answer, .. } => format!("decide \"{question}\": {answer}"),
        Entry::Judgement { what, title, .. } => format!("{} \"{title}\"", what.word()),
        entry => entry.request().map_or_else(|| format!("{kind} {body}"), |request| request.in_words()),
    };
    match entry.place() {
        Some(place) if place.line > 0 => format!("{what} (line {})", place.line),
        _ => what,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_for_people_may_change_and_calls_may_not() {
        let place = r#""place":{"file":"a.rhai","line":3}"#;
        let moved = r#""place":{"file":"b.rhai","line":9}"#;
        let note = |text: &str, place: &str| format!(r#"{{"n":4,{place},"text":"{text}"}}"#);
        assert!(same("note", &note("one", place), &note("two", moved)));
        let set = |value: f64, place: &str| {
            format!(
                r#"{{"n":4,"request":{{"set":{{"channel":"bias","value":{value}}}}},{place},"answer":"done"}}"#
            )
        };
        assert!(same("call", &set(0.1, place), &set(0.1, moved)));
        assert!(!same("call", &set(0.1, place), &set(0.2, place)));
        let left = |why: &str| format!(r#"{{"n":4,"step":1,"left_out":{why}}}"#);
        assert!(same("step_end", &left("\"no time\""), &left("\"no helium\"")));
        assert!(!same("step_end", &left("\"no time\""), &left("null")));
        assert!(!same("note", "not json", "{}"));
    }

    #[test]
    fn a_row_is_told_as_a_call_with_its_line() {
        let body = r#"{"n":4,"request":{"set":{"channel":"bias","value":0.1}},"place":{"file":"a","line":3},"answer":"done"}"#;
        assert_eq!(describe("call", body), "set(channel: bias, value: 0.1) (line 3)");
    }
}
