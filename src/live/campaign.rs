//! The campaign that the run which is followed belongs to: what its earlier runs tell, with what this one tells so far.

use crate::history::result::RunResult;
use crate::report::account::Account;
use crate::report::pursuit::{Logged, Pursuit, RunPart};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Time between two questions to the logbook, which reads a run that goes on as a whole: tips and spins change slowly.
const ASK_EVERY: Duration = Duration::from_secs(60);

type Answer = Arc<Mutex<Result<Logged, String>>>;

/// Earlier runs beside the one that is followed.
#[derive(Debug)]
pub struct Alongside {
    earlier: Vec<RunPart>,
    logged: Answer,
}

impl Alongside {
    /// Nothing where there are no earlier runs. The logbook is asked in a thread of its own: it must not hold up the pictures.
    pub fn begin(earlier: Vec<RunPart>, own: PathBuf, over: Arc<AtomicBool>) -> Option<Self> {
        let rehearsed = earlier.first()?.rehearsal;
        let mut files: Vec<(PathBuf, String)> =
            earlier.iter().map(|part| (part.path.clone(), part.name.clone())).collect();
        let name = crate::report::account::name_of(&own);
        files.push((own.canonicalize().unwrap_or(own), name));
        let logged: Answer = Arc::new(Mutex::new(Err("the logbook is being read".to_owned())));
        let put = Arc::clone(&logged);
        let asking = move || {
            let mut asked: Option<Instant> = None;
            while !over.load(Ordering::SeqCst) {
                if asked.is_none_or(|at| at.elapsed() >= ASK_EVERY) {
                    let found = Logged::of(&files, rehearsed).map_err(|error| error.to_string());
                    *put.lock().unwrap_or_else(PoisonError::into_inner) = found;
                    asked = Some(Instant::now());
                }
                std::thread::sleep(super::LOOK_EVERY);
            }
        };
        if let Err(error) = std::thread::Builder::new().name("live logbook".to_owned()).spawn(asking) {
            tracing::warn!(%error, "the live page can't ask the logbook");
        }
        Some(Self { earlier, logged })
    }

    /// The campaign with what the followed run tells so far.
    pub fn told(&self, account: &Account, result: RunResult) -> Option<Pursuit> {
        let own = RunPart::of(account, result);
        let mut parts: Vec<RunPart> =
            self.earlier.iter().filter(|part| part.path != own.path).cloned().collect();
        parts.push(own);
        let logged = self.logged.lock().unwrap_or_else(PoisonError::into_inner);
        Pursuit::of(&parts, logged.as_ref().map_err(String::clone)).ok()
    }
}
