//! World files: everything a simulated microscope is made of.
//!
//! A world is a RON file in which every name ends in its unit. It is read with
//! all its faults reported at once. The shipped worlds are invented; each says so.

mod apparatus;
mod cryogenics;
mod sample;
mod section;
mod tip;

pub use apparatus::{Junction, Scanner};
pub use tip::TipLaw;

use crate::cryo::CryostatParams;
use crate::document::{Node, Problem, Text};
use crate::drift::DriftLaw;
use crate::lockin::LockinParams;
use crate::magnet::MagnetParams;
use crate::rf::{RfLine, RfSourceParams};
use crate::sample::Surface;
use crate::vacuum::ChamberParams;
use section::Section;
use std::fmt;

/// A whole microscope with its sample, as it stands when a night begins.
#[derive(Debug, Clone, PartialEq)]
pub struct World {
    /// Its name.
    pub name: String,
    /// What it is and that it is invented.
    pub note: String,
    /// What lies on the surface.
    pub surface: Surface,
    /// The tip and what may happen to it.
    pub tip: TipLaw,
    /// The junction and the current amplifier.
    pub junction: Junction,
    /// The scanner and its loop.
    pub scanner: Scanner,
    /// Drift and creep.
    pub drift: DriftLaw,
    /// The lock-in.
    pub lockin: LockinParams,
    /// The RF source.
    pub rf_source: RfSourceParams,
    /// The RF line.
    pub rf_line: RfLine,
    /// Helium bath, pot and stage.
    pub cryostat: CryostatParams,
    /// The coil for the field out of the surface.
    pub magnet_z: MagnetParams,
    /// The coil for the field in the surface.
    pub magnet_x: MagnetParams,
    /// The microscope's chamber.
    pub chamber: ChamberParams,
    /// The preparation chamber.
    pub preparation: ChamberParams,
}

/// Everything that is wrong with a world file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WorldFaults(pub Vec<Problem>);

impl fmt::Display for WorldFaults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (at, problem) in self.0.iter().enumerate() {
            if at > 0 {
                writeln!(f)?;
            }
            write!(f, "{problem}")?;
        }
        Ok(())
    }
}

impl std::error::Error for WorldFaults {}

/// Names and texts of the worlds that come with the crate.
const SHIPPED: [(&str, &str); 4] = [
    ("night", include_str!("../../worlds/night.ron")),
    ("hard", include_str!("../../worlds/hard.ron")),
    ("hyperfine", include_str!("../../worlds/hyperfine.ron")),
    ("bare", include_str!("../../worlds/bare.ron")),
];

impl World {
    /// Reads a world.
    ///
    /// ```
    /// use noctule_sim::world::World;
    /// let faults = World::read("World(name: \"x\", colour: 3)").unwrap_err();
    /// assert!(faults.to_string().contains("colour"));
    /// ```
    ///
    /// # Errors
    /// All faults of the file at once.
    pub fn read(text: &str) -> Result<Self, WorldFaults> {
        let mut problems = Vec::new();
        let text = Text::new(text);
        let root = text.parse().map_err(|problem| WorldFaults(vec![problem]))?;
        let world = Self::from_node(root, &mut problems);
        match world {
            Some(world) if problems.is_empty() => Ok(world),
            _ => {
                problems.sort_by_key(|problem| (problem.line, problem.column));
                Err(WorldFaults(problems))
            }
        }
    }

    /// One of the shipped worlds; [`World::shipped_names`] lists them.
    ///
    /// ```
    /// use noctule_sim::world::World;
    /// assert_eq!(World::shipped("night").unwrap().name, "night");
    /// assert!(World::shipped("nowhere").is_none());
    /// ```
    pub fn shipped(name: &str) -> Option<Self> {
        let text = Self::shipped_text(name)?;
        Some(Self::read(text).expect("shipped worlds are read by a test"))
    }

    /// The text of a shipped world.
    pub fn shipped_text(name: &str) -> Option<&'static str> {
        SHIPPED.iter().find(|(shipped, _)| *shipped == name).map(|(_, text)| *text)
    }

    /// Names of the shipped worlds.
    pub fn shipped_names() -> impl Iterator<Item = &'static str> {
        SHIPPED.iter().map(|(name, _)| *name)
    }

    fn from_node(root: Node<'_>, problems: &mut Vec<Problem>) -> Option<Self> {
        let mut top = Section::open(root, problems);
        let name = top.text("name");
        let note = top.text("note");
        let surface = top.need("sample").map(|node| sample::read(node, top.problems));
        let tip = top.need("tip").map(|node| tip::read(node, top.problems));
        let junction = top.need("junction").map(|node| apparatus::junction(node, top.problems));
        let scanner = top.need("scanner").map(|node| apparatus::scanner(node, top.problems));
        let drift = top.need("drift").map(|node| apparatus::drift(node, top.problems));
        let lockin = top.need("lockin").map(|node| apparatus::lockin(node, top.problems));
        let rf = top.need("rf").map(|node| apparatus::rf(node, top.problems));
        let cryostat = top.need("cryostat").map(|node| cryogenics::cryostat(node, top.problems));
        let magnet_z = top.need("magnet_z").map(|node| cryogenics::magnet(node, top.problems));
        let magnet_x = top.need("magnet_x").map(|node| cryogenics::magnet(node, top.problems));
        let chamber = top.need("chamber").map(|node| cryogenics::chamber(node, top.problems));
        let preparation = top.need("preparation").map(|node| cryogenics::chamber(node, top.problems));
        top.finish();
        let (rf_source, rf_line) = rf?;
        Some(Self {
            name,
            note,
            surface: surface?,
            tip: tip?,
            junction: junction?,
            scanner: scanner?,
            drift: drift?,
            lockin: lockin?,
            rf_source,
            rf_line,
            cryostat: cryostat?,
            magnet_z: magnet_z?,
            magnet_x: magnet_x?,
            chamber: chamber?,
            preparation: preparation?,
        })
    }
}
