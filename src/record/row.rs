//! Rows as bytes, for the checksum chain and the digest.

use super::{Entry, Point};
use crate::quantity::Moment;

/// Checksum chain and digest of a run, kept while it is written or read.
#[derive(Debug, Clone)]
pub struct Tally {
    chain: u32,
    digest: blake3::Hasher,
    virtual_time: bool,
    buffer: Vec<u8>,
}

impl Tally {
    /// `virtual_time`: the moments belong to the digest, because they repeat.
    pub fn new(virtual_time: bool) -> Self {
        Self { chain: 0, digest: blake3::Hasher::new(), virtual_time, buffer: Vec::with_capacity(256) }
    }

    /// Takes in an entry; returns the chain after it.
    pub fn entry(&mut self, seq: u64, at: Moment, entry: &Entry, body: &str, data: &[f64]) -> u32 {
        self.buffer.clear();
        self.buffer.extend_from_slice(body.as_bytes());
        for value in data {
            self.buffer.extend_from_slice(&value.to_bits().to_le_bytes());
        }
        self.take_in(seq, at, entry.in_digest())
    }

    /// Takes in a point; returns the chain after it.
    pub fn point(&mut self, seq: u64, point: &Point) -> u32 {
        self.buffer.clear();
        self.buffer.extend_from_slice(&point.sweep.to_le_bytes());
        self.buffer.extend_from_slice(&point.i.to_le_bytes());
        for value in [point.x, point.y].iter().chain(point.values.as_slice()) {
            self.buffer.extend_from_slice(&value.to_bits().to_le_bytes());
        }
        self.take_in(seq, point.at, true)
    }

    fn take_in(&mut self, seq: u64, at: Moment, in_digest: bool) -> u32 {
        // Interruptions add rows, so numbers are in the chain but not in the digest.
        if in_digest {
            self.digest.update(&self.buffer);
            if self.virtual_time {
                self.digest.update(&at.nanoseconds().to_le_bytes());
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
        self.digest.finalize().to_hex()[..32].to_owned()
    }
}

/// The JSON of an entry without its kind, which has a column of its own.
pub fn split_body(entry: &Entry) -> (String, String) {
    let mut value = serde_json::to_value(entry).expect("entries are plain data");
    let kind = value.get("kind").and_then(|k| k.as_str()).unwrap_or_default().to_owned();
    if let Some(object) = value.as_object_mut() {
        object.remove("kind");
    }
    (kind, value.to_string())
}

/// The entry of a kind and a body.
pub fn join_body(kind: &str, body: &str) -> Result<Entry, serde_json::Error> {
    let mut value: serde_json::Value = serde_json::from_str(body)?;
    if let Some(object) = value.as_object_mut() {
        object.insert("kind".to_owned(), kind.into());
    }
    serde_json::from_value(value)
}

/// Numbers as the bytes of a blob.
pub fn to_blob(data: &[f64]) -> Vec<u8> {
    data.iter().flat_map(|value| value.to_le_bytes()).collect()
}

/// The numbers of a blob.
pub fn from_blob(blob: &[u8]) -> Vec<f64> {
    blob.chunks_exact(8).map(|bytes| f64::from_le_bytes(bytes.try_into().unwrap_or([0; 8]))).collect()
}
