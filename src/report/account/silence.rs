//! Gauges that gave no number for a while.

use super::Account;
use crate::analysis::order;

/// A pause so many times as long as usual is a silence: a reading now and then comes late.
const PAUSES: f64 = 2.0;
/// Readings below which nobody knows what is usual.
const FEWEST: usize = 5;

/// A gauge without a number.
#[derive(Debug, Clone, PartialEq)]
pub struct Silence {
    /// The channel.
    pub channel: String,
    /// Its last number before, s.
    pub from_s: f64,
    /// Its next number, s; none where none came.
    pub to_s: Option<f64>,
}

impl Account {
    /// Watched channels that gave no number for longer than usual, in the order in which they fell silent.
    pub fn silences(&self) -> Vec<Silence> {
        let mut found = Vec::new();
        let every_s = self.bench.as_ref().map_or(0.0, |bench| bench.record_every_s);
        for (channel, readings) in &self.monitors {
            let Some(usual_s) = usual_pause_s(readings).map(|usual_s| usual_s.max(every_s)) else { continue };
            let long = |from_s: f64, to_s: f64| to_s - from_s > PAUSES * usual_s;
            let pauses = readings.windows(2).map(|pair| (pair[0].0, pair[1].0));
            found.extend(
                pauses.filter(|(from_s, to_s)| long(*from_s, *to_s)).map(|(from_s, to_s)| Silence {
                    channel: channel.clone(),
                    from_s,
                    to_s: Some(to_s),
                }),
            );
            let (last_s, _) = readings[readings.len() - 1];
            if long(last_s, self.history.end_s) {
                found.push(Silence { channel: channel.clone(), from_s: last_s, to_s: None });
            }
        }
        found.sort_by(|a, b| a.from_s.total_cmp(&b.from_s));
        found
    }
}

/// The middle one of the pauses between readings.
fn usual_pause_s(readings: &[(f64, f64)]) -> Option<f64> {
    if readings.len() < FEWEST {
        return None;
    }
    let pauses = readings.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
    Some(order::middle(pauses)).filter(|pause_s| *pause_s > 0.0)
}
