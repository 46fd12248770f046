//! Rows of the first version of the run file, in which requests and answers were texts, read as they are now.
//!
//! Such a file is read for brief, export, plots and lists. It is not gone on with.

use super::{Entry, entry};
use crate::bench::TaskKind;
use crate::quantity::Quantity;
use serde_json::{Map, Value, json};

/// The entry of a row of schema version 1.
pub(super) fn from_row(kind: &str, body: &str) -> Result<Entry, serde_json::Error> {
    let mut body: Map<String, Value> = serde_json::from_str(body)?;
    match kind {
        "call" => call(&mut body)?,
        "intent" => {
            let (verb, args) = verb_and_args(&mut body)?;
            body.insert("task".to_owned(), tagged(&verb, args));
        }
        "sweep_begin" => sweep(&mut body)?,
        "bulk" => bulk(&mut body)?,
        "interlock" => {
            let value = body.remove("value").unwrap_or_default();
            body.insert("condition".to_owned(), value);
            body.insert("cause".to_owned(), "condition".into());
        }
        "safe_step" => safe_step(&mut body),
        "operator" => {
            let word = text(&body, "word").replace(' ', "_");
            body.insert("word".to_owned(), word.into());
        }
        "fault" => {
            let what = body.remove("what").unwrap_or_default();
            body.insert("trouble".to_owned(), json!({ "told": what }));
        }
        "resumed" => {
            let told = body.remove("differences").unwrap_or_default();
            let told = told.as_array().into_iter().flatten().map(|words| json!({ "told": words }));
            let told: Vec<Value> = told.collect();
            body.insert("changes".to_owned(), told.into());
        }
        _ => {}
    }
    entry::from_row(kind, &Value::Object(body).to_string())
}

fn text(body: &Map<String, Value>, field: &str) -> String {
    body.get(field).and_then(Value::as_str).unwrap_or_default().to_owned()
}

/// The verb and its arguments, which stood as JSON within a text.
fn verb_and_args(body: &mut Map<String, Value>) -> Result<(String, Value), serde_json::Error> {
    let args = text(body, "args");
    let args = if args.is_empty() { json!({}) } else { serde_json::from_str(&args)? };
    Ok((text(body, "verb"), args))
}

/// A case of an enum with what belongs to it; a word alone where nothing does.
fn tagged(word: &str, inner: Value) -> Value {
    if inner.as_object().is_none_or(Map::is_empty) { word.into() } else { json!({ word: inner }) }
}

fn call(body: &mut Map<String, Value>) -> Result<(), serde_json::Error> {
    let (verb, mut args) = verb_and_args(body)?;
    if let Some(values) = args.get_mut("values").and_then(Value::as_array_mut) {
        for value in values {
            *value = json!([value["channel"], value["value"]]);
        }
    }
    let request = match verb.as_str() {
        "elapsed" | "time_left" | "helium_left" | "helium_outlook" => json!({ "ask": verb }),
        task if TaskKind::from_name(task).is_some() => json!({ "task": tagged(task, args) }),
        verb => tagged(verb, args),
    };
    body.insert("request".to_owned(), request);
    let answer = body.remove("answer").unwrap_or_default();
    let answer = match answer.as_object().and_then(|answer| answer.iter().next()) {
        Some((word, _)) if word == "done" => "done".into(),
        // A number that is no number had no form.
        Some((word, Value::Null)) if word == "number" => json!({ "number": f64::MAX }),
        Some((word, outlook)) if word == "outlook" => json!({ "helium_outlook": outlook }),
        _ => answer,
    };
    body.insert("answer".to_owned(), answer);
    Ok(())
}

fn sweep(body: &mut Map<String, Value>) -> Result<(), serde_json::Error> {
    let (_, mut plan) = verb_and_args(body)?;
    for axis in ["fast", "slow"] {
        if let (Some(at), Some(column)) = (plan[axis].as_object_mut(), body.remove(axis)) {
            at.insert("channel".to_owned(), column);
        }
    }
    plan["read"] = body.remove("read").unwrap_or_default();
    body.insert("plan".to_owned(), plan);
    Ok(())
}

fn bulk(body: &mut Map<String, Value>) -> Result<(), serde_json::Error> {
    let (verb, mut args) = verb_and_args(body)?;
    if let Some(args) = args.as_object_mut().filter(|args| args.contains_key("channel")) {
        let (channel, unit) = (text(body, "name"), text(body, "unit"));
        args.insert("channel".to_owned(), json!({ "channel": channel, "unit": unit, "si_unit": unit }));
    }
    let report = json!({ "achieved": body.remove("achieved"), "remark": body.remove("remark") });
    body.insert("task".to_owned(), tagged(&verb, args));
    body.insert("report".to_owned(), report);
    Ok(())
}

