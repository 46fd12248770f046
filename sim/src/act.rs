//! What the simulated microscope can be told to do that takes a while.

/// Something that is started, takes time, and ends with a report.
///
/// Only one runs at a time. `Microscope::begin`
/// starts it, `Microscope::poll` asks for its end.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// Brings the tip into tunnelling range until the setpoint current flows.
    Approach,
    /// Pulls the tip back out of tunnelling range.
    Withdraw,
    /// Steps of the coarse motor, away from the surface if negative. Only with the tip withdrawn.
    CoarseStep {
        /// How many steps.
        steps: i32,
    },
    /// Steps of the coarse motor along the surface. Only with the tip withdrawn.
    CoarseShift {
        /// How many along x.
        x_steps: i32,
        /// How many along y.
        y_steps: i32,
    },
    /// Moves the tip within the scanner's frame at `speed_m_s`, loop closed.
    MoveTip {
        /// Target, m.
        x_m: f64,
        /// Target, m.
        y_m: f64,
        /// Speed, m/s.
        speed_m_s: f64,
    },
    /// A voltage pulse at the junction.
    Pulse {
        /// Height of the pulse, V.
        volts: f64,
        /// Length of the pulse, s.
        length_s: f64,
    },
    /// Tries to pick up the atom under the tip. May fail.
    PickUp,
    /// Tries to put down one of the atoms on the tip. May fail.
    PutDown,
    /// Takes `samples` readings of one readable signal, evenly spaced.
    Trace {
        /// What is read.
        signal: crate::Signal,
        /// How many.
        samples: u32,
        /// Distance in time, s.
        interval_s: f64,
    },
    /// Scans an image line by line, loop closed. The tip returns to where it was.
    Image {
        /// Centre of the frame, m.
        x_m: f64,
        /// Centre of the frame, m.
        y_m: f64,
        /// Width and height of the frame, m.
        size_m: f64,
        /// Pixels along each side.
        pixels: u32,
        /// Time for one line (forward), s.
        line_s: f64,
    },
    /// Regenerates the condensation pot: warms it, condenses anew, cools to base.
    Regenerate,
    /// Puts the magnet into persistent mode (`true`) or back on its supply (`false`).
    Persist {
        /// The mode that is wanted.
        persistent: bool,
    },
    /// Transfers helium until the bath holds `to_l` litres (a rehearsal's operator does this).
    Refill {
        /// Level at the end, litres.
        to_l: f64,
    },
}

/// How an [`Act`] ended.
#[derive(Debug, Clone, PartialEq)]
pub struct ActReport {
    /// Whether it did what was asked. A failed pick-up is a report with `false`, not an error.
    pub achieved: bool,
    /// One plain sentence.
    pub remark: String,
    /// Trace: the samples. Image: heights in m, row by row from the lowest y, x growing. Else empty.
    pub data: Vec<f64>,
}

/// Why the microscope did not take a command.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// The signal can't be set, or the value makes no sense for it.
    #[error("{0}")]
    Invalid(String),
    /// Not in this state: a coarse step with the tip in range, say.
    #[error("{0}")]
    NotNow(String),
    /// Another act is still running.
    #[error("busy: {0} is still running")]
    Busy(&'static str),
}
