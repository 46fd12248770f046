//! What goes wrong with a mimic, on request.

use noctule_sim::Fault;

/// A plan of faults.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Faults {
    /// Of the ways to the instruments.
    pub links: Vec<LinkFault>,
    /// Of the apparatus.
    pub world: Vec<WorldFault>,
}

/// A fault on the way between a client and an instrument.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkFault {
    /// When it begins, simulated time, s.
    pub at_s: f64,
    /// It comes again so often, simulated time, s.
    pub every_s: Option<f64>,
    /// For how long each time, simulated time, s; infinite where it does not end.
    pub for_s: f64,
    /// Messages that it meets each time; none for all of them.
    pub times: Option<u64>,
    /// Which instrument; all of them if none is given.
    pub instrument: Option<String>,
    /// What happens.
    pub kind: LinkFaultKind,
}

/// Faults of a link.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LinkFaultKind {
    /// The connection is closed instead of a reply.
    DropConnection,
    /// Half of the reply comes, and nothing after it.
    HalfReply,
    /// The reply comes twice.
    DoubleReply,
    /// Random bytes come instead of the reply.
    Rubbish,
    /// So many bytes come without a terminator.
    Flood {
        /// How many.
        bytes: u64,
    },
    /// The reply comes so much later, wall time, s.
    LateReply {
        /// How much.
        by_s: f64,
    },
    /// No reply comes.
    NoReply,
    /// The reply comes with its characters mixed up.
    Garbled,
    /// The number is the one that stands for not-a-number.
    NotANumber,
    /// A command is refused with a device-specific error.
    Refuses,
    /// A task counts as ended while it runs.
    EndsEarly,
}

/// A fault of the apparatus.
#[derive(Debug, Clone, PartialEq)]
pub struct WorldFault {
    /// When, simulated time, s.
    pub at_s: f64,
    /// It comes again so often, simulated time, s.
    pub every_s: Option<f64>,
    /// What happens.
    pub kind: WorldFaultKind,
}

/// What happens to the apparatus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum WorldFaultKind {
    /// Something goes wrong.
    Inflict(Fault),
    /// Everything that lasts ends.
    Clear,
}
