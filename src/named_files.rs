//! Other files that the TOML file names. They are read at a start alone, and a slip in a path must not wait for the next
//! power cut to be noticed.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use crate::pure::config::{BrokerAt, Config, Encryption};
use crate::state::reason;

/// A file without which the daemon would not start.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unreadable {
    /// Where it is named: `password_file under [broker]`.
    pub named: &'static str,
    /// Its path.
    pub path: PathBuf,
    /// The system's reason.
    pub because: String,
    /// Whether it is there, and only whoever asked may not read it.
    pub denied: bool,
}

impl Unreadable {
    /// A sentence with the path.
    pub fn sentence(&self) -> String {
        let Unreadable { named, path, because, .. } = self;
        format!(
            "{named} names {}, which can't be read: {because}; lampward would not start with it: put it there, or mend the path",
            path.display()
        )
    }

    /// A sentence without it: people on the network read it.
    pub fn brief(&self) -> String {
        let Unreadable { named, because, .. } = self;
        format!(
            "{named} names a file that can't be read: {because}; lampward would not start again with it: put it there, or mend the path"
        )
    }
}

/// Those that can't be read as things stand.
pub fn unreadable(config: &Config) -> Vec<Unreadable> {
    let (ca, accounts) = match &config.broker.at {
        BrokerAt::Address { encryption: Encryption::ByCa(file), .. } => (Some(file), None),
        BrokerAt::Address { .. } => (None, None),
        BrokerAt::Own { accounts_file, .. } => (None, accounts_file.as_ref()),
    };
    let named = [
        ("password_file under [broker]", config.broker.password_file.as_ref()),
        ("ca under [broker]", ca),
        ("accounts_file under [broker]", accounts),
        ("token_file under [web]", config.web.token_file.as_ref()),
    ];
    let tried = |(named, path): (&'static str, Option<&PathBuf>)| {
        let path = path?;
        let error = open(path).err()?;
        let denied = error.kind() == io::ErrorKind::PermissionDenied;
        Some(Unreadable { named, path: path.clone(), because: reason(&error), denied })
    };
    named.into_iter().filter_map(tried).collect()
}

fn open(path: &Path) -> io::Result<()> {
    let about = fs::metadata(path)?;
    if about.is_dir() {
        return Err(io::ErrorKind::IsADirectory.into());
    }
    // A pipe might keep us waiting.
    if about.is_file() {
        File::open(path)?;
    }
    Ok(())
}
