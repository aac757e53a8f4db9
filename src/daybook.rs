//! What happened, in SQLite.
//!
//! Writing has a thread of its own behind a bounded queue, so that a slow card never makes a lamp wait. What cannot
//! be written is held back and tried again; the keeper is never told and switching goes on. Overrides and hands are
//! not here, see `keepsake.rs`.

mod store;
mod tally;

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, SendError, Sender};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

use chrono::{DateTime, Months, TimeDelta, Utc};
use tracing::{error, info, warn};

use crate::clock;
use crate::pure::entry::{Entry, EntryKind};
use crate::room;
use store::{Page, Store, Trouble};
pub use tally::{BOUNDS_S, Tally};

/// How many entries may wait for the thread, and how many the thread holds back while the card takes none: as many as a house
/// of 10,000 plugs makes at one instant, three times. They take some 130 bytes each.
const WAITING: usize = 32_768;

/// How long until writing is tried again, where nothing new comes before that.
const AGAIN_AFTER: Duration = Duration::from_secs(10);

/// Entries seldom come alone, and each commit costs the card and the other threads: so long the first one waits for more, and
/// as long again while more come …
const GATHERS: Duration = Duration::from_millis(20);

/// … so often at most: a kill takes no more of the history with it than a fifth of a second.
const GATHERINGS: u32 = 8;

/// More than so many are a burst.
const FEW: usize = 16;

/// So many are enough for a commit: more than a house of 10,000 plugs makes at one instant, half of what may wait.
const CROWD: usize = WAITING / 2;

/// How long a stop waits for the last entries.
const CLOSING: Duration = Duration::from_secs(1);

/// The writing end of the daybook. The daemon holds the only one.
#[derive(Debug)]
pub struct Daybook {
    queue: Sender<Job>,
    /// Entries in the queue.
    waiting: Arc<AtomicUsize>,
    closed: Receiver<()>,
    reader: Reader,
    last_entry_at: Option<DateTime<Utc>>,
    health: Arc<Mutex<Health>>,
}

enum Job {
    Write(Page),
    Prune(DateTime<Utc>),
    Then(Box<dyn FnOnce() + Send>),
}

/// What is wrong with the writing, shared by both ends of the queue.
#[derive(Debug)]
struct Health {
    path: PathBuf,
    trouble: Option<String>,
    lost: u64,
    tally: Tally,
}

impl Daybook {
    /// Opens the daybook in the state folder, or begins one. A damaged one is set aside under a dated name.
    ///
    /// Never fails: where nothing can be opened, it says so in the log and goes on trying.
    pub fn open(folder: &Path, years: u32, now: DateTime<Utc>) -> Daybook {
        let path = folder.join("daybook.sqlite");
        let health =
            Arc::new(Mutex::new(Health { path: path.clone(), trouble: None, lost: 0, tally: Tally::default() }));
        let mut writer = Writer {
            path: path.clone(),
            years,
            store: None,
            pending: Vec::new(),
            pruned_at: None,
            health: health.clone(),
            waiting: Arc::default(),
        };
        let waiting = writer.waiting.clone();
        writer.open(now);
        let last_entry_at = writer.store.as_ref().and_then(Store::last_trusted);
        let (queue, jobs) = mpsc::channel();
        let (closing, closed) = mpsc::sync_channel(1);
        let spawned = thread::Builder::new().name("daybook".into()).spawn(move || {
            writer.run(&jobs);
            drop(writer);
            let _ = closing.send(());
        });
        if let Err(because) = spawned {
            error!(%because, "the daybook has no thread to write with; nothing is recorded");
        }
        Daybook { queue, waiting, closed, reader: Reader { path, health: health.clone() }, last_entry_at, health }
    }

    /// Hands the entries of one step over and returns at once: after a kill all of them are there or none. `trusted` says
    /// whether the clock was trusted when they were made: only then are they signs of life.
    pub fn record(&self, entries: &[Entry], trusted: bool) {
        if entries.is_empty() {
            return;
        }
        let mut health = lock(&self.health);
        entries.iter().for_each(|entry| health.tally.count(entry));
        let count = entries.len();
        if self.waiting.fetch_add(count, Ordering::Relaxed) + count > WAITING {
            self.waiting.fetch_sub(count, Ordering::Relaxed);
            return health.lose(count as u64, "the card takes entries too slowly");
        }
        drop(health);
        let page = Page { entries: entries.into(), trusted };
        if self.queue.send(Job::Write(page)).is_err() {
            lock(&self.health).lose(count as u64, "there is no thread to write them");
        }
    }

