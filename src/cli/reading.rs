//! `noctule brief`, `plot`, `export` and `runs`: what has been measured.

use super::common::{columns, print, reject};
use super::pursued::{Given, folder_of_runs, where_there_is_one};
use crate::record::RunFile;
use crate::report::account::Account;
use crate::report::brief::Around;
use crate::report::pursuit::Pursuit;
use crate::report::runs::{Deed, PastRun, Plan};
use crate::report::words::wrapped;
use crate::report::{brief, export, plot, rejudge, runs};
use crate::run::locate;
use serde_json::json;
use std::path::{Path, PathBuf};

fn opened(word: &str) -> Result<RunFile, String> {
    let path = locate(word).map_err(|error| error.to_string())?;
    RunFile::open(&path).map_err(|error| error.to_string())
}

fn open(word: &str) -> Result<RunFile, u8> {
    opened(word).map_err(|reason| reject(&reason))
}

fn put(path: &Path, bytes: &[u8]) -> u8 {
    match std::fs::write(path, bytes) {
        Ok(()) => {
            eprintln!("wrote {}", path.display());
            0
        }
        Err(error) => reject(&format!("`{}` can't be written: {error}", path.display())),
    }
}

/// Arguments of `noctule brief`.
#[derive(Debug, clap::Args)]
pub struct Brief {
    /// The runs: folders, files, or the beginnings of names under runs/. Where at least two of them say goals, what they come
    /// to together stands above their briefs.
    #[arg(required = true)]
    runs: Vec<String>,
    /// What the runs come to together, and nothing else: goals, days, tips, helium, what is next. A folder of runs stands for all
    /// of its runs.
    #[arg(long)]
    campaign: bool,
    /// Write an HTML file instead of text on stdout.
    #[arg(long, value_name = "FILE.html")]
    out: Option<PathBuf>,
    /// An earlier run to stand beside the first one: what changed is flagged.
    #[arg(long, value_name = "RUN", conflicts_with = "campaign")]
    beside: Option<String>,
    /// One JSON object on stdout: the result of each run, and of their campaign if they are one.
    #[arg(long, conflicts_with = "out")]
    json: bool,
    /// Judge the spectra anew with other settings, like chance=1e-4,largest_tip_field_t=0.1.
    #[arg(long, value_name = "SETTING=VALUE", value_delimiter = ',', conflicts_with = "campaign")]
    rejudge: Vec<String>,
}

impl Brief {
    /// Runs the command.
    pub fn run(self) -> u8 {
        self.told().unwrap_or_else(|reason| reject(&reason))
    }

    fn told(&self) -> Result<u8, String> {
        let (files, accounts, pursuit) = if self.campaign { self.together()? } else { self.one_by_one()? };
        if self.json {
            let told =
                accounts.iter().map(|account| json!({ "name": account.name(), "story": account.result() }));
            let mut all = json!({ "runs": told.collect::<Vec<_>>() });
            if let Some(pursuit) = &pursuit {
                all["campaign"] = json!(pursuit);
            }
            print(&format!("{all}\n"));
            return Ok(0);
        }
        let before = self.beside.as_deref().map(opened).transpose()?.map(|file| Account::read(&file));
        let around = Around { campaign: pursuit.as_ref(), before: before.as_ref() };
        let (accounts, files) = if self.campaign { (&[][..], &[][..]) } else { (&accounts[..], &files[..]) };
        match &self.out {
            Some(path) => {
                let page = brief::html_of(accounts, files, &around).map_err(|error| error.to_string())?;
                Ok(put(path, page.as_bytes()))
            }
            None => {
                let text = brief::text_of(accounts, columns(), &around).map_err(|error| error.to_string())?;
                print(&format!("{text}\n"));
                Ok(0)
            }
        }
    }

    fn one_by_one(&self) -> Result<Told, String> {
        if let Some(folder) =
            self.runs.iter().find(|run| folder_of_runs(run).is_some_and(|files| !files.is_empty()))
        {
            return Err(format!(
                "`{folder}` is a folder of runs; `noctule brief --campaign {folder}` tells what they come to together, `noctule runs --folder {folder}` lists them"
            ));
        }
        let files = self.runs.iter().map(|run| opened(run)).collect::<Result<Vec<RunFile>, String>>()?;
        let mut accounts: Vec<Account> = files.iter().map(Account::read).collect();
        if !self.rejudge.is_empty() {
            judge_anew(&mut accounts, &files, &self.rejudge)?;
        }
        // Briefs of runs that are no campaign are briefs.
        let pursuit = where_there_is_one(&accounts).unwrap_or_else(|reason| {
            eprintln!("note: {reason}");
            None
        });
        Ok((files, accounts, pursuit))
    }

