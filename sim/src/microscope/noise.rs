//! One noise stream for each signal.

use crate::Signal;
use crate::noise::{Driven, Flicker, Source, Stream, kept};

/// Streams of all signals and the noise of the current.
#[derive(Debug, Clone)]
pub(super) struct GaugeNoise {
    streams: Vec<Stream>,
    white: Driven,
    slow: Flicker,
    /// When the current was last read, s.
    current_s: f64,
    /// What each signal showed last; not-a-number before the first reading.
    pub(super) shown: [f64; Signal::ALL.len()],
}

/// Noise of the current at one moment.
#[derive(Debug, Clone, Copy)]
pub(super) struct CurrentNoise {
    /// White noise behind the amplifier's filter, for a variance of 1 without a loop.
    pub(super) white: f64,
    /// Slow noise, for a density of 1/√Hz at 1 Hz without a loop.
    pub(super) slow: f64,
}

impl GaugeNoise {
    pub(super) fn new(seed: u64) -> Self {
        let streams = Signal::ALL.map(|signal| Stream::new(seed, Source::Gauge(signal))).into();
        Self {
            streams,
            white: Driven::default(),
            slow: Flicker::default(),
            current_s: f64::NEG_INFINITY,
            shown: [f64::NAN; Signal::ALL.len()],
        }
    }

    pub(super) fn stream(&mut self, signal: Signal) -> &mut Stream {
        &mut self.streams[signal as usize]
    }

    /// Noise of the current at `now_s`: through a filter, and in front of a loop of the bandwidth `loop_hz` (0: none)
    /// that takes away what is slower while it is closed.
    pub(super) fn current(&mut self, now_s: f64, filter_hz: f64, loop_hz: f64, closed: bool) -> CurrentNoise {
        let elapsed_s = now_s - self.current_s;
        if elapsed_s > 0.0 {
            let stream = &mut self.streams[Signal::Current as usize];
            let of_loop = (loop_hz, kept(loop_hz, elapsed_s));
            self.white.advance(elapsed_s, filter_hz, of_loop, stream);
            self.slow.advance(elapsed_s, of_loop, stream);
            self.current_s = now_s;
        }
        if closed && loop_hz > 0.0 {
            let white = self.white.left_of_white(filter_hz, loop_hz);
            CurrentNoise { white, slow: self.slow.left(loop_hz) }
        } else {
            CurrentNoise { white: self.white.whole(), slow: self.slow.whole() }
        }
    }
}
