//! The physics of the simulated microscope as a user would find it: a sequence measures it in a rehearsal, the exported
//! tables are read, and what comes out is compared with the closed form, worked out from the numbers of the world file.
//!
//! Each world is `night` without what would hide the law: no drift, no wander, no ripple, no switching tip. Numbers are
//! invented. Nothing here asks the simulator for what it should have shown.

mod closed_form;
mod drift;
mod line;
mod lockin;
mod noise;
mod transmission;

use crate::common::{say, text, write};
use serde_json::Value;
use std::path::PathBuf;
use tempfile::TempDir;

/// One adatom that stands still under a tip that stays as it is, in a junction without any curvature: what the lock-in
/// shows is the line alone.
const QUIET: &str = r#"World(
    starts_from: "night",
    name: "quiet",
    note: "Invented: one adatom of the night, and nothing that moves or wanders.",
    sample: Sample(
        species: [Species(name: "adatom", height_nm: 0.16, width_nm: 0.28, movable: false, spin: 0.5,
            g: [1.86, 1.86, 1.79], t1_ns: 180.0, t2_ns: 60.0, dephasing_per_electron: 0.2, rabi_rad_us_mv: 0.45,
            asymmetry: 0.0, readout: 1.0, steps: [])],
        sites: [Site(name: "A1", species: "adatom", at_nm: [3.20, -1.85])],
    ),
    tip: Tip(
        apex: Apex(polarisation: 0.36, moment_mub: 5.0, tilt_deg: 12.0, turn_deg: 40.0, exchange_mt: -0.75),
        thermal_switching_hz: 0.0, switching_per_electron: 0.0, changes_per_hour: 0.0,
    ),
    junction: Junction(
        quadratic_per_v: 0.0, cubic_per_v2: 0.0, film_steps: [], spin_step_fraction: 0.0,
        feedback_k: 4.2, flicker_relative: 0.0, vibration_pm_rthz: 0.0,
    ),
    scanner: Scanner(landing_scatter_nm: 0.0),
    drift: Drift(velocity_pm_s: [0.0, 0.0, 0.0], wander_pm_s: 0.0, creep_fraction: 0.0),
    rf: Rf(ripple: [], resonances: [], flatness: []),
    cryostat: Cryostat(stage: Stage(rf_part: 0.0)),
    magnet_z: Magnet(remanence_mt: 0.0, reading_noise_ut: 1.0),
    effects: Effects(loop_suppresses: true),
)
"#;

/// A world file, for the program and for the closed forms.
struct World(String);

impl World {
    /// The quiet one with some of its text replaced.
    fn quiet(changes: &[(&str, &str)]) -> Self {
        let mut text = QUIET.to_owned();
        for (from, to) in changes {
            assert!(text.contains(from), "`{from}` is in the world file");
            text = text.replacen(from, to, 1);
        }
        Self(text)
    }

    /// The number that stands behind a name, the first of it: in this file, or else in the one it starts from.
    fn number(&self, name: &str) -> f64 {
        let night = std::fs::read_to_string("sim/worlds/night.ron").expect("the shipped world is there");
        let found = [&self.0, &night].into_iter().find_map(|text| {
            let behind = text.split_once(&format!(" {name}: "))?.1;
            let end = behind.find([',', ')', '\n']).unwrap_or(behind.len());
            Some(behind[..end].parse().unwrap_or_else(|e| panic!("{name}: {e} in `{}`", &behind[..end])))
        });
        found.unwrap_or_else(|| panic!("no world file has `{name}`"))
    }

