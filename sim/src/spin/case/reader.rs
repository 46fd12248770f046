//! From the tree to a spin system, collecting every fault on the way.

use super::Case;
use super::tree::{Item, Shape, problem_at};
use crate::document::{Problem, nearest};
use crate::spin::coupling::Coupling;
use crate::spin::fault::{SpinError, Subject};
use crate::spin::site::{Site, turn_about, turn_zyz};
use crate::spin::system::SpinSystem;
use nalgebra::{Matrix3, Rotation3, Vector3};

/// What becomes of fields nobody asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Unknown {
    Ignored,
    Refused,
}

/// Reads a case; `problems` are those found while the tree was made.
pub(super) fn read(
    text: &str,
    tree: &Item,
    problems: Vec<Problem>,
    unknown: Unknown,
) -> Result<Case, Vec<Problem>> {
    let mut reader = Reader { text, unknown, problems, ignored: Vec::new() };
    let case = reader.case(tree);
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

struct Reader<'t> {
    text: &'t str,
    unknown: Unknown,
    problems: Vec<Problem>,
    ignored: Vec<Problem>,
}

/// The fields of one object, taken one by one.
struct Fields<'i> {
    owner: &'i Item,
    label: Option<&'i str>,
    entries: Vec<(&'i str, &'i Item)>,
    known: Vec<&'static str>,
}

impl<'i> Fields<'i> {
    fn take(&mut self, name: &'static str) -> Option<&'i Item> {
        self.known.push(name);
        let at = self.entries.iter().position(|(entry, _)| *entry == name)?;
        Some(self.entries.remove(at).1)
    }
}

impl Reader<'_> {
    fn complain(&mut self, item: &Item, message: impl Into<String>) {
        self.problems.push(problem_at(self.text, item.offset, message));
    }