    /// Does something as soon as what was handed over before is written, or has been found not to be for now. In the daybook's
    /// thread; at once where too much waits there.
    pub fn then(&self, act: impl FnOnce() + Send + 'static) {
        if self.waiting.load(Ordering::Relaxed) >= WAITING {
            return act();
        }
        if let Err(SendError(Job::Then(act))) = self.queue.send(Job::Then(Box::new(act))) {
            act();
        }
    }

    /// Forgets what is older than the years of the file, once a day at most. To be called while the clock is trusted.
    pub fn prune(&self, now: DateTime<Utc>) {
        // Without a thread there are worse worries.
        let _ = self.queue.send(Job::Prune(now));
    }

    /// The newest entry that was there at the start and made while the clock was trusted.
    pub fn last_entry_at(&self) -> Option<DateTime<Utc>> {
        self.last_entry_at
    }

    /// Why nothing is being written just now, in a sentence without paths; `None` when all is well.
    pub fn trouble(&self) -> Option<String> {
        let because = lock(&self.health).trouble.clone()?;
        Some(format!("the daybook cannot be written, switching goes on: {because}"))
    }

    /// For reading, from any thread.
    pub fn reader(&self) -> Reader {
        self.reader.clone()
    }

    /// Writes what waits and closes in order. Gives up after 1 s, so that a stuck card cannot hold up a stop; what
    /// was committed by then is safe.
    pub fn close(self) {
        drop(self.queue);
        if self.closed.recv_timeout(CLOSING) == Err(RecvTimeoutError::Timeout) {
            warn!("the daybook could not be closed within {} s; its last entries may be lost", CLOSING.as_secs());
        }
    }
}

impl Health {
    fn lose(&mut self, entries: u64, because: &str) {
        if self.lost == 0 {
            warn!(path = %self.path.display(), because, "the daybook loses entries; switching goes on");
        }
        self.lost += entries;
        self.tally.lost += entries;
        if self.trouble.is_none() {
            self.trouble = Some(because.to_string());
        }
    }

    fn fail(&mut self, because: String) {
        if self.trouble.is_none() {
            let path = self.path.display();
            warn!(%path, because, "the daybook cannot be written; switching goes on, and entries are held back");
        }
        self.trouble = Some(because);
    }

    fn recover(&mut self) {
        if self.trouble.take().is_some() {
            info!(path = %self.path.display(), lost = self.lost, "the daybook is written again");
        }
        self.lost = 0;
    }
}

fn lock(health: &Mutex<Health>) -> std::sync::MutexGuard<'_, Health> {
    health.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

/// The thread behind the queue.
struct Writer {
    path: PathBuf,
    years: u32,
    store: Option<Store>,
    pending: Vec<Page>,
    pruned_at: Option<DateTime<Utc>>,
    health: Arc<Mutex<Health>>,
    /// Shared with the other end.
    waiting: Arc<AtomicUsize>,
}

impl Writer {
    fn run(&mut self, jobs: &Receiver<Job>) {
        loop {
            let job = if self.pending.is_empty() && self.store.is_some() {
                jobs.recv().map_err(|_| RecvTimeoutError::Disconnected)
            } else {
                jobs.recv_timeout(AGAIN_AFTER)
            };
            let over = matches!(job, Err(RecvTimeoutError::Disconnected));
            if matches!(job, Ok(Job::Write(_))) {
                self.gather();
                let waiting = self.waiting.load(Ordering::Relaxed);
                if waiting > FEW {
                    self.pending.reserve_exact(waiting.max(room::apart::<Page>()));
                }
            }
            let (mut prune_at, mut acts) = (None, Vec::new());
            for job in job.into_iter().chain(jobs.try_iter()) {
                match job {
                    Job::Write(page) => {
                        self.waiting.fetch_sub(page.entries.len(), Ordering::Relaxed);
                        self.pending.push(page);
                    }
                    Job::Prune(now) => prune_at = Some(now),
                    Job::Then(act) => acts.push(act),
                }
            }
            self.look_at_the_file(prune_at);
            self.write();
            acts.into_iter().for_each(|act| act());
            if let Some(now) = prune_at {
                self.prune(now);
            }
            if over {
                return;
            }
        }
    }

    /// Waits until no more come, for a while.
    fn gather(&self) {
        let mut before = 0;
        for _ in 0..GATHERINGS {
            let waiting = self.waiting.load(Ordering::Relaxed);
            if waiting == before || waiting >= CROWD {
                return;
            }
            before = waiting;
            thread::sleep(GATHERS);
        }
    }

