//! JSON schemas for bench and world files.
//!
//! The files are RON. In the schemas a struct is an object of its fields, a text with a unit a string, and
//! a labelled value like `Withdraw(…)` the object of its fields.

use crate::bench::{Role, TaskKind};
use crate::document::{Node, Text};
use crate::quantity::known_symbols;
use noctule_sim::world::World;
use serde_json::{Map, Value, json};

const DIALECT: &str = "https://json-schema.org/draft/2020-12/schema";

/// The schema of bench files.
pub fn bench_schema() -> Value {
    let text = json!({ "type": "string" });
    let condition = json!({ "type": "string", "description": "a comparison of channels and values, like helium_level < 4 L" });
    let action = json!({ "enum": ["Warn", "Hold", "Withdraw", "Refill", "Park", "ParkLatch"] });
    let units: Vec<&str> = known_symbols().collect();
    let step = json!({ "type": "object", "description": "Withdraw(within), Set(channel, to, within) or Keep(channel)",
        "properties": { "within": quantity("a time"), "channel": text, "to": quantity("a value of the channel") },
        "additionalProperties": false });
    let steps = json!({ "type": "array", "items": step });
    json!({
        "$schema": DIALECT,
        "title": "bench file",
        "type": "object",
        "required": ["name", "links", "channels", "park"],
        "additionalProperties": false,
        "properties": {
            "name": text,
            "links": { "type": "object", "additionalProperties": link() },
            "tasks": { "type": "string", "description": "the link that approaches, withdraws, scans" },
            "lockin": object(&[("time_constant", quantity("a time")), ("order", json!({ "type": "integer", "minimum": 1, "maximum": 4 })), ("settle", quantity("a part"))], &[]),
            "hold_patience": quantity("a time"), "park_patience": quantity("a time"),
            "retry": retry(),
            "look": object(&[("every", quantity("a time")), ("others", quantity("a time")), ("if_changed", json!({ "enum": ["Restore", "Hold", "Park"] }))], &[]),
            "pulse": object(&[("max", quantity("a voltage")), ("longest", quantity("a time"))], &["max", "longest"]),
            "record_every": quantity("a time"),
            "time_zone": text,
            "channels": { "type": "array", "items": channel(&units) },
            "permits": { "type": "array", "items": object(&[("name", text.clone()), ("set", text.clone()), ("task", json!({ "enum": task_names() })), ("above", quantity("a value of the channel")), ("when", condition.clone()), ("because", text.clone())], &["name", "when"]) },
            "interlocks": { "type": "array", "items": object(&[
                ("name", text.clone()), ("trip", condition.clone()), ("clear", condition.clone()), ("only_while", condition.clone()), ("patience", quantity("a time")), ("blind", action.clone()),
                ("lasting", quantity("a time")), ("every", quantity("a time")),
                ("action", action), ("because", text.clone()),
            ], &["name", "trip", "action"]) },
            "park": steps,
            "hold": steps,
            "refill": object(&[("steps", steps.clone()), ("resume_when", condition)], &[]),
            "recentre": object(&[("channel", text.clone()), ("span", quantity("a length")), ("points", json!({ "type": "integer", "minimum": 3, "maximum": 9 })), ("search", quantity("a length"))], &[]),
            "helium": object(&[("volume", quantity("a volume")), ("refill_mark", quantity("a volume"))], &["volume", "refill_mark"]),
            "keeper": object(&[("patience", quantity("a time")), ("park_if_lost", json!({ "type": "boolean" }))], &[]),
            "queue_goes_on": { "type": "boolean" },
            "live_words_beyond_loopback": { "type": "boolean" },
            "known_spins": { "type": "array", "items": known_spin() },
            "messages": { "type": "array", "items": object(&[("on", events()), ("to", texts()), ("at_most_every", quantity("a time"))], &["on", "to"]) },
        },
    })
}

