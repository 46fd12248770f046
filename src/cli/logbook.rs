//! `noctule log`: the logbook of the bench.

use super::common::{print, reject};
use crate::logbook::{About, Kind, LogError, Logbook, Page, Word, Words};
use crate::quantity::{Dimension, Quantity};
use crate::record::Beforehand;
use crate::script::Sequence;
use crate::script::verbs::remembering;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Arguments of `noctule log`.
#[derive(Debug, clap::Args)]
pub struct Log {
    #[command(subcommand)]
    what: Option<What>,
    /// The folder of the runs.
    #[arg(long, global = true, default_value = "runs")]
    folder: PathBuf,
    /// The logbook of rehearsals, not that of measured runs.
    #[arg(long, global = true)]
    rehearsed: bool,
    /// One JSON object on stdout.
    #[arg(long, global = true)]
    json: bool,
    /// Write the answer as one HTML page into this file.
    #[arg(long, global = true, conflicts_with = "json")]
    page: Option<PathBuf>,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// Add a note, before, during or after a run.
    Note(Said),
    /// Add a plan for the next shift.
    Plan(Said),
    /// Say that you have looked at the tip and found it good: from now on it is guarded.
    Looked(Said),
    /// Let the tip that is in be touched for a while, whatever is known of it.
    Allow {
        #[command(flatten)]
        said: Said,
        /// For how long, like "6 h".
        #[arg(long = "for")]
        how_long: String,
    },
    /// Say that another tip was put in by hand.
    NewTip(Said),
    /// Say that the pot was condensed anew by hand.
    Condensed(Said),
    /// What happened to a tip; to the one that is in where no number is given.
    Tip {
        /// Its number.
        id: Option<u64>,
    },
    /// All spectra of a spin; the list of spins where none is named.
    Spin {
        /// Its id, like A3, or the name that a sequence gave it.
        id: Option<String>,
    },
    /// Nights and runs since the last refill.
    Nights,
    /// Everything in which all these words stand.
    Search {
        /// The words.
        #[arg(required = true)]
        words: Vec<String>,
    },
    /// Make the logbook anew from the run files and from people's words.
    Rebuild,
    /// Copy the logbook and people's words into a new folder.
    Backup {
        /// The new folder.
        to: PathBuf,
    },
}

#[derive(Debug, clap::Args)]
struct Said {
    /// The words.
    text: Vec<String>,
    /// Who says it; the name of the user where it is left out.
    #[arg(long)]
    by: Option<String>,
    /// The run that it is about.
    #[arg(long)]
    run: Option<String>,
    /// The tip that it is about.
    #[arg(long)]
    tip: Option<u64>,
    /// The spin that it is about.
    #[arg(long)]
    spin: Option<String>,
}

/// Now, s since 1970.
pub(super) fn now_s() -> i64 {
    Timestamp::now().as_second()
}

/// The logbook of a folder; what is wrong with its file is said.
pub(super) fn opened(folder: &Path, rehearsed: bool) -> Result<Logbook, LogError> {
    let logbook = Logbook::open(folder, rehearsed)?;
    if let Some(warning) = &logbook.warning {
        eprintln!("warning: {warning}");
    }
    Ok(logbook)
}

/// What the logbook of a folder knows when a run begins: of the tip that is in, and, where the sequence may ask for more,
/// that too.
pub(super) fn beforehand(
    folder: &Path,
    rehearsed: bool,
    start_s: i64,
    sequence: &Sequence,
) -> Result<Beforehand, LogError> {
    if !folder.is_dir() {
        return Ok(Beforehand::default());
    }
    let logbook = opened(folder, rehearsed)?;
    let memory = remembering::asks(&sequence.text).then(|| logbook.memory(start_s)).transpose()?;
    let tip = logbook.tip_now(start_s)?.map(Box::new);
    let condensed_s = logbook.condensed_s()?.map(|at_s| (at_s - start_s) as f64);
    Ok(Beforehand { tip, condensed_s, memory: memory.map(Arc::new), ..Beforehand::default() })
}

impl Log {
    /// Runs the command.
    pub fn run(self) -> u8 {
        match self.answer() {
            Ok(()) => 0,
            Err(error) => reject(&error.to_string()),
        }
    }

    fn answer(&self) -> Result<(), LogError> {
        match &self.what {
            Some(What::Note(said)) => self.say(Kind::Note, said, None),
            Some(What::Plan(said)) => self.say(Kind::Plan, said, None),
            Some(What::Looked(said)) => self.say(Kind::Looked, said, None),
            Some(What::NewTip(said)) => self.say(Kind::NewTip, said, None),
            Some(What::Condensed(said)) => self.say(Kind::Condensed, said, None),
            Some(What::Allow { said, how_long }) => {
                let time = how_long.parse::<Quantity>().ok().filter(|time| time.dimension == Dimension::TIME);
                let time = time.filter(|time| time.si > 0.0).ok_or_else(|| {
                    LogError::NotThere(format!("`{how_long}` is no time; write it like \"6 h\""))
                })?;
                self.say(Kind::Allow, said, Some(now_s() + time.si.round() as i64))
            }
            Some(What::Tip { id }) => self.tell(&self.open()?.tip(*id)?),
            Some(What::Spin { id }) => self.tell(&self.open()?.spin(id.as_deref())?),
            Some(What::Nights) => self.tell(&self.open()?.since_refill(now_s())?),
            Some(What::Search { words }) => self.tell(&self.open()?.search(words)?),
            Some(What::Rebuild) => {
                let logbook = Logbook::rebuild(&self.folder, self.rehearsed)?;
                self.tell(&logbook.overview(now_s())?)
            }
            Some(What::Backup { to }) => {
                for path in self.open()?.backup(to)? {
                    print(&format!("{}\n", path.display()));
                }
                Ok(())
            }
            None => self.tell(&self.open()?.overview(now_s())?),
        }
    }

    fn open(&self) -> Result<Logbook, LogError> {
        opened(&self.folder, self.rehearsed)
    }

    fn say(&self, kind: Kind, said: &Said, until_s: Option<i64>) -> Result<(), LogError> {
        let text = said.text.join(" ");
        if text.trim().is_empty() && matches!(kind, Kind::Note | Kind::Plan) {
            return Err(LogError::NotThere("a note needs words".to_owned()));
        }
        let user = || std::env::var("USER").ok().filter(|name| !name.is_empty());
        let by = said
            .by
            .clone()
            .or_else(user)
            .ok_or_else(|| LogError::NotThere("who says it? give your name with --by".to_owned()))?;
        let about = About { run: said.run.clone(), tip: said.tip, spin: said.spin.clone() };
        let now = Timestamp::now();
        let at_ms = now.as_millisecond().rem_euclid(1000) as u16;
        let word = Word { id: 0, at_s: now.as_second(), at_ms, by, kind, about, text, until_s };
        let kept = Words::of(&self.folder).add(word)?;
        if self.json {
            print(&format!("{}\n", serde_json::to_string(&kept).unwrap_or_default()));
        } else {
            print(&format!("kept as word {}\n", kept.id));
        }
        Ok(())
    }

    fn tell(&self, page: &Page) -> Result<(), LogError> {
        let zone = TimeZone::system();
        match &self.page {
            Some(path) => {
                let html = page.html("The logbook", &zone);
                std::fs::write(path, html).map_err(|error| LogError::Unusable {
                    path: path.display().to_string(),
                    reason: error.to_string(),
                })?;
                print(&format!("{}\n", path.display()));
            }
            None if self.json => print(&format!("{}\n", page.json())),
            None => print(&page.text(&zone)),
        }
        Ok(())
    }
}
