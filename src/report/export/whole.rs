//! Files that are there as a whole or not at all.

use super::ExportError;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// A file in the making. Dropped without [`Whole::finish`], it leaves nothing behind.
pub struct Whole {
    path: PathBuf,
    beside: PathBuf,
    done: bool,
}

impl Whole {
    /// For a file at `path`, in a folder that is there.
    pub fn new(path: &Path) -> Self {
        let mut name = path.file_name().unwrap_or_default().to_os_string();
        name.push(format!(".{}.part", std::process::id()));
        Self { path: path.to_owned(), beside: path.with_file_name(name), done: false }
    }

    /// Where it is written meanwhile.
    pub fn beside(&self) -> &Path {
        &self.beside
    }

    /// Makes it durable and gives it its name.
    pub fn finish(mut self) -> Result<(), ExportError> {
        let result = File::open(&self.beside).and_then(|file| {
            file.sync_all()?;
            std::fs::rename(&self.beside, &self.path)?;
            // The name itself is durable only with its folder.
            let folder = self.path.parent().filter(|p| !p.as_os_str().is_empty());
            File::open(folder.unwrap_or(Path::new("."))).and_then(|folder| folder.sync_all())
        });
        self.done = result.is_ok();
        result.map_err(|error| ExportError::write(&self.path, error))
    }
}

impl Drop for Whole {
    fn drop(&mut self) {
        if !self.done {
            // Nothing else can be done about a leftover here.
            let _ = std::fs::remove_file(&self.beside);
        }
    }
}

/// Writes a file through `fill`.
pub fn write(
    path: &Path,
    fill: impl FnOnce(&mut BufWriter<File>) -> Result<(), ExportError>,
) -> Result<(), ExportError> {
    let whole = Whole::new(path);
    let file = File::create(whole.beside()).map_err(|error| ExportError::write(path, error))?;
    let mut writer = BufWriter::with_capacity(1 << 18, file);
    fill(&mut writer)?;
    writer.flush().map_err(|error| ExportError::write(path, error))?;
    drop(writer);
    whole.finish()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failed_export_leaves_the_old_file_and_no_rest() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        write(&path, |out| out.write_all(b"old").map_err(|e| ExportError::write(Path::new("a"), e))).unwrap();
        let failed = write(&path, |out| {
            out.write_all(b"half of the new").unwrap();
            Err(ExportError::write(Path::new("a.csv"), "the disk is full"))
        });
        assert_eq!(failed.unwrap_err().to_string(), "`a.csv` can't be written: the disk is full");
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "old");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
