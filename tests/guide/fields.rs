//! The field reference: what it says is what the readers accept.

use noctule::guide::fields::parts;
use noctule::instrument::simulated::{World, case};
use noctule::{bench, faults, guide};
use noctule_ground::document::{Node, Text};
use noctule_ground::section::{Kind, Section};
use std::collections::BTreeSet;

/// A field of a part of a kind of file.
type Place = (&'static str, &'static str, &'static str);

/// Has everything that the shipped benches lack.
const RARE_BENCH: &str = r#"Bench(
    name: "rare",
    links: { "a": Scpi(
        address: "h:1",
        identity: Identity(),
        proof: Proof(query: "q", answer: "a"),
        tasks: Tasks(start: {}, busy: "b", report: "r", data: "d", abort: "a"),
    ), "b": Process(command: ["x"]), "c": Simulated(world: "night"), "d": Scpi(address: "h:2", identity: Nobody) },
    lockin: Lockin(), retry: Retry(), look: Look(), pulse: Pulse(max: "1 V", longest: "1 s"), tip_tests: TipTests(), guard: Guard(), pot: Pot(), keeper: Keeper(),
    channels: [
        Channel(name: "v", unit: "V", link: "a", query: "q", ready: Ready(query: "q", answer: "1"), verify: Verify(within: "1 V")),
        Channel(name: "w", unit: "V", link: "b"),
        Channel(name: "bias", unit: "V", link: "c"),
    ],
    permits: [Permit(name: "p", set: "v", when: "v > 1 V")],
    interlocks: [Interlock(name: "i", trip: "v > 1 V", action: Hold)],
    park: [Withdraw(), Set(channel: "v", to: "1 V"), Keep(channel: "v")],
    refill: Refill(), recentre: Recentre(), helium: Helium(volume: "60 L", refill_limit: "10 L"),
    messages: [(on: ["held"], to: ["x"])],
    known_spins: [Spin(name: "a", moment: ["1", "1"])],
)"#;

const CASE: &str = "(spins: [Electron(S: 0.5, g: 2.0, turn: (zyz_deg: [0, 0, 0])), Nucleus(S: 0.5, gN: 1.0)], \
                    B_T: [0.0, 0.0, 1.0], couplings: [(pair: [0, 1], T_GHz: 1.0)])";

/// What is wrong with a text.
type Read = fn(&str) -> Vec<String>;

fn messages(problems: Vec<noctule::document::Problem>) -> Vec<String> {
    problems.into_iter().map(|problem| problem.message).collect()
}

fn bench_faults(text: &str) -> Vec<String> {
    let found = bench::read(text, "bench.ron").map_or_else(|found| found, |(_, warnings)| warnings);
    found.into_iter().map(|diagnostic| diagnostic.message).collect()
}

fn files() -> Vec<(&'static str, Read, String)> {
    let world: Read = |text| World::read(text).map_or_else(|faults| messages(faults.0), |_| Vec::new());
    let rehearsal: Read = |text| {
        let bench = bench::builtin();
        faults::read(text, faults::Stage::Rehearsal(&bench)).map_or_else(messages, |_| Vec::new())
    };
    let mimic: Read =
        |text| faults::read(text, faults::Stage::Mimic(&["magnet"])).map_or_else(messages, |_| Vec::new());
    let lines: Read = |text| case::read_ron(text).map_or_else(messages, |_| Vec::new());
    let all = |other: faults::Known| {
        let kinds = faults::KINDS.iter().filter(|kind| kind.known != other);
        let list: String = kinds.map(|kind| format!("{}(at: \"1 h\"), ", kind.section.name)).collect();
        format!("Faults(faults: [{list}])")
    };
    let mut files = vec![
        ("bench file", bench_faults as Read, RARE_BENCH.to_owned()),
        ("faults file", rehearsal, all(faults::Known::Mimic)),
        ("faults file", mimic, all(faults::Known::Rehearsal)),
        ("case file of `noctule lines`", lines, CASE.to_owned()),
    ];
    files.extend(
        ["night", "rough", "hyperfine"]
            .map(|name| ("world file", world, World::shipped_text(name).unwrap().to_owned())),
    );
    files
}

