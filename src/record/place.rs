//! Whether the file that is written still lies where it was made: what is written to a file that was removed is lost.

use super::RecordError;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::time::{Duration, Instant};

/// How often it is looked.
const LOOK_EVERY: Duration = Duration::from_secs(2);

/// The file, as it was found when it was opened.
#[derive(Debug)]
pub(super) struct Place {
    file: Option<(u64, u64)>,
    looked: Option<Instant>,
}

fn found(path: &Path) -> Option<(u64, u64)> {
    std::fs::metadata(path).ok().map(|found| (found.dev(), found.ino()))
}

impl Place {
    pub(super) fn of(path: &Path) -> Self {
        Self { file: found(path), looked: None }
    }

    pub(super) fn is_due(&mut self) -> bool {
        let due = self.looked.is_none_or(|looked| looked.elapsed() >= LOOK_EVERY);
        if due {
            self.looked = Some(Instant::now());
        }
        due
    }

    pub(super) fn check(&self, path: &Path) -> Result<(), RecordError> {
        if self.file == found(path) {
            return Ok(());
        }
        Err(RecordError::Unusable {
            path: path.display().to_string(),
            reason: "it was removed, or moved elsewhere, while it was written".to_owned(),
        })
    }
}

#[cfg(test)]
mod tests {
    use crate::quantity::TimePoint;
    use crate::record::{Durability, Entry, Recorder, Store};

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
}
