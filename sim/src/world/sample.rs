//! The sample's part of a world file: kinds, places, couplings, edges.

use super::tip::degrees;
use crate::document::{Node, Problem};
use crate::sample::{Coupling, Edge, Site, Species, Surface};
use noctule_ground::fields;
use noctule_ground::section;
use noctule_ground::section::{Described, Kind, Range, number, read_one, si};

/// More sites than a scanner's field holds are a mistake.
const SITES_MAX: usize = 1000;
/// Largest space of one coupled group; beyond it a spectrum would take for ever.
const DIMENSION_MAX: f64 = 64.0;
/// A place on the sample, in nm in a file.
const PLACE: Kind = Kind::Numbers(2, "nm", 1e-9, Range::Within(-1e4, 1e4));

fields! {
    /// The whole sample.
    SAMPLE (pub(super)) = "Sample", "What lies on the surface." {
        needed "species", Species::PARTS, "Kinds of adsorbates, one at least.";
        optional "sites", Place::PARTS, "What lies where; a thousand at most.";
        optional "couplings", Joint::PARTS, "Exchange between sites.";
        optional "edges", Rise::PARTS, "Step edges.";
    }
}

section! {
    /// One adsorbate at its place.
    #[derive(Debug)]
    struct Place = "Site" {
        /// Its name.
        name: String = Kind::Said, "name";
        /// The kind that lies there.
        species: String = Kind::Said, "species";
        /// Where it lies in the sample's frame (x, y).
        at_m: [f64; 2] = PLACE, "at_nm";
    }
}

section! {
    /// Exchange between two sites; their dipoles follow from the places.
    #[derive(Debug)]
    struct Joint = "Coupling" {
        /// Name of one site.
        from: String = Kind::Said, "from";
        /// Name of the other.
        to: String = Kind::Said, "to";
        /// J of +J S1·S2.
        exchange_ghz: f64 = si("GHz", Range::Within(-1e5, 1e5)), "exchange_ghz";
    }
}

section! {
    /// A step edge.
    #[derive(Debug)]
    struct Rise = "Edge" {
        /// A point on the edge (x, y).
        at_m: [f64; 2] = PLACE, "at_nm";
        /// Direction of the upper terrace, from x towards y.
        uphill: f64 = degrees(Range::Within(-360.0, 360.0)), "uphill_deg";
        /// Height.
        height_m: f64 = number("nm", 1e-9, Range::Within(-5.0, 5.0)), "height_nm";
        /// Width over which a tip sees it rise.
        width_m: f64 = number("nm", 1e-9, Range::Positive), "width_nm";
    }
}

pub(super) fn read(node: Node<'_>, problems: &mut Vec<Problem>) -> Option<Surface> {
    let before = problems.len();
    let mut sample = SAMPLE.open(node, problems);
    let mut list = |name, problems: &mut Vec<Problem>| {
        sample.node(name, problems).map(|node| node.items(problems)).unwrap_or_default()
    };
    let [kinds, places, joints, edges] =
        ["species", "sites", "couplings", "edges"].map(|name| list(name, problems));
    if kinds.is_empty() {
        problems.push(node.problem("a sample needs at least one entry in `species`", None));
    }
    if places.len() > SITES_MAX {
        let message = format!("a sample may have {SITES_MAX} sites at most, not {}", places.len());
        problems.push(node.problem(message, None));
    }
    sample.finish(problems);
    let names = names_of(&kinds, problems);
    let species: Vec<Species> = kinds.into_iter().filter_map(|kind| read_one(kind, problems)).collect();
    let spots = names_of(&places, problems);
    let sites =
        places.into_iter().take(SITES_MAX).filter_map(|place| site(place, &names, problems)).collect();
    let couplings = joints.into_iter().filter_map(|joint| coupling(joint, &spots, problems)).collect();
    let edges = edges.into_iter().filter_map(|edge| read_one(edge, problems)).map(Rise::edge).collect();
    let surface = Surface { species, sites, couplings, edges };
    // Of a sample that lacks something nobody can say which sites are coupled.
    if problems.len() > before {
        return None;
    }
    check_groups(node, &surface, problems);
    Some(surface)
}

/// The names of some structs, also of those that have other faults: what asks for one of these finds it.
fn names_of(nodes: &[Node<'_>], problems: &mut Vec<Problem>) -> Vec<String> {
    let mut names = Vec::new();
    for node in nodes {
        let named = node.fields(&mut Vec::new()).take("name").and_then(|name| name.string(&mut Vec::new()));
        let name = named.unwrap_or_default();
        if !name.is_empty() && names.contains(&name) {
            problems.push(node.problem(format!("the name `{name}` is used twice"), None));
        }
        names.push(name);
    }
    names
}

fn site(node: Node<'_>, kinds: &[String], problems: &mut Vec<Problem>) -> Option<Site> {
    let Place { name, species: kind, at_m } = read_one(node, problems)?;
    let species = kinds.iter().position(|known| *known == kind);
    if species.is_none() {
        let message = format!("the site `{name}` names the species `{kind}`, which is not listed");
        problems.push(node.problem(message, None));
    }
    Some(Site { name, species: species?, at_m, present: true })
}

fn coupling(node: Node<'_>, sites: &[String], problems: &mut Vec<Problem>) -> Option<Coupling> {
    let Joint { from, to, exchange_ghz } = read_one(node, problems)?;
    if from == to {
        problems.push(node.problem(format!("the site `{from}` is coupled to itself"), None));
        return None;
    }
    let [from, to] = [from, to].map(|name| {
        let found = sites.iter().position(|site| *site == name);
        if found.is_none() {
            let message = format!("a coupling names the site `{name}`, which is not listed");
            problems.push(node.problem(message, None));
        }
        found
    });
    Some(Coupling { sites: [from?, to?], exchange_ghz })
}

impl Rise {
    fn edge(self) -> Edge {
        let Self { at_m, uphill, height_m, width_m } = self;
        Edge { at_m, normal: [uphill.cos(), uphill.sin()], height_m, width_m }
    }
}

fn check_groups(node: Node<'_>, surface: &Surface, problems: &mut Vec<Problem>) {
    for (index, site) in surface.sites.iter().enumerate() {
        let group = surface.cluster(index);
        if group.iter().any(|&member| member < index) || surface.species.is_empty() {
            continue;
        }
        let dimension: f64 = group
            .iter()
            .map(|&member| surface.species_of(member))
            .map(|kind| (2.0 * kind.spin + 1.0) * (2.0 * kind.nuclear_spin + 1.0))
            .product();
        if dimension > DIMENSION_MAX {
            let message = format!(
                "the group coupled to `{}` has {dimension} states; {DIMENSION_MAX} are the limit",
                site.name
            );
            problems.push(node.problem(message, Some("couple fewer sites".to_owned())));
        }
    }
}
