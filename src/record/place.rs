//! Whether the file that is written still lies where it was made: what is written to a file that was removed is lost.

use super::RecordError;
use rusqlite::Connection;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How often it is looked.
const LOOK_EVERY: Duration = Duration::from_secs(2);

/// The file, as it was found when it was opened.
#[derive(Debug)]
pub(super) struct Place {
    file: Option<(u64, u64)>,
    looked: Option<Instant>,
    /// Where what was written is kept if its own place is gone.
    spare: Option<PathBuf>,
}

fn found(path: &Path) -> Option<(u64, u64)> {
    std::fs::metadata(path).ok().map(|found| (found.dev(), found.ino()))
}

impl Place {
    pub(super) fn of(path: &Path) -> Self {
        Self { file: found(path), looked: None, spare: None }
    }

    pub(super) fn with_spare(self, spare: Option<PathBuf>) -> Self {
        Self { spare, ..self }
    }

    pub(super) fn is_due(&mut self) -> bool {
        let due = self.looked.is_none_or(|looked| looked.elapsed() >= LOOK_EVERY);
        if due {
            self.looked = Some(Instant::now());
        }
        due
    }

    /// Looks. A removed file is still open, and so can be copied to the spare folder; the connection must be between two
    /// transactions.
    pub(super) fn check(&self, path: &Path, connection: &Connection) -> Result<(), RecordError> {
        if self.file == found(path) {
            return Ok(());
        }
        let gone = "it was removed, or moved elsewhere, while it was written";
        let reason = match self.spare.as_ref().map(|spare| save(connection, spare, path)) {
            None => gone.to_owned(),
            Some(Ok(kept)) => format!("{gone}; what was recorded until then is in `{}`", kept.display()),
            Some(Err(why)) => format!("{gone}, and could not be kept in the spare folder: {why}"),
        };
        Err(RecordError::Unusable { path: path.display().to_string(), reason })
    }
}

/// A folder of the run's own name in the spare one, with its record as one plain file.
fn save(connection: &Connection, spare: &Path, path: &Path) -> Result<PathBuf, String> {
    let name = path.parent().and_then(Path::file_name).unwrap_or("run".as_ref());
    let folder = spare.join(name);
    std::fs::create_dir_all(&folder).map_err(|error| error.to_string())?;
    let to = folder.join(path.file_name().unwrap_or("run.sqlite".as_ref()));
    if to.exists() {
        return Err(format!("`{}` is there already", to.display()));
    }
    copy_plain(connection, &to).map_err(|error| error.to_string())?;
    Ok(to)
}

/// A record as it is at one moment, as one plain file that needs no side file.
pub(super) fn copy_plain(connection: &Connection, to: &Path) -> rusqlite::Result<()> {
    connection.backup("main", to, None::<fn(rusqlite::backup::Progress)>)?;
    Connection::open(to)?.query_row("PRAGMA journal_mode = DELETE", [], |_| Ok(()))
}

#[cfg(test)]
mod tests {
    use crate::quantity::TimePoint;
    use crate::record::{Durability, Entry, Recorder, RunFile, Store};

    #[test]
    fn a_record_whose_file_was_removed_is_not_called_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("run.sqlite");
        let mut store = Store::create(&path, Durability::PowerCut, &[]).unwrap();
        let entry = Entry::Monitor { channel: "helium_level".into(), value: 0.03 };
        store.append(TimePoint::START, &entry, &[]).unwrap();
        std::fs::remove_file(&path).unwrap();
        let failed = store.finish().expect_err("its rows are lost");
        assert!(failed.to_string().contains("it was removed"), "{failed}");
    }

    #[test]
    fn what_was_recorded_is_kept_in_the_spare_folder() {
        let (folder, spare) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let own = folder.path().join("night");
        std::fs::create_dir(&own).unwrap();
        let path = own.join("run.sqlite");
        let store = Store::create(&path, Durability::PowerCut, &[]).unwrap();
        let mut store = store.with_spare(Some(spare.path().to_owned()));
        for litres in 30..60 {
            let entry = Entry::Monitor { channel: "helium_level".into(), value: 1e-3 * f64::from(litres) };
            store.append(TimePoint::START, &entry, &[]).unwrap();
        }
        std::fs::remove_dir_all(&own).unwrap();
        let failed = store.commit().expect_err("its place is gone");
        assert!(failed.to_string().contains("what was recorded until then is in"), "{failed}");
        let kept = RunFile::open(&spare.path().join("night/run.sqlite")).unwrap();
        assert_eq!(kept.all("monitor").unwrap().len(), 30);
        assert!(kept.check().unwrap().faults.is_empty());
    }
}