/// Every struct of a file with the part that it is.
fn structs<'t>(node: Node<'t>, section: &'static Section, found: &mut Vec<(Node<'t>, &'static Section)>) {
    found.push((node, section));
    for (name, value) in node.fields(&mut Vec::new()).rest() {
        if let Some(field) = section.all().find(|field| field.name == name) {
            within(value, &field.kind, found);
        }
    }
}

fn within<'t>(node: Node<'t>, kind: &Kind, found: &mut Vec<(Node<'t>, &'static Section)>) {
    match kind {
        Kind::Part(sections) => {
            let named = sections.iter().find(|section| Some(section.name) == node.label());
            if let Some(section) = named.or_else(|| sections.first().filter(|_| sections.len() == 1)) {
                structs(node, section, found);
            }
        }
        Kind::List(kind) => node.items(&mut Vec::new()).iter().for_each(|item| within(*item, kind, found)),
        Kind::Map(kind) => {
            node.fields(&mut Vec::new()).rest().iter().for_each(|(_, item)| within(*item, kind, found));
        }
        _ => {}
    }
}

/// Every field of the guide can be written where the guide says so, and one that the guide does not have can't.
#[test]
fn the_guide_has_the_fields_that_the_readers_accept() {
    let mut accepted: BTreeSet<Place> = BTreeSet::new();
    for (file, read, text) in files() {
        let whole = Text::new(&text);
        let root = whole.parse().unwrap_or_else(|problem| panic!("{file}: {problem}"));
        let (_, section) =
            guide::fields::FILES.into_iter().find(|(name, _)| *name == file).expect("a kind of file");
        let mut found = Vec::new();
        structs(root, section, &mut found);
        for (node, section) in found {
            let Some(open) = node.source().find('(') else { continue };
            // Both are slices of one text, so the difference of addresses is the offset.
            let at = node.source().as_ptr() as usize - text.as_ptr() as usize + open + 1;
            let with = |field: &str| read(&format!("{}{field}, {}", &text[..at], &text[at..]));
            let refused = |name: &str| format!("there is no field `{name}` here");
            let given: Vec<String> =
                node.fields(&mut Vec::new()).rest().into_iter().map(|(name, _)| name).collect();
            for field in section.all() {
                let place = (file, section.name, field.name);
                if accepted.contains(&place) {
                    continue;
                }
                let is_given = given.iter().any(|name| name == field.name);
                let said = if is_given { read(&text) } else { with(&format!("{}: \"zz\"", field.name)) };
                if !said.contains(&refused(field.name)) {
                    accepted.insert(place);
                }
            }
            assert!(with("zz_zz: 1").contains(&refused("zz_zz")), "{file}: {} takes anything", section.name);
        }
    }
    let declared: BTreeSet<Place> = parts()
        .iter()
        .flat_map(|part| part.section.all().map(|field| (part.file, part.section.name, field.name)))
        .collect();
    let missing: Vec<&Place> = declared.difference(&accepted).collect();
    assert!(missing.is_empty(), "in the guide, but nowhere accepted: {missing:#?}");
    assert!(declared.len() > 300, "{}", declared.len());
}

#[test]
fn every_part_has_a_page_with_its_fields() {
    for part in parts().iter().filter(|part| !part.section.name.is_empty()) {
        let name = part.section.name;
        if noctule::script::registry::find(name).is_some() {
            continue;
        }
        let page = guide::text(Some(name)).unwrap_or_else(|near| panic!("{name}: {near:?}"));
        for field in part.section.all() {
            assert!(page.contains(field.name), "{name} lacks {}:\n{page}", field.name);
            assert!(
                !field.says.trim().is_empty() && field.says.trim().ends_with(['.', ':']),
                "{name}.{}",
                field.name
            );
        }
    }
    let links = guide::text(Some("Link")).unwrap();
    assert!(["SIMULATED", "SCPI", "PROCESS"].iter().all(|part| links.contains(part)), "{links}");
    let page = guide::text(Some("Scpi")).unwrap();
    for part in ["reply_terminator", "`50 ms`", "Longest wait for one answer", "needed"] {
        assert!(page.contains(part), "{part} in {page}");
    }
}
