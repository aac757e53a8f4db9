//! The state folder: where it is, who holds it, and the small files in it.
//!
//! Overrides and hands are in `keepsake.rs`, history in `daybook.rs`. Everything that must not be half written is
//! written aside, fsynced, renamed, and the folder fsynced.

pub(crate) mod durable;
#[cfg(test)]
pub(crate) mod fickle;
mod way;

use std::fmt;
use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Read};
use std::os::unix::fs::{DirBuilderExt, FileExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use chrono::{DateTime, SecondsFormat, Utc};
use rustix::fs::{Access, access};
use tracing::{error, info};

use crate::clock;
pub use way::{Use, restore, set_aside};

/// The last good copy of the TOML file.
const GOOD_FILE: &str = "last-good.toml";
/// When there first was such a copy: nothing was due before.
const FIRST_RUN: &str = "first-run";

/// The random part of the MQTT client id.
const CLIENT_ID: &str = "client-id";

/// No file of ours is larger, the daybook excepted.
const LARGEST: u64 = 16 * 1024 * 1024;

/// Opening never waits, whatever stands at the path.
#[expect(clippy::cast_possible_wrap, reason = "a flag of the kernel's, a small number")]
const NONBLOCK: i32 = rustix::fs::OFlags::NONBLOCK.bits() as i32;

/// Something in the state folder could not be done: what, where and the system's reason.
#[derive(Debug)]
pub struct StateFault {
    doing: String,
    path: PathBuf,
    because: String,
}

impl StateFault {
    /// From the system's error.
    pub(crate) fn new(doing: &str, path: &Path, error: &io::Error) -> StateFault {
        StateFault { doing: doing.into(), path: path.into(), because: reason(error) }
    }

    /// The same without the folder, for whoever asks over HTTP: an answer gives no paths.
    pub fn brief(&self) -> String {
        let name = self.path.file_name().unwrap_or_default().to_string_lossy();
        format!("cannot {} {name}: {}", self.doing, self.because)
    }
}

impl fmt::Display for StateFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "cannot {} {}: {}", self.doing, self.path.display(), self.because)
    }
}

impl std::error::Error for StateFault {}

/// The system's reason in our form: lower case, without the number.
pub fn reason(error: &io::Error) -> String {
    let text = error.to_string();
    let text = text.split(" (os error").next().unwrap_or(&text);
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_lowercase().chain(chars).collect())
}

/// The last good copy of the file, open for reading: a long file takes no memory for that.
#[derive(Debug)]
pub struct GoodFile(File);

impl GoodFile {
    /// The same once more.
    pub fn again(&self) -> io::Result<GoodFile> {
        self.0.try_clone().map(GoodFile)
    }

    /// What is in it.
    pub fn text(&self) -> io::Result<Vec<u8>> {
        let mut text = vec![0; self.0.metadata()?.len().min(LARGEST) as usize];
        self.0.read_exact_at(&mut text, 0)?;
        Ok(text)
    }
}

/// The state folder, held by this process alone until it is dropped.
///
/// Where it can't be used, lamps are switched all the same: it is looked at again until it can be.
#[derive(Debug)]
pub struct State {
    folder: PathBuf,
    hold: Mutex<Hold>,
}

#[derive(Debug, Default)]
struct Hold {
    /// Open and locked.
    lock: Option<File>,
    /// Why the folder can't be used, without its path.
    trouble: Option<String>,
    /// The random part of the client id, once somebody has asked.
    client_id: Option<String>,
}

/// Why the folder is not ours.
enum NotHeld {
    /// Another daemon holds it.
    Taken,
    Fault(StateFault),
}

impl State {
    /// Opens the folder given by `--state`, else the one of [`folder_of`], and holds it.
    ///
    /// It is made, readable by its owner alone, where it does not exist. Where that or anything else about it fails, an
    /// ERROR says so and what follows; see [`State::tend`].
    ///
    /// # Errors
    ///
    /// When it is not known where it is, or another daemon holds it: two would undo each other's overrides.
    pub fn open(given: Option<&Path>) -> Result<State, StateFault> {
        let folder = folder_of(given, |name| std::env::var_os(name).map(PathBuf::from))?;
        if let Err(NotHeld::Taken) = hold(&folder) {
            return Err(StateFault {
                doing: "use the state folder".into(),
                path: folder,
                because: "another lampward runs on it; stop that one first, or give this one a folder of its own with --state"
                    .into(),
            });
        }
        let state = State { folder, hold: Mutex::default() };
        state.tend();
        Ok(state)
    }

