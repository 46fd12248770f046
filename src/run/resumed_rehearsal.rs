//! A rehearsal that was ended (by an interlock, a stop, the end of its window, its own failure) and taken up again.
//!
//! It goes on as a measurement does: what was ended stays ended, with the bench parked, and in a new life the
//! sequence is answered from the record up to that end, the bench is brought back, and the rest is done. The world
//! has no record of its own, so all earlier lives are lived again, and meet their rows.

use super::Setup;
use super::faults::{FaultPlan, read_faults};
use super::nights::{NIGHT_NAME, night_document, night_plan};
use super::resume::restore;
use crate::bench::Bench;
use crate::drive::replay::{GoLive, ReplayPort, ReplayStop, TreatAs};
use crate::drive::virtual_time::VirtualDrive;
use crate::drive::{Port, SharedPort};
use crate::quantity::TimePoint;
use crate::record::{Change, Document, Ending, Entry, Memory, Outcome, Place, RecordError, RunFile};
use crate::script::{self, ScriptEnd, Sequence};
use crate::supervisor::{Call, Reply};
use std::cell::RefCell;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;

/// One life of a rehearsal that came to an end before.
#[derive(Debug, Clone)]
struct PastLife {
    /// Number of the row after its last entry.
    until: u64,
    /// What was run at its end.
    sequence: Sequence,
}

/// The lives of a rehearsal so far, but for the one that is to go on.
#[derive(Debug, Default)]
pub struct PastLives {
    lives: Vec<PastLife>,
    run_file: PathBuf,
    treat_as: Option<TreatAs>,
    /// Windows that were given on the way, as the driver takes them.
    windows: Vec<(u64, TimePoint)>,
    /// Why the latest life could not begin.
    pub stop: RefCell<Option<ReplayStop>>,
}

impl PastLives {
    /// Reads from a record which lives there were. `like`: the sequence with its folder, for what it imports;
    /// `window`: the end of a window that is given now.
    ///
    /// # Errors
    /// If the record can't be read.
    pub fn of(
        file: &RunFile,
        like: &Sequence,
        treat_as: Option<TreatAs>,
        window: Option<TimePoint>,
    ) -> Result<Self, RecordError> {
        let texts = file.documents_in_order("sequence")?;
        let last_words = file.last_words()?.unwrap_or(u64::MAX);
        let (mut edits, mut lives) = (0, Vec::new());
        let (mut taken_up, mut windows) = (0, Vec::new());
        file.entries_of(&["end", "resumed"], last_words, |numbered| {
            match &numbered.entry {
                Entry::Resumed { changes, window, .. } => {
                    let end = window.as_ref().map(|window| TimePoint::from_s(window.end_s));
                    windows.extend(end.map(|end| (numbered.seq - taken_up, end)));
                    taken_up += 1;
                    edits += usize::from(changes.iter().any(|c| matches!(c, Change::SequenceEdited(_))));
                }
                // What finished is met as it is.
                Entry::End { ending, .. } if ending.outcome != Outcome::Finished => {
                    let (_, text) = texts.get(edits).or(texts.last()).ok_or_else(|| {
                        RecordError::Damaged("the text of the sequence is missing".to_owned())
                    })?;
                    let sequence = Sequence { text: text.clone(), ..like.clone() };
                    lives.push(PastLife { until: numbered.seq + 1, sequence });
                }
                _ => {}
            }
            Ok(())
        })?;
        let frontier = file.next_seq()?.min(last_words);
        windows.extend(window.map(|end| (frontier - taken_up, end)));
        Ok(Self { lives, run_file: file.path().to_owned(), treat_as, windows, stop: RefCell::default() })
    }

