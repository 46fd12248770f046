//! Levels and lines of a case, as text and as JSON.

use crate::spin::fault::SpinError;
use crate::spin::levels::{Level, STRENGTH_MIN};
use crate::spin::site::SiteKind;
use crate::spin::system::SpinSystem;
use serde::ser::{Serialize, SerializeMap, Serializer};
use std::fmt;

/// What a case gives, for each field asked.
///
/// As JSON: one field gives one object (see [`ResonanceLaws`]), several give
/// `{"fields": […]}` with one such object each.
#[derive(Debug, Clone, PartialEq)]
pub struct CaseLines {
    /// One entry for each field, in the order asked.
    pub fields: Vec<ResonanceLaws>,
}

/// Levels and lines in one field; JSON fields `B_T`, `eigenvalues_GHz`, `levels`, `transitions`.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct ResonanceLaws {
    /// Applied field, T.
    #[serde(rename = "B_T")]
    pub field_t: [f64; 3],
    /// All eigenvalues, ascending, GHz.
    #[serde(rename = "eigenvalues_GHz")]
    pub eigenvalues_ghz: Vec<f64>,
    /// Levels, ascending.
    #[serde(serialize_with = "levels_as_json")]
    pub levels: Vec<Level>,
    /// Lines with strengths that add up to more than 1e-6, by lower, then upper level.
    pub transitions: Vec<Line>,
}

/// The strength of a line at one site.
#[derive(Debug, Clone, PartialEq)]
pub struct LineStrength {
    /// `S0` for an electron at site 0, `I1` for a nucleus at site 1.
    pub label: String,
    /// Σ |⟨lower|X|upper⟩|² for X = Sx, Sy, Sz.
    pub xyz: [f64; 3],
}

/// One line; JSON fields `lower_level`, `upper_level`, `f_GHz`, `strength_S0` and so on, `electron_transverse`.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Index of the lower level.
    pub lower_level: usize,
    /// Index of the upper level.
    pub upper_level: usize,
    /// Frequency, GHz.
    pub f_ghz: f64,
    /// One entry for each site.
    pub strengths: Vec<LineStrength>,
    /// Whether a drive across z turns an electron: x and y strengths of the electrons above 1e-6.
    pub electron_transverse: bool,
}

impl ResonanceLaws {
    /// Levels and lines of a system in one field, T.
    pub fn of(system: &SpinSystem, field_t: [f64; 3]) -> Result<Self, SpinError> {
        let levels = system.levels(field_t)?;
        let label = |(index, site): (usize, &crate::spin::Site)| match site.kind {
            SiteKind::Electron => format!("S{index}"),
            SiteKind::Nucleus => format!("I{index}"),
        };
        let labels: Vec<String> = system.sites().iter().enumerate().map(label).collect();
        let line = |line: crate::spin::Transition| Line {
            lower_level: line.lower,
            upper_level: line.upper,
            f_ghz: line.f_ghz,
            strengths: labels
                .iter()
                .zip(line.strengths)
                .map(|(label, xyz)| LineStrength { label: label.clone(), xyz })
                .collect(),
            electron_transverse: line.electron_transverse > STRENGTH_MIN,
        };
        Ok(Self {
            field_t,
            transitions: levels.transitions().into_iter().map(line).collect(),
            eigenvalues_ghz: levels.eigenvalues_ghz().to_vec(),
            levels: levels.levels().to_vec(),
        })
    }
}

fn levels_as_json<S: Serializer>(levels: &[Level], serializer: S) -> Result<S::Ok, S::Error> {
    #[derive(serde::Serialize)]
    struct Row {
        #[serde(rename = "E_GHz")]
        energy_ghz: f64,
        degeneracy: usize,
    }
    serializer.collect_seq(
        levels.iter().map(|level| Row { energy_ghz: level.energy_ghz, degeneracy: level.degeneracy() }),
    )
}

impl Serialize for CaseLines {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if let [only] = self.fields.as_slice() {
            return only.serialize(serializer);
        }
        let mut map = serializer.serialize_map(Some(1))?;
        map.serialize_entry("fields", &self.fields)?;
        map.end()
    }
}

impl Serialize for Line {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(serde::Serialize)]
        struct Axes {
            x: f64,
            y: f64,
            z: f64,
        }
        let mut map = serializer.serialize_map(Some(4 + self.strengths.len()))?;
        map.serialize_entry("lower_level", &self.lower_level)?;
        map.serialize_entry("upper_level", &self.upper_level)?;
        map.serialize_entry("f_GHz", &self.f_ghz)?;
        for LineStrength { label, xyz: [x, y, z] } in &self.strengths {
            map.serialize_entry(&format!("strength_{label}"), &Axes { x: *x, y: *y, z: *z })?;
        }
        map.serialize_entry("electron_transverse", &self.electron_transverse)?;
        map.end()
    }
}

impl fmt::Display for CaseLines {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, field) in self.fields.iter().enumerate() {
            if index > 0 {
                writeln!(f)?;
            }
            write!(f, "{field}")?;
        }
        Ok(())
    }
}

impl fmt::Display for ResonanceLaws {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [x, y, z] = self.field_t;
        writeln!(f, "B = ({x}, {y}, {z}) T")?;
        writeln!(f, "{:>5}  {:>20}  degeneracy", "level", "E/h (GHz)")?;
        for (index, level) in self.levels.iter().enumerate() {
            writeln!(f, "{index:>5}  {:>20.12}  {}", level.energy_ghz, level.degeneracy())?;
        }
        if self.transitions.is_empty() {
            return writeln!(f, "no lines");
        }
        write!(f, "{:>11}  {:>20}", "levels", "f (GHz)")?;
        for strength in &self.transitions[0].strengths {
            write!(f, "  {:>32}", format!("strength {} (x, y, z)", strength.label))?;
        }
        writeln!(f)?;
        for line in &self.transitions {
            let levels = format!("{} - {}", line.lower_level, line.upper_level);
            write!(f, "{levels:>11}  {:>20.12}", line.f_ghz)?;
            for LineStrength { xyz: [x, y, z], .. } in &line.strengths {
                write!(f, "  {x:>10.6} {y:>10.6} {z:>10.6}")?;
            }
            writeln!(f)?;
        }
        Ok(())
    }
}