    /// Where it is.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Looks whether the folder is there, ours, and takes files; makes it where it is gone. True when it has become ours
    /// anew: whatever is to stand in it may have to be written again.
    ///
    /// Costs a few calls to the kernel and writes nothing while all is well.
    pub fn tend(&self) -> bool {
        let mut held = self.hold();
        let gone = !held.lock.as_ref().is_some_and(|lock| stands_at(lock, &self.folder));
        let mut trouble = None;
        if gone {
            held.lock = None;
            match hold(&self.folder) {
                Ok(lock) => held.lock = Some(lock),
                Err(NotHeld::Taken) => trouble = Some("another lampward runs on it".to_owned()),
                Err(NotHeld::Fault(fault)) => trouble = Some(fault.because),
            }
        }
        if trouble.is_none()
            && let Err(error) = access(&self.folder, Access::READ_OK | Access::WRITE_OK | Access::EXEC_OK)
        {
            trouble = Some(reason(&error.into()));
        }
        let had_trouble = held.trouble.is_some();
        let folder = self.folder.display();
        match (&held.trouble, &trouble) {
            (None, Some(because)) => error!(
                %folder, because,
                "the state folder can't be used. Lamps are switched all the same, but nothing is recorded, overrides are \
                 refused (507), and a restart forgets what stands now"
            ),
            (Some(_), None) => info!(%folder, "the state folder can be used again"),
            _ => {}
        }
        let regained = trouble.is_none() && (gone || had_trouble);
        held.trouble = trouble;
        if regained && let Some(id) = &held.client_id {
            self.keep_client_id(id);
        }
        regained
    }

    /// Why the folder can't be used and what that means, in a sentence without paths; `None` when all is well.
    pub fn trouble(&self) -> Option<String> {
        let because = self.hold().trouble.clone()?;
        Some(format!("the state folder can't be used, switching goes on: {because}; a restart forgets what stands now"))
    }

    fn hold(&self) -> MutexGuard<'_, Hold> {
        self.hold.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Makes a sign of life; only while the clock is trusted.
    ///
    /// Not fsynced: it comes every 10 min, and losing one in a power cut costs nothing but the length of "down".
    pub fn touch_alive(&self, wall: DateTime<Utc>) -> Result<(), StateFault> {
        let path = self.folder.join("alive");
        let text = format!("{}\n", wall.to_rfc3339_opts(SecondsFormat::Secs, true));
        write_in_place("write the sign of life to", &path, text.as_bytes())
    }

    /// When the last sign of life was made: the time written in the file, or its time stamp where the text is torn.
    pub fn last_life(&self) -> Option<DateTime<Utc>> {
        let path = self.folder.join("alive");
        let text = read_if_there("read the sign of life from", &path).ok()??;
        let written = DateTime::parse_from_rfc3339(String::from_utf8_lossy(&text).trim()).ok();
        let stamp = || fs::metadata(&path).and_then(|meta| meta.modified()).ok().map(DateTime::from);
        written.map(|at| at.to_utc()).or_else(stamp)
    }

    /// Keeps a copy of a file that was read without fault; its time stamp says when. The copy, open for reading, is there as
    /// long as it is held, whatever becomes of the folder.
    pub fn keep_good_file(&self, text: &[u8]) -> Result<GoodFile, StateFault> {
        let doing = "write the last good copy of the file to";
        let path = self.folder.join(GOOD_FILE);
        let kept = read_if_there(doing, &path)?;
        if kept.is_none() {
            let now = clock::wall().to_rfc3339_opts(SecondsFormat::Secs, true) + "\n";
            write_durably("write the time of the first run to", &self.folder.join(FIRST_RUN), now.as_bytes())?;
        }
        if kept.is_some_and(|kept| kept == text) {
            // Not worth a WARN of its own: the stamp is for people to read.
            let touch = || OpenOptions::new().write(true).open(&path)?.set_modified(clock::wall().into());
            let _ = touch();
        } else {
            write_durably(doing, &path, text)?;
        }
        let file = OpenOptions::new().read(true).custom_flags(NONBLOCK).open(&path);
        file.map(GoodFile).map_err(|error| StateFault::new("read", &path, &error))
    }