    /// `None` if it is not an object; a name given twice is a fault.
    fn fields<'i>(&mut self, item: &'i Item) -> Option<Fields<'i>> {
        let Shape::Fields { label, entries } = &item.shape else {
            self.expected(item, "fields with names are expected here");
            return None;
        };
        let mut seen: Vec<(&str, &Item)> = Vec::new();
        for (name, value) in entries {
            if seen.iter().any(|(other, _)| other == name) {
                self.complain(value, format!("`{name}` is given twice"));
            } else {
                seen.push((name.as_str(), value));
            }
        }
        Some(Fields { owner: item, label: label.as_deref(), entries: seen, known: Vec::new() })
    }

    fn need<'i>(&mut self, fields: &mut Fields<'i>, name: &'static str) -> Option<&'i Item> {
        let found = fields.take(name);
        if found.is_none() {
            self.complain(fields.owner, format!("the field `{name}` is missing"));
        }
        found
    }

    fn finish(&mut self, fields: Fields<'_>) {
        for (name, item) in fields.entries {
            let mut problem = problem_at(self.text, item.offset, format!("there is no field `{name}` here"));
            problem.help = match nearest(name, fields.known.iter().copied()) {
                Some(near) => Some(format!("did you mean `{near}`?")),
                None => Some(format!("known here: {}", fields.known.join(", "))),
            };
            match self.unknown {
                Unknown::Ignored => self.ignored.push(problem),
                Unknown::Refused => self.problems.push(problem),
            }
        }
    }

    fn expected(&mut self, item: &Item, message: &str) {
        if item.shape != Shape::Broken {
            self.complain(item, message);
        }
    }

    fn case(&mut self, tree: &Item) -> Option<(SpinSystem, Vec<[f64; 3]>)> {
        let mut top = self.fields(tree)?;
        let spins = self.need(&mut top, "spins");
        let fields_t = self.need(&mut top, "B_T").and_then(|item| self.applied_fields(item));
        let couplings = top.take("couplings");
        if self.unknown == Unknown::Refused {
            self.finish(top);
        }
        let spin_items = self.list(spins?)?;
        let sites: Vec<Site> = spin_items.iter().map(|item| self.site(item)).collect();
        let coupling_items = couplings.and_then(|item| self.list(item)).unwrap_or_default();
        // A coupling that can't be read leaves the others their faults.
        let couplings: Vec<(usize, Coupling)> = coupling_items
            .iter()
            .enumerate()
            .filter_map(|(index, item)| Some((index, self.coupling(item, &sites)?)))
            .collect();
        let (places, couplings): (Vec<usize>, Vec<Coupling>) = couplings.into_iter().unzip();
        match SpinSystem::new(sites, couplings) {
            Ok(system) => Some((system, fields_t?)),
            Err(SpinError::Faults(faults)) => {
                for fault in faults {
                    let item = match fault.at {
                        Subject::System => spins?,
                        Subject::Site(index) => &spin_items[index],
                        Subject::Coupling(index) => &coupling_items[places[index]],
                    };
                    self.complain(item, fault.kind.to_string());
                }
                None
            }
            Err(other) => {
                self.complain(tree, other.to_string());
                None
            }
        }
    }

    /// Reads one spin; what can't be read is complained about and left at a harmless value.
    fn site(&mut self, item: &Item) -> Site {
        let mut site = Site::electron(0.5);
        let Some(mut fields) = self.fields(item) else { return site };
        let kind = match (fields.take("type").map(|item| (item, &item.shape)), fields.label) {
            (Some((_, Shape::Text(kind))), None) if kind == "e" || kind == "n" => kind.clone(),
            (None, Some("Electron")) => "e".to_string(),
            (None, Some("Nucleus")) => "n".to_string(),
            (found, _) => {
                let at = found.map_or(item, |(item, _)| item);
                self.complain(at, "a spin is an electron (type \"e\") or a nucleus (type \"n\")");
                return site;
            }
        };
        let spin = self.need(&mut fields, "S").and_then(|item| self.number(item)).unwrap_or(0.5);
        if kind == "e" {
            site = Site::electron(spin);
            if let Some(g) = self.need(&mut fields, "g").and_then(|item| self.tensor(item)) {
                site = site.g_tensor(g);
            }
            let [d_ghz, e_ghz] = ["D_GHz", "E_GHz"].map(|name| self.number_or_zero(fields.take(name)));
            let f4_ghz = match (fields.take("F4_GHz"), fields.take("F_GHz")) {
                (Some(_), Some(again)) => {
                    self.complain(again, "`F_GHz` and `F4_GHz` are the same term: give one of them");
                    0.0
                }
                (one, other) => self.number_or_zero(one.or(other)),
            };
            site = site.anisotropy_ghz(d_ghz, e_ghz).quartic_ghz(f4_ghz);
        } else {
            let g = self.need(&mut fields, "gN").and_then(|item| self.number(item));
            site = Site::nucleus(spin, g.unwrap_or(0.0));
        }
        if let Some(q) = fields.take("Q_GHz") {
            if matches!(q.shape, Shape::Number(_)) {
                self.complain(q, "Q_GHz needs three principal values or a 3 by 3 matrix: a number alone would only shift all levels");
            } else if let Some(q) = self.tensor(q) {
                site = site.quadrupole_ghz(q);
            }
        }
        if let Some(Shape::Text(name)) = fields.take("name").map(|item| &item.shape) {
            site = site.named(name);
        }
        if let Some(field) = fields.take("Btip_T").and_then(|item| self.vector(item)) {
            site = site.site_field_t(field);
        }
        if let Some(turn) = fields.take("turn").and_then(|item| self.turn(item)) {
            site = site.turned(turn);
        }
        self.finish(fields);
        site
    }

    fn coupling(&mut self, item: &Item, sites: &[Site]) -> Option<Coupling> {
        let mut fields = self.fields(item)?;
        let pair = self.need(&mut fields, "pair").and_then(|item| self.pair(item, sites));
        let kind = fields.take("kind");
        let tensor = fields.take("T_GHz");
        let distance = fields.take("r_nm");
        let turn = fields.take("turn").map(|item| self.turn(item));
        let named = match kind.map(|item| &item.shape) {
            None => None,
            Some(Shape::Text(name)) => Some(name.as_str()),
            Some(_) => Some(""),
        };
        let by_distance = match named {
            Some("dipole") => Some(true),
            Some("tensor_diag" | "tensor" | "isotropic") => Some(false),
            None if tensor.is_some() != distance.is_some() => Some(distance.is_some()),
            None => {
                self.complain(item, "a coupling has either `T_GHz` (a tensor) or `r_nm` (dipolar)");
                None
            }
            Some(_) => {
                let at = kind.unwrap_or(item);
                self.complain(at, "the kinds are \"tensor_diag\", \"tensor\", \"isotropic\" and \"dipole\"");
                None
            }
        };
        self.finish(fields);
        let missing = |name: &str| format!("the field `{name}` is missing");
        match (by_distance?, tensor, distance) {
            (true, None, Some(r)) => {
                if turn.is_some() {
                    self.complain(item, "`turn` does not belong to a dipolar coupling");
                }
                let r = self.vector(r)?;
                Some(Coupling::dipole(pair?, r))
            }
            (false, Some(t), None) => {
                let tensor = self.tensor(t)?;
                let turn = turn.unwrap_or(Some(Rotation3::identity()))?;
                Some(Coupling::turned(pair?, tensor, turn))
            }
            (dipolar, Some(_), Some(_)) => {
                let extra = if dipolar { "T_GHz" } else { "r_nm" };
                self.complain(item, format!("`{extra}` does not belong to this kind of coupling"));
                None
            }
            (true, ..) => {
                self.complain(item, missing("r_nm"));
                None
            }
            (false, ..) => {
                self.complain(item, missing("T_GHz"));
                None
            }
        }
    }

    fn pair(&mut self, item: &Item, sites: &[Site]) -> Option<[usize; 2]> {
        let items = self.list(item)?;
        let [first, second] = items else {
            self.complain(item, "a pair names two spins");
            return None;
        };
        let (first, second) = (self.spin_index(first, sites), self.spin_index(second, sites));
        Some([first?, second?])
    }

    fn spin_index(&mut self, item: &Item, sites: &[Site]) -> Option<usize> {
        match &item.shape {
            Shape::Number(number) if *number >= 0.0 && number.fract() == 0.0 && *number < 1e9 => {
                Some(*number as usize)
            }
            Shape::Text(name) => {
                let found = sites.iter().position(|site| site.name == *name && !name.is_empty());
                if found.is_none() {
                    let mut problem =
                        problem_at(self.text, item.offset, format!("no spin is named `{name}`"));
                    problem.help = nearest(name, sites.iter().map(|site| site.name.as_str()))
                        .map(|near| format!("did you mean `{near}`?"));
                    self.problems.push(problem);
                }
                found
            }
            _ => {
                self.expected(item, "a spin is named by its index from 0 or by its name");
                None
            }
        }
    }

    fn applied_fields(&mut self, item: &Item) -> Option<Vec<[f64; 3]>> {
        match &item.shape {
            Shape::List(items) if matches!(items.first().map(|item| &item.shape), Some(Shape::List(_))) => {
                let fields: Vec<_> = items.iter().map(|item| self.vector(item)).collect();
                fields.into_iter().collect()
            }
            _ => self.vector(item).map(|field| vec![field]),
        }
    }

    fn list<'i>(&mut self, item: &'i Item) -> Option<&'i [Item]> {
        match &item.shape {
            Shape::List(items) => Some(items),
            _ => {
                self.expected(item, "a list is expected here");
                None
            }
        }
    }

    fn number(&mut self, item: &Item) -> Option<f64> {
        match item.shape {
            Shape::Number(number) => Some(number),
            _ => {
                self.expected(item, "a number is expected here");
                None
            }
        }
    }

    fn number_or_zero(&mut self, item: Option<&Item>) -> f64 {
        item.and_then(|item| self.number(item)).unwrap_or(0.0)
    }

    fn vector(&mut self, item: &Item) -> Option<[f64; 3]> {
        match &item.shape {
            Shape::List(items) if items.len() == 3 => {
                let numbers: Vec<_> = items.iter().map(|item| self.number(item)).collect();
                Some([numbers[0]?, numbers[1]?, numbers[2]?])
            }
            _ => {
                self.expected(item, "a list of three numbers is expected here");
                None
            }
        }
    }

    /// A number (isotropic), three principal values, or three rows of three.
    fn tensor(&mut self, item: &Item) -> Option<Matrix3<f64>> {
        match &item.shape {
            Shape::Number(number) => Some(Matrix3::identity() * *number),
            Shape::List(items)
                if items.len() == 3 && items.iter().all(|i| matches!(i.shape, Shape::List(_))) =>
            {
                let rows: Vec<_> = items.iter().map(|item| self.vector(item)).collect();
                let rows = [rows[0]?, rows[1]?, rows[2]?];
                Some(Matrix3::from_fn(|i, j| rows[i][j]))
            }
            Shape::List(items) if items.len() == 3 => {
                self.vector(item).map(|values| Matrix3::from_diagonal(&Vector3::from(values)))
            }
            _ => {
                self.expected(item, "a number, a list of three or a 3 by 3 matrix is expected here");
                None
            }
        }
    }

    fn turn(&mut self, item: &Item) -> Option<Rotation3<f64>> {
        let mut fields = self.fields(item)?;
        let turn = match (fields.take("axis"), fields.take("angle_deg"), fields.take("zyz_deg")) {
            (Some(axis), Some(angle), None) => {
                let (direction, angle) = (self.vector(axis), self.number(angle));
                let turn = turn_about(direction?, angle?.to_radians());
                if turn.is_none() {
                    self.complain(axis, "the axis has no direction");
                }
                turn
            }
            (None, None, Some(angles)) => {
                self.vector(angles).map(|[a, b, c]| turn_zyz(a.to_radians(), b.to_radians(), c.to_radians()))
            }
            _ => {
                self.complain(item, "a turn has `axis` and `angle_deg`, or `zyz_deg`");
                None
            }
        };
        self.finish(fields);
        turn
    }
}
