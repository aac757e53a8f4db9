//! What survives the daemon: overrides and hands, the daybook, the sign of life. In every tenth seed the first two are
//! the real files of the daemon, in a folder in memory.

use std::collections::VecDeque;
use std::sync::Arc;

use chrono::{DateTime, TimeDelta, Utc};
use lampward::daybook::Daybook;
use lampward::keepsake::KeepsakeFile;
use lampward::pure::config::Config;
use lampward::pure::entry::Entry;
use lampward::pure::keeper::Keepsake;
use tempfile::TempDir;

use super::world::{DAY, instant};

/// How much of the newest history is remembered here: more than a start asks for.
const REMEMBERED: i64 = 30 * DAY;
/// Written by then, even by a slow card.
const WRITTEN_AFTER: i64 = 2_000;
/// The system writes the sign of life out by itself by then.
const SYNCED_AFTER: i64 = 30_000;
/// How many entries are gathered for the real daybook.
const GATHERED: usize = 300;
/// How long the daybook goes back in years.
const YEARS: u32 = 1;

/// The entries of one step, which the daybook takes together or not at all, or a sign of life that waits for those before it.
struct Batch {
    at: i64,
    entries: Vec<Entry>,
    trusted: bool,
    alive: Option<DateTime<Utc>>,
}

pub struct Disk {
    pub keepsake: Keepsake,
    pub last_good: Arc<Config>,
    /// Overrides can't be written.
    pub full: bool,
    /// Handed to the daybook's thread, and not yet sure to be written.
    waiting: VecDeque<Batch>,
    /// The newest entries that are written, and how many may be there before old ones are forgotten.
    entries: VecDeque<Entry>,
    forget_at: usize,
    /// The newest of those made while the clock was trusted.
    entry_life: Option<DateTime<Utc>>,
    /// The file of the sign of life, and what it held before and until when that may come back by a power cut.
    alive: Option<DateTime<Utc>>,
    alive_before: (Option<DateTime<Utc>>, i64),
    real: Option<Real>,
}

/// The files of the daemon.
struct Real {
    folder: TempDir,
    daybook: Option<Daybook>,
    keepsakes: KeepsakeFile,
    /// A year here is over in a second: entries go to the daybook many at once, so that its thread can follow.
    gathered: Vec<Entry>,
    trusted: bool,
    pruned_at: i64,
}

/// What a start finds.
pub struct Found {
    pub keepsake: Keepsake,
    pub last_life: Option<DateTime<Utc>>,
    /// Since 5 min before the last sign of life, or about a switching that was due since then.
    pub recent: Vec<Entry>,
}

impl Disk {
    /// Empty, with real files if so wished.
    pub fn new(last_good: Arc<Config>, real: bool, wall: DateTime<Utc>) -> Disk {
        Disk {
            keepsake: Keepsake::default(),
            last_good,
            full: false,
            waiting: VecDeque::new(),
            entries: VecDeque::new(),
            forget_at: 1000,
            entry_life: None,
            alive: None,
            alive_before: (None, 0),
            real: real.then(|| Real::new(wall)),
        }
    }

    /// As [`Disk::start`] would find it.
    pub fn last_life(&self) -> Option<DateTime<Utc>> {
        self.alive.max(self.entry_life)
    }

    /// Hands the entries of a step to the daybook.
    pub fn record(&mut self, now: i64, entries: Vec<Entry>, trusted: bool) {
        if entries.is_empty() {
            return;
        }
        self.write_until(now - WRITTEN_AFTER);
        self.waiting.push_back(Batch { at: now, entries, trusted, alive: None });
    }

    fn write_until(&mut self, until: i64) {
        while self.waiting.front().is_some_and(|batch| batch.at <= until) {
            let Some(batch) = self.waiting.pop_front() else { return };
            if let Some(real) = self.real.as_mut().filter(|_| batch.alive.is_none()) {
                real.write(&batch);
            }
            if batch.alive.is_some() {
                if self.alive_before.1 < batch.at {
                    self.alive_before = (self.alive, batch.at + SYNCED_AFTER);
                }
                self.alive = batch.alive;
            }
            if batch.trusted {
                self.entry_life = self.entry_life.max(batch.entries.iter().map(|entry| entry.at).max());
            }
            self.entries.extend(batch.entries);
            if self.entries.len() > self.forget_at {
                // By their own time, for the clock may have been ahead.
                let since = instant(until - REMEMBERED);
                self.entries.retain(|entry| is_since(entry, since));
                self.forget_at = 2 * self.entries.len().max(1000);
            }
        }
    }

    /// Makes overrides and hands durable, or says why not.
    pub fn keep(&mut self, keepsake: Keepsake) -> Result<(), String> {
        if self.full {
            return Err("no space left on device".to_string());
        }
        if let Some(real) = &self.real {
            real.keepsakes.store(&keepsake).map_err(|fault| fault.to_string())?;
        }
        self.keepsake = keepsake;
        Ok(())
    }

