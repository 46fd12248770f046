//! World files: everything a simulated microscope is made of.
//!
//! A world is a RON file in which every name ends in its unit. It is read with
//! all its faults reported at once. The shipped worlds are invented; each says so.
//!
//! A world that differs from a shipped one in a few values says `starts_from: "night"`
//! and gives only those; a list that it gives replaces the whole list.

mod apparatus;
mod drawn;
mod sample;
mod tip;

pub use apparatus::{Junction, Scanner};
pub use tip::TipLaw;

use crate::cryo::CryostatParams;
use crate::document::{Node, Problem, Text, nearest};
use crate::drift::DriftLaw;
use crate::lockin::LockinParams;
use crate::magnet::MagnetParams;
use crate::microscope::Effects;
use crate::rf::{Rf, RfLine, RfSourceParams};
use crate::sample::Surface;
use crate::vacuum::ChamberParams;
use noctule_ground::fields;
use noctule_ground::section::{Described, Kind};
use std::fmt;

/// A whole microscope with its sample, as it stands when a night begins.
#[derive(Debug, Clone, PartialEq)]
pub struct World {
    /// Its name.
    pub name: String,
    /// What it is and that it is invented.
    pub note: String,
    /// What it is for, in one line; empty if nobody said so.
    pub purpose: String,
    /// What a perfect night would find in it; empty if nobody said so.
    pub perfect_night: String,
    /// What makes nights hard.
    pub effects: Effects,
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
const SHIPPED: [(&str, &str); 13] = [
    ("night", include_str!("../../worlds/night.ron")),
    ("hard", include_str!("../../worlds/hard.ron")),
    ("hyperfine", include_str!("../../worlds/hyperfine.ron")),
    ("bare", include_str!("../../worlds/bare.ron")),
    ("blind", include_str!("../../worlds/blind.ron")),
    ("fickle", include_str!("../../worlds/fickle.ron")),
    ("wander", include_str!("../../worlds/wander.ron")),
    ("edge", include_str!("../../worlds/edge.ron")),
    ("dry", include_str!("../../worlds/dry.ron")),
    ("sparse", include_str!("../../worlds/sparse.ron")),
    ("stranger", include_str!("../../worlds/stranger.ron")),
    ("rough", include_str!("../../worlds/rough.ron")),
    ("weekend", include_str!("../../worlds/weekend.ron")),
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
        let under = start(root, &mut problems).map(Text::new);
        let root = match &under {
            Some(under) => root.over(under.parse().map_err(|problem| WorldFaults(vec![problem]))?),
            None => root,
        };
        if !problems.is_empty() {
            return Err(WorldFaults(problems));
        }
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

    /// The text of a world in which everything that nobody knows exactly is drawn round what stands in this one.
    ///
    /// ```
    /// use noctule_sim::world::World;
    /// let text = World::drawn_text(World::shipped_text("night").unwrap(), 7);
    /// let drawn = World::read(&text).unwrap();
    /// assert_ne!(drawn.surface, World::shipped("night").unwrap().surface);
    /// assert_eq!(drawn, World::read(&text).unwrap());
    /// ```
    pub fn drawn_text(text: &str, seed: u32) -> String {
        let begins = text.find("\nWorld(").map_or(0, |at| at + 1);
        let after = begins + text[begins..].find('(').map_or(0, |at| at + 1);
        format!("{}\n    drawn: {seed},{}", &text[..after], &text[after..])
    }

    /// Names of the shipped worlds.
    pub fn shipped_names() -> impl Iterator<Item = &'static str> {
        SHIPPED.iter().map(|(name, _)| *name)
    }

    fn from_node(root: Node<'_>, problems: &mut Vec<Problem>) -> Option<Self> {
        let mut top = WORLD.open(root, problems);
        let (name, note) = (top.get("name", problems), top.get("note", problems));
        let (purpose, perfect_night) = (top.get("purpose", problems), top.get("perfect_night", problems));
        let drawn = top.get::<u32>("drawn", problems);
        let effects = top.get("effects", problems);
        let surface = top.node("sample", problems).and_then(|node| sample::read(node, problems));
        let (tip, junction) = (top.get("tip", problems), top.get("junction", problems));
        let (scanner, drift) = (top.get("scanner", problems), top.get("drift", problems));
        let (lockin, rf) = (top.get("lockin", problems), top.get::<Rf>("rf", problems));
        let cryostat = top.get("cryostat", problems);
        let (magnet_z, magnet_x) = (top.get("magnet_z", problems), top.get("magnet_x", problems));
        let (chamber, preparation) = (top.get("chamber", problems), top.get("preparation", problems));
        top.finish(problems);
        let Rf { source: rf_source, line: rf_line } = rf?;
        let mut world = Self {
            name: name?,
            note: note?,
            purpose: purpose?,
            perfect_night: perfect_night?,
            effects: effects?,
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
        };
        drawn::draw(&mut world, drawn?);
        Some(world)
    }
}

fields! {
    /// What a world file may say.
    WORLD (pub) = "World", "Everything a simulated microscope is made of, as it stands when a night begins." {
        needed "name", Kind::Said, "Its name.";
        needed "note", Kind::Said, "What it is, and that it is invented.";
        optional "starts_from", Kind::Named(|| World::shipped_names().collect()), "A shipped world that has whatever is left out here; a list that is given replaces the whole list.";
        or "purpose" = "", Kind::Text, "What it is for, in one line.";
        or "perfect_night" = "", Kind::Text, "What a perfect night would find in it.";
        or "drawn" = "0", Kind::Whole(0, u32::MAX as u64), "A seed: whatever nobody knows exactly is drawn anew round what stands here; 0 for nothing.";
        or "effects" = "()", Effects::PART, "What makes nights hard.";
        needed "sample", Kind::Part(&[sample::SAMPLE]), "What lies on the surface.";
        needed "tip", TipLaw::PART, "The tip and what may happen to it.";
        needed "junction", Junction::PART, "The junction and the current amplifier.";
        needed "scanner", Scanner::PART, "The scanner and its loop.";
        needed "drift", DriftLaw::PART, "Drift and creep.";
        needed "lockin", LockinParams::PART, "The lock-in.";
        needed "rf", Rf::PART, "The RF source and its line.";
        needed "cryostat", CryostatParams::PART, "Helium bath, pot and stage.";
        needed "magnet_z", MagnetParams::PART, "The coil for the field out of the surface.";
        needed "magnet_x", MagnetParams::PART, "The coil for the field in the surface.";
        needed "chamber", ChamberParams::PART, "The microscope's chamber.";
        needed "preparation", ChamberParams::PART, "The preparation chamber.";
    }
}

/// The text of the world that this one starts from, if it says so. Its own name and note it has to give itself.
fn start(root: Node<'_>, problems: &mut Vec<Problem>) -> Option<&'static str> {
    let mut fields = root.fields(&mut Vec::new());
    let node = fields.take("starts_from")?;
    let name = node.string(problems)?;
    for own in ["name", "note"] {
        fields.need(own, problems);
    }
    let Some(text) = World::shipped_text(&name) else {
        let help = match nearest(&name, World::shipped_names()) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("shipped are {}", World::shipped_names().collect::<Vec<_>>().join(", ")),
        };
        problems.push(node.problem(format!("there is no shipped world `{name}` to start from"), Some(help)));
        return None;
    };
    if text.contains("starts_from:") {
        let message =
            format!("`{name}` starts from another world itself; start from one that is written out");
        problems.push(node.problem(message, None));
        return None;
    }
    Some(text)
}
