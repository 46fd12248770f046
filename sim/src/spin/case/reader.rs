//! From a file to a spin system, collecting every fault on the way.

use super::Case;
use super::fields::{CASE, COUPLING, ELECTRON, NUCLEUS, TURN};
use crate::document::{Node, Problem, nearest};
use crate::spin::coupling::Coupling;
use crate::spin::fault::{SpinError, Subject};
use crate::spin::site::{Site, turn_about, turn_zyz};
use crate::spin::system::SpinSystem;
use nalgebra::{Matrix3, Rotation3, Vector3};
use noctule_ground::section::Given;

/// What becomes of fields nobody asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Unknown {
    Ignored,
    Refused,
}

/// Reads a case.
pub(super) fn read(root: Node<'_>, unknown: Unknown) -> Result<Case, Vec<Problem>> {
    let mut reader = Reader { unknown, problems: Vec::new(), ignored: Vec::new() };
    let case = reader.case(root);
    match case {
        Some((system, fields_t)) if reader.problems.is_empty() => {
            assert!(!fields_t.is_empty(), "a case has at least one field");
            Ok(Case { system, fields_t, ignored: reader.ignored })
        }
        _ => {
            assert!(!reader.problems.is_empty(), "what is not a case has a problem");
            reader.problems.sort_by_key(|problem| (problem.line, problem.column));
            Err(reader.problems)
        }
    }
}

struct Reader {
    unknown: Unknown,
    problems: Vec<Problem>,
    ignored: Vec<Problem>,
}

impl Reader {
    fn complain(&mut self, node: Node<'_>, message: impl Into<String>) {
        self.problems.push(node.problem(message, None));
    }

    fn finish(&mut self, given: Given<'_>) {
        given.finish(match self.unknown {
            Unknown::Ignored => &mut self.ignored,
            Unknown::Refused => &mut self.problems,
        });
    }

    fn case(&mut self, root: Node<'_>) -> Option<(SpinSystem, Vec<[f64; 3]>)> {
        let mut top = CASE.open(root, &mut self.problems);
        let spins = top.node("spins", &mut self.problems);
        let fields_t = top.node("B_T", &mut self.problems).and_then(|node| self.applied_fields(node));
        let couplings = top.find("couplings");
        if self.unknown == Unknown::Refused {
            self.finish(top);
        }
        let spins = spins?;
        let spin_nodes = spins.items(&mut self.problems);
        let sites: Vec<Site> = spin_nodes.iter().map(|node| self.site(*node)).collect();
        let coupling_nodes = couplings.map(|node| node.items(&mut self.problems)).unwrap_or_default();
        // A coupling that can't be read leaves the others their faults.
        let couplings: Vec<(usize, Coupling)> = coupling_nodes
            .iter()
            .enumerate()
            .filter_map(|(index, node)| Some((index, self.coupling(*node, &sites)?)))
            .collect();
        let (places, couplings): (Vec<usize>, Vec<Coupling>) = couplings.into_iter().unzip();
        match SpinSystem::new(sites, couplings) {
            Ok(system) => Some((system, fields_t?)),
            Err(SpinError::Faults(faults)) => {
                for fault in faults {
                    let node = match fault.at {
                        Subject::System => spins,
                        Subject::Site(index) => spin_nodes[index],
                        Subject::Coupling(index) => coupling_nodes[places[index]],
                    };
                    self.complain(node, fault.kind.to_string());
                }
                None
            }
            Err(other) => {
                self.complain(root, other.to_string());
                None
            }
        }
    }

