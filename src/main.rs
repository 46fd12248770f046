//! The program `noctule`.

use std::io::Write;
use std::process::ExitCode;

/// Exit code for a defect in `noctule` itself.
const EXIT_DEFECT: u8 = 70;

fn main() -> ExitCode {
    // A defect must not look like one of the outcomes of a run.
    let code = std::panic::catch_unwind(noctule::cli::main).unwrap_or_else(|_| {
        // Nobody may be reading any more.
        let _ = writeln!(
            std::io::stderr(),
            "This is a defect in noctule itself. What was recorded is in the run file; look at the bench."
        );
        EXIT_DEFECT
    });
    ExitCode::from(code)
}
