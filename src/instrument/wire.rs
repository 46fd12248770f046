//! What was said on a link lately, byte by byte: for people who look for what went wrong, and to be played again.
//!
//! One line each: seconds since the link was made, a sign, and what was said, with escapes for whatever is no plain
//! character. `>` was sent, `<` came, `!` is what failed, `=` is a new connection.

use std::collections::VecDeque;
use std::fmt::Write;
use std::time::{Duration, Instant};

/// So long is kept.
const KEPT: Duration = Duration::from_secs(300);
/// So much is kept at most, bytes.
const KEPT_BYTES: usize = 256 * 1024;
/// Of one message so much is kept, bytes.
const LONGEST: usize = 4096;

/// What a line tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sign {
    /// It was sent.
    Sent,
    /// It came.
    Came,
    /// It failed, in words.
    Failed,
    /// A connection was made.
    Connected,
}

impl Sign {
    /// The sign in a recording.
    pub fn letter(self) -> char {
        match self {
            Sign::Sent => '>',
            Sign::Came => '<',
            Sign::Failed => '!',
            Sign::Connected => '=',
        }
    }

    /// From a letter of a recording.
    pub fn from_letter(letter: &str) -> Option<Self> {
        let all = [Sign::Sent, Sign::Came, Sign::Failed, Sign::Connected];
        all.into_iter().find(|sign| letter.chars().eq([sign.letter()]))
    }
}

/// The last minutes of a link.
#[derive(Debug)]
pub struct Wire {
    began: Instant,
    lines: VecDeque<(Duration, Sign, Vec<u8>)>,
    bytes: usize,
}

impl Default for Wire {
    fn default() -> Self {
        Self { began: Instant::now(), lines: VecDeque::new(), bytes: 0 }
    }
}

impl Wire {
    /// Notes what was said.
    pub fn note(&mut self, sign: Sign, said: &[u8]) {
        let at = self.began.elapsed();
        // The oldest line gives its room, so that a steady flow of messages costs no memory of its own.
        let mut room = Vec::new();
        while let Some((then, _, old)) = self.lines.front() {
            if at.saturating_sub(*then) <= KEPT && self.bytes + said.len().min(LONGEST) <= KEPT_BYTES {
                break;
            }
            self.bytes -= old.len();
            if let Some((_, _, old)) = self.lines.pop_front() {
                room = old;
            }
        }
        room.clear();
        room.extend_from_slice(&said[..said.len().min(LONGEST)]);
        self.bytes += room.len();
        self.lines.push_back((at, sign, room));
    }

    /// What came last ended so.
    pub fn end(&mut self, terminator: &[u8]) {
        if let Some((_, _, last)) = self.lines.back_mut() {
            last.extend_from_slice(terminator);
            self.bytes += terminator.len();
        }
    }

    /// All of it as text.
    pub fn text(&self) -> String {
        let mut text = String::with_capacity(self.bytes * 2);
        for (at, sign, said) in &self.lines {
            let _ = writeln!(text, "{:.6} {} {}", at.as_secs_f64(), sign.letter(), said.escape_ascii());
        }
        text
    }
}

/// The lines of a recording: when, s, and what. What is no such line is left out.
pub fn read(text: &str) -> Vec<(f64, Sign, Vec<u8>)> {
    let line = |line: &str| {
        let mut parts = line.splitn(3, ' ');
        let at_s = parts.next()?.parse::<f64>().ok()?;
        let sign = Sign::from_letter(parts.next()?)?;
        Some((at_s, sign, unescaped(parts.next().unwrap_or(""))))
    };
    text.lines().filter_map(line).collect()
}

/// The bytes behind the escapes of `escape_ascii`.
fn unescaped(text: &str) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let Some((first, after)) = rest.split_first() {
        rest = after;
        if *first != b'\\' {
            bytes.push(*first);
            continue;
        }
        let Some((escaped, after)) = rest.split_first() else { break };
        rest = after;
        match escaped {
            b't' => bytes.push(b'\t'),
            b'r' => bytes.push(b'\r'),
            b'n' => bytes.push(b'\n'),
            b'x' if rest.len() >= 2 => {
                let digits = std::str::from_utf8(&rest[..2]).unwrap_or("");
                bytes.extend(u8::from_str_radix(digits, 16).ok());
                rest = &rest[2..];
            }
            other => bytes.push(*other),
        }
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_said_comes_back_byte_by_byte() {
        let mut wire = Wire::default();
        let all: Vec<u8> = (0..=255).collect();
        wire.note(Sign::Connected, b"127.0.0.1:5025");
        wire.note(Sign::Sent, b"*ESE 7;*ESE?\r\n");
        wire.note(Sign::Came, &all);
        wire.note(Sign::Failed, b"no answer in time");
        let read = read(&format!("# a remark\n{}", wire.text()));
        let said: Vec<_> = read.iter().map(|(_, sign, said)| (*sign, said.as_slice())).collect();
        assert_eq!(said[0], (Sign::Connected, &b"127.0.0.1:5025"[..]));
        assert_eq!(said[1], (Sign::Sent, &b"*ESE 7;*ESE?\r\n"[..]));
        assert_eq!(said[2], (Sign::Came, all.as_slice()));
        assert_eq!(said.len(), 4);
        assert_eq!(super::read("nonsense\n1 ? x\n\\").len(), 0);
    }

    #[test]
    fn it_does_not_grow() {
        let mut wire = Wire::default();
        for _ in 0..20_000 {
            wire.note(Sign::Came, &[b'x'; 5000]);
        }
        assert!(wire.bytes <= KEPT_BYTES && wire.lines.len() <= KEPT_BYTES / LONGEST);
        assert!(wire.text().len() < 2 * KEPT_BYTES);
    }
}
