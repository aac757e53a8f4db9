//! The SQLite file of the daybook: its tables, and what counts as damage.

use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use rusqlite::{Connection, ErrorCode, OpenFlags, Row, params, params_from_iter};
use smallvec::SmallVec;
use smol_str::SmolStr;

use super::Filter;
use crate::pure::entry::{Entry, EntryKind};
use crate::pure::power::Power;
use crate::state::{self, StateFault, Use};

/// `PRAGMA user_version` of a file of this form.
const VERSION: i64 = 1;

/// The most entries read at once.
const MOST: i64 = 20_000;

const TABLES: &str = "
    CREATE TABLE entry (
        id      INTEGER PRIMARY KEY,
        at_ms   INTEGER NOT NULL,
        kind    TEXT NOT NULL,
        channel TEXT NOT NULL,
        plug    TEXT,
        wanted  TEXT,
        because TEXT NOT NULL,
        due_ms  INTEGER,
        late_ms INTEGER,
        trusted INTEGER NOT NULL
    ) STRICT;
    CREATE INDEX entry_at ON entry (at_ms);
    PRAGMA user_version = 1;
";

const INSERT: &str = "INSERT INTO entry (at_ms, kind, channel, plug, wanted, because, due_ms, late_ms, trusted)
    VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)";

const SELECT: &str = "SELECT at_ms, kind, channel, plug, wanted, because, due_ms, late_ms FROM entry
    WHERE at_ms >= ?1 AND at_ms < ?2 ORDER BY at_ms DESC, id DESC";

/// An entry made while the clock was not trusted may bear any date; that of the switching it is about is right.
const SELECT_SINCE: &str = "SELECT at_ms, kind, channel, plug, wanted, because, due_ms, late_ms FROM entry
    WHERE at_ms >= ?1 OR due_ms >= ?1 ORDER BY id DESC";

/// The entries of one step and whether the clock was trusted when they were made.
#[derive(Clone, Debug, PartialEq)]
pub struct Page {
    /// What happened.
    pub entries: SmallVec<[Entry; 1]>,
    /// Whether they are signs of life.
    pub trusted: bool,
}

/// Why the file could not be used.
#[derive(Debug)]
pub enum Trouble {
    /// The file is not what we wrote: a new one has to be begun.
    Damaged(String),
    /// A full disk, a read-only card, no permission: it may pass.
    Other(String),
}

/// The open file.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    /// Device and number of the file: another may take its place.
    file: (u64, u64),
}

impl Store {
    /// Opens or begins the file, and looks all of it through.
    pub fn open(path: &Path) -> Result<Store, Trouble> {
        for suffix in ["", "-wal", "-shm"] {
            state::restore(&beside(path, suffix), Use::Written);
        }
        let open = || -> rusqlite::Result<Result<Store, String>> {
            let connection = Connection::open(path)?;
            connection.busy_timeout(Duration::from_secs(1))?;
            connection.pragma_update(None, "journal_mode", "wal")?;
            connection.pragma_update(None, "synchronous", "full")?;
            // In kB: entries are added at the end, and read by pages of some fifty.
            connection.pragma_update(None, "cache_size", -64)?;
            let version: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0))?;
            let tables: i64 = connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
            if version == 0 && tables == 0 {
                connection.execute_batch(&format!("BEGIN; {TABLES} COMMIT;"))?;
            } else if version != VERSION {
                return Ok(Err(format!("version {version} is not ours ({VERSION})")));
            }
            let verdict: String = connection.query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))?;
            if verdict != "ok" {
                return Ok(Err(verdict));
            }
            connection.prepare_cached(INSERT)?;
            connection.prepare(SELECT)?;
            connection.prepare(SELECT_SINCE)?;
            Ok(Ok(Store { connection, file: number_of(path).unwrap_or_default() }))
        };
        match open() {
            Ok(Ok(store)) => Ok(store),
            Ok(Err(because)) => Err(Trouble::Damaged(because)),
            Err(error) => Err(trouble(&error, path)),
        }
    }

    /// Whether the file at the path is still this one.
    pub fn stands_at(&self, path: &Path) -> bool {
        number_of(path) == Some(self.file)
    }

    /// The newest entry made while the clock was trusted.
    pub fn last_trusted(&self) -> Option<DateTime<Utc>> {
        let newest = "SELECT at_ms FROM entry WHERE trusted ORDER BY at_ms DESC LIMIT 1";
        let at_ms = self.connection.query_row(newest, [], |row| row.get(0)).ok()?;
        DateTime::from_timestamp_millis(at_ms)
    }

    /// Writes all of them or none; they are on disk when this returns well.
    pub fn write(&mut self, pages: &[Page]) -> Result<(), Trouble> {
        let write = |connection: &mut Connection| -> rusqlite::Result<()> {
            let transaction = connection.transaction()?;
            {
                let mut insert = transaction.prepare_cached(INSERT)?;
                let all = pages.iter().flat_map(|page| page.entries.iter().map(|entry| (entry, page.trusted)));
                for (entry, trusted) in all {
                    insert.execute(params![
                        entry.at.timestamp_millis(),
                        entry.kind.word(),
                        entry.channel.as_str(),
                        entry.plug.as_deref(),
                        entry.wanted.map(Power::word),
                        entry.because.as_str(),
                        entry.due.map(|due| due.timestamp_millis()),
                        entry.late.map(|late| late.num_milliseconds()),
                        trusted,
                    ])?;
                }
            }
            transaction.commit()
        };
        let path = self.connection.path().map(PathBuf::from).unwrap_or_default();
        write(&mut self.connection).map_err(|error| trouble(&error, &path))
    }

    /// Forgets what is older.
    pub fn prune(&mut self, before: DateTime<Utc>) -> rusqlite::Result<()> {
        self.connection.execute("DELETE FROM entry WHERE at_ms < ?1", [before.timestamp_millis()]).map(|_| ())
    }
}

