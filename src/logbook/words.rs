//! What people say: a file of lines, each with a checksum, added to and never changed.
//!
//! A word is on disk before it is acknowledged. A line that was cut by a crash was not acknowledged; it is passed over.

use super::LogError;
use serde::{Deserialize, Serialize};
use std::fs::{File, OpenOptions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Name of the file in the folder of the runs.
pub const WORDS_NAME: &str = "words.jsonl";

/// What kind of word it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// A note.
    Note,
    /// A plan for the next shift.
    Plan,
    /// Somebody has looked at the tip and found it good.
    Looked,
    /// The tip may be touched until then.
    Allow,
    /// Another tip was put in, by hand.
    NewTip,
    /// The pot was condensed anew, by hand.
    Condensed,
}

impl Kind {
    /// Its word in tables and for people.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Note => "note",
            Kind::Plan => "plan",
            Kind::Looked => "looked",
            Kind::Allow => "allow",
            Kind::NewTip => "new_tip",
            Kind::Condensed => "condensed",
        }
    }
}

/// What a word is about, where it says so.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct About {
    /// Name of a run.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub run: Option<String>,
    /// Number of a tip.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tip: Option<u64>,
    /// Id of a spin.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spin: Option<String>,
}

/// A word of a person.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Word {
    /// Its number, from 1.
    pub id: u64,
    /// When it was said, s since 1970.
    pub at_s: i64,
    /// How long after that second, ms: a word and a run often come within one.
    #[serde(default)]
    pub at_ms: u16,
    /// By whom.
    pub by: String,
    /// What kind.
    pub kind: Kind,
    /// What about.
    #[serde(default)]
    pub about: About,
    /// The words.
    pub text: String,
    /// Until when it holds, s since 1970.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until_s: Option<i64>,
}

/// The file.
#[derive(Debug, Clone)]
pub struct Words {
    path: PathBuf,
}

impl Words {
    /// In a folder of runs.
    pub fn of(folder: &Path) -> Self {
        Self { path: folder.join(WORDS_NAME) }
    }

    fn unusable(&self, error: &std::io::Error) -> LogError {
        LogError::Unusable { path: self.path.display().to_string(), reason: error.to_string() }
    }

    /// All words that were acknowledged.
    ///
    /// # Errors
    /// If the file can't be read.
    pub fn all(&self) -> Result<Vec<Word>, LogError> {
        match std::fs::read_to_string(&self.path) {
            Ok(text) => Ok(text.lines().filter_map(read_line).collect()),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Vec::new()),
            Err(error) => Err(self.unusable(&error)),
        }
    }

    /// Adds a word and gives it its number. When this returns it is on disk.
    ///
    /// # Errors
    /// If it can't be written; then it is not acknowledged.
    pub fn add(&self, word: Word) -> Result<Word, LogError> {
        self.append(word).map_err(|error| self.unusable(&error))
    }

    fn append(&self, mut word: Word) -> std::io::Result<Word> {
        if let Some(folder) = self.path.parent() {
            std::fs::create_dir_all(folder)?;
        }
        let new = !self.path.exists();
        let mut file = OpenOptions::new().create(true).read(true).append(true).open(&self.path)?;
        // Another process may be adding one: numbers are given under the lock, which goes with the file.
        file.lock()?;
        let mut text = String::new();
        file.seek(SeekFrom::Start(0))?;
        file.read_to_string(&mut text)?;
        word.id = text.lines().filter_map(read_line).map(|word| word.id).max().unwrap_or(0) + 1;
        let cut = !text.is_empty() && !text.ends_with('\n');
        let line = format!("{}{}\n", if cut { "\n" } else { "" }, line_of(&word));
        file.write_all(line.as_bytes())?;
        file.sync_all()?;
        if let Some(folder) = self.path.parent().filter(|_| new) {
            File::open(folder)?.sync_all()?;
        }
        Ok(word)
    }
}

fn line_of(word: &Word) -> String {
    let body = serde_json::to_string(word).unwrap_or_default();
    format!("{:08x} {body}", crc32fast::hash(body.as_bytes()))
}

fn read_line(line: &str) -> Option<Word> {
    let (sum, body) = line.split_once(' ')?;
    let whole = u32::from_str_radix(sum, 16).ok()? == crc32fast::hash(body.as_bytes());
    whole.then(|| serde_json::from_str(body).ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn word(text: &str) -> Word {
        let (by, about) = ("Mira".to_owned(), About::default());
        Word { id: 0, at_s: 7, at_ms: 0, by, kind: Kind::Note, about, text: text.to_owned(), until_s: None }
    }

    #[test]
    fn a_line_that_was_cut_is_passed_over_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let words = Words::of(folder.path());
        assert!(words.all().unwrap().is_empty());
        for text in ["one", "two \"quoted\"\nand a line"] {
            words.add(word(text)).unwrap();
        }
        let whole = std::fs::read_to_string(folder.path().join(WORDS_NAME)).unwrap();
        for cut in 1..40 {
            std::fs::write(folder.path().join(WORDS_NAME), &whole[..whole.len() - cut]).unwrap();
            assert_eq!(words.all().unwrap().len(), if cut == 1 { 2 } else { 1 }, "{cut}");
            let added = words.add(word("three")).unwrap();
            assert_eq!(added.id, if cut == 1 { 3 } else { 2 });
            assert_eq!(words.all().unwrap().last().unwrap().text, "three");
        }
    }
}
