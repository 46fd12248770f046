//! What a run needs before it begins, read and checked.

use crate::bench::{BUILTIN_NAME, Bench, builtin, builtin_text, read};
use crate::diagnostic::{Code, Diagnostic};
use crate::drive::connect::load_world;
use crate::instrument::simulated::World;
use crate::quantity::TimePoint;
use crate::record::{Beforehand, Document, Entry, Identity};
use crate::script::{Sequence, file_name};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Where a bench comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BenchSource {
    /// As it is named in messages and records.
    pub name: String,
    /// Its path; none for the built-in bench.
    pub path: Option<PathBuf>,
    /// Its text.
    pub text: String,
}

impl BenchSource {
    /// The bench of a file, or the built-in one.
    ///
    /// # Errors
    /// One diagnostic, if the file can't be read.
    pub fn load(path: Option<&Path>) -> Result<Self, Box<Diagnostic>> {
        let Some(path) = path else {
            return Ok(Self { name: BUILTIN_NAME.to_owned(), path: None, text: builtin_text().to_owned() });
        };
        let name = path.display().to_string();
        let text = std::fs::read_to_string(path).map_err(|error| {
            Diagnostic::error(
                Code::BenchUnreadable,
                &name,
                (0, 0),
                format!("the bench file can't be read: {error}"),
            )
        })?;
        Ok(Self { name, path: Some(path.to_owned()), text })
    }

    /// The folder that paths in the bench file are relative to.
    pub fn folder(&self) -> PathBuf {
        self.path.as_deref().and_then(Path::parent).map_or_else(|| PathBuf::from("."), Path::to_owned)
    }
}

/// Why a run can't begin.
#[derive(Debug)]
pub struct SetupError {
    /// Everything that is wrong.
    pub diagnostics: Vec<Diagnostic>,
    /// The text that they point into.
    pub source: String,
}

/// Everything a rehearsal needs.
#[derive(Debug, Clone)]
pub struct Setup {
    /// The sequence.
    pub sequence: Sequence,
    /// The bench as it is driven.
    pub bench: Arc<Bench>,
    /// Where it came from.
    pub bench_source: BenchSource,
    /// The world of the simulated microscope; none for a measurement.
    pub world: Option<Arc<World>>,
    /// Its name.
    pub world_name: String,
    /// Its text.
    pub world_text: String,
    /// Seed of everything random.
    pub seed: u64,
    /// End of the window.
    pub window: Option<TimePoint>,
    /// What is known before it begins.
    pub beforehand: Beforehand,
    /// What the warnings are.
    pub warnings: Vec<Diagnostic>,
}

impl Setup {
    /// A rehearsal of a sequence on a bench; a bench of real instruments is played by the simulated
    /// microscope of the shipped world, or of `world`.
    ///
    /// # Errors
    /// All faults of the bench, or of the world.
    pub fn for_rehearsal(
        sequence: Sequence,
        bench_source: BenchSource,
        world: Option<&str>,
        seed: u64,
        window: Option<TimePoint>,
    ) -> Result<Self, SetupError> {
        let (bench, warnings) = match bench_source.path {
            None => (builtin(), Vec::new()),
            Some(_) => read(&bench_source.text, &bench_source.name)
                .map_err(|diagnostics| SetupError { diagnostics, source: bench_source.text.clone() })?,
        };
        let world_name = world.or(bench.world_name()).unwrap_or("night").to_owned();
        let (bench, _unplayed) = bench.rehearsed(&world_name);
        let (world, world_text) = load_world(&world_name, &bench_source.folder()).map_err(|reason| {
            let message = format!("the world `{world_name}` can't be used: {reason}");
            let diagnostic = Diagnostic::error(Code::BenchWorld, &bench_source.name, (0, 0), message);
            SetupError { diagnostics: vec![diagnostic], source: bench_source.text.clone() }
        })?;
        Ok(Self {
            sequence,
            bench: Arc::new(bench),
            bench_source,
            world: Some(Arc::new(world)),
            world_name,
            world_text,
            seed,
            window,
            beforehand: Beforehand::default(),
            warnings,
        })
    }

