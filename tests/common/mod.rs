//! What black-box tests share: running the program and reading what it says.
#![allow(dead_code, reason = "each test file uses its own part")]

use noctule::bench::LiveWords;
use noctule::live::Live;
use serde_json::Value;
use std::io::{BufRead, BufReader, Write as _};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The program under test.
pub fn noctule() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_noctule"));
    command.current_dir(env!("CARGO_MANIFEST_DIR"));
    command
}

/// What a run of the program has said.
pub struct Said {
    /// Exit code.
    pub code: i32,
    /// Data.
    pub stdout: String,
    /// Words.
    pub stderr: String,
}

impl Said {
    /// The one JSON object on stdout.
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.stdout)
            .unwrap_or_else(|e| panic!("{e}: stdout is {:?}, stderr is {}", self.stdout, self.stderr))
    }
}

impl From<Output> for Said {
    fn from(output: Output) -> Self {
        Self {
            code: output.status.code().unwrap_or(-1),
            stdout: String::from_utf8_lossy(&output.stdout).into_owned(),
            stderr: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }
}

/// Runs the program with arguments to its end.
pub fn say(arguments: &[&str]) -> Said {
    noctule().args(arguments).output().expect("the program starts").into()
}

/// Writes a text into a folder and gives its path.
pub fn write(folder: &Path, name: &str, text: &str) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, text).expect("the test can write into its folder");
    path
}

/// A path as the program takes it.
pub fn text(path: &Path) -> &str {
    path.to_str().expect("test paths are plain")
}

/// The status that the live page shows of a run file for which nobody answers.
pub fn live_status(path: &Path) -> Value {
    let words = LiveWords { beyond_loopback: false, release: false };
    let live = Live::start(path, "127.0.0.1:0".parse().unwrap(), words).unwrap();
    let address = live.address;
    let mut stream = TcpStream::connect(address).unwrap();
    write!(stream, "GET /events HTTP/1.1\r\nHost: {address}\r\n\r\n").unwrap();
    for line in BufReader::new(stream).lines() {
        let line = line.unwrap();
        if let Some(data) = line.strip_prefix("data: ") {
            let data: Value = serde_json::from_str(data).unwrap();
            if data["run"].is_string() {
                return data;
            }
        }
    }
    panic!("no status came");
}