fn events() -> Value {
    let names: Vec<&str> = crate::bench::EVENTS.iter().map(|(name, _)| *name).collect();
    json!({ "type": "array", "minItems": 1, "items": { "enum": names } })
}

fn texts() -> Value {
    json!({ "type": "array", "items": { "type": "string" } })
}

fn task_names() -> Vec<&'static str> {
    TaskKind::ALL.iter().map(|kind| kind.name()).collect()
}

fn quantity(what: &str) -> Value {
    json!({ "type": "string", "description": format!("{what} as text with its unit, like \"5 mV\"") })
}

fn object(properties: &[(&str, Value)], required: &[&str]) -> Value {
    let properties: Map<String, Value> =
        properties.iter().map(|(name, value)| ((*name).to_owned(), value.clone())).collect();
    json!({ "type": "object", "properties": properties, "required": required, "additionalProperties": false })
}

fn known_spin() -> Value {
    let pair = |item: Value| json!({ "type": "array", "items": item, "minItems": 2, "maxItems": 2 });
    object(
        &[
            ("name", json!({ "type": "string" })),
            ("steps", json!({ "type": "array", "items": pair(quantity("a voltage, and its spread")) })),
            ("height", pair(quantity("a length, and its spread"))),
            ("moment", pair(quantity("a moment in Bohr magnetons, and its spread"))),
            ("abundance", quantity("a pure number")),
        ],
        &["name"],
    )
}

fn retry() -> Value {
    let attempts = json!({ "type": "integer", "minimum": 1, "maximum": 20 });
    let time = || quantity("a time");
    object(&[("attempts", attempts), ("pause", time()), ("busy", time()), ("patience", time())], &[])
}

fn link() -> Value {
    let text = json!({ "type": "string" });
    let timeout = quantity("a time");
    let starts: Map<String, Value> = task_names().iter().map(|n| ((*n).to_owned(), text.clone())).collect();
    let tasks = object(
        &[
            ("start", json!({ "type": "object", "properties": starts, "additionalProperties": false })),
            ("busy", text.clone()),
            ("report", text.clone()),
            ("data", text.clone()),
            ("abort", text.clone()),
        ],
        &["start", "busy", "report", "data", "abort"],
    );
    json!({ "oneOf": [
        object(&[("world", text.clone()), ("timeout", timeout.clone()), ("retry", retry())], &["world"]),
        text_link(&text, &timeout, tasks),
        object(&[("command", texts()), ("timeout", timeout), ("retry", retry())], &["command"]),
    ] })
}

/// A link that speaks lines of text.
fn text_link(text: &Value, timeout: &Value, tasks: Value) -> Value {
    let proof = [("query", text.clone()), ("answer", text.clone()), ("every", timeout.clone())];
    let identity = object(&[("query", text.clone()), ("answer", text.clone())], &[]);
    object(
        &[
            ("address", text.clone()),
            ("timeout", timeout.clone()),
            ("terminator", text.clone()),
            ("reply_terminator", text.clone()),
            ("errors", text.clone()),
            ("passing", json!({ "type": "array", "items": { "type": "integer" } })),
            ("power_on", text.clone()),
            ("retry", retry()),
            ("greeting", texts()),
            ("farewell", texts()),
            ("identity", json!({ "oneOf": [{ "const": "Nobody" }, identity] })),
            ("marker", text.clone()),
            ("proof", object(&proof, &["query", "answer"])),
            ("acknowledge", text.clone()),
            ("silence", timeout.clone()),
            ("pause", timeout.clone()),
            ("tasks", tasks),
        ],
        &["address"],
    )
}

