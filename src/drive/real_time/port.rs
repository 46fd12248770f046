//! The script's end of the driver in real time: calls go over a channel, answers come back over another.

use crate::bench::Bench;
use crate::drive::Port;
use crate::record::{Ending, Memory, Outcome, Place};
use crate::supervisor::{Call, Denial, Reply};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::Receiver;
use std::sync::{Arc, Mutex};
use tokio::sync::mpsc::UnboundedSender;

/// Tells a computing script that the run is over.
#[derive(Debug, Default)]
pub struct StopFlag {
    raised: AtomicBool,
    ending: Mutex<Option<Ending>>,
}

impl StopFlag {
    /// Raises it; the first reason stays.
    pub fn raise(&self, ending: Ending) {
        if let Ok(mut kept) = self.ending.lock() {
            kept.get_or_insert(ending);
        }
        self.raised.store(true, Ordering::Release);
    }

    /// The reason, once it is raised.
    pub fn reason(&self) -> Option<Ending> {
        if !self.raised.load(Ordering::Acquire) {
            return None;
        }
        self.ending.lock().ok().and_then(|kept| kept.clone())
    }
}

/// The port.
#[derive(Debug)]
pub struct RealTimePort {
    bench: Arc<Bench>,
    seed: u64,
    calls: UnboundedSender<Call>,
    replies: Receiver<Reply>,
    stop: Arc<StopFlag>,
    memory: Arc<Memory>,
}

impl RealTimePort {
    /// Between a script and the driver's loop.
    pub fn new(
        bench: Arc<Bench>,
        seed: u64,
        calls: UnboundedSender<Call>,
        replies: Receiver<Reply>,
        stop: Arc<StopFlag>,
    ) -> Self {
        Self { bench, seed, calls, replies, stop, memory: Arc::default() }
    }

    /// With what the logbook knew when the run began.
    #[must_use]
    pub fn knowing(self, memory: Option<Arc<Memory>>) -> Self {
        Self { memory: memory.unwrap_or_default(), ..self }
    }

    fn over(&self, place: Place) -> Reply {
        let ending = self.stop.reason().unwrap_or_else(|| Ending {
            outcome: Outcome::Stopped,
            reason: "the run is over".to_owned(),
            place,
            latched: false,
        });
        Err(Denial::Ended(ending))
    }
}

impl Port for RealTimePort {
    fn bench(&self) -> Arc<Bench> {
        Arc::clone(&self.bench)
    }

    fn request(&mut self, call: Call) -> Reply {
        let place = call.place.clone();
        if self.calls.send(call).is_err() {
            return self.over(place);
        }
        self.replies.recv().unwrap_or_else(|_| self.over(place))
    }

    fn computed(&mut self, _operations: u64) -> Option<Ending> {
        self.stop.reason()
    }

    fn seed(&self) -> u64 {
        self.seed
    }

    fn memory(&self) -> Arc<Memory> {
        Arc::clone(&self.memory)
    }
}
