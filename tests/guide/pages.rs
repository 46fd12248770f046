//! The guide as text and as a page, and the help for editors.

use noctule::bench::{Role, builtin_text};
use noctule::diagnostic::CODES;
use noctule::guide;
use noctule::script::registry;
use noctule_sim::document::{Node, Text};
use noctule_sim::world::World;
use serde_json::Value;

#[test]
fn everything_has_a_page() {
    let contents = guide::text(None).expect("there is a table of contents");
    for topic in guide::topics() {
        assert!(contents.contains(topic.id), "{} is not in the contents", topic.id);
        let text = guide::text(Some(topic.id)).expect("a chapter has a page");
        assert!(text.len() > 200, "{} is nearly empty", topic.id);
    }
    for verb in registry::all() {
        assert!(
            guide::text(Some(verb.name))
                .is_ok_and(|text| text.contains(verb.summary.split(' ').next().unwrap_or("")))
        );
    }
    for role in Role::ALL {
        assert!(guide::text(Some(role.name())).is_ok(), "{role}");
    }
    for entry in CODES {
        assert!(guide::text(Some(entry.text)).is_ok(), "{}", entry.text);
        assert!(guide::text(Some("codes")).is_ok_and(|text| text.contains(entry.text)));
    }
}

#[test]
fn links_between_pages_lead_somewhere() {
    let topics = guide::topics().iter().map(|t| t.id.to_owned());
    let pages = topics
        .chain(registry::all().map(|v| v.name.to_owned()))
        .chain(CODES.iter().map(|c| c.text.to_owned()));
    for page in pages {
        let text = guide::text(Some(&page)).expect("it has a page");
        // Lines may break within a reference.
        let words: Vec<&str> = text.split_whitespace().collect();
        for three in words.windows(3) {
            if three[0].ends_with("`noctule") && three[1] == "guide" && !three[2].starts_with("--") {
                let target = three[2].split('`').next().unwrap_or("");
                assert!(guide::text(Some(target)).is_ok(), "{page} sends people to `{target}`");
            }
        }
    }
}

#[test]
fn lines_fit_the_terminal() {
    for topic in guide::topics().iter().filter(|t| t.id != "run-file") {
        let text = guide::text(Some(topic.id)).expect("a chapter has a page");
        for line in text.lines().filter(|line| !line.starts_with("    ")) {
            assert!(line.chars().count() <= 88, "{}: {line}", topic.id);
        }
    }
}

#[test]
fn helium_carries_the_cautions() {
    let text = guide::text(Some("helium")).expect("there is a chapter on helium");
    let text = text.split_whitespace().filter(|word| *word != "!").collect::<Vec<_>>().join(" ");
    for word in [
        "19.5 %",
        "Cold burns",
        "Blocked vents",
        "implants",
        "Quench",
        "iron",
        "RF power",
        "not a safety device",
        "trained staff",
    ] {
        assert!(text.contains(word), "{word}");
    }
}

#[test]
fn the_page_needs_nothing_from_elsewhere() {
    let page = guide::html();
    for word in ["http://", "https://", "src=", "url(", "@import", "<script", "<link"] {
        // The schema of a run file and the chapters name no address either.
        assert!(!page.contains(word), "{word}");
    }
    for topic in guide::topics() {
        assert!(page.contains(&format!("<section id=\"{}\">", topic.id)), "{}", topic.id);
    }
    assert!(page.contains("prefers-color-scheme: dark"));
    let count = |tag: &str| page.matches(tag).count();
    for tag in [
        "section", "table", "pre", "p", "ul", "code", "aside", "h2", "h3", "li", "div", "strong", "em",
        "span",
    ] {
        let opened = count(&format!("<{tag}>")) + count(&format!("<{tag} "));
        assert_eq!(opened, count(&format!("</{tag}>")), "<{tag}>");
    }
}

#[test]
fn definitions_name_every_verb() {
    let text = guide::rhai_definitions();
    assert!(text.starts_with("module static;"));
    for verb in registry::all() {
        let count = text.matches(&format!("\nfn {}(", verb.name)).count();
        assert_eq!(count, verb.optional + 1, "{}", verb.name);
    }
}

/// Complains about fields of a RON document that a schema doesn't know.
fn compare(node: &Node<'_>, schema: &Value, path: &str, unknown: &mut Vec<String>) {
    if let Some(kinds) = schema["oneOf"].as_array() {
        let all = kinds.iter().map(|kind| {
            let mut found = Vec::new();
            compare(node, kind, path, &mut found);
            found
        });
        // What fits none of the kinds is unknown in the one that it fits best.
        unknown.extend(all.min_by_key(Vec::len).unwrap_or_default());
        return;
    }
    let mut problems = Vec::new();
    let source = node.source();
    if source.starts_with('[') {
        for item in node.items(&mut problems) {
            compare(&item, &schema["items"], &format!("{path}[]"), unknown);
        }
        return;
    }
    let has_fields = source.starts_with('{') || (source.contains('(') && !source.starts_with('"'));
    if !has_fields {
        return;
    }
    for (name, value) in node.fields(&mut problems).rest() {
        let inner = format!("{path}.{name}");
        match (&schema["properties"][&name], &schema["additionalProperties"]) {
            (Value::Null, Value::Object(_)) => {
                compare(&value, &schema["additionalProperties"], &inner, unknown)
            }
            (Value::Null, _) => unknown.push(inner),
            (known, _) => compare(&value, known, &inner, unknown),
        }
    }
}

#[test]
fn schemas_know_every_field_of_the_shipped_files() {
    let mut unknown = Vec::new();
    let bench = Text::new(builtin_text());
    let bench = bench.parse().expect("the built-in bench is read");
    compare(&bench, &guide::bench_schema(), "bench", &mut unknown);
    let start = guide::starting_point("bench").expect("there is a bench to start from");
    compare(
        &Text::new(start.text).parse().expect("it is read"),
        &guide::bench_schema(),
        "start",
        &mut unknown,
    );
    for name in World::shipped_names() {
        let text = World::shipped_text(name).expect("it is shipped");
        compare(&Text::new(text).parse().expect("it is read"), &guide::world_schema(), name, &mut unknown);
    }
    assert!(unknown.is_empty(), "{unknown:#?}");
    // A schema that knows nothing would complain about everything.
    compare(&bench, &serde_json::json!({}), "bench", &mut unknown);
    assert!(unknown.len() > 10);
}

#[test]
fn a_command_asked_for_by_name_tells_of_itself() {
    let said = crate::common::say(&["guide", "lines"]);
    assert_eq!(said.code, 0, "{}", said.stderr);
    assert!(said.stdout.contains("Usage: noctule lines"), "{}", said.stdout);
    assert_eq!(crate::common::say(&["guide", "lanes"]).code, 2);
}

#[test]
fn the_promises_in_the_papers_are_those_of_the_code_and_have_their_tests() {
    use noctule::run::faults::{PROMISES, promises_table};
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let page = std::fs::read_to_string(root.join("DEVELOPERS.md")).unwrap();
    assert!(page.contains(&promises_table()), "print it anew with `noctule nights --promises`");
    let cases = std::fs::read_to_string(root.join("tests/safety/cases.rs")).unwrap();
    for promise in PROMISES.iter().filter(|promise| promise.test != "nights") {
        let name = promise.test.strip_prefix("safety::cases::").expect("in the room of cases");
        assert!(cases.contains(&format!("fn {name}(")), "{}: there is no test `{name}`", promise.fault);
    }
}
