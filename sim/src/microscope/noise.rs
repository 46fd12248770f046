//! One noise stream for each signal.

use crate::Signal;
use crate::noise::{Flicker, Source, Stream};

/// Streams of all signals and the slow noise of the current.
#[derive(Debug, Clone)]
pub(super) struct GaugeNoise {
    streams: Vec<Stream>,
    pub(super) current: Flicker,
    /// What each signal showed last; not-a-number before the first reading.
    pub(super) shown: [f64; Signal::ALL.len()],
}

impl GaugeNoise {
    pub(super) fn new(seed: u64) -> Self {
        let streams = Signal::ALL.map(|signal| Stream::new(seed, Source::Gauge(signal))).into();
        Self { streams, current: Flicker::new(), shown: [f64::NAN; Signal::ALL.len()] }
    }

    pub(super) fn stream(&mut self, signal: Signal) -> &mut Stream {
        &mut self.streams[signal as usize]
    }

    /// The slow noise of the current at `now_s`, for a density of 1/√Hz at 1 Hz.
    /// A loop of the bandwidth `loop_hz` takes away what is slower; 0 is none.
    pub(super) fn current_flicker(&mut self, now_s: f64, loop_hz: f64) -> f64 {
        self.current.read(now_s, &mut self.streams[Signal::Current as usize], loop_hz)
    }
}