    fn together(&self) -> Result<Told, String> {
        let given = Given::read(&self.runs)?;
        let mut pursuit = Pursuit::read(&given.parts()).map_err(|reason| reason.to_string())?;
        pursuit.doubts.extend(given.passed_over);
        Ok((given.files, given.accounts, Some(pursuit)))
    }
}

/// Runs, what they tell, and what they come to together.
type Told = (Vec<RunFile>, Vec<Account>, Option<Pursuit>);

fn judge_anew(accounts: &mut [Account], files: &[RunFile], words: &[String]) -> Result<(), String> {
    let settings = rejudge::settings(words)?;
    for (account, file) in accounts.iter_mut().zip(files) {
        rejudge::rejudge(account, file, &settings)?;
    }
    Ok(())
}

/// Arguments of `noctule plot`.
#[derive(Debug, clap::Args)]
pub struct Plot {
    /// The run: a folder, a file, or the beginning of a name under runs/.
    run: String,
    /// What: `resonance` (against field), `timeline` (all on one clock), `card` with a number (what the sequence is about), `sweep` or `map` with a number, `trace`, `histogram`, `image` with a number, or the name of a watched channel.
    #[arg(default_value = "resonance")]
    what: String,
    /// Number of the sweep, map, trace or image, from 0.
    #[arg(default_value_t = 0)]
    number: u64,
    /// Which reading of a sweep.
    #[arg(long)]
    channel: Option<String>,
    /// Bins of a histogram.
    #[arg(long, default_value_t = 60)]
    bins: usize,
    /// The file, .svg, .pdf or .png.
    #[arg(long)]
    out: PathBuf,
}

impl Plot {
    /// Runs the command.
    pub fn run(self) -> u8 {
        let run = match open(&self.run) {
            Ok(run) => run,
            Err(code) => return code,
        };
        let account = Account::read(&run);
        let which = usize::try_from(self.number).unwrap_or(usize::MAX);
        let drawn = match self.what.as_str() {
            "resonance" => plot::resonance(&account, plot::SIZE),
            "card" => match plot::cards(&account).get(which) {
                Some(card) => plot::card(&account, &run, card, plot::SIZE),
                None => return reject("this run has no such card; they count from 0"),
            },
            "sweep" | "map" => plot::sweep(&account, &run, self.number, self.channel.as_deref(), plot::SIZE),
            "trace" => plot::trace(&account, &run, which, plot::SIZE),
            "timeline" => plot::timeline(&account, &run, WIDE),
            "histogram" => plot::histogram(&account, &run, which, self.bins, plot::SIZE),
            "image" => plot::image(&account, &run, which, plot::SIZE),
            channel => plot::watched(&account, channel, plot::SIZE),
        };
        match drawn {
            Err(error) => reject(&error.to_string()),
            Ok(drawing) => match self.out.extension().and_then(|e| e.to_str()) {
                Some("svg") => put(&self.out, drawing.svg().as_bytes()),
                Some("png") => put(&self.out, &drawing.png(2)),
                Some("pdf") => put(&self.out, &drawing.pdf()),
                _ => reject("the file ends in .svg, .pdf or .png"),
            },
        }
    }
}

/// Width of a timeline.
const WIDE: f64 = 860.0;

/// Arguments of `noctule export`.
#[derive(Debug, clap::Args)]
pub struct Export {
    /// The run: a folder, a file, or the beginning of a name under runs/.
    run: String,
    /// What kind of file: csv makes a folder of tables, hdf5 one file by the NeXus conventions, json the fits.
    #[arg(long = "as", value_parser = ["csv", "hdf5", "json"])]
    kind: String,
    /// Where to.
    #[arg(long)]
    out: PathBuf,
}

