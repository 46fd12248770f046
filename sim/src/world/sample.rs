//! The sample's part of a world file: kinds, places, couplings, edges.

use super::apparatus::steps;
use super::section::{Range, Section};
use crate::document::{Node, Problem};
use crate::sample::{Coupling, Edge, Relaxation, Site, Species, Surface};

/// More sites than a scanner's field holds are a mistake.
const SITES_MAX: usize = 1000;
/// Largest space of one coupled group; beyond it a spectrum would take for ever.
const DIMENSION_MAX: f64 = 64.0;

pub(super) fn read(node: Node<'_>, problems: &mut Vec<Problem>) -> Surface {
    let mut sample = Section::open(node, problems);
    let kinds = sample.list("species");
    let places = sample.list("sites");
    let joints = sample.list("couplings");
    let edges = sample.list("edges");
    if kinds.is_empty() {
        sample.complain("a sample needs at least one entry in `species`");
    }
    if places.len() > SITES_MAX {
        sample.complain(format!("a sample may have {SITES_MAX} sites at most, not {}", places.len()));
    }
    sample.finish();
    let mut surface =
        Surface { species: Vec::new(), sites: Vec::new(), couplings: Vec::new(), edges: Vec::new() };
    for kind in kinds {
        let read = species(kind, problems);
        unique(&surface.species, |known| known.name == read.name, kind, &read.name, problems);
        surface.species.push(read);
    }
    for place in places.into_iter().take(SITES_MAX) {
        let read = site(place, &surface.species, problems);
        unique(&surface.sites, |known| known.name == read.name, place, &read.name, problems);
        surface.sites.push(read);
    }
    for joint in joints {
        surface.couplings.extend(coupling(joint, &surface.sites, problems));
    }
    surface.edges = edges.into_iter().map(|node| edge(node, problems)).collect();
    check_groups(node, &surface, problems);
    surface
}

fn unique<T>(
    known: &[T],
    same: impl Fn(&T) -> bool,
    node: Node<'_>,
    name: &str,
    problems: &mut Vec<Problem>,
) {
    if known.iter().any(same) {
        problems.push(node.problem(format!("the name `{name}` is used twice"), None));
    }
}

fn species(node: Node<'_>, problems: &mut Vec<Problem>) -> Species {
    let mut kind = Section::open(node, problems);
    let name = kind.text("name");
    let spin = half_whole(&mut kind, "spin", 8.0);
    let magnetic = spin > 0.0;
    let one = if magnetic { Range::Positive } else { Range::NotNegative };
    let read = Species {
        name,
        height_m: kind.scaled("height_nm", Range::Within(-5.0, 5.0), 1e-9),
        width_m: kind.scaled("width_nm", Range::Positive, 1e-9),
        movable: kind.flag("movable"),
        spin,
        g: kind.numbers_or("g", Range::Within(-20.0, 20.0), [0.0; 3]),
        axial_ghz: kind.number_or("axial_ghz", Range::Any, 0.0),
        rhombic_ghz: kind.number_or("rhombic_ghz", Range::Any, 0.0),
        nuclear_spin: half_whole(&mut kind, "nuclear_spin", 8.0),
        nuclear_g: kind.number_or("nuclear_g", Range::Within(-10.0, 10.0), 0.0),
        hyperfine_ghz: kind
            .numbers_or("hyperfine_mhz", Range::Within(-1e5, 1e5), [0.0; 3])
            .map(|mhz| mhz * 1e-3),
        relaxation: Relaxation {
            t1_s: kind.number_or("t1_ns", one, 1.0) * 1e-9,
            t2_s: kind.number_or("t2_ns", one, 1.0) * 1e-9,
            dephasing_per_electron: kind.number_or("dephasing_per_electron", Range::NotNegative, 0.0),
            rabi_rad_s_v: kind.number_or("rabi_rad_us_mv", Range::NotNegative, 0.0) * 1e9,
            asymmetry: kind.number_or("asymmetry", Range::Within(-10.0, 10.0), 0.0),
            readout: kind.number_or("readout", Range::Fraction, 0.0),
        },
        steps: {
            let nodes = kind.list("steps");
            steps(nodes, kind.problems)
        },
    };
    if read.relaxation.t2_s > 2.0 * read.relaxation.t1_s * (1.0 + 1e-12) {
        kind.complain("`t2_ns` must be at most twice `t1_ns`");
    }
    if magnetic && read.g == [0.0; 3] {
        kind.complain("a species with a spin needs `g`, three numbers");
    }
    kind.finish();
    read
}

/// A spin: a whole multiple of one half.
fn half_whole(section: &mut Section<'_, '_>, name: &'static str, most: f64) -> f64 {
    let spin = section.number_or(name, Range::Within(0.0, most), 0.0);
    if (2.0 * spin).fract() != 0.0 {
        section.complain(format!("`{name}` must be a multiple of 1/2, not {spin}"));
        return 0.0;
    }
    spin
}

fn site(node: Node<'_>, kinds: &[Species], problems: &mut Vec<Problem>) -> Site {
    let mut place = Section::open(node, problems);
    let name = place.text("name");
    let kind = place.text("species");
    let at_m = place.numbers("at_nm", Range::Within(-1e4, 1e4), 1e-9);
    let species = kinds.iter().position(|known| known.name == kind);
    if species.is_none() && !kind.is_empty() {
        place.complain(format!("the site `{name}` names the species `{kind}`, which is not listed"));
    }
    place.finish();
    Site { name, species: species.unwrap_or(0), at_m, present: true }
}

fn coupling(node: Node<'_>, sites: &[Site], problems: &mut Vec<Problem>) -> Option<Coupling> {
    let mut joint = Section::open(node, problems);
    let names = [joint.text("from"), joint.text("to")];
    let exchange_ghz = joint.number("exchange_ghz", Range::Within(-1e5, 1e5));
    let found = names.clone().map(|name| sites.iter().position(|site| site.name == name));
    for (name, place) in names.iter().zip(found) {
        if place.is_none() && !name.is_empty() {
            joint.complain(format!("a coupling names the site `{name}`, which is not listed"));
        }
    }
    if names[0] == names[1] {
        joint.complain(format!("the site `{}` is coupled to itself", names[0]));
    }
    joint.finish();
    let [Some(from), Some(to)] = found else { return None };
    (from != to).then_some(Coupling { sites: [from, to], exchange_ghz })
}

fn edge(node: Node<'_>, problems: &mut Vec<Problem>) -> Edge {
    let mut edge = Section::open(node, problems);
    let at_m = edge.numbers("at_nm", Range::Within(-1e4, 1e4), 1e-9);
    let angle = edge.scaled("uphill_deg", Range::Within(-360.0, 360.0), std::f64::consts::PI / 180.0);
    let height_m = edge.scaled("height_nm", Range::Within(-5.0, 5.0), 1e-9);
    let width_m = edge.scaled("width_nm", Range::Positive, 1e-9);
    edge.finish();
    Edge { at_m, normal: [angle.cos(), angle.sin()], height_m, width_m }
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
