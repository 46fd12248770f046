//! The lock-in amplifier in the time domain.