    /// A rehearsal that is resumed: everything comes from its record.
    ///
    /// # Errors
    /// All faults of the bench, or of the world.
    pub fn for_resumed_rehearsal(
        sequence: Sequence,
        bench_source: BenchSource,
        world_name: &str,
        world_text: &str,
        seed: u64,
        window: Option<TimePoint>,
    ) -> Result<Self, SetupError> {
        let (bench, warnings) = read(&bench_source.text, &bench_source.name)
            .map_err(|diagnostics| SetupError { diagnostics, source: bench_source.text.clone() })?;
        let world = World::read(world_text).map_err(|faults| {
            let message = format!("the recorded world can't be used: {faults}");
            let diagnostic = Diagnostic::error(Code::BenchWorld, world_name, (0, 0), message);
            SetupError { diagnostics: vec![diagnostic], source: world_text.to_owned() }
        })?;
        let (bench, _unplayed) = bench.rehearsed(world_name);
        Ok(Self {
            sequence,
            bench: Arc::new(bench),
            bench_source,
            world: Some(Arc::new(world)),
            world_name: world_name.to_owned(),
            world_text: world_text.to_owned(),
            seed,
            window,
            beforehand: Beforehand::default(),
            warnings,
        })
    }

    /// A measurement: no world, or one that is none of ours to know.
    pub fn for_measurement(
        sequence: Sequence,
        bench_source: BenchSource,
        bench: Arc<Bench>,
        seed: u64,
        window: Option<TimePoint>,
    ) -> Self {
        Self {
            sequence,
            bench,
            bench_source,
            world: None,
            world_name: String::new(),
            world_text: String::new(),
            seed,
            window,
            beforehand: Beforehand::default(),
            warnings: Vec::new(),
        }
    }

    /// The same in a world drawn by its seed round the one that is given; in that one itself where it is drawn already.
    ///
    /// A seed that gives 0 draws nothing.
    #[must_use]
    pub fn drawn(self) -> Self {
        let Some(_) = &self.world else { return self };
        let seed = (self.seed % u64::from(u32::MAX)) as u32;
        let world_text = World::drawn_text(&self.world_text, seed);
        match World::read(&world_text) {
            Ok(world) => Self { world: Some(Arc::new(world)), world_text, ..self },
            Err(_) => self,
        }
    }

    /// The texts that go into the record.
    pub fn documents(&self) -> Vec<Document> {
        vec![
            self.sequence.document(),
            Document {
                name: file_name(&self.bench_source.name),
                role: "bench",
                text: self.bench_source.text.clone(),
            },
            Document { name: self.world_name.clone(), role: "world", text: self.world_text.clone() },
        ]
    }

    /// The first entry of the record: what is run.
    pub fn identity(&self) -> Entry {
        let [sequence, bench, world] = [0, 1, 2].map(|i| self.documents()[i].hash());
        Entry::Identity(Identity {
            sequence: self.sequence.name.clone(),
            sequence_hash: sequence,
            bench: self.bench.name.clone(),
            bench_hash: bench,
            world: file_name(&self.world_name),
            world_hash: world,
            seed: self.seed,
            rehearsal: self.world.is_some(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        })
    }

    /// With what is known before it begins: of the tip, and of the sequence before it.
    #[must_use]
    pub fn knowing(self, beforehand: Beforehand) -> Self {
        Self { beforehand, ..self }
    }

    /// The entry of that, if there is anything.
    pub fn known(&self) -> Option<Entry> {
        (self.beforehand != Beforehand::default()).then(|| Entry::Known(self.beforehand.clone()))
    }

    /// When and where; not part of the digest.
    pub fn context(&self, started_at: &str) -> Entry {
        Entry::Context {
            started_at: started_at.to_owned(),
            window_s: self.window.map(TimePoint::s),
            sequence_path: self.sequence.path.display().to_string(),
            bench_path: self.bench_source.path.as_ref().map(|p| p.display().to_string()).unwrap_or_default(),
        }
    }
}
