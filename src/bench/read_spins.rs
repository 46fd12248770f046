//! Reads the kinds of spins that a laboratory knows.

use super::read::Reader;
use super::{KnownSpin, KnownValue};
use crate::diagnostic::Code;
use crate::document::Node;
use crate::quantity::{Dimension, Quantity};
use noctule_ground::fields;
use noctule_ground::section::{Kind, Range, quantity};

/// Elementary charge, C: exact by the definition of the ampere (SI Brochure, 9th edition, 2019).
const ELEMENTARY_CHARGE_C: f64 = 1.602_176_634e-19;

/// A value with its unit, and its spread.
const PAIR: Kind = Kind::Pair(&Kind::Quantity(Dimension::NONE, Range::Any));
const STEP: Kind = Kind::Pair(&Kind::Quantity(Dimension::VOLTAGE, Range::Any));

fields! {
    SPIN (pub(super)) = "Spin", "A kind of spin. Whatever is not known says nothing; one of `steps`, `height` and `moment` is." {
        needed "name", Kind::Text, "Its name.";
        or "abundance" = "1", Kind::Quantity(Dimension::NONE, Range::Within(1e-12, 1e12)), "How common it is relative to the other kinds.";
        optional "steps", Kind::List(&STEP), "Energies of its inelastic steps, or the biases that stand for them.";
        optional "height", Kind::Pair(&Kind::Quantity(Dimension::LENGTH, Range::Any)), "Apparent height.";
        optional "moment", PAIR, "Magnetic moment of its resonance lines, Bohr magnetons.";
    }
}

pub(super) fn read_spins(node: Node<'_>, reader: &mut Reader) -> Vec<KnownSpin> {
    let mut spins: Vec<KnownSpin> = Vec::new();
    for item in node.items(reader) {
        let mut given = SPIN.open(item, reader);
        let (name, abundance): (Option<String>, _) =
            (given.get("name", reader), given.get("abundance", reader));
        let pairs = given.find("steps").map(|n| n.items(reader)).unwrap_or_default();
        let steps_v: Vec<KnownValue> =
            pairs.into_iter().filter_map(|pair| known(pair, reader, step_v)).collect();
        let height_m = given.find("height").and_then(|n| known(n, reader, height_m));
        let moment_mu_b = given.find("moment").and_then(|n| known(n, reader, moment_mu_b));
        given.finish(reader);
        let (Some(name), Some(abundance)) = (name, abundance) else { continue };
        if spins.iter().any(|spin| spin.name == name) {
            let message = format!("there are two kinds of spins named `{name}`");
            reader.report(Code::BenchName, item, message, None);
        }
        if steps_v.is_empty() && height_m.is_none() && moment_mu_b.is_none() {
            let help = Some("give it `steps`, `height` or `moment`, each value with its spread".to_owned());
            let message =
                format!("nothing is known of the kind `{name}`, so nothing can be compared with it");
            reader.report(Code::BenchField, item, message, help);
        }
        spins.push(KnownSpin { name, abundance, steps_v, height_m, moment_mu_b });
    }
    spins
}

/// What reads one value of a pair.
type Read = fn(Node<'_>, &mut Reader) -> Option<f64>;

fn height_m(node: Node<'_>, reader: &mut Reader) -> Option<f64> {
    quantity(node, Dimension::LENGTH, reader)
}

fn moment_mu_b(node: Node<'_>, reader: &mut Reader) -> Option<f64> {
    quantity(node, Dimension::NONE, reader)
}

/// A pair of a value and its spread, in a list.
fn known(node: Node<'_>, reader: &mut Reader, read: Read) -> Option<KnownValue> {
    let items = node.items(reader);
    let [value, spread] = items.as_slice() else {
        let help = Some("write a pair of a value and its spread, like [\"19 mV\", \"0.5 mV\"]".to_owned());
        reader.report(Code::BenchField, node, "a value and its spread are wanted", help);
        return None;
    };
    let (value, spread_node) = (read(*value, reader), *spread);
    let spread = read(spread_node, reader)?;
    if spread <= 0.0 {
        reader.report(Code::BenchQuantity, spread_node, "a spread is larger than zero", None);
        return None;
    }
    Some(KnownValue { value: value?, spread })
}

/// Volts of an energy of one electron, or of the bias that stands for it.
fn step_v(node: Node<'_>, reader: &mut Reader) -> Option<f64> {
    let text = node.source().trim_matches('"');
    match text.parse::<Quantity>().and_then(|q| q.expect(Dimension::ENERGY)) {
        Ok(joule) => Some(joule / ELEMENTARY_CHARGE_C),
        Err(_) => quantity(node, Dimension::VOLTAGE, reader),
    }
}

#[cfg(test)]
mod tests {
    use crate::bench::{builtin, builtin_text, read};

    #[test]
    fn the_builtin_bench_knows_kinds_of_spins() {
        let bench = builtin();
        let names: Vec<&str> = bench.known_spins.iter().map(|spin| spin.name.as_str()).collect();
        assert_eq!(names, ["adatom", "molecule", "clean pair"]);
        let step = bench.known_spins[0].steps_v[0];
        assert!((step.value - 0.019).abs() < 1e-12 && (step.spread - 0.0005).abs() < 1e-12);
        assert!((bench.known_spins[2].abundance - 0.2).abs() < 1e-12);
    }

    #[test]
    fn every_fault_of_the_list_is_found_at_once() {
        let text = builtin_text();
        let from = text.find("    known_spins: [").unwrap();
        let to = from + text[from..].find("\n    ],").unwrap();
        let faulty = "    known_spins: [\n        Spin(name: \"a\", steps: [[\"19 meV\", \"0 meV\"]]),\n        \
             Spin(name: \"b\"),\n        Spin(name: \"b\", height: [\"1 V\", \"1 nm\"]),\n        \
             Spin(name: \"c\", moment: [\"1\"], abundance: 0, colour: \"red\"),";
        let faults = read(&format!("{}{faulty}{}", &text[..from], &text[to..]), "bench.ron").unwrap_err();
        let said: Vec<&str> = faults.iter().map(|d| d.message.as_str()).collect();
        let of = |part: &str| said.iter().any(|m| m.contains(part));
        for part in [
            "spread is larger",
            "nothing is known",
            "two kinds",
            "value and its spread",
            "abundance",
            "colour",
        ] {
            assert!(of(part), "{part} in {said:?}");
        }
    }
}