impl Export {
    /// Runs the command.
    pub fn run(self) -> u8 {
        let run = match open(&self.run) {
            Ok(run) => run,
            Err(code) => return code,
        };
        let told = |path: &Path| eprintln!("wrote {}", path.display());
        let done = match self.kind.as_str() {
            "csv" => export::csv(&run, &self.out).map(|files| files.iter().for_each(|file| told(file))),
            "hdf5" => export::hdf5(&run, &self.out).map(|()| told(&self.out)),
            _ => {
                let fits = export::fits_json(&Account::read(&run));
                return put(&self.out, format!("{fits:#}\n").as_bytes());
            }
        };
        done.map_or_else(|error| reject(&error.to_string()), |()| 0)
    }
}

/// Arguments of `noctule runs`.
#[derive(Debug, clap::Args)]
pub struct Runs {
    /// The folder.
    #[arg(long, default_value = "runs")]
    folder: PathBuf,
    /// Remove the runs that are found. Measured runs, and runs without an end, stay.
    #[arg(long, conflicts_with = "move_to")]
    prune: bool,
    /// Move the runs that are found into this folder.
    #[arg(long, value_name = "FOLDER")]
    move_to: Option<PathBuf>,
    /// Leave the newest so many alone.
    #[arg(long, value_name = "N", default_value_t = 0)]
    keep: usize,
    /// With --prune: measured runs too, not only rehearsals.
    #[arg(long, requires = "prune")]
    measured_too: bool,
    /// Do it. Without this, --prune and --move-to only say what they would do.
    #[arg(long)]
    yes: bool,
    /// One JSON object with the list, instead of lines.
    #[arg(long, conflicts_with_all = ["prune", "move_to"])]
    json: bool,
    /// Only runs in whose names, notes or results all these words stand.
    words: Vec<String>,
}

impl Runs {
    /// Runs the command.
    pub fn run(self) -> u8 {
        let listed = match runs::list(&self.folder) {
            Ok(listed) => listed,
            Err(error) => return reject(&format!("`{}` can't be listed: {error}", self.folder.display())),
        };
        let old = runs::older_than(&listed, self.keep);
        let words = self.words.join(" ");
        // The order of the list, which is by name.
        let found: Vec<&PastRun> = listed
            .iter()
            .filter(|run| run.matches(&words) && old.iter().any(|old| std::ptr::eq(*old, *run)))
            .collect();
        match (self.prune, &self.move_to) {
            (true, _) => tidy(&runs::prune(&found, self.measured_too), self.yes),
            (false, Some(folder)) => tidy(&runs::move_to(&found, folder), self.yes),
            (false, None) if self.json => {
                print(&format!("{}\n", json!({ "runs": found })));
                0
            }
            (false, None) => {
                found.iter().for_each(|run| print(&line_of(run)));
                0
            }
        }
    }
}

/// Two lines a run: what it is, and what came out of it.
fn line_of(run: &PastRun) -> String {
    let head = format!(
        "{:<40} {:<10} {:>9} points {:>10}\n",
        run.name,
        run.outcome.word(),
        run.points,
        crate::quantity::in_words(run.elapsed_s)
    );
    format!("{head}{}", wrapped(&run.headline, "    ", "    ", columns()))
}

/// Says what a plan does, and does it if that is wanted.
fn tidy(plan: &Plan, yes: bool) -> u8 {
    let mut touched = 0;
    for (name, deed) in &plan.deeds {
        let what = match deed {
            Deed::Remove(_) => "remove".to_owned(),
            Deed::Move(_, to) => format!("move to {}", to.display()),
            Deed::Keep(why) => format!("keep: {why}"),
        };
        touched += usize::from(!matches!(deed, Deed::Keep(_)));
        print(&format!("{name:<44} {what}\n"));
    }
    if plan.bytes > 0 {
        print(&format!("{:.1} MB in run files\n", plan.bytes as f64 * 1e-6));
    }
    if touched == 0 {
        print("nothing to do\n");
        return 0;
    }
    if !yes {
        print("nothing was touched; add --yes to do it\n");
        return 0;
    }
    let failed = plan.carry_out();
    for failure in &failed {
        eprintln!("error: {failure}");
    }
    print(&format!("done: {} of {touched}\n", touched - failed.len()));
    u8::from(!failed.is_empty())
}
