//! The program `noctule`.

use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(noctule::cli::main())
}