/// A step stood in words, which hold the channel and the values.
fn safe_step(body: &mut Map<String, Value>) {
    let (what, remark) = (text(body, "what"), text(body, "remark"));
    let column = |channel: &str, unit: &str| json!({ "channel": channel, "unit": unit, "si_unit": "" });
    let quantity = |words: &str| words.parse::<Quantity>().ok().map(|quantity| quantity.si);
    let unit = |words: &str| words.split_once(' ').map_or(String::new(), |(_, unit)| unit.to_owned());
    let kept = what.strip_prefix("leave ").and_then(|rest| rest.strip_suffix(" as it is"));
    let set = what.rsplit_once(" to ").and_then(|(channel, to)| Some((channel, to, quantity(to)?)));
    let readings = ["it was last at ", "it reads ", "reads "];
    let said = readings.iter().find_map(|start| Some((*start, remark.strip_prefix(start)?)));
    let step = match (what.as_str(), kept, set) {
        ("end the running task", ..) => "abort".into(),
        ("withdraw the tip", ..) => "withdraw".into(),
        ("approach the tip", ..) => "approach".into(),
        (_, Some(channel), _) => {
            json!({ "keep": column(channel, &said.map_or(String::new(), |(_, words)| unit(words))) })
        }
        (_, _, Some((channel, to, value))) => json!({ "set": [column(channel, &unit(to)), value] }),
        _ => {
            let channel = column(what.strip_prefix("find the spot again by ").unwrap_or(&what), "");
            json!({ "centre": { "channel": channel, "reach_m": 0.0, "points": 0, "search_m": 0.0 } })
        }
    };
    let found = match said.and_then(|(start, words)| Some((start, quantity(words)?))) {
        Some(("it was last at ", value)) => json!({ "standing": value }),
        Some((_, value)) => json!({ "reads": value }),
        None if remark.is_empty() => "nothing".into(),
        None => json!({ "remark": remark }),
    };
    body.insert("step".to_owned(), step);
    body.insert("found".to_owned(), found);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Found, Place, Request, SafeAct, Word};

    #[test]
    fn words_of_the_first_version_are_read_as_what_they_meant() {
        let step = |what: &str, remark: &str| {
            let body = json!({ "during": "park", "what": what, "achieved": true, "remark": remark });
            let Ok(Entry::SafeStep { step, found, .. }) = from_row("safe_step", &body.to_string()) else {
                panic!("{what}")
            };
            (step, found)
        };
        assert_eq!(step("withdraw the tip", "reads 0"), (SafeAct::Withdraw, Found::Reads(0.0)));
        let (bias, read) = step("bias to 50 mV", "reads 50.01 mV");
        assert_eq!(
            (bias.in_words().as_str(), read.in_words(&bias).as_str()),
            ("bias to 50 mV", "reads 50.01 mV")
        );
        let (field, last) = step("leave field_z as it is", "it was last at 0.52 T");
        assert_eq!(last, Found::Standing(0.52));
        assert_eq!(last.in_words(&field), "it was last at 0.52 T");
        let (spot, _) = step("find the spot again by height", "re-centred by 24 pm and -41 pm");
        assert_eq!(spot.in_words(), "find the spot again by height");
        let word = from_row("operator", r#"{"word":"hold for refill"}"#).unwrap();
        assert_eq!(word, Entry::Operator { word: Word::HoldForRefill, by: None, goal: None, answer: None });
    }

    #[test]
    fn calls_of_the_first_version_are_read() {
        let place = json!({ "file": "a.rhai", "line": 3 });
        let call = |verb: &str, args: Value, answer: Value| {
            let body =
                json!({ "n": 4, "verb": verb, "args": args.to_string(), "place": place, "answer": answer });
            let Ok(Entry::Call { n: 4, request, place: Place { line: 3, .. }, answer }) =
                from_row("call", &body.to_string())
            else {
                panic!("{verb}")
            };
            (request, answer)
        };
        let (set, done) = call("set", json!({ "channel": "bias", "value": 0.05 }), json!({ "done": true }));
        assert_eq!(set, Request::Set { channel: "bias".to_owned(), value: 0.05 });
        assert_eq!(done, Ok(crate::record::Answer::Done));
        let report = json!({ "task": { "achieved": true, "remark": "in range" } });
        let (approach, _) = call("approach", json!({}), report);
        assert_eq!(approach.in_words(), "approach");
        let refused = json!({ "instrument": { "kind": "timed-out", "message": "no answer" } });
        assert!(call("wait", json!({ "seconds": 1.0 }), refused).1.is_err());
        assert_eq!(
            call("time_left", json!({}), json!({ "number": null })).1.unwrap(),
            crate::record::Answer::Number(f64::MAX)
        );
        assert!(from_row("call", "{}").is_err());
    }
}
