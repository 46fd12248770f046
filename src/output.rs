//! Printing that outlives its reader.
//!
//! The standard macros panic when the terminal is gone or whoever reads the pipe has stopped reading. A measurement must
//! not end because somebody closed a window, nor a listing because `head` had enough. In this crate, macros of the same
//! names leave unsaid what nobody can hear.

/// Prints a line to standard output, as long as somebody reads it.
macro_rules! println {
    ($($arg:tt)*) => {{
        use std::io::Write as _;
        let _ = writeln!(std::io::stdout(), $($arg)*);
    }};
}

/// Prints a line to standard error, as long as somebody reads it.
macro_rules! eprintln {
    ($($arg:tt)*) => {{
        use std::io::Write as _;
        let _ = writeln!(std::io::stderr(), $($arg)*);
    }};
}

/// Prints to standard error, as long as somebody reads it.
macro_rules! eprint {
    ($($arg:tt)*) => {{
        use std::io::Write as _;
        let _ = write!(std::io::stderr(), $($arg)*);
    }};
}