    /// When Lampward first ran on this folder, by the clock of then.
    pub fn first_run(&self) -> Option<DateTime<Utc>> {
        let text = read_if_there("read", &self.folder.join(FIRST_RUN)).ok()??;
        let written = DateTime::parse_from_rfc3339(String::from_utf8_lossy(&text).trim()).ok();
        written.map(|at| at.to_utc())
    }

    /// The last good copy; `None` where there is none yet.
    pub fn good_file(&self) -> Result<Option<Vec<u8>>, StateFault> {
        let path = self.folder.join(GOOD_FILE);
        way::restore(&path, Use::Replaced);
        read_if_there("read the last good copy of the file from", &path)
    }

    /// When the last good copy was last found to be the file.
    pub fn good_file_at(&self) -> Option<DateTime<Utc>> {
        fs::metadata(self.folder.join(GOOD_FILE)).and_then(|meta| meta.modified()).ok().map(DateTime::from)
    }

    /// The random part of the MQTT client id: 12 characters of a–z and 0–9, made once. Where it can't be kept, it is
    /// drawn for this run, and kept once the folder can be used.
    pub fn client_id(&self) -> String {
        let mut held = self.hold();
        if let Some(id) = &held.client_id {
            return id.clone();
        }
        let path = self.folder.join(CLIENT_ID);
        way::restore(&path, Use::Replaced);
        let is_ours =
            |text: &str| text.len() == 12 && text.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit());
        let kept = read_if_there("read", &path).ok().flatten().and_then(|bytes| String::from_utf8(bytes).ok());
        let id = match kept.as_deref().map(str::trim).filter(|text| is_ours(text)) {
            Some(kept) => kept.to_owned(),
            None => {
                let id = (0..12).map(|_| char::from(b"abcdefghijklmnopqrstuvwxyz0123456789"[fastrand::usize(..36)]));
                let id: String = id.collect();
                self.keep_client_id(&id);
                id
            }
        };
        held.client_id = Some(id.clone());
        id
    }

    fn keep_client_id(&self, id: &str) {
        let path = self.folder.join(CLIENT_ID);
        let line = format!("{id}\n");
        if read_if_there("read", &path).is_ok_and(|kept| kept.is_some_and(|kept| kept == line.as_bytes())) {
            return;
        }
        if let Err(fault) = write_durably("write", &path, line.as_bytes()) {
            error!(%fault, "the MQTT client id can't be kept: it is drawn for this run");
        }
    }
}

/// Makes the folder where it does not exist, for its owner alone.
pub fn make_folder(folder: &Path) -> Result<(), StateFault> {
    let made = DirBuilder::new().recursive(true).mode(0o700).create(folder);
    made.map_err(|error| StateFault::new("make the state folder", folder, &error))
}

/// Makes the folder where it does not exist, and locks it; a lock goes with the process, however that ends.
fn hold(folder: &Path) -> Result<File, NotHeld> {
    make_folder(folder).map_err(NotHeld::Fault)?;
    // The folder itself, for a folder on a read-only card can be locked as well.
    let itself = File::open(folder).map_err(|error| NotHeld::Fault(StateFault::new("open", folder, &error)))?;
    match itself.try_lock() {
        Ok(()) => return Ok(itself),
        Err(fs::TryLockError::WouldBlock) => return Err(NotHeld::Taken),
        // A network disk may lock nothing but files that are open for writing (nfs(5), flock(2)).
        Err(fs::TryLockError::Error(_)) => {}
    }
    let path = folder.join("lock");
    way::restore(&path, Use::Written);
    let opened = OpenOptions::new().create(true).truncate(false).write(true).mode(0o600).open(&path);
    let lock = opened.map_err(|error| NotHeld::Fault(StateFault::new("open", &path, &error)))?;
    match lock.try_lock() {
        Ok(()) => Ok(lock),
        Err(fs::TryLockError::WouldBlock) => Err(NotHeld::Taken),
        Err(fs::TryLockError::Error(error)) => Err(NotHeld::Fault(StateFault::new("lock", &path, &error))),
    }
}

