//! The thread that writes the run file. Points are on disk at most 200 ms after they were measured,
//! actions before they are acknowledged.

use crate::quantity::TimePoint;
use crate::record::{Entry, Point, RecordError, Recorder};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio::sync::mpsc::UnboundedSender;

/// Longest time that something stays uncommitted.
const COMMIT_WITHIN: Duration = Duration::from_millis(150);

/// Something to be written.
enum Item {
    Entry { seq: u64, at: TimePoint, entry: Box<Entry>, data: Vec<f64>, urgent: bool },
    Point { seq: u64, point: Point },
    Finish,
}

/// News from the recording thread.
#[derive(Debug)]
pub enum FromRecord {
    /// Everything up to this number is on disk.
    Durable(u64),
    /// It can't be written.
    Failed(String),
}

/// The recording thread.
#[derive(Debug)]
pub struct Recording {
    items: Sender<Item>,
    thread: Option<JoinHandle<Result<String, RecordError>>>,
}

impl Recording {
    /// Starts it; `make` opens the run file within the thread.
    pub fn start(
        make: Box<dyn FnOnce() -> Result<Box<dyn Recorder>, RecordError> + Send>,
        news: UnboundedSender<FromRecord>,
    ) -> Self {
        let (items, receiver) = channel();
        let in_vain = news.clone();
        let thread = std::thread::Builder::new().name("record".to_owned()).spawn(move || {
            // Whoever waits for the disk must hear of a failure, or it waits for ever.
            let tell = |error: &RecordError| {
                let _ = news.send(FromRecord::Failed(error.to_string()));
            };
            let mut recorder = make().inspect_err(&tell)?;
            write(recorder.as_mut(), &receiver, &news).inspect_err(|error| {
                tell(error);
                hear_last_words(recorder.as_mut(), &receiver);
            })?;
            // Nothing comes after the end: where closing fails there are no last words to wait for.
            recorder.finish().inspect_err(&tell)
        });
        if let Err(error) = &thread {
            let _ = in_vain.send(FromRecord::Failed(format!("there is no memory left to write it: {error}")));
        }
        Self { items, thread: thread.ok() }
    }

    /// Hands over an entry.
    pub fn append(&self, seq: u64, at: TimePoint, entry: Box<Entry>, data: Vec<f64>, urgent: bool) {
        let _ = self.items.send(Item::Entry { seq, at, entry, data, urgent });
    }

    /// Hands over a point.
    pub fn append_point(&self, seq: u64, point: Point) {
        let _ = self.items.send(Item::Point { seq, point });
    }

    /// Ends the record; what comes back can be waited for.
    pub fn end(&mut self) -> Closing {
        let _ = self.items.send(Item::Finish);
        Closing(self.thread.take())
    }
}

/// A record that is being closed.
#[derive(Debug)]
pub struct Closing(Option<JoinHandle<Result<String, RecordError>>>);

impl Closing {
    /// Waits until it is closed; gives the digest.
    ///
    /// # Errors
    /// Why it could not be written to its end.
    pub fn wait(self) -> Result<String, RecordError> {
        match self.0.map(JoinHandle::join) {
            Some(Ok(result)) => result,
            Some(Err(_)) | None => Err(RecordError::Damaged("the recording thread has died".to_owned())),
        }
    }
}

/// How the bench is parked is still handed to a record that has failed: it may have space for its end.
fn hear_last_words(recorder: &mut dyn Recorder, items: &Receiver<Item>) {
    for item in items {
        match item {
            // It says itself that it failed, and that was told.
            Item::Entry { at, entry, data, .. } => drop(recorder.append(at, &entry, &data)),
            Item::Point { .. } => {}
            Item::Finish => break,
        }
    }
}

/// Writes what comes until the record is to be ended.
fn write(
    recorder: &mut dyn Recorder,
    items: &Receiver<Item>,
    news: &UnboundedSender<FromRecord>,
) -> Result<(), RecordError> {
    let mut last = None;
    let mut oldest: Option<Instant> = None;
    loop {
        let wait =
            oldest.map_or(Duration::from_secs(3600), |since| COMMIT_WITHIN.saturating_sub(since.elapsed()));
        let mut urgent = false;
        let mut next = items.recv_timeout(wait);
        // Everything that has come meanwhile goes into one commit.
        loop {
            match next {
                Ok(Item::Entry { seq, at, entry, data, urgent: waits }) => {
                    recorder.append(at, &entry, &data)?;
                    last = Some(seq);
                    urgent |= waits;
                }
                Ok(Item::Point { seq, point }) => {
                    recorder.append_point(&point)?;
                    last = Some(seq);
                }
                Ok(Item::Finish) | Err(RecvTimeoutError::Disconnected) => return Ok(()),
                Err(RecvTimeoutError::Timeout) => break,
            }
            // However fast more comes, what is there is not kept waiting for it.
            if oldest.get_or_insert_with(Instant::now).elapsed() >= COMMIT_WITHIN {
                break;
            }
            next = items.try_recv().map_err(|_| RecvTimeoutError::Timeout);
        }
        let due = oldest.is_some_and(|since| since.elapsed() >= COMMIT_WITHIN);
        if urgent || due {
            recorder.commit()?;
            oldest = None;
            if let Some(seq) = last {
                let _ = news.send(FromRecord::Durable(seq));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Durability, Store};

    /// A record whose closing fails is told of, and nobody waits for it.
    #[test]
    fn a_record_that_can_not_be_closed_keeps_nobody_waiting() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run.sqlite");
        let (news, mut heard) = tokio::sync::mpsc::unbounded_channel();
        let to = path.clone();
        let make = Box::new(move || -> Result<Box<dyn Recorder>, RecordError> {
            Ok(Box::new(Store::create(&to, Durability::PowerCut, &[])?))
        });
        let mut recording = Recording::start(make, news);
        let entry = || Box::new(Entry::Monitor { channel: "helium_level".into(), value: 0.03 });
        recording.append(0, TimePoint::START, entry(), Vec::new(), true);
        assert!(matches!(heard.blocking_recv(), Some(FromRecord::Durable(0))));
        std::fs::remove_file(&path).unwrap();
        let error = recording.end().wait().expect_err("its file is gone");
        assert!(error.to_string().contains("it was removed"), "{error}");
        assert!(matches!(heard.blocking_recv(), Some(FromRecord::Failed(_))));
    }
}