    /// Lives all of them, and then the one that goes on as far as it comes.
    pub(super) fn relive(
        &self,
        setup: &Setup,
        drive: &Rc<RefCell<VirtualDrive>>,
    ) -> (ScriptEnd, Vec<Document>) {
        drive.borrow_mut().change_windows(self.windows.iter().copied());
        let mut before: Option<&PastLife> = None;
        for life in &self.lives {
            let (end, _) = self.live(setup, before, &life.sequence, drive);
            let mut ended = drive.borrow_mut();
            ended.end(end.outcome, end.reason, end.place);
            if ended.record_error.is_some() || self.stop.borrow().is_some() {
                // It is told by whoever asked; nothing more is done.
                let (outcome, reason) = (Outcome::Failed, "an earlier life went otherwise".to_owned());
                return (ScriptEnd { outcome, reason, place: Place::default(), column: 0 }, Vec::new());
            }
            ended.take_up();
            before = Some(life);
        }
        self.live(setup, before, &setup.sequence, drive)
    }

    fn live(
        &self,
        setup: &Setup,
        before: Option<&PastLife>,
        sequence: &Sequence,
        drive: &Rc<RefCell<VirtualDrive>>,
    ) -> (ScriptEnd, Vec<Document>) {
        let Some(before) = before else {
            let port: SharedPort = drive.clone();
            return script::run(sequence, port);
        };
        let port = match self.replayed(setup, before.until, drive) {
            Ok(port) => port,
            Err(error) => {
                let (outcome, reason) = (Outcome::Fault, error.to_string());
                let end = ScriptEnd { outcome, reason, place: Place::default(), column: 0 };
                return (end, Vec::new());
            }
        };
        let stop = Rc::clone(&port.stop);
        let ended = script::run(sequence, Rc::new(RefCell::new(port)));
        *self.stop.borrow_mut() = stop.borrow_mut().take();
        ended
    }

    fn replayed(
        &self,
        setup: &Setup,
        until: u64,
        drive: &Rc<RefCell<VirtualDrive>>,
    ) -> Result<ReplayPort, RecordError> {
        let file = RunFile::open(&self.run_file)?;
        let bench = Arc::clone(&setup.bench);
        let history = drive.borrow().tally.clone();
        let live = Live(Rc::clone(drive));
        let go_live: GoLive = Box::new(move |next: &Call| -> Result<Box<dyn Port>, Ending> {
            let mut live = live;
            restore(&mut live, &bench, &history, &next.request)?;
            Ok(Box::new(live))
        });
        ReplayPort::until(Arc::clone(&setup.bench), setup.seed, file, until, self.treat_as, go_live)
    }
}

/// The driver, as the end of a replay hands it on.
struct Live(Rc<RefCell<VirtualDrive>>);

impl Port for Live {
    fn bench(&self) -> Arc<Bench> {
        self.0.borrow().bench()
    }

    fn request(&mut self, call: Call) -> Reply {
        self.0.borrow_mut().request(call)
    }

    fn computed(&mut self, operations: u64) -> Option<Ending> {
        self.0.borrow_mut().computed(operations)
    }

    fn seed(&self) -> u64 {
        self.0.borrow().seed()
    }

    fn memory(&self) -> Arc<Memory> {
        self.0.borrow().memory()
    }
}

/// What went wrong in a recorded rehearsal, from the text that its record has.
///
/// # Errors
/// One sentence, if that can't be read any more.
pub fn recorded_faults(file: &RunFile, bench: &Bench) -> Result<FaultPlan, String> {
    let found = file.document("faults").map_err(|error| error.to_string())?;
    let Some((name, text)) = found else { return Ok(FaultPlan::default()) };
    let seed = name.strip_prefix(NIGHT_NAME).and_then(|seed| seed.parse().ok());
    match seed.filter(|seed| night_document(*seed).1 == text) {
        Some(seed) => Ok(night_plan(seed).0),
        // Somebody's own file may have such a name; only a night has such a text.
        None => read_faults(&text, bench).map_err(|problems| match seed {
            Some(_) => {
                "this version draws other faults for that night, so it can't be lived again".to_owned()
            }
            None => {
                let first = problems.first().map(|problem| problem.message.clone()).unwrap_or_default();
                format!("the recorded faults can't be read: {first}")
            }
        }),
    }
}
