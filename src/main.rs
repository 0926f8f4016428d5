//! Parse, run, exit status.

use std::process::ExitCode;

fn main() -> ExitCode {
    skygrain::cli::main()
}