    /// Opens the file where none is open, or where another stands in its place: writing would go nowhere.
    fn look_at_the_file(&mut self, now: Option<DateTime<Utc>>) {
        if self.store.as_ref().is_some_and(|store| !store.stands_at(&self.path)) {
            warn!(path = %self.path.display(), "the daybook is gone from its place; it is begun anew there");
            self.store = None;
        }
        if self.store.is_none() {
            let now = self.newest().or(now);
            self.open(now.unwrap_or_else(clock::wall));
            if self.store.is_some() && self.pending.is_empty() {
                lock(&self.health).recover();
            }
        }
    }

    /// Writes all that waits in one transaction, or holds it back.
    fn write(&mut self) {
        let Some(newest) = self.newest() else { return };
        let Some(store) = &mut self.store else { return self.hold_back() };
        match store.write(&self.pending) {
            Ok(()) => {
                // With the room that an evening's burst took.
                self.pending = Vec::new();
                lock(&self.health).recover();
            }
            Err(Trouble::Damaged(because)) => {
                self.begin_anew(&because, newest);
                // One try with the new one; what fails now waits for the next round.
                if self.store.as_mut().is_some_and(|store| store.write(&self.pending).is_ok()) {
                    self.pending.clear();
                }
                self.hold_back();
            }
            Err(Trouble::Other(because)) => {
                lock(&self.health).fail(because);
                self.hold_back();
            }
        }
    }

    fn hold_back(&mut self) {
        let held: usize = self.pending.iter().map(|page| page.entries.len()).sum();
        let mut over = held.saturating_sub(WAITING);
        if over == 0 {
            return;
        }
        lock(&self.health).lose(over as u64, "too many entries are held back");
        self.pending.retain_mut(|page| {
            let lost = page.entries.len().min(over);
            page.entries.drain(..lost);
            over -= lost;
            !page.entries.is_empty()
        });
    }

    /// When the newest entry that waits was made.
    fn newest(&self) -> Option<DateTime<Utc>> {
        self.pending.last()?.entries.last().map(|entry| entry.at)
    }

    fn open(&mut self, now: DateTime<Utc>) {
        match Store::open(&self.path) {
            Ok(store) => self.store = Some(store),
            Err(Trouble::Damaged(because)) => self.begin_anew(&because, now),
            Err(Trouble::Other(because)) => lock(&self.health).fail(because),
        }
    }

    fn begin_anew(&mut self, because: &str, now: DateTime<Utc>) {
        self.store = None;
        match store::set_aside(&self.path, now) {
            Ok(aside) => warn!(
                path = %self.path.display(), aside = %aside.display(), because,
                "the daybook is damaged; it is set aside and a new one begun"
            ),
            Err(fault) => {
                return lock(&self.health).fail(format!("it is damaged ({because}), and {}", fault.brief()));
            }
        }
        match Store::open(&self.path) {
            Ok(store) => self.store = Some(store),
            Err(Trouble::Damaged(because) | Trouble::Other(because)) => lock(&self.health).fail(because),
        }
    }

    fn prune(&mut self, now: DateTime<Utc>) {
        if self.pruned_at.is_some_and(|at| (now - at).abs() < TimeDelta::days(1)) {
            return;
        }
        let Some(store) = &mut self.store else { return };
        let Some(before) = now.checked_sub_months(Months::new(12 * self.years)) else { return };
        // A failure to forget is no loss; it is tried again.
        if store.prune(before).is_ok() {
            self.pruned_at = Some(now);
        }
    }
}

/// Which entries are meant.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Filter {
    /// Only those of these kinds; empty: all.
    pub kinds: Vec<EntryKind>,
    /// Only those of these channels; empty: all.
    pub channels: Vec<String>,
}

/// The reading end of the daybook. Cheap to clone.
#[derive(Clone, Debug)]
pub struct Reader {
    path: PathBuf,
    health: Arc<Mutex<Health>>,
}

impl Reader {
    /// What has been recorded since the start, counted, whether or not it could be written.
    pub fn tally(&self) -> Tally {
        lock(&self.health).tally
    }

    /// What happened from `from` (included) until `until` (excluded), oldest first; the newest 20,000 where there
    /// are more. Blocks for as long as the card takes.
    pub fn past(&self, from: DateTime<Utc>, until: DateTime<Utc>, filter: &Filter) -> Result<Vec<Entry>, String> {
        store::past(&self.path, from, until, filter)
    }

    /// What was made since an instant, or is about a switching that was due since, whenever it was made by a clock that
    /// was not trusted; in the order in which it was written, the newest 20,000. Blocks for as long as the card takes.
    pub fn since(&self, from: DateTime<Utc>) -> Result<Vec<Entry>, String> {
        store::since(&self.path, from)
    }
}