/// What says how a channel is worded on such a link.
fn wording() -> Vec<(&'static str, Value)> {
    let text = || json!({ "type": "string" });
    let pair = json!({ "type": "array", "items": text(), "minItems": 2, "maxItems": 2 });
    let ready = [
        ("query", text()),
        ("answer", text()),
        ("within", quantity("a time")),
        ("every", quantity("a time")),
    ];
    vec![
        ("set", text()),
        ("query", text()),
        ("field", json!({ "type": "integer", "minimum": 0 })),
        ("fields", json!({ "type": "integer", "minimum": 1 })),
        ("reply", text()),
        ("speaks", text()),
        ("scale", quantity("what a unit of the instrument stands for")),
        ("offset", quantity("what is added to its value")),
        ("table", json!({ "type": "array", "items": pair, "minItems": 2 })),
        ("words", json!({ "type": "object", "additionalProperties": text() })),
        ("list", texts()),
        ("list_from", json!({ "type": "integer" })),
        ("bit", json!({ "type": "integer", "minimum": 0, "maximum": 31 })),
        ("over_range", text()),
        ("under_range", text()),
        ("acknowledge", text()),
        ("ready", object(&ready, &["query", "answer"])),
        ("verify", object(&[("within", quantity("the largest difference")), ("query", text())], &["within"])),
    ]
}

fn channel(units: &[&str]) -> Value {
    let text = json!({ "type": "string" });
    let roles: Vec<Value> =
        Role::ALL.iter().map(|role| json!({ "const": role.name(), "description": role.meaning() })).collect();
    let mut fields = vec![
        ("name", json!({ "type": "string", "pattern": "^[a-z][a-z0-9_]*$" })),
        ("role", json!({ "oneOf": roles })),
        ("unit", json!({ "type": "string", "description": "the unit it is printed in", "examples": units })),
        ("link", text.clone()),
        ("signal", text.clone()),
        ("known_as", text),
        ("min", quantity("the smallest value")),
        ("max", quantity("the largest value")),
        ("step", quantity("the largest single step")),
        ("slew", quantity("the fastest change")),
        ("beyond_step", json!({ "enum": ["Ramp", "Refuse"] })),
        ("settle", quantity("the wait after each set")),
        ("tolerance", quantity("how near counts as arrived")),
        ("arrive_within", quantity("the longest wait for arrival")),
    ];
    fields.extend(wording());
    object(&fields, &["name", "unit", "link"])
}

/// The schema of world files: every field that a shipped world has, with its type and a value as example.
pub fn world_schema() -> Value {
    let mut schema = json!({});
    for name in World::shipped_names() {
        let text = Text::new(World::shipped_text(name).unwrap_or_default());
        if let Ok(root) = text.parse() {
            schema = merge(schema, shape(&root));
        }
    }
    if let Some(object) = schema.as_object_mut() {
        object.insert("$schema".to_owned(), json!(DIALECT));
        object.insert("title".to_owned(), json!("world file"));
    }
    schema
}

/// What a value of a shipped world looks like.
fn shape(node: &Node<'_>) -> Value {
    let source = node.source();
    if source.starts_with('"') {
        return json!({ "type": "string" });
    }
    if matches!(source, "true" | "false") {
        return json!({ "type": "boolean" });
    }
    if let Ok(number) = source.parse::<f64>() {
        return json!({ "type": "number", "examples": [number] });
    }
    let mut problems = Vec::new();
    if source.starts_with('[') {
        let items = node.items(&mut problems).iter().fold(json!({}), |all, item| merge(all, shape(item)));
        return json!({ "type": "array", "items": items });
    }
    let properties: Map<String, Value> =
        node.fields(&mut problems).rest().into_iter().map(|(name, value)| (name, shape(&value))).collect();
    json!({ "type": "object", "properties": properties, "additionalProperties": false })
}

/// Both of two shapes: fields that only some have stay.
fn merge(mut one: Value, other: Value) -> Value {
    let (Some(all), Some(more)) = (one.as_object_mut(), other.as_object()) else { return other };
    for (name, value) in more {
        match all.get_mut(name) {
            Some(known) if matches!(name.as_str(), "properties" | "items") || known.get("type").is_some() => {
                *known = merge(known.take(), value.clone());
            }
            Some(_) => {}
            None => {
                all.insert(name.clone(), value.clone());
            }
        }
    }
    one
}