    /// Reads one spin; what can't be read is complained about and left at a harmless value.
    fn site(&mut self, node: Node<'_>) -> Site {
        let mut site = Site::electron(0.5);
        let named = node.fields(&mut Vec::new()).take("type");
        let kind = named.and_then(|kind| kind.string(&mut Vec::new()));
        let section = match (kind.as_deref(), named.is_some(), node.label()) {
            (Some("e"), _, None) | (_, false, Some("Electron")) => ELECTRON,
            (Some("n"), _, None) | (_, false, Some("Nucleus")) => NUCLEUS,
            _ => {
                let at = named.unwrap_or(node);
                self.complain(at, "a spin is an electron (type \"e\") or a nucleus (type \"n\")");
                return site;
            }
        };
        let mut given = section.open(node, &mut self.problems);
        let spin = given.node("S", &mut self.problems).and_then(|node| node.number(&mut self.problems));
        if section.name == ELECTRON.name {
            site = self.electron(Site::electron(spin.unwrap_or(0.5)), &mut given);
        } else {
            let g = given.get("gN", &mut self.problems);
            site = Site::nucleus(spin.unwrap_or(0.5), g.unwrap_or(0.0));
        }
        if let Some(node) = given.find("Q_GHz") {
            if node.source().starts_with('[') {
                if let Some(q) = self.tensor(node) {
                    site = site.quadrupole_ghz(q);
                }
            } else {
                self.complain(node, "Q_GHz needs three principal values or a 3 by 3 matrix: a number alone would only shift all levels");
            }
        }
        site =
            site.named(given.get::<Option<String>>("name", &mut self.problems).flatten().unwrap_or_default());
        if let Some(field) = given.get::<Option<[f64; 3]>>("Btip_T", &mut self.problems).flatten() {
            site = site.site_field_t(field);
        }
        if let Some(turn) = given.find("turn").and_then(|node| self.turn(node)) {
            site = site.turned(turn);
        }
        self.finish(given);
        site
    }

    fn electron(&mut self, mut site: Site, given: &mut Given<'_>) -> Site {
        if let Some(g) = given.node("g", &mut self.problems).and_then(|node| self.tensor(node)) {
            site = site.g_tensor(g);
        }
        let [d_ghz, e_ghz] =
            ["D_GHz", "E_GHz"].map(|name| given.get(name, &mut self.problems).unwrap_or(0.0));
        let terms: [Option<f64>; 2] = ["F4_GHz", "F_GHz"].map(|name| given.get(name, &mut self.problems));
        if let [Some(_), Some(_)] = terms {
            let again = given.at("F_GHz");
            self.complain(again, "`F_GHz` and `F4_GHz` are the same term: give one of them");
        }
        site.anisotropy_ghz(d_ghz, e_ghz).quartic_ghz(terms[0].or(terms[1]).unwrap_or(0.0))
    }

    fn coupling(&mut self, node: Node<'_>, sites: &[Site]) -> Option<Coupling> {
        let mut given = COUPLING.open(node, &mut self.problems);
        let pair = given.node("pair", &mut self.problems).and_then(|node| self.pair(node, sites));
        let kind = given.find("kind");
        let (tensor, distance) = (given.find("T_GHz"), given.find("r_nm"));
        let turn = given.find("turn").map(|node| self.turn(node));
        let named = kind.map(|node| node.string(&mut Vec::new()).unwrap_or_default());
        let by_distance = match named.as_deref() {
            Some("dipole") => Some(true),
            Some("tensor_diag" | "tensor" | "isotropic") => Some(false),
            None if tensor.is_some() != distance.is_some() => Some(distance.is_some()),
            None => {
                self.complain(node, "a coupling has either `T_GHz` (a tensor) or `r_nm` (dipolar)");
                None
            }
            Some(_) => {
                let at = given.at("kind");
                self.complain(at, "the kinds are \"tensor_diag\", \"tensor\", \"isotropic\" and \"dipole\"");
                None
            }
        };
        let from_to: Option<[f64; 3]> = match by_distance {
            Some(true) => given.get("r_nm", &mut self.problems),
            _ => None,
        };
        self.finish(given);
        let missing = |name: &str| format!("the field `{name}` is missing");
        let complaint = match (by_distance?, tensor, distance) {
            (true, None, Some(_)) => {
                if turn.is_some() {
                    self.complain(node, "`turn` does not belong to a dipolar coupling");
                }
                return Some(Coupling::dipole(pair?, from_to?));
            }
            (false, Some(tensor), None) => {
                let tensor = self.tensor(tensor)?;
                let turn = turn.unwrap_or(Some(Rotation3::identity()))?;
                return Some(Coupling::turned(pair?, tensor, turn));
            }
            (dipolar, Some(_), Some(_)) => {
                let extra = if dipolar { "T_GHz" } else { "r_nm" };
                format!("`{extra}` does not belong to this kind of coupling")
            }
            (true, ..) => missing("r_nm"),
            (false, ..) => missing("T_GHz"),
        };
        self.complain(node, complaint);
        None
    }

