//! The command line: one file per command.

mod check;
pub mod file;

use std::process::ExitCode;

use clap::{Parser, Subcommand, ValueEnum};

/// Switches lamps on MQTT smart plugs by the Sun.
#[derive(Debug, Parser)]
#[command(name = "lampward", version, about, max_term_width = 100, disable_help_subcommand = true)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Shows every fault of the file, or what was read from it.
    Check(check::Check),
}

/// How a command prints data.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people.
    #[default]
    Table,
    /// For programs: comma-separated values.
    Csv,
    /// For programs: JSON.
    Json,
}

/// Why a command ended other than well.
#[derive(Debug)]
pub enum Failure {
    /// A fault in the file or the arguments: exit code 2. The text is complete, for people.
    Fault(String),
    /// Anything else: exit code 1. The text is complete, for people.
    Other(String),
}

impl Failure {
    /// Says it on standard error and gives the exit code.
    pub fn report(&self) -> ExitCode {
        let (text, code) = match self {
            Failure::Fault(text) => (text, 2),
            Failure::Other(text) => (text, 1),
        };
        eprintln!("{}", text.trim_end());
        ExitCode::from(code)
    }
}

/// Carries out one command line.
pub fn run(cli: Cli) -> ExitCode {
    let done = match cli.command {
        Command::Check(check) => check::run(&check),
    };
    done.unwrap_or_else(|failure| failure.report())
}
