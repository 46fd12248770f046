//! The texts of a sequence: the main file and what it imports.

use super::host::file_name;
use crate::record::Document;
use std::path::{Path, PathBuf};

/// A sequence, read into memory: what is checked is what runs.
#[derive(Debug, Clone)]
pub struct Sequence {
    /// Path as it was given.
    pub path: PathBuf,
    /// File name without folder.
    pub name: String,
    /// The text.
    pub text: String,
}

impl Sequence {
    /// Reads a file.
    ///
    /// # Errors
    /// One sentence, if it can't be read or is no UTF-8 text.
    pub fn load(path: &Path) -> Result<Self, String> {
        let text = std::fs::read_to_string(path)
            .map_err(|error| format!("`{}` can't be read: {error}", path.display()))?;
        Ok(Self { path: path.to_owned(), name: file_name(&path.to_string_lossy()), text })
    }

    /// A sequence from a text.
    pub fn from_text(name: &str, text: &str) -> Self {
        Self { path: PathBuf::from(name), name: file_name(name), text: text.to_owned() }
    }

    /// The folder it lies in; imports may not leave it.
    pub fn folder(&self) -> PathBuf {
        match self.path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
            _ => PathBuf::from("."),
        }
    }

    /// As a document of the record.
    pub fn document(&self) -> Document {
        Document { name: self.name.clone(), role: "sequence", text: self.text.clone() }
    }
}
