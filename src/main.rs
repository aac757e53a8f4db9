//! Arguments, runtime, exit code; nothing to test here.

use std::process::ExitCode;

use clap::Parser;

#[allow(unreachable_code, reason = "until the first command lands")]
fn main() -> ExitCode {
    lampward::cli::run(lampward::cli::Cli::parse())
}
