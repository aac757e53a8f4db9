//! The command line: one file per command.

mod account;
mod ahead;
mod almanac;
mod cancel;
mod check;
mod client;
mod columns;
mod demo;
pub mod file;
mod locate;
mod new;
mod now;
mod override_;
mod past;
mod rewrite;
mod run;
mod try_;
mod year;

use std::ffi::OsString;
use std::io::Write;
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
    /// Switches the lamps, until it is stopped.
    Run(run::Run),
    /// Shows Lampward at work, with make-believe plugs and days of a minute or two.
    Demo(demo::Demo),
    /// The coming switchings with their reasons, and what stays dark and why.
    Ahead(ahead::Ahead),
    /// The year as a picture, as SVG: when each lamp is lit, and the Sun behind it.
    Year(year::Year),
    /// Shows when the Sun rises and sets, and the twilights, over dates.
    Almanac(almanac::Almanac),
    /// Writes a first file, or adds a lamp to one, by asking.
    New(Box<new::New>),
    /// Finds where the house stands, from a GPS receiver or a map, and writes it into the file on request.
    Locate(locate::Locate),
    /// Shows every fault of the file, or what was read from it.
    Check(check::Check),
    /// What every lamp is doing, why, and what is next; asks the running daemon.
    Now(now::NowCommand),
    /// Has a lamp on or off until something, whatever the plan says; on the running daemon.
    Override(override_::OverrideCommand),
    /// Takes an override back; on the running daemon.
    Cancel(cancel::CancelCommand),
    /// Blinks the plugs of one channel, and says what they answered.
    Try(try_::TryCommand),
    /// Makes an account for our own broker: asks for its password.
    Account(account::AccountCommand),
    /// What happened: switched, late, missed, by hand, overridden; asks the running daemon.
    Past(past::PastCommand),
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

/// Prints what a command found. Whoever stops reading early, as `head` does, has had enough: that is no fault.
///
/// # Errors
/// Standard output can't be written.
pub fn print(text: &str) -> Result<ExitCode, Failure> {
    match std::io::stdout().lock().write_all(text.as_bytes()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Failure::Other(format!("cannot write to standard output: {error}")))
        }
        Ok(()) | Err(_) => Ok(ExitCode::SUCCESS),
    }
}

/// Carries out what the process was called with: the words after its own name.
pub fn main(words: impl Iterator<Item = OsString>) -> ExitCode {
    // A daemon keeps for years what its start has touched, and the whole command line is a quarter of a megabyte.
    match run::Run::plain(words) {
        Some(args) => run::run(&args).map_or_else(|failure| failure.report(), |()| ExitCode::SUCCESS),
        None => run(Cli::parse()),
    }
}

/// Carries out one command line.
fn run(cli: Cli) -> ExitCode {
    let done = match cli.command {
        Command::Account(command) => account::run(&command),
        Command::Run(args) => run::run(&args).map(|()| ExitCode::SUCCESS),
        Command::Demo(args) => demo::run(&args).map(|()| ExitCode::SUCCESS),
        Command::Ahead(ahead) => ahead::run(&ahead),
        Command::Almanac(almanac) => almanac::run(&almanac),
        Command::Check(check) => check::run(&check),
        Command::Locate(locate) => locate::run(&locate),
        Command::New(new) => new::run(&new),
        Command::Now(now) => now::run(&now),
        Command::Override(wish) => override_::run(&wish),
        Command::Cancel(cancel) => cancel::run(&cancel),
        Command::Past(past) => past::run(&past),
        Command::Try(wish) => try_::run(&wish),
        Command::Year(year) => year::run(&year),
    };
    done.unwrap_or_else(|failure| failure.report())
}
