//! What the script engine sees of a driver.

use crate::bench::Bench;
use crate::record::{Ending, Memory};
use crate::supervisor::{Call, Reply};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;

/// A driver as the script engine sees it. Calls block until they are answered.
pub trait Port {
    /// The bench.
    fn bench(&self) -> Arc<Bench>;
    /// Makes a call and waits for its answer.
    fn request(&mut self, call: Call) -> Reply;
    /// The script has computed for so many operations since it last said so; if the run
    /// is over, says why.
    fn computed(&mut self, operations: u64) -> Option<Ending>;
    /// The seed of the run's random numbers.
    fn seed(&self) -> u64;
    /// What the logbook knew when the run began.
    fn memory(&self) -> Arc<Memory> {
        Arc::default()
    }
}

/// A port that verbs and engine share within the script's thread.
pub type SharedPort = Rc<RefCell<dyn Port>>;
