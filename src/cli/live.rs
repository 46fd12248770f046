//! `noctule live`, and what `run` and `resume` share with it: the live page, events as JSON lines, messages.

use super::common::reject;
use super::progress::Progress;
use super::pursued::{Given, parts};
use crate::bench::{Bench, LiveWords};
use crate::drive::virtual_time::Observer;
use crate::live::Live;
use crate::record::{RecordError, RunFile};
use crate::report::account::Account;
use crate::report::pursuit::{Pursuit, RunPart};
use crate::run::hooks::Hooks;
use crate::run::locate;
use crate::run::observers::{Events, Prospect, Several, SharedProspect};
use std::io::Write;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Who looks on while a run goes on.
#[derive(Debug, Clone, clap::Args)]
pub struct Watching {
    /// Serve a page that shows the run, like 127.0.0.1:8400; port 0 takes a free one.
    #[arg(long, value_name = "ADDRESS")]
    live: Option<SocketAddr>,
    /// Write what happens as JSON lines to this file, or to stdout for `-`.
    #[arg(long, value_name = "FILE")]
    events: Option<String>,
}

impl Watching {
    /// Complains before anything is touched.
    pub fn check(&self, json: bool) -> Result<(), u8> {
        if json && self.events.as_deref() == Some("-") {
            return Err(reject("`--json` and `--events -` can't both have stdout; give the events a file"));
        }
        Ok(())
    }

    /// Progress, events and the messages of the bench.
    pub fn observer(
        &self,
        bench: &Arc<Bench>,
        sequence: &str,
        prospect: Prospect,
        json: bool,
    ) -> Result<Box<dyn Observer>, u8> {
        let prospect = SharedProspect::new(prospect);
        // The one who keeps account is told first, so that the others tell what holds now.
        let mut several = Several(vec![Box::new(prospect.clone())]);
        if !json {
            several.0.push(Box::new(Progress::new(Arc::clone(bench), prospect.clone(), false)));
        }
        if let Some(place) = &self.events {
            let out = open_events(place)
                .and_then(|out| Events::start(out, Some(prospect)))
                .map_err(|error| reject(&format!("`{place}` can't be written: {error}")))?;
            several.0.push(Box::new(out));
        }
        if !bench.messages.is_empty() {
            several.0.push(Box::new(Hooks::start(bench, sequence)));
        }
        Ok(Box::new(several))
    }

    /// Begins to serve the live page, if it is wanted.
    pub fn serve(&self, run_file: &Path, bench: &Bench) -> Result<Option<Live>, u8> {
        let Some(listen) = self.live else { return Ok(None) };
        begin(run_file, listen, bench.live_words, Vec::new()).map(Some)
    }
}

fn open_events(place: &str) -> std::io::Result<Box<dyn Write + Send>> {
    if place == "-" {
        return Ok(Box::new(std::io::stdout()));
    }
    let file = std::fs::OpenOptions::new().create(true).append(true).open(place)?;
    Ok(Box::new(file))
}

fn begin(run_file: &Path, listen: SocketAddr, words: LiveWords, earlier: Vec<RunPart>) -> Result<Live, u8> {
    let live = Live::start_with(run_file, listen, words, earlier).map_err(|e| reject(&e.to_string()))?;
    eprintln!("live page: http://{}/", live.address);
    eprintln!("token for hold, release and stop: {}", live.token);
    if !live.address.ip().is_loopback() {
        eprintln!("note: everybody who reaches {} can read this page", live.address);
    }
    Ok(live)
}

/// How long a run that begins may take until its file says what it is.
const PATIENCE: Duration = Duration::from_secs(10);
/// Time between two looks for it.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// The run file of a word. A run that has just been started has no file yet, or an empty one: that is waited for.
fn opened(word: &str) -> Result<(PathBuf, RunFile), RecordError> {
    let look = || {
        let path = locate(word)?;
        let run = RunFile::open(&path)?;
        run.identity()?;
        Ok((path, run))
    };
    let until = Instant::now() + PATIENCE;
    let mut said = false;
    loop {
        match look() {
            Err(error @ (RecordError::Newer { .. } | RecordError::Older { .. })) => return Err(error),
            // While it is made, the file is empty, and looks as if it were none of ours.
            Err(error) if Instant::now() < until => {
                if !std::mem::replace(&mut said, true) {
                    eprintln!("waiting up to {} s for the run to begin: {error}", PATIENCE.as_secs());
                }
                std::thread::sleep(LOOK_EVERY);
            }
            found => return found,
        }
    }
}

/// Arguments of `noctule live`.
#[derive(Debug, clap::Args)]
pub struct LivePage {
    /// The run: its folder, its file, or the beginning of its name under runs/.
    run: String,
    /// Where to listen; port 0 takes a free one.
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:8400")]
    listen: SocketAddr,
    /// Earlier runs of the campaign that it belongs to, or the folder that holds them: the page shows what all of them come to
    /// together.
    #[arg(long, value_name = "RUN", num_args = 1..)]
    with: Vec<String>,
}

impl LivePage {
    /// Runs the command until it is interrupted.
    pub fn run(self) -> u8 {
        let (path, run) = match opened(&self.run) {
            Ok(found) => found,
            Err(error) => return reject(&error.to_string()),
        };
        let text = run.document("bench").ok().flatten();
        let bench = text.and_then(|(name, text)| crate::bench::read(&text, &name).ok());
        let earlier = match self.earlier(&run) {
            Ok(earlier) => earlier,
            Err(reason) => return reject(&reason),
        };
        drop(run);
        let words = bench.map(|(bench, _)| bench.live_words).unwrap_or_default();
        match begin(&path, self.listen, words, earlier) {
            Err(code) => code,
            Ok(live) => {
                live.wait();
                0
            }
        }
    }
    /// The other runs of its campaign.
    fn earlier(&self, run: &RunFile) -> Result<Vec<RunPart>, String> {
        if self.with.is_empty() {
            return Ok(Vec::new());
        }
        let given = Given::read(&self.with)?;
        given.passed_over.iter().for_each(|reason| eprintln!("note: {reason}"));
        let mut all = given.parts();
        all.extend(parts(&[Account::read(run)]));
        Pursuit::fits_together(&all).map_err(|reason| reason.to_string())?;
        all.pop();
        Ok(all)
    }
}