    /// Rehearses a sequence in it and exports the run. It has to come to its end, parked, without any interlock.
    fn rehearse(&self, sequence: &str) -> Measured {
        let folder = tempfile::tempdir().unwrap();
        let world = write(folder.path(), "world.ron", &self.0);
        let sequence = write(folder.path(), "measure.rhai", sequence);
        let (run, tables) = (folder.path().join("run"), folder.path().join("tables"));
        let said =
            say(&["rehearse", text(&sequence), "--world", text(&world), "--out", text(&run), "--json"]);
        assert_eq!(said.code, 0, "{}\n{}", said.stdout, said.stderr);
        let summary = said.json();
        assert_eq!((&summary["outcome"], &summary["parked"]), (&"finished".into(), &true.into()));
        assert_eq!(summary["interlocks"], Value::Array(Vec::new()), "nothing tripped");
        let said = say(&["export", text(&run), "--as", "csv", "--out", text(&tables)]);
        assert_eq!(said.code, 0, "{}", said.stderr);
        let fits = std::fs::read_to_string(tables.join("fits.json")).unwrap();
        Measured { summary, fits: serde_json::from_str(&fits).unwrap(), tables, _folder: folder }
    }
}

/// What a rehearsal left behind.
struct Measured {
    /// What the program said at the end.
    summary: Value,
    /// `fits.json`.
    fits: Value,
    /// Folder of the exported tables.
    tables: PathBuf,
    _folder: TempDir,
}

/// A fitted number and its standard error.
#[derive(Debug, Clone, Copy)]
struct Found {
    value: f64,
    error: f64,
}

impl Found {
    /// Off a closed form by so many parts of it.
    fn off(self, expected: f64) -> f64 {
        self.value / expected - 1.0
    }

    /// Four of its standard errors, as parts of it: a fit of many is further off once in 16 000 times. To it comes
    /// what the caller knows of the measurement beyond its noise.
    fn bound(self, beyond: f64) -> f64 {
        4.0 * self.error / self.value.abs() + beyond
    }
}

impl Measured {
    /// Files of one kind in the order in which they were measured.
    fn files(&self, kind: &str) -> Vec<PathBuf> {
        let entries = std::fs::read_dir(&self.tables).unwrap().map(|entry| entry.unwrap().path());
        let is_one = |path: &PathBuf| {
            let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
            name.starts_with(kind) && name.ends_with(".csv")
        };
        let mut files: Vec<PathBuf> = entries.filter(is_one).collect();
        files.sort();
        files
    }

    /// A column of the table number `n` of a kind, `sweep` or `trace`, in SI.
    fn column(&self, kind: &str, n: usize, name: &str) -> Vec<f64> {
        let table = std::fs::read_to_string(&self.files(kind)[n]).unwrap();
        let mut lines = table.lines().filter(|line| !line.starts_with('#'));
        let head = lines.next().unwrap();
        let at = head.split(',').position(|cell| cell.starts_with(name));
        let at = at.unwrap_or_else(|| panic!("`{name}` is a column of `{head}`"));
        lines.map(|line| line.split(',').nth(at).unwrap().parse().unwrap()).collect()
    }

    /// Mean of a column of a sweep.
    fn mean(&self, n: usize, name: &str) -> f64 {
        mean(&self.column("sweep", n, name))
    }

    /// A parameter of the fit number `n`, which has to be trusted.
    fn fitted(&self, n: usize, name: &str) -> Found {
        let fit = &self.fits["fits"][n];
        assert_eq!(fit["trusted"], true, "fit {n}: {}", fit["doubts"]);
        let parameter = &fit["parameters"][name];
        Found { value: parameter["value"].as_f64().unwrap(), error: parameter["error"].as_f64().unwrap() }
    }

    /// Notes that begin with a word: when, and the numbers behind it.
    fn notes(&self, word: &str) -> Vec<(f64, Vec<f64>)> {
        let chronicle = std::fs::read_to_string(self.tables.join("chronicle.csv")).unwrap();
        let rows = chronicle.lines().filter_map(|line| {
            let mut cells = line.splitn(3, ',');
            let (at, kind, said) = (cells.next()?, cells.next()?, cells.next()?);
            let said = said.strip_prefix(word).filter(|_| kind == "note")?;
            Some((at.parse().ok()?, said.split_whitespace().map(|n| n.parse().unwrap()).collect()))
        });
        rows.collect()
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}
