//! Counters on the branches of recovery, so that a campaign can say which were never taken.

macro_rules! probes {
    ($($name:ident = $text:literal;)*) => {
        /// A branch that is taken only when something has gone wrong.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Probe { $(#[doc = $text] $name,)* }

        impl Probe {
            /// All of them.
            pub const ALL: &'static [Probe] = &[$(Probe::$name,)*];

            /// What happened, in words.
            pub fn name(self) -> &'static str {
                match self { $(Probe::$name => $text,)* }
            }
        }
    };
}

probes! {
    Repeated = "a command was repeated";
    HeardAfterAll = "a task whose start was not answered turned out to run";
    GaveUp = "a command failed after its last attempt";
    LinkSilent = "a link did not answer at all";
    StaleAnswer = "an answer to an older command was dropped";
    WatchSilent = "a read of the watch was not answered at all";
    WatchAlone = "channels are read one by one because a joint read failed";
    PermitReread = "a channel was read for a permit";
    PermitWaited = "a command waited for its permit";
    PermitUnknown = "a permit was refused because a reading was too old";
    Refused = "a command was refused at the gate";
    Guarded = "a command was refused for the sake of the tip or of a kept spin";
    Warned = "an interlock warned";
    BlindLock = "an interlock acted because it could not see";
    Changed = "an instrument was not as it was left when its connection was made anew";
    WaitedForInstrument = "an instrument that gave no answer was waited for";
    OutOfStep = "a link was out of step";
    HeldByLock = "an interlock held the sequence";
    WithdrawnByLock = "an interlock had the tip withdrawn";
    HeldAgain = "a hold was entered anew while one was on";
    HeldTask = "a running task was ended for a hold";
    HeldBetween = "a hold began between two calls";
    HeldInVain = "a hold waited in vain for as long as the bench lets it";
    Restored = "the bench was brought back after a hold";
    NotRestored = "the bench could not be brought back after a hold";
    CondensedByLock = "an interlock had the pot condensed anew";
    RefillByLock = "an interlock held the sequence for a refill";
    SpotLost = "the spot under the tip was not found again after a hold";
    ParkedByLock = "an interlock parked the bench";
    Latched = "an interlock parked the bench and latched";
    TrippedAtEnd = "an interlock tripped while the run was ending";
    Stopped = "the run was stopped at a boundary";
    WindowEnded = "the window ended";
    RecordFailed = "the record failed";
    KeeperReplaced = "a lost keeper was replaced";
    KeeperLost = "the keeper was lost";
    ParkIncomplete = "a step of parking failed";
    ParkedAtLast = "parking that had failed was tried again until it was done";
    SafeStepRepeated = "a step to a safe state was tried again";
    ReachedAlready = "what was refused had been reached already";
    SafeStepLate = "a step to a safe state took too long";
    TaskOverdue = "a task did not end and was aborted";
    MovedByHand = "a channel stood elsewhere than it was told";
    NotArrived = "a channel did not arrive at its value";
}

/// How often each branch was taken, in the order of [`Probe::ALL`].
pub type Probes = [u32; Probe::ALL.len()];