fn number_of(path: &Path) -> Option<(u64, u64)> {
    let file = std::fs::metadata(path).ok()?;
    Some((file.dev(), file.ino()))
}

fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// Tells damage from what may pass. When in doubt it is damage: a new file can always be begun, and the old one is
/// kept for a person to look at.
fn trouble(error: &rusqlite::Error, path: &Path) -> Trouble {
    // SQLite puts the path into some of its words; the log line names it anyway, and an answer must not.
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let words = error.to_string().replace(&path.display().to_string(), &name);
    match error.sqlite_error_code() {
        Some(ErrorCode::DiskFull) => Trouble::Other("no space left on device".into()),
        // A torn header can make SQLite take a file for read-only; a card that is read-only takes no other file either.
        Some(ErrorCode::ReadOnly) if folder_takes_files(path) => Trouble::Damaged(words),
        Some(
            ErrorCode::ReadOnly
            | ErrorCode::CannotOpen
            | ErrorCode::PermissionDenied
            | ErrorCode::SystemIoFailure
            | ErrorCode::DatabaseBusy
            | ErrorCode::DatabaseLocked
            | ErrorCode::OutOfMemory,
        ) => Trouble::Other(words),
        _ => Trouble::Damaged(words),
    }
}

fn folder_takes_files(path: &Path) -> bool {
    let probe = path.with_file_name(".daybook.probe");
    let takes = std::fs::write(&probe, b"").is_ok();
    let _ = std::fs::remove_file(&probe);
    takes
}

/// Moves the damaged file and its write-ahead log out of the way; gives the new name.
pub fn set_aside(path: &Path, now: DateTime<Utc>) -> Result<PathBuf, StateFault> {
    if beside(path, "-wal").exists() {
        state::set_aside(&beside(path, "-wal"), now)?;
    }
    let _ = std::fs::remove_file(beside(path, "-shm"));
    state::set_aside(path, now)
}

/// Reads the entries between two instants.
pub fn past(path: &Path, from: DateTime<Utc>, until: DateTime<Utc>, filter: &Filter) -> Result<Vec<Entry>, String> {
    read(path, SELECT, &[from.timestamp_millis(), until.timestamp_millis()], filter)
}

/// Reads the entries that were made since an instant, or are about a switching that was due since.
pub fn since(path: &Path, from: DateTime<Utc>) -> Result<Vec<Entry>, String> {
    read(path, SELECT_SINCE, &[from.timestamp_millis()], &Filter::default())
}

/// Reads entries, newest first, through a connection of its own, so that a reader never waits for the writer.
fn read(path: &Path, select: &str, instants: &[i64], filter: &Filter) -> Result<Vec<Entry>, String> {
    if path.exists() && !path.is_file() {
        // A pipe would be waited for without end. The writer sets it aside with its next entry.
        return Err(format!("cannot read the daybook {}: something else stands in its place", path.display()));
    }
    let read = || -> rusqlite::Result<Vec<Entry>> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags)?;
        connection.busy_timeout(Duration::from_secs(1))?;
        let mut select = connection.prepare(select)?;
        let rows = select.query_map(params_from_iter(instants), |row| Ok(entry_of(row)))?;
        let mut entries = Vec::new();
        for row in rows {
            // A row that a worn card has changed into nonsense is left out; the rest is still worth reading.
            let Some(entry) = row? else { continue };
            let wanted_kind = filter.kinds.is_empty() || filter.kinds.contains(&entry.kind);
            let wanted_channel =
                filter.channels.is_empty() || filter.channels.iter().any(|channel| *channel == entry.channel);
            if wanted_kind && wanted_channel {
                entries.push(entry);
            }
            if entries.len() as i64 >= MOST {
                break;
            }
        }
        entries.reverse();
        Ok(entries)
    };
    read().map_err(|error| format!("cannot read the daybook {}: {error}", path.display()))
}

fn entry_of(row: &Row<'_>) -> Option<Entry> {
    let instant = |ms: i64| DateTime::from_timestamp_millis(ms);
    let kind: String = row.get(1).ok()?;
    let wanted: Option<String> = row.get(4).ok()?;
    Some(Entry {
        at: instant(row.get(0).ok()?)?,
        kind: EntryKind::ALL.into_iter().find(|known| known.word() == kind)?,
        channel: row.get::<_, String>(2).ok()?.into(),
        plug: row.get::<_, Option<String>>(3).ok()?.map(SmolStr::from),
        wanted: match wanted.as_deref() {
            None => None,
            Some("on") => Some(Power::On),
            Some("off") => Some(Power::Off),
            Some(_) => return None,
        },
        because: row.get::<_, String>(5).ok()?.into(),
        due: row.get::<_, Option<i64>>(6).ok()?.and_then(instant),
        late: row.get::<_, Option<i64>>(7).ok()?.and_then(TimeDelta::try_milliseconds),
    })
}
