//! `lampward account`: who may log in at our own broker.

use std::fs;
use std::io::{self, BufRead, IsTerminal, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use rustix::termios::{LocalModes, OptionalActions, Termios, tcgetattr, tcsetattr};

use super::Failure;
use crate::broker::{account_line, check_name, needed};

/// A shorter password is soon found by trying; common practice, no source.
const SHORTEST: usize = 8;

/// `lampward account NAME [--into FILE]`
#[derive(Args, Debug)]
pub struct AccountCommand {
    /// The name to log in with.
    pub name: String,
    /// Put the account into this accounts file, in place of one of the same name; left out: print its line.
    #[arg(long, value_name = "FILE")]
    pub into: Option<PathBuf>,
}

/// Asks for a password and makes an account of it.
///
/// # Errors
/// A name that can't be one, passwords that differ, or a file that can't be written.
pub fn run(command: &AccountCommand) -> Result<ExitCode, Failure> {
    check_name(&command.name).map_err(Failure::Fault)?;
    needed().map_err(Failure::Other)?;
    let password = password(&command.name)?;
    let line = account_line(&command.name, &password).map_err(Failure::Other)?;
    let failed = |what: &str, file: &Path, error: io::Error| {
        Failure::Other(format!("cannot {what} the accounts in {}: {error}", file.display()))
    };
    let Some(file) = &command.into else {
        return writeln!(io::stdout(), "{line}")
            .map(|()| ExitCode::SUCCESS)
            .map_err(|error| Failure::Other(format!("cannot print the account: {error}")));
    };
    let before = match fs::read_to_string(file) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => String::new(),
        read => read.map_err(|error| failed("read", file, error))?,
    };
    if let Some(mode) = fs::metadata(file).ok().map(|meta| meta.mode()).filter(|mode| mode & 0o007 != 0) {
        return Err(Failure::Fault(format!(
            "the accounts in {0} are open to everyone on this machine (mode {1:03o}); close them first: chmod o= {0}",
            file.display(),
            mode & 0o777
        )));
    }
    // Written in place, so that the file keeps its owner and who may read it; a new one is for its owner alone.
    fs::OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(true)
        .mode(0o600)
        .open(file)
        .and_then(|mut out| {
            out.write_all(with_account(&before, &command.name, &line).as_bytes())?;
            out.sync_all()
        })
        .map_err(|error| failed("write", file, error))?;
    Ok(ExitCode::SUCCESS)
}

/// The text of an accounts file with this line in place of the account of that name, or at the end.
fn with_account(before: &str, name: &str, line: &str) -> String {
    let is_it = |old: &str| old.split_once(':').is_some_and(|(known, _)| known.trim() == name);
    let mut found = false;
    let mut text = String::new();
    for old in before.lines() {
        found |= is_it(old);
        text += if is_it(old) { line } else { old };
        text.push('\n');
    }
    if !found {
        text += line;
        text.push('\n');
    }
    text
}

/// The password: asked for twice on a terminal, without showing it; otherwise the first line of standard input.
fn password(name: &str) -> Result<String, Failure> {
    let typed = io::stdin().is_terminal();
    let first = if typed { hidden(&format!("Password for {name}: "))? } else { line()? };
    if first.chars().count() < SHORTEST {
        return Err(Failure::Fault(format!("an account needs a password of {SHORTEST} characters or more")));
    }
    if typed && hidden("Once more: ")? != first {
        return Err(Failure::Fault("the two passwords differ".to_owned()));
    }
    Ok(first)
}

fn line() -> Result<String, Failure> {
    let mut line = String::new();
    let read = io::stdin().lock().read_line(&mut line);
    read.map_err(|error| Failure::Other(format!("cannot read the password from standard input: {error}")))?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}

/// Asks on standard error, and reads a line that the terminal does not show.
fn hidden(question: &str) -> Result<String, Failure> {
    eprint!("{question}");
    let shown = Hidden::start();
    let line = line();
    drop(shown);
    eprintln!();
    line
}

/// While it lives the terminal shows nothing of what is typed.
struct Hidden(Option<Termios>);

impl Hidden {
    fn start() -> Hidden {
        let before = tcgetattr(io::stdin()).ok();
        if let Some(mut silent) = before.clone() {
            silent.local_modes.remove(LocalModes::ECHO);
            // Where it can't be done the password is seen while it is typed, and is none the worse.
            let _ = tcsetattr(io::stdin(), OptionalActions::Flush, &silent);
        }
        Hidden(before)
    }
}

impl Drop for Hidden {
    fn drop(&mut self) {
        if let Some(before) = &self.0 {
            let _ = tcsetattr(io::stdin(), OptionalActions::Now, before);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_account_takes_the_place_of_one_of_the_same_name() {
        let before = "# plugs\nplugs:old\n\nboathouse:x";
        assert_eq!(with_account(before, "plugs", "plugs:new"), "# plugs\nplugs:new\n\nboathouse:x\n");
        assert_eq!(with_account(before, "yard", "yard:new"), "# plugs\nplugs:old\n\nboathouse:x\nyard:new\n");
        assert_eq!(with_account("", "yard", "yard:new"), "yard:new\n");
    }
}
