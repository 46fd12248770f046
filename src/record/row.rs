//! Rows as bytes, for the checksum chain and the digest.

use super::{Entry, Point};
use crate::quantity::TimePoint;

/// Bytes that are gathered before they go into the digest: it is several times faster on long stretches.
const DIGEST_STRETCH: usize = 1 << 15;

/// Checksum chain and digest of a run, kept while it is written or read.
#[derive(Debug, Clone)]
pub struct Tally {
    chain: u32,
    digest: blake3::Hasher,
    pending: Vec<u8>,
    virtual_time: bool,
    buffer: Vec<u8>,
}

impl Tally {
    /// `virtual_time`: the moments belong to the digest, because they repeat.
    pub fn new(virtual_time: bool) -> Self {
        Self {
            chain: 0,
            digest: blake3::Hasher::new(),
            pending: Vec::with_capacity(2 * DIGEST_STRETCH),
            virtual_time,
            buffer: Vec::with_capacity(256),
        }
    }

    /// Takes in an entry with the bytes of its numbers; returns the chain after it.
    pub fn entry(&mut self, seq: u64, at: TimePoint, (kind, body): (&str, &str), blob: &[u8]) -> u32 {
        self.buffer.clear();
        self.buffer.extend_from_slice(kind.as_bytes());
        self.buffer.extend_from_slice(body.as_bytes());
        self.buffer.extend_from_slice(blob);
        self.take_in(seq, at, Entry::kind_in_digest(kind))
    }

    /// Takes in a point; returns the chain after it.
    pub fn point(&mut self, seq: u64, point: &Point) -> u32 {
        self.buffer.clear();
        self.buffer.extend_from_slice(&point.sweep.to_le_bytes());
        self.buffer.extend_from_slice(&point.i.to_le_bytes());
        for value in [point.x, point.y].iter().chain(point.values.without_last_gaps()) {
            // The file has one kind of gap, whatever bits it was told by.
            let value = if value.is_nan() { f64::NAN } else { *value };
            self.buffer.extend_from_slice(&value.to_bits().to_le_bytes());
        }
        self.take_in(seq, point.at, true)
    }

    fn take_in(&mut self, seq: u64, at: TimePoint, in_digest: bool) -> u32 {
        // Interruptions add rows, so numbers are in the chain but not in the digest.
        if in_digest {
            self.pending.extend_from_slice(&self.buffer);
            if self.virtual_time {
                self.pending.extend_from_slice(&at.nanoseconds().to_le_bytes());
            }
            if self.pending.len() >= DIGEST_STRETCH {
                self.digest.update(&self.pending);
                self.pending.clear();
            }
        }
        self.buffer.extend_from_slice(&seq.to_le_bytes());
        self.buffer.extend_from_slice(&at.nanoseconds().to_le_bytes());
        let mut hasher = crc32fast::Hasher::new_with_initial(self.chain);
        hasher.update(&self.buffer);
        self.chain = hasher.finalize();
        self.chain
    }

    /// Goes on from another row's checksum: for files with gaps, whose digest means nothing.
    pub fn go_on_from(&mut self, chain: u32) {
        self.chain = chain;
    }

    /// The digest so far.
    pub fn digest(&self) -> String {
        self.digest.clone().update(&self.pending).finalize().to_hex()[..32].to_owned()
    }
}

/// Numbers as the bytes of a blob.
pub fn to_blob(data: &[f64]) -> Vec<u8> {
    data.iter().flat_map(|value| value.to_le_bytes()).collect()
}

/// The numbers of a blob.
pub fn from_blob(blob: &[u8]) -> Vec<f64> {
    blob.chunks_exact(8).map(|bytes| f64::from_le_bytes(bytes.try_into().unwrap_or([0; 8]))).collect()
}

#[cfg(test)]
mod tests {
    use crate::record::entry::{from_row, to_row};
    use crate::record::{Answer, Ending, Entry, Failure, Outcome, Place, Request};

    #[test]
    fn a_row_gives_back_what_was_written() {
        let place = Place { file: "a.rhai".to_owned(), line: 3 };
        let entries = [
            Entry::Call {
                n: u64::MAX,
                request: Request::Read { channels: vec!["current".to_owned()], samples: 1, spacing_s: 0.1 },
                place: place.clone(),
                answer: Ok(Answer::Numbers(vec![0.1 + 0.2, 1e-300])),
            },
            Entry::Call {
                n: 2,
                request: Request::Settle,
                place: place.clone(),
                answer: Err(Failure::Forbidden("no".to_owned())),
            },
            Entry::Note {
                n: 1,
                text: "a \"quoted\" word\nand a line {\"kind\":1}".to_owned(),
                place: place.clone(),
                for_next_shift: true,
            },
            Entry::Monitor { channel: "current".to_owned(), value: 1.0 / 3.0 },
            Entry::End {
                ending: Ending { outcome: Outcome::Stopped, reason: "so".to_owned(), place, latched: false },
                parked: true,
                elapsed_s: 0.1,
            },
        ];
        for entry in entries {
            let (kind, body) = to_row(&entry);
            assert_eq!(from_row(&kind, &body).unwrap(), entry);
            // Both forms hold the same.
            let mut value: serde_json::Value = serde_json::from_str(&body).unwrap();
            value["kind"] = kind.into();
            assert_eq!(value, serde_json::to_value(&entry).unwrap());
        }
        assert!(from_row("call", "{}").is_err());
        assert!(from_row("no such kind", "{}").is_err());
    }

    #[test]
    fn what_is_no_number_comes_back_as_none() {
        let answer = Ok(Answer::Numbers(vec![1.0, f64::NAN]));
        let entry = Entry::Call { n: 1, request: Request::Settle, place: Place::default(), answer };
        let (kind, body) = to_row(&entry);
        let Ok(Entry::Call { answer: Ok(Answer::Numbers(back)), .. }) = from_row(&kind, &body) else {
            panic!()
        };
        assert!(back[0] == 1.0 && back[1].is_nan());
    }
}
