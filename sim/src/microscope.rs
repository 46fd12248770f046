//! The microscope as a whole: advance the time, set, read, act.
