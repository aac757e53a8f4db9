//! Which file a command reads, and reading it.

use std::fs::OpenOptions;
use std::io::Read;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use clap::Args;

use super::Failure;
use crate::pure::config::{Checked, read};

/// Opening never waits, whatever stands at the path.
#[expect(clippy::cast_possible_wrap, reason = "a flag of the kernel's, a small number")]
const NONBLOCK: i32 = rustix::fs::OFlags::NONBLOCK.bits() as i32;

/// Where the file stands on a machine where Lampward is installed.
const INSTALLED: &str = "/etc/lampward/lampward.toml";
/// Where it stands in the sources.
const IN_SOURCES: &str = "config/lampward.toml";
/// No household writes more; a device or a log given by mistake is not read to its end.
const LONGEST: u64 = 2 * 1024 * 1024;

/// `--file FILE`, for commands that read the file.
#[derive(Args, Clone, Debug, Default)]
pub struct FileOption {
    /// The file with place, plugs and rules [default: /etc/lampward/lampward.toml, else config/lampward.toml].
    #[arg(long, value_name = "FILE")]
    pub file: Option<PathBuf>,
}

/// `[FILE]` or `--file FILE`, for `run` and `check`.
#[derive(Args, Clone, Debug, Default, PartialEq)]
pub struct FileArgument {
    /// The file with place, plugs and rules [default: /etc/lampward/lampward.toml, else config/lampward.toml].
    #[arg(value_name = "FILE", conflicts_with = "file")]
    pub argument: Option<PathBuf>,
    /// The same, as an option.
    #[arg(long, value_name = "FILE")]
    pub file: Option<PathBuf>,
}

impl FileOption {
    /// The file that is meant.
    ///
    /// # Errors
    /// None was given and none stands where it usually does.
    pub fn path(&self) -> Result<PathBuf, Failure> {
        find(self.file.as_deref())
    }

    /// Finds and reads it.
    ///
    /// # Errors
    /// There is none, it can't be read, or it has faults: all are for the person to mend.
    pub fn load(&self) -> Result<Loaded, Failure> {
        load(self.path()?)
    }
}

impl FileArgument {
    /// The file that is meant.
    ///
    /// # Errors
    /// None was given and none stands where it usually does.
    pub fn path(&self) -> Result<PathBuf, Failure> {
        find(self.argument.as_deref().or(self.file.as_deref()))
    }
}

/// A file without fault.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// Where it stands.
    pub path: PathBuf,
    /// Its bytes, for the copy that is kept.
    pub text: Vec<u8>,
    /// What it says.
    pub checked: Checked,
}

/// The file that a person named, else the usual one.
///
/// # Errors
/// None was named and none stands where it usually does.
pub fn find(named: Option<&Path>) -> Result<PathBuf, Failure> {
    if let Some(named) = named {
        return Ok(named.to_owned());
    }
    let usual = [INSTALLED, IN_SOURCES].into_iter().map(Path::new).find(|path| path.exists());
    usual.map(Path::to_owned).ok_or_else(|| {
        let text = format!("no file: neither {INSTALLED} nor {IN_SOURCES} is here; name one with --file FILE");
        Failure::Fault(text)
    })
}

/// Reads and checks a file.
///
/// # Errors
/// It can't be read, or it has faults.
pub fn load(path: PathBuf) -> Result<Loaded, Failure> {
    let text = bytes(&path).map_err(Failure::Fault)?;
    match read(&path.display().to_string(), &text) {
        Ok(checked) => Ok(Loaded { path, text, checked }),
        Err(faults) => Err(Failure::Fault(faults.to_string())),
    }
}

/// The bytes of a file, to be checked.
///
/// # Errors
/// What stands in the way, with the path.
pub fn bytes(path: &Path) -> Result<Vec<u8>, String> {
    let mut text = Vec::new();
    // A pipe would be waited for without end, and with it every lamp.
    let read = OpenOptions::new().read(true).custom_flags(NONBLOCK).open(path).and_then(|file| {
        let kind = file.metadata()?.file_type();
        if kind.is_file() || kind.is_dir() {
            return file.take(LONGEST + 1).read_to_end(&mut text);
        }
        Err(std::io::Error::other("it is a pipe or a device, not a file"))
    });
    match read {
        Err(error) => Err(format!("cannot read {}: {}", path.display(), plain(&error))),
        Ok(length) if length as u64 > LONGEST => {
            Err(format!("cannot read {}: it is longer than 2 MiB, which is no file of a household", path.display()))
        }
        Ok(_) => Ok(text),
    }
}

/// The system's words, without its number and in lower case.
pub(crate) fn plain(error: &std::io::Error) -> String {
    let text = error.to_string();
    text.split(" (os error").next().unwrap_or(&text).to_lowercase()
}
