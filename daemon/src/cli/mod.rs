//! The command line: one file per verb.

use std::process::ExitCode;

/// Runs the command line and returns its exit code.
pub fn main() -> ExitCode {
    ExitCode::SUCCESS
}