/// Whether what we hold is still the folder that stands there, or a file in it.
fn stands_at(lock: &File, folder: &Path) -> bool {
    let same = |path: &Path| match (lock.metadata(), fs::metadata(path)) {
        (Ok(held), Ok(found)) => (held.dev(), held.ino()) == (found.dev(), found.ino()),
        _ => false,
    };
    same(folder) || same(&folder.join("lock"))
}

/// Which folder is meant: `--state`, else `$STATE_DIRECTORY` (the first, where systemd gives several), else
/// `$XDG_STATE_HOME/lampward`, else `~/.local/state/lampward`.
pub fn folder_of(given: Option<&Path>, var: impl Fn(&str) -> Option<PathBuf>) -> Result<PathBuf, StateFault> {
    let set = |name: &str| var(name).filter(|value| !value.as_os_str().is_empty());
    if let Some(given) = given {
        return Ok(given.to_path_buf());
    }
    if let Some(systemd) = set("STATE_DIRECTORY") {
        let text = systemd.to_string_lossy().into_owned();
        return Ok(text.split(':').next().map_or(systemd, PathBuf::from));
    }
    // The XDG specification: a path that is not absolute is to be ignored.
    if let Some(xdg) = set("XDG_STATE_HOME").filter(|path| path.is_absolute()) {
        return Ok(xdg.join("lampward"));
    }
    match set("HOME") {
        Some(home) => Ok(home.join(".local/state/lampward")),
        None => Err(StateFault {
            doing: "find the state folder".into(),
            path: PathBuf::from("~/.local/state/lampward"),
            because: "HOME is not set; give one with --state".into(),
        }),
    }
}

/// Writes a file so that after a power cut either the old or the new content stands, whole. The folder is made again
/// where it is gone, and what stands in the way is set aside.
pub fn write_durably(doing: &str, path: &Path, content: &[u8]) -> Result<(), StateFault> {
    let put = || durable::replace(&durable::System, path, content);
    let restored = || way::restore(path, Use::Replaced) | way::restore(&durable::aside(path), Use::Written);
    let put = put().or_else(|error| if restored() { put() } else { Err(error) });
    put.map_err(|error| StateFault::new(doing, path, &error))
}

/// Writes a small file where it stands, not fsynced. The folder is made again where it is gone, and what stands in the
/// way is set aside.
pub fn write_in_place(doing: &str, path: &Path, content: &[u8]) -> Result<(), StateFault> {
    let write = || -> io::Result<()> {
        let mut open = OpenOptions::new();
        let open = open.create(true).truncate(false).write(true).mode(0o600).custom_flags(NONBLOCK);
        let file = open.open(path)?;
        file.write_all_at(content, 0)?;
        file.set_len(content.len() as u64)
    };
    let written = write().or_else(|error| if way::restore(path, Use::Written) { write() } else { Err(error) });
    written.map_err(|error| StateFault::new(doing, path, &error))
}

/// Reads a file; `None` where there is none. Never waits for a pipe, and reads no more than we could have written.
pub fn read_if_there(doing: &str, path: &Path) -> Result<Option<Vec<u8>>, StateFault> {
    let read = || -> io::Result<Vec<u8>> {
        let file = OpenOptions::new().read(true).custom_flags(NONBLOCK).open(path)?;
        let kind = file.metadata()?.file_type();
        if !kind.is_file() && !kind.is_dir() {
            return Err(io::Error::other("it is a pipe or a device, not a file"));
        }
        let mut content = Vec::new();
        file.take(LARGEST).read_to_end(&mut content)?;
        Ok(content)
    };
    match read() {
        Ok(content) => Ok(Some(content)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(StateFault::new(doing, path, &error)),
    }
}