    /// A sign of life.
    pub fn touch(&mut self, now: i64, wall: DateTime<Utc>) {
        self.write_until(now - WRITTEN_AFTER);
        self.waiting.push_back(Batch { at: now, entries: Vec::new(), trusted: false, alive: Some(wall) });
        if let Some(real) = &mut self.real {
            real.prune(now, wall);
        }
    }

    /// The daemon is gone: of the entries of the last `ms` nothing was written. How many those are.
    pub fn daemon_gone(&mut self, now: i64, ms: i64) -> usize {
        self.write_until(now - ms);
        let lost = self.waiting.drain(..).map(|batch| batch.entries.len()).sum();
        if let Some(real) = &mut self.real {
            real.close();
        }
        lost
    }

    /// The power is gone, too: so is what the system had not written out by itself.
    pub fn power_gone(&mut self, now: i64) {
        if now < self.alive_before.1 {
            self.alive = self.alive_before.0;
        }
    }

    /// What a start finds.
    pub fn start(&mut self, wall: DateTime<Utc>) -> Found {
        let last_life = self.last_life();
        let since = last_life.map(|life| life - TimeDelta::minutes(5));
        let recent = |entry: &&Entry| since.is_some_and(|since| is_since(entry, since));
        let recent: Vec<Entry> = self.entries.iter().filter(recent).cloned().collect();
        if let Some(real) = &mut self.real {
            let keepsake = real.open(wall);
            assert_eq!(keepsake, self.keepsake, "overrides and hands as they were kept");
            let (life, found) = real.read(since, &recent);
            assert_eq!(self.alive.max(life), last_life, "the last sign of life as it was made");
            return Found { keepsake, last_life, recent: found };
        }
        Found { keepsake: self.keepsake.clone(), last_life, recent }
    }
}

impl Real {
    fn new(wall: DateTime<Utc>) -> Real {
        let memory = std::path::Path::new("/dev/shm");
        let place = if memory.is_dir() { memory.to_path_buf() } else { std::env::temp_dir() };
        let folder = tempfile::Builder::new().prefix("lampward-simulation-").tempdir_in(place).expect("a folder");
        let (keepsakes, _) = KeepsakeFile::load(folder.path(), wall);
        Real { folder, daybook: None, keepsakes, gathered: Vec::new(), trusted: true, pruned_at: 0 }
    }

    /// Opens the files as the daemon does.
    fn open(&mut self, wall: DateTime<Utc>) -> Keepsake {
        let (keepsakes, keepsake) = KeepsakeFile::load(self.folder.path(), wall);
        self.keepsakes = keepsakes;
        self.daybook = Some(Daybook::open(self.folder.path(), YEARS, wall));
        keepsake
    }

    /// The last sign of life by the daybook and what it has since an instant, which is to be as expected. On a busy
    /// machine the thread of the daemon before may still be writing.
    fn read(&self, since: Option<DateTime<Utc>>, expected: &[Entry]) -> (Option<DateTime<Utc>>, Vec<Entry>) {
        let daybook = self.daybook.as_ref().expect("just opened");
        let Some(since) = since else { return (daybook.last_entry_at(), Vec::new()) };
        let expected = in_order(expected.to_vec());
        let mut last = Vec::new();
        for _ in 0..1000 {
            let found = daybook.reader().since(since).expect("it can be read");
            if in_order(found.clone()) == expected {
                return (daybook.last_entry_at(), found);
            }
            last = found;
            std::thread::sleep(std::time::Duration::from_millis(20));
        }
        let lost: Vec<&Entry> = expected.iter().filter(|entry| !last.contains(entry)).collect();
        let more: Vec<&Entry> = last.iter().filter(|entry| !expected.contains(entry)).collect();
        panic!("{:?}: since {since} the daybook lacks {lost:?} and has besides {more:?}", daybook.trouble())
    }

    fn write(&mut self, batch: &Batch) {
        if self.trusted != batch.trusted || self.gathered.len() >= GATHERED {
            self.hand_over();
        }
        self.trusted = batch.trusted;
        self.gathered.extend_from_slice(&batch.entries);
    }

    fn hand_over(&mut self) {
        let daybook = self.daybook.as_ref().expect("open while the daemon runs");
        daybook.record(&std::mem::take(&mut self.gathered), self.trusted);
    }

    fn prune(&mut self, now: i64, wall: DateTime<Utc>) {
        if now - self.pruned_at > 30 * DAY {
            self.pruned_at = now;
            self.daybook.as_ref().expect("open while the daemon runs").prune(wall);
        }
    }

    fn close(&mut self) {
        self.hand_over();
        if let Some(daybook) = self.daybook.take() {
            daybook.close();
        }
    }
}

/// Whether an entry was made since an instant, or is about a switching that was due since.
fn is_since(entry: &Entry, since: DateTime<Utc>) -> bool {
    entry.at >= since || entry.due.is_some_and(|due| due >= since)
}

fn in_order(mut entries: Vec<Entry>) -> Vec<Entry> {
    entries.sort_by(|a, b| {
        let key = |entry: &Entry| (entry.at, entry.due, entry.kind.word(), entry.late);
        (key(a), &a.channel, &a.plug).cmp(&(key(b), &b.channel, &b.plug))
    });
    entries
}
