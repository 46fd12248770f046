//! What happens as JSON lines, for programs.

use super::SharedProspect;
use crate::drive::virtual_time::Observer;
use crate::drive::{Outlook, RunTally};
use crate::quantity::TimePoint;
use crate::record::Entry;
use serde_json::{Value, json};
use std::io::Write;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, channel, sync_channel};
use std::time::{Duration, Instant};

/// Lines that may wait for a writer that is slow; more are left out, and the next line says how many.
const MOST_WAITING: usize = 4096;
/// How long the end of a run waits for the writer.
const END_PATIENCE: Duration = Duration::from_secs(2);

/// Time between two lines that tell the progress.
const PROGRESS_EVERY: Duration = Duration::from_secs(10);

/// Writes entries as JSON lines, in a thread of its own: `{"at_s":…,"kind":…,…}`, and every ten seconds one of the
/// kind `progress`. A reader that stops reading costs lines, never time of the run.
#[derive(Debug)]
pub struct Events {
    lines: Option<SyncSender<Line>>,
    left_out: u64,
    done: Receiver<()>,
    prospect: Option<SharedProspect>,
    told: Option<Instant>,
}

#[derive(Debug)]
enum What {
    Entry(Entry),
    Progress { points: u64, sweeps: u64, step: Option<String>, ahead: Outlook },
}

#[derive(Debug)]
struct Line {
    at: TimePoint,
    what: What,
    left_out: u64,
}

impl Line {
    fn body(&self) -> Value {
        let mut body = match &self.what {
            What::Entry(entry) => serde_json::to_value(entry).unwrap_or_default(),
            What::Progress { points, sweeps, step, ahead } => json!({
                "kind": "progress", "points": points, "sweeps": sweeps, "step": step,
                "sweep_points": ahead.sweep_points.map(|s| s.0), "sweep_planned": ahead.sweep_points.map(|s| s.1),
                "left_s": ahead.left.map(|l| l.s),
                "left_between_s": ahead.left.and_then(|l| l.between_s),
                "left_basis": ahead.basis, "sweep_left_s": ahead.sweep_left_s,
                "helium_l": ahead.helium.map(|h| h.level_l),
                "helium_due_in_s": ahead.helium.and_then(|h| h.due_in_s),
                "window_left_s": ahead.window_left_s,
            }),
        };
        body["at_s"] = json!(self.at.s());
        body
    }
}

impl Events {
    /// Begins to write.
    ///
    /// # Errors
    /// If there is no thread for it.
    pub fn start(out: Box<dyn Write + Send>, prospect: Option<SharedProspect>) -> std::io::Result<Self> {
        let (sender, receiver) = sync_channel(MOST_WAITING);
        let (over, done) = channel();
        std::thread::Builder::new().name("events".to_owned()).spawn(move || {
            write_lines(&receiver, out);
            // If nobody waits for the end, nobody needs to know.
            let _ = over.send(());
        })?;
        Ok(Self { lines: Some(sender), left_out: 0, done, prospect, told: None })
    }

    fn send(&mut self, at: TimePoint, what: What) {
        let Some(lines) = &self.lines else { return };
        match lines.try_send(Line { at, what, left_out: self.left_out }) {
            Ok(()) => self.left_out = 0,
            Err(TrySendError::Full(_)) => self.left_out += 1,
            Err(TrySendError::Disconnected(_)) => self.lines = None,
        }
    }
}

fn write_lines(lines: &Receiver<Line>, mut out: Box<dyn Write + Send>) {
    while let Ok(line) = lines.recv() {
        let mut text = String::new();
        if line.left_out > 0 {
            text = format!("{}\n", json!({ "kind": "left_out", "lines": line.left_out }));
        }
        text += &format!("{}\n", line.body());
        if out.write_all(text.as_bytes()).and_then(|()| out.flush()).is_err() {
            // The reader is gone; its lines are not missed.
            return;
        }
    }
}

impl Observer for Events {
    fn entry(&mut self, at: TimePoint, entry: &Entry) {
        self.send(at, What::Entry(entry.clone()));
    }

    fn moment(&mut self, at: TimePoint, tally: &RunTally) {
        let Some(prospect) = &self.prospect else { return };
        if self.told.is_some_and(|told| told.elapsed() < PROGRESS_EVERY) {
            return;
        }
        self.told = Some(Instant::now());
        let step = tally.steps.iter().rev().find(|step| step.to_s.is_none()).map(|step| step.name.clone());
        let (points, sweeps) = (tally.points, tally.sweeps);
        let ahead = prospect.ahead(at, tally);
        self.send(at, What::Progress { points, sweeps, step, ahead });
    }
}

impl Drop for Events {
    fn drop(&mut self) {
        self.lines = None;
        if let Err(RecvTimeoutError::Timeout) = self.done.recv_timeout(END_PATIENCE) {
            tracing::warn!("whoever reads the events is slow; the last of them are not written");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Read;
    use std::sync::{Arc, Mutex};
    use std::time::Instant;

    #[derive(Clone, Default)]
    struct Page(Arc<Mutex<Vec<u8>>>);

    impl Write for Page {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            self.0.lock().unwrap().write(bytes)
        }

        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    #[test]
    fn each_entry_is_one_line_of_json() {
        let page = Page::default();
        let mut events = Events::start(Box::new(page.clone()), None).unwrap();
        events.entry(TimePoint::from_s(1.5), &Entry::Cleared { name: "warm".into() });
        events.entry(TimePoint::from_s(2.0), &Entry::Released { after_s: 3.0 });
        drop(events);
        let text = String::from_utf8(page.0.lock().unwrap().clone()).unwrap();
        let lines: Vec<Value> = text.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
        assert_eq!(lines.len(), 2);
        assert_eq!((&lines[0]["kind"], &lines[0]["name"]), (&json!("cleared"), &json!("warm")));
        assert_eq!(lines[1]["at_s"], 2.0);
    }

    #[test]
    fn a_reader_that_does_not_read_costs_lines_but_no_time() {
        let (mut reader, writer) = std::io::pipe().unwrap();
        let mut events = Events::start(Box::new(writer), None).unwrap();
        let entry =
            Entry::Note { n: 0, text: "x".repeat(4000), place: Default::default(), for_next_shift: false };
        let started = Instant::now();
        for i in 0..10_000 {
            events.entry(TimePoint::from_s(f64::from(i)), &entry);
        }
        assert!(started.elapsed() < Duration::from_secs(2), "{:?}", started.elapsed());
        assert!(events.left_out > 0, "a pipe and a queue hold less than 40 MB");
        let reading = std::thread::spawn(move || {
            let mut text = String::new();
            reader.read_to_string(&mut text).unwrap();
            text.lines().count()
        });
        drop(events);
        assert!(reading.join().unwrap() >= MOST_WAITING);
    }
}
