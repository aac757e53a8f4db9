//! Arguments, runtime, exit code; nothing to test here.

use std::process::ExitCode;

fn main() -> ExitCode {
    lampward::cli::main(std::env::args_os().skip(1))
}
