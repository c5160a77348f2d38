//! The command: parses, calls, prints errors.

use std::process::ExitCode;

fn main() -> ExitCode {
    blindsteep::cli::main()
}
