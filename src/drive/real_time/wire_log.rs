//! What was said on a link before something failed on it, in files beside the run.
//!
//! A thread of its own writes them: no link waits for a disk.

use std::path::{Path, PathBuf};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::time::{Duration, Instant};

/// Folder in the folder of a run.
pub const WIRE_FOLDER: &str = "links";
/// A link is written down so often at most: faults come in rows, and each file has the last minutes.
const EVERY: Duration = Duration::from_secs(20);
/// Files of one run at most.
const FILES_AT_MOST: usize = 200;
/// Recordings that wait for the disk at most; what comes then is left out.
const WAITING_AT_MOST: usize = 8;

/// Where recordings are handed over.
#[derive(Debug, Clone)]
pub struct WireLog {
    texts: SyncSender<(String, String)>,
}

impl WireLog {
    /// For the run in a folder.
    pub fn beside(run: &Path) -> Self {
        let (texts, received) = sync_channel::<(String, String)>(WAITING_AT_MOST);
        let folder = run.join(WIRE_FOLDER);
        let made =
            std::thread::Builder::new().name("wires".to_owned()).stack_size(256 << 10).spawn(move || {
                let mut count = std::fs::read_dir(&folder).map_or(0, Iterator::count);
                for (link, text) in received {
                    count += 1;
                    if count > FILES_AT_MOST {
                        continue;
                    }
                    if let Err(error) = write(&folder, &link, count, &text) {
                        tracing::warn!(%error, link, "what was said on a link could not be written down");
                    }
                }
            });
        if let Err(error) = made {
            tracing::warn!(%error, "what is said on links will not be written down");
        }
        Self { texts }
    }

    /// Hands over what was said on a link, if that was not done lately. Never waits.
    pub fn keep(&self, link: &str, last: &mut Option<Instant>, text: impl FnOnce() -> Option<String>) {
        if last.is_some_and(|at| at.elapsed() < EVERY) {
            return;
        }
        let Some(text) = text() else { return };
        *last = Some(Instant::now());
        // If too many wait for the disk, this one is left out.
        let _ = self.texts.try_send((link.to_owned(), text));
    }
}

fn write(folder: &Path, link: &str, count: usize, text: &str) -> std::io::Result<PathBuf> {
    std::fs::create_dir_all(folder)?;
    let plain: String = link.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '_' }).collect();
    let path = folder.join(format!("{count:04}_{plain}.txt"));
    std::fs::write(&path, text)?;
    Ok(path)
}
