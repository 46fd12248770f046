//! JSON schemas for bench and world files, made from what their readers declare.
//!
//! The files are RON. In the schemas a struct is an object of its fields, a text with a unit a string, and
//! a labelled value like `Withdraw(…)` the object of its fields.

use crate::bench::BENCH;
use crate::instrument::simulated::WORLD;
use noctule_ground::section::{Kind, LeftOut, Range, Section};
use serde_json::{Map, Value, json};

const DIALECT: &str = "https://json-schema.org/draft/2020-12/schema";

/// The schema of bench files.
pub fn bench_schema() -> Value {
    whole(BENCH, "bench file", true)
}

/// The schema of world files. Nothing is required: a world may start from another one.
pub fn world_schema() -> Value {
    whole(WORLD, "world file", false)
}

fn whole(section: &Section, title: &str, required: bool) -> Value {
    let mut schema = object(section, required);
    schema["$schema"] = json!(DIALECT);
    schema["title"] = json!(title);
    schema
}

fn object(section: &Section, required: bool) -> Value {
    let mut properties = Map::new();
    for field in section.all() {
        let mut property = of(&field.kind, required);
        let fields = property.as_object_mut().expect("a schema is an object");
        fields.insert("description".to_owned(), json!(field.says.trim()));
        if let LeftOut::Means(default) = field.left_out {
            fields.insert("default".to_owned(), json!(default));
        }
        properties.insert(field.name.to_owned(), property);
    }
    let mut schema = json!({ "type": "object", "properties": properties, "additionalProperties": false });
    if required {
        let missed = section.all().filter(|field| field.left_out == LeftOut::Missed);
        schema["required"] = missed.map(|field| field.name).collect();
    }
    schema
}

fn of(kind: &Kind, required: bool) -> Value {
    match *kind {
        Kind::Number(_, _, range) => number(range),
        Kind::Numbers(count, _, _, range) => {
            json!({ "type": "array", "items": number(range), "minItems": count, "maxItems": count })
        }
        Kind::Whole(least, u64::MAX) => json!({ "type": "integer", "minimum": least }),
        Kind::Whole(least, most) => json!({ "type": "integer", "minimum": least, "maximum": most }),
        Kind::Flag => json!({ "type": "boolean" }),
        Kind::Text => json!({ "type": "string" }),
        Kind::Said => json!({ "type": "string", "minLength": 1 }),
        Kind::Named(names) | Kind::Word(names) => json!({ "enum": names() }),
        // A pure number may stand without quotes.
        Kind::Quantity(dimension, _) if dimension.is_none() => json!({ "type": ["string", "number"] }),
        Kind::OfChannel(_) => json!({ "type": ["string", "number"] }),
        Kind::Quantity(..) => json!({ "type": "string" }),
        Kind::Part([section]) => object(section, required),
        Kind::Part(sections) => {
            json!({ "oneOf": sections.iter().map(|section| object(section, required)).collect::<Vec<_>>() })
        }
        Kind::List(kind) => json!({ "type": "array", "items": of(kind, required) }),
        Kind::Pair(kind) => {
            json!({ "type": "array", "items": of(kind, required), "minItems": 2, "maxItems": 2 })
        }
        Kind::Map(kind) => json!({ "type": "object", "additionalProperties": of(kind, required) }),
        Kind::Free(_) => json!({}),
    }
}

fn number(range: Range) -> Value {
    match range {
        Range::Positive => json!({ "type": "number", "exclusiveMinimum": 0 }),
        Range::NotNegative => json!({ "type": "number", "minimum": 0 }),
        Range::Within(low, high) => json!({ "type": "number", "minimum": low, "maximum": high }),
        Range::Halves(most) => json!({ "type": "number", "minimum": 0, "maximum": most, "multipleOf": 0.5 }),
        Range::Any | Range::Held(..) => json!({ "type": "number" }),
    }
}
