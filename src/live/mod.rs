//! The live page: what a run is doing now, for everybody who has a browser.
//!
//! The server is a reader of the run file like any other, and asks the run's control socket for its status; it
//! lives in threads of its own and never speaks to the loop that measures. Rows are committed within 200 ms and
//! looked for every [`LOOK_EVERY`], so that a point is on the page within a second. What no picture shows any
//! more is forgotten, and a reader who is slow misses pictures instead of heaping them up.
//!
//! The page is read-only. Words to the run (hold, release, stop) need the token that is printed at the start, in
//! a header that no page from elsewhere can send; see [`guard`].

mod campaign;
mod follow;
mod frame;
pub mod guard;
mod picture;
mod server;
mod watch;

pub use frame::{Frame, Picture};
pub use guard::Guard;

use crate::bench::LiveWords;
use crate::record::{RecordError, RunFile};
use crate::report::pursuit::RunPart;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Time between two looks into the run file.
pub const LOOK_EVERY: Duration = Duration::from_millis(120);
/// How long the run file may take to appear.
const FILE_PATIENCE: Duration = Duration::from_secs(30);

/// Why there is no live page.
#[derive(Debug, thiserror::Error)]
pub enum LiveError {
    /// The address can't be listened on.
    #[error("`{address}` can't be listened on: {reason}")]
    Address {
        /// The address.
        address: SocketAddr,
        /// What the system says.
        reason: std::io::Error,
    },
    /// No thread, no token, no runtime.
    #[error("the live page can't be served: {0}")]
    Internal(#[from] std::io::Error),
    /// The run file can't be read.
    #[error(transparent)]
    Record(#[from] RecordError),
}

/// A live page that is being served; it ends when this goes.
#[derive(Debug)]
pub struct Live {
    /// Where it listens.
    pub address: SocketAddr,
    /// What words to the run need; made anew at every start.
    pub token: String,
    over: Arc<AtomicBool>,
    threads: Vec<JoinHandle<()>>,
}

impl Live {
    /// Begins to serve the page of a run file, which may appear a little later.
    ///
    /// # Errors
    /// If the address can't be listened on.
    pub fn start(run_file: &Path, listen: SocketAddr, words: LiveWords) -> Result<Self, LiveError> {
        Self::start_with(run_file, listen, words, Vec::new())
    }

    /// The same with the earlier runs of the campaign that it belongs to.
    ///
    /// # Errors
    /// If the address can't be listened on.
    pub fn start_with(
        run_file: &Path,
        listen: SocketAddr,
        words: LiveWords,
        earlier: Vec<RunPart>,
    ) -> Result<Self, LiveError> {
        let bind = || -> std::io::Result<std::net::TcpListener> {
            let listener = std::net::TcpListener::bind(listen)?;
            listener.set_nonblocking(true)?;
            Ok(listener)
        };
        let listener = bind().map_err(|reason| LiveError::Address { address: listen, reason })?;
        let address = listener.local_addr()?;
        let token = guard::new_token()?;
        let guard = Guard::new(&token, address.ip(), words);
        let over = Arc::new(AtomicBool::new(false));
        let (frames, watching) = tokio::sync::watch::channel(Arc::new(Frame::default()));
        let (file, ended) = (run_file.to_owned(), Arc::clone(&over));
        let looking =
            std::thread::Builder::new().name("live reader".to_owned()).spawn(move || {
                match wait_for(&file, &ended) {
                    Some(run) => watch::watch(run, &frames, &ended, earlier),
                    None => tracing::warn!(file = %file.display(), "the live page has no run file to read"),
                }
            })?;
        let folder: PathBuf = run_file.parent().map(Path::to_owned).unwrap_or_default();
        let ended = Arc::clone(&over);
        let serving = std::thread::Builder::new()
            .name("live page".to_owned())
            .spawn(move || server::serve(listener, watching, guard, folder, &ended))?;
        Ok(Self { address, token, over, threads: vec![looking, serving] })
    }

    /// Waits as long as the server works.
    pub fn wait(mut self) {
        for thread in self.threads.drain(..) {
            let _ = thread.join();
        }
    }

    /// Shows the last rows to whoever is looking, then ends.
    pub fn stop(self) {
        drop(self);
    }
}

impl Drop for Live {
    fn drop(&mut self) {
        self.over.store(true, Ordering::SeqCst);
        for thread in self.threads.drain(..) {
            let _ = thread.join();
        }
    }
}

/// The run file, as soon as it is there and can be read.
fn wait_for(file: &Path, over: &AtomicBool) -> Option<RunFile> {
    let until = Instant::now() + FILE_PATIENCE;
    loop {
        if let Ok(run) = RunFile::open(file)
            && run.identity().is_ok()
        {
            return Some(run);
        }
        if over.load(Ordering::SeqCst) || Instant::now() > until {
            return None;
        }
        std::thread::sleep(LOOK_EVERY);
    }
}
