//! Words from other terminals: a local socket that only the same user can open.
//!
//! One JSON line each way: a [`Request`] in, a [`Status`] out.

use super::status::Request;
use super::{Outside, Status};
use crate::supervisor::{Spoken, Word};
use serde::{Deserialize, Serialize};
use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, PermissionsExt};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt};
use tokio::net::UnixListener;
use tokio::sync::{mpsc, oneshot};

/// Name of the file in a run's folder that says where its socket is.
pub const CONTROL_FILE_NAME: &str = "control.json";
/// Longest line that is read from anybody.
const LONGEST_LINE: u64 = 64 * 1024;

/// Where a running process listens.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Control {
    /// Its process number.
    pub pid: u32,
    /// Its socket.
    pub socket: PathBuf,
}

/// Removes the socket and its file when the run is over.
#[derive(Debug)]
pub struct Listening {
    socket: PathBuf,
    file: PathBuf,
}

impl Drop for Listening {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.socket);
        let _ = std::fs::remove_file(&self.file);
    }
}

/// Begins to listen; must be called within the runtime.
///
/// # Errors
/// If no private folder or socket can be made.
pub fn listen(run_folder: &Path, words: mpsc::UnboundedSender<Outside>) -> std::io::Result<Listening> {
    let folder = private_folder()?;
    let pid = std::process::id();
    let socket = folder.join(format!("{pid}.sock"));
    let _ = std::fs::remove_file(&socket);
    let listener = UnixListener::bind(&socket)?;
    std::fs::set_permissions(&socket, std::fs::Permissions::from_mode(0o600))?;
    let file = run_folder.join(CONTROL_FILE_NAME);
    let text = serde_json::to_string(&Control { pid, socket: socket.clone() })?;
    std::fs::write(&file, text)?;
    tokio::spawn(async move {
        while let Ok((stream, _)) = listener.accept().await {
            tokio::spawn(serve(stream, words.clone()));
        }
    });
    Ok(Listening { socket, file })
}

/// A folder for sockets that nobody else can enter.
fn private_folder() -> std::io::Result<PathBuf> {
    let user = std::fs::metadata("/proc/self").or_else(|_| std::fs::metadata("."))?.uid();
    let folder = std::env::temp_dir().join(format!("noctule-{user}"));
    match std::fs::DirBuilder::new().mode(0o700).create(&folder) {
        Ok(()) => {}
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
        Err(error) => return Err(error),
    }
    let found = std::fs::symlink_metadata(&folder)?;
    if !found.is_dir() || found.uid() != user || found.mode() & 0o077 != 0 {
        let message = format!("`{}` is not a private folder of this user", folder.display());
        return Err(std::io::Error::new(std::io::ErrorKind::PermissionDenied, message));
    }
    Ok(folder)
}

async fn serve(stream: tokio::net::UnixStream, words: mpsc::UnboundedSender<Outside>) {
    let (read, mut write) = stream.into_split();
    let mut line = String::new();
    let mut reader = tokio::io::BufReader::new(read.take(LONGEST_LINE));
    if reader.read_line(&mut line).await.is_err() {
        return;
    }
    let Ok(request) = serde_json::from_str::<Request>(&line) else {
        let _ = write.write_all(b"{\"error\":\"this is no request\"}\n").await;
        return;
    };
    let word = match request {
        Request::Status => None,
        Request::Hold => Some(Word::Hold.into()),
        Request::HoldForRefill => Some(Word::HoldForRefill.into()),
        Request::Release { clear_by } => Some(Spoken { by: clear_by, ..Word::Release.into() }),
        Request::First { goal, by } => Some(Spoken { by, goal: Some(goal), ..Word::First.into() }),
        Request::NotWanted { goal, by } => Some(Spoken { by, goal: Some(goal), ..Word::NotWanted.into() }),
        Request::Answer { question, says, by } => {
            Some(Spoken { by, goal: Some(question), answer: Some(says), ..Word::Answer.into() })
        }
        Request::Stop => Some(Word::Stop.into()),
        Request::LeaveAsIs => Some(Word::LeaveAsIs.into()),
    };
    if let Some(spoken) = word {
        let _ = words.send(Outside::Word(spoken));
    }
    // The word is taken in before the snapshot, so the answer shows what it did.
    let (sender, receiver) = oneshot::channel();
    let _ = words.send(Outside::Status(sender));
    let Ok(status) = receiver.await else { return };
    if let Ok(mut text) = serde_json::to_string::<Status>(&status) {
        text.push('\n');
        let _ = write.write_all(text.as_bytes()).await;
    }
}

/// Says a word to a running process and returns its status as JSON.
///
/// # Errors
/// One sentence, if nobody runs there.
pub fn say(run_folder: &Path, request: &Request) -> Result<serde_json::Value, String> {
    let nobody = "this run is not going on now";
    let text = std::fs::read_to_string(run_folder.join(CONTROL_FILE_NAME)).map_err(|_| nobody.to_owned())?;
    let control: Control = serde_json::from_str(&text).map_err(|_| nobody.to_owned())?;
    let mut stream = UnixStream::connect(&control.socket)
        .map_err(|error| format!("{nobody}: process {} does not answer ({error})", control.pid))?;
    let line = serde_json::to_string(request).map_err(|e| e.to_string())?;
    let told = stream
        .set_read_timeout(Some(Duration::from_secs(10)))
        .and_then(|()| writeln!(stream, "{line}"))
        .map_err(|error| error.to_string());
    told?;
    let mut answer = String::new();
    BufReader::new(stream.take(1 << 22)).read_line(&mut answer).map_err(|error| error.to_string())?;
    serde_json::from_str(&answer).map_err(|_| "the run gave no answer".to_owned())
}
