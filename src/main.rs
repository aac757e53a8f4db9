//! Arguments, runtime, exit code; nothing to test here.

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    lampward::cli::run(lampward::cli::Cli::parse())
}
