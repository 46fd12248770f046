//! From the links of a bench to instruments.

use crate::bench::{Bench, Link, LinkKind};
use crate::instrument::process::Process;
use crate::instrument::scpi::Scpi;
use crate::instrument::simulated::{Microscope, World};
use crate::instrument::{Instrument, InstrumentError, Simulated};
use std::path::Path;

/// Why an instrument can't be used.
#[derive(Debug, thiserror::Error)]
pub enum ConnectError {
    /// The world of a simulated link can't be read.
    #[error("the world `{world}` of link `{link}` can't be used:\n{reason}")]
    World {
        /// The link.
        link: String,
        /// The world.
        world: String,
        /// Why.
        reason: String,
    },
    /// Nobody answers at the end of a link.
    #[error("link `{link}`: {error}")]
    Instrument {
        /// The link.
        link: String,
        /// What it said.
        error: InstrumentError,
    },
}

/// A world by the name of a shipped one, or by its path relative to the bench file. Returns its text as well.
pub fn load_world(name: &str, folder: &Path) -> Result<(World, String), String> {
    if let Some(text) = World::shipped_text(name) {
        let world = World::read(text).map_err(|faults| faults.to_string())?;
        return Ok((world, text.to_owned()));
    }
    let path = folder.join(name);
    let text = std::fs::read_to_string(&path).map_err(|error| {
        let shipped: Vec<&str> = World::shipped_names().collect();
        format!(
            "there is no shipped world and no file of that name ({error}); shipped are {}",
            shipped.join(", ")
        )
    })?;
    let world = World::read(&text).map_err(|faults| faults.to_string())?;
    Ok((world, text))
}

/// The simulated microscope of a link. Each simulated link of a bench is a microscope of its own.
pub fn simulate(link: &Link, world: &World, seed: u64) -> Option<Simulated> {
    matches!(link.kind, LinkKind::Simulated(_)).then(|| Simulated::new(Microscope::new(world, seed)))
}

/// Simulated microscopes for all links of a simulated bench.
pub fn simulate_all(bench: &Bench, world: &World, seed: u64) -> Vec<Box<dyn Instrument>> {
    let simulated = bench.links.iter().map(|link| simulate(link, world, seed));
    simulated.flatten().map(|s| Box::new(s) as Box<dyn Instrument>).collect()
}

/// Instruments for all links of a bench, not yet met.
///
/// # Errors
/// All links whose instrument can't be made.
pub fn open_all(bench: &Bench, folder: &Path, seed: u64) -> Result<Vec<Box<dyn Instrument + Send>>, String> {
    let mut instruments: Vec<Box<dyn Instrument + Send>> = Vec::new();
    let mut faults = Vec::new();
    for link in &bench.links {
        match open(link, folder, seed) {
            Ok(instrument) => instruments.push(instrument),
            Err(reason) => faults.push(format!("link `{}`: {reason}", link.name)),
        }
    }
    if faults.is_empty() { Ok(instruments) } else { Err(faults.join("\n")) }
}

fn open(link: &Link, folder: &Path, seed: u64) -> Result<Box<dyn Instrument + Send>, String> {
    match &link.kind {
        LinkKind::Simulated(simulated) => {
            let (world, _) = load_world(&simulated.world, folder)?;
            Ok(Box::new(Simulated::new(Microscope::new(&world, seed))))
        }
        LinkKind::Scpi(scpi) => Ok(Box::new(Scpi::new(&link.name, scpi, link.timeout_s))),
        LinkKind::Process(process) => Ok(Box::new(Process::new(&link.name, process, folder, link.timeout_s))),
    }
}
