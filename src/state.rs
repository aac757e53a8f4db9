//! The state folder: where it is, who holds it, and the small files in it.
//!
//! Overrides and hands are in `keepsake.rs`, history in `daybook.rs`. Everything that must not be half written is
//! written aside, fsynced, renamed, and the folder fsynced.

mod durable;

use std::fmt;
use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Read};
use std::os::unix::fs::{DirBuilderExt, FileExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use chrono::{DateTime, SecondsFormat, Utc};

/// How many damaged files of one name are kept for a person to look at; the oldest go first.
const SET_ASIDE_KEPT: usize = 5;

/// Something in the state folder could not be done: what, where and the system's reason.
#[derive(Debug)]
pub struct StateFault {
    doing: String,
    path: PathBuf,
    because: String,
}

impl StateFault {
    fn new(doing: &str, path: &Path, error: &io::Error) -> StateFault {
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

/// The state folder, held by this process alone until it is dropped.
#[derive(Debug)]
pub struct State {
    folder: PathBuf,
    _lock: File,
}

impl State {
    /// Opens the folder given by `--state`, else the one of [`folder_of`], and holds it.
    ///
    /// It is made, readable by its owner alone, where it does not exist. Refused while another daemon holds it, for
    /// two would undo each other's overrides.
    pub fn open(given: Option<&Path>) -> Result<State, StateFault> {
        let folder = folder_of(given, |name| std::env::var_os(name).map(PathBuf::from))?;
        DirBuilder::new()
            .recursive(true)
            .mode(0o700)
            .create(&folder)
            .map_err(|error| StateFault::new("make the state folder", &folder, &error))?;
        let path = folder.join("lock");
        let lock = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .mode(0o600)
            .open(&path)
            .map_err(|error| StateFault::new("open", &path, &error))?;
        match lock.try_lock() {
            Ok(()) => Ok(State { folder, _lock: lock }),
            Err(fs::TryLockError::WouldBlock) => Err(StateFault {
                doing: "use the state folder".into(),
                path: folder,
                because: "another lampward runs on it; stop that one first, or give this one a folder of its own with --state"
                    .into(),
            }),
            Err(fs::TryLockError::Error(error)) => Err(StateFault::new("lock", &path, &error)),
        }
    }

    /// Where it is.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Makes a sign of life; only while the clock is trusted.
    ///
    /// Not fsynced: it comes every 10 min, and losing one in a power cut costs nothing but the length of "down".
    pub fn touch_alive(&self, wall: DateTime<Utc>) -> Result<(), StateFault> {
        let path = self.folder.join("alive");
        let text = format!("{}\n", wall.to_rfc3339_opts(SecondsFormat::Secs, true));
        let write = || -> io::Result<()> {
            let file = OpenOptions::new().create(true).truncate(false).write(true).mode(0o600).open(&path)?;
            file.write_all_at(text.as_bytes(), 0)?;
            file.set_len(text.len() as u64)
        };
        write().map_err(|error| StateFault::new("write the sign of life to", &path, &error))
    }

    /// When the last sign of life was made: the time written in the file, or its time stamp where the text is torn.
    pub fn last_life(&self) -> Option<DateTime<Utc>> {
        let path = self.folder.join("alive");
        let written = fs::read_to_string(&path)
            .ok()
            .and_then(|text| DateTime::parse_from_rfc3339(text.trim()).ok())
            .map(|at| at.to_utc());
        written.or_else(|| fs::metadata(&path).and_then(|meta| meta.modified()).ok().map(DateTime::from))
    }

    /// Keeps a copy of a file that was read without fault.
    pub fn keep_good_file(&self, text: &[u8]) -> Result<(), StateFault> {
        let path = self.folder.join("last-good.toml");
        if fs::read(&path).is_ok_and(|kept| kept == text) {
            return Ok(());
        }
        write_durably("write the last good copy of the file to", &path, text)
    }

    /// The last good copy; `None` where there is none yet.
    pub fn good_file(&self) -> Result<Option<Vec<u8>>, StateFault> {
        read_if_there("read the last good copy of the file from", &self.folder.join("last-good.toml"))
    }

    /// The random part of the MQTT client id: 12 characters of a–z and 0–9, made once.
    pub fn client_id(&self) -> Result<String, StateFault> {
        let path = self.folder.join("client-id");
        let is_ours =
            |text: &str| text.len() == 12 && text.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit());
        let kept = read_if_there("read", &path)?.and_then(|bytes| String::from_utf8(bytes).ok());
        if let Some(kept) = kept.as_deref().map(str::trim).filter(|text| is_ours(text)) {
            return Ok(kept.to_string());
        }
        let id: String =
            (0..12).map(|_| char::from(b"abcdefghijklmnopqrstuvwxyz0123456789"[fastrand::usize(..36)])).collect();
        write_durably("write", &path, format!("{id}\n").as_bytes())?;
        Ok(id)
    }
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

/// Writes a file so that after a power cut either the old or the new content stands, whole.
pub fn write_durably(doing: &str, path: &Path, content: &[u8]) -> Result<(), StateFault> {
    durable::replace(&durable::System, path, content).map_err(|error| StateFault::new(doing, path, &error))
}

/// Reads a file; `None` where there is none.
pub fn read_if_there(doing: &str, path: &Path) -> Result<Option<Vec<u8>>, StateFault> {
    let read = || -> io::Result<Vec<u8>> {
        let mut content = Vec::new();
        File::open(path)?.read_to_end(&mut content)?;
        Ok(content)
    };
    match read() {
        Ok(content) => Ok(Some(content)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(StateFault::new(doing, path, &error)),
    }
}

/// Moves a damaged file out of the way under a dated name and gives the new name: `daybook.sqlite` becomes
/// `daybook.sqlite.damaged-20261124T150311Z`. The last five of a name are kept.
pub fn set_aside(path: &Path, now: DateTime<Utc>) -> Result<PathBuf, StateFault> {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let stem = format!("{name}.damaged-");
    let dated = format!("{stem}{}", now.format("%Y%m%dT%H%M%SZ"));
    let mut aside = path.with_file_name(&dated);
    for again in 2.. {
        if !aside.exists() {
            break;
        }
        aside = path.with_file_name(format!("{dated}-{again}"));
    }
    fs::rename(path, &aside).map_err(|error| StateFault::new("set aside the damaged", path, &error))?;
    forget_oldest(path.parent().unwrap_or(Path::new(".")), &stem);
    Ok(aside)
}

fn forget_oldest(folder: &Path, stem: &str) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    let mut aside: Vec<(std::time::SystemTime, PathBuf)> = entries
        .filter_map(Result::ok)
        .filter(|entry| entry.file_name().to_string_lossy().starts_with(stem))
        .filter_map(|entry| Some((entry.metadata().and_then(|meta| meta.modified()).ok()?, entry.path())))
        .collect();
    aside.sort();
    let over = aside.len().saturating_sub(SET_ASIDE_KEPT);
    for (_, path) in &aside[..over] {
        let _ = fs::remove_file(path);
    }
}
