//! The reader's thread: looks into the run file, asks the run, and puts frames where the server finds them.

use super::LOOK_EVERY;
use super::campaign::Alongside;
use super::follow::Follower;
use super::frame::{Frame, Picture, result, status};
use super::picture::pictures;
use crate::drive::real_time::control::say;
use crate::drive::real_time::status::Request;
use crate::record::RunFile;
use crate::report::pursuit::{Pursuit, RunPart};
use serde_json::{Value, json};
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::watch::Sender;

/// Time between two questions to the run.
const ASK_EVERY: Duration = Duration::from_millis(500);
/// Least time between two drawings.
const DRAW_EVERY: Duration = Duration::from_millis(300);
/// An answer older than this is none.
const ANSWER_AGE: Duration = Duration::from_secs(5);

type Answer = Arc<Mutex<Option<(Instant, Value)>>>;

/// Follows a run until `over`; the last rows are shown before it returns.
pub fn watch(run: RunFile, frames: &Sender<Arc<Frame>>, over: &Arc<AtomicBool>, earlier: Vec<RunPart>) {
    let alongside = Alongside::begin(earlier, run.path().to_owned(), Arc::clone(over));
    let folder = run.path().parent().map(std::path::Path::to_owned).unwrap_or_default();
    let answer = ask_on(folder, Arc::clone(over));
    let mut follower = Follower::new(run);
    let mut shown = Vec::<Picture>::new();
    let mut version = 0;
    let mut pending = true;
    let (mut drawn_at, mut told_at) = (None::<Instant>, None::<Instant>);
    loop {
        let last = over.load(Ordering::SeqCst);
        match follower.look() {
            Ok(new) => pending |= new,
            Err(error) => tracing::warn!(%error, "the live page can't read the run file"),
        }
        // Nobody draws for nobody; the server itself holds one of the receivers.
        let looked_at = frames.receiver_count() > 1 || drawn_at.is_none() || last;
        let rested = |at: Option<Instant>, by: Duration| at.is_none_or(|at| at.elapsed() >= by);
        let draw = pending && looked_at && (last || rested(drawn_at, DRAW_EVERY));
        let tell = draw || rested(told_at, ASK_EVERY);
        let said = answer.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let said = said.filter(|(at, _)| at.elapsed() < ANSWER_AGE).map(|(_, said)| said);
        let campaign = alongside.as_ref().filter(|_| tell).and_then(|alongside| {
            alongside.told(follower.account(), result(follower.account(), said.as_ref()))
        });
        if draw {
            pending = false;
            drawn_at = Some(Instant::now());
            version += 1;
            redraw(&follower, campaign.as_ref(), &mut shown, version);
        }
        if tell {
            told_at = Some(Instant::now());
            let text = status(&follower, said.as_ref(), campaign.as_ref()).to_string();
            frames.send_replace(Arc::new(Frame { status: text.into(), pictures: shown.clone() }));
        }
        if last {
            return;
        }
        std::thread::sleep(LOOK_EVERY);
    }
}

/// Pictures that have not changed keep their version and are not sent again.
fn redraw(follower: &Follower, campaign: Option<&Pursuit>, shown: &mut Vec<Picture>, version: u64) {
    let drawn = pictures(follower, campaign).into_iter().map(|drawn| {
        let pack = |svg: &str| -> Arc<str> {
            json!({ "name": drawn.name, "title": drawn.title, "svg": svg }).to_string().into()
        };
        let (wide, narrow) = (pack(&drawn.wide), pack(&drawn.narrow));
        match shown.iter().find(|p| p.name == drawn.name && p.wide == wide) {
            Some(same) => same.clone(),
            None => Picture { name: drawn.name.clone(), version, wide, narrow },
        }
    });
    *shown = drawn.collect();
}

/// Asks in a thread of its own: a run that does not answer must not hold up the pictures.
fn ask_on(folder: PathBuf, over: Arc<AtomicBool>) -> Answer {
    let answer = Answer::default();
    let put = Arc::clone(&answer);
    let asking = move || {
        while !over.load(Ordering::SeqCst) {
            let said = say(&folder, &Request::Status).ok().map(|said| (Instant::now(), said));
            *put.lock().unwrap_or_else(PoisonError::into_inner) = said;
            std::thread::sleep(ASK_EVERY);
        }
    };
    if let Err(error) = std::thread::Builder::new().name("live questions".to_owned()).spawn(asking) {
        tracing::warn!(%error, "the live page can't ask the run");
    }
    answer
}