    fn pair(&mut self, node: Node<'_>, sites: &[Site]) -> Option<[usize; 2]> {
        let items = node.items(&mut self.problems);
        let [first, second] = items.as_slice() else {
            self.complain(node, "a pair names two spins");
            return None;
        };
        let (first, second) = (self.spin_index(*first, sites), self.spin_index(*second, sites));
        Some([first?, second?])
    }

    fn spin_index(&mut self, node: Node<'_>, sites: &[Site]) -> Option<usize> {
        if let Some(number) = node.number(&mut Vec::new())
            && (0.0..1e9).contains(&number)
            && number.fract() == 0.0
        {
            return Some(number as usize);
        }
        let Some(name) = node.string(&mut Vec::new()) else {
            self.complain(node, "a spin is named by its index from 0 or by its name");
            return None;
        };
        let found = sites.iter().position(|site| site.name == name && !name.is_empty());
        if found.is_none() {
            let help = nearest(&name, sites.iter().map(|site| site.name.as_str()));
            let help = help.map(|near| format!("did you mean `{near}`?"));
            self.problems.push(node.problem(format!("no spin is named `{name}`"), help));
        }
        found
    }

    fn applied_fields(&mut self, node: Node<'_>) -> Option<Vec<[f64; 3]>> {
        let items = node.items(&mut self.problems);
        if items.first().is_some_and(|item| item.source().starts_with('[')) {
            let fields: Vec<_> = items.into_iter().map(|item| self.vector(item)).collect();
            return fields.into_iter().collect();
        }
        (node.source().starts_with('[')).then(|| self.vector(node))?.map(|field| vec![field])
    }

    fn vector(&mut self, node: Node<'_>) -> Option<[f64; 3]> {
        let items = node.items(&mut self.problems);
        if items.len() != 3 {
            if node.source().starts_with('[') {
                self.complain(node, "a list of three numbers is expected here");
            }
            return None;
        }
        let numbers: Vec<_> = items.into_iter().map(|item| item.number(&mut self.problems)).collect();
        Some([numbers[0]?, numbers[1]?, numbers[2]?])
    }

    /// A number (isotropic), three principal values, or three rows of three.
    fn tensor(&mut self, node: Node<'_>) -> Option<Matrix3<f64>> {
        if let Some(number) = node.number(&mut Vec::new()) {
            return Some(Matrix3::identity() * number);
        }
        let items = node.items(&mut Vec::new());
        if items.len() != 3 {
            self.complain(node, "a number, a list of three or a 3 by 3 matrix is expected here");
            return None;
        }
        if items.iter().all(|item| item.source().starts_with('[')) {
            let rows: Vec<_> = items.into_iter().map(|item| self.vector(item)).collect();
            let rows = [rows[0]?, rows[1]?, rows[2]?];
            return Some(Matrix3::from_fn(|i, j| rows[i][j]));
        }
        self.vector(node).map(|values| Matrix3::from_diagonal(&Vector3::from(values)))
    }

    fn turn(&mut self, node: Node<'_>) -> Option<Rotation3<f64>> {
        let mut given = TURN.open(node, &mut self.problems);
        let axis: Option<[f64; 3]> = given.get("axis", &mut self.problems);
        let angle: Option<f64> = given.get("angle_deg", &mut self.problems);
        let angles: Option<[f64; 3]> = given.get("zyz_deg", &mut self.problems);
        let turn = match ["axis", "angle_deg", "zyz_deg"].map(|name| given.find(name).is_some()) {
            [true, true, false] => axis.zip(angle).and_then(|(axis, angle)| {
                let turn = turn_about(axis, angle.to_radians());
                if turn.is_none() {
                    let at = given.at("axis");
                    self.complain(at, "the axis has no direction");
                }
                turn
            }),
            [false, false, true] => {
                angles.map(|[a, b, c]| turn_zyz(a.to_radians(), b.to_radians(), c.to_radians()))
            }
            _ => {
                self.complain(node, "a turn has `axis` and `angle_deg`, or `zyz_deg`");
                None
            }
        };
        self.finish(given);
        turn
    }
}
