//! The TOML file as the running daemon has it: read at the start, read again on request, copied once it is good.
//!
//! A faulty file never replaces good rules: a start falls back on the last good copy, a reload changes nothing. Reading
//! and checking it again takes a thread of its own: neither a heap of junk nor a disk that hangs holds up a lamp.

use std::borrow::Cow;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread::{self, Thread};

use chrono::{DateTime, SecondsFormat, Utc};
use tokio::sync::oneshot;
use tracing::{error, info, warn};

use crate::cli::{Failure, file};
use crate::named_files::{self, Unreadable};
use crate::pure::config::{self, Broker, Checked, ClockTrust, Config, Fault, Faults, Spots, Web};
use crate::pure::local_time::local_of;
use crate::pure::plan::{Plan, never};
use crate::state::{GoodFile, State};
use crate::web::FileFacts;

/// So many faults are logged and shown; a file with more is not a file of a household but something put there by mistake.
const SHOWN: usize = 100;

/// Larger than what glibc takes as a sign to tidy up (64 KiB), smaller than what it leaves to the system at once (128 KiB).
const LARGE_PIECE: usize = 100 * 1024;

/// Why there is nothing, where the thread that reads has ended before its time.
const FAULT: &str = "cannot read the file: a fault in lampward ended it";

/// The file and what came of reading it.
#[derive(Debug)]
pub struct RulesFile {
    path: PathBuf,
    /// The file in force.
    config: Arc<Config>,
    /// As it was at the start: what waits for a restart goes by it.
    at_start: AtStart,
    facts: FileFacts,
    /// The text of the one in force, if it was read from the file.
    text: Option<Text>,
    /// What it names and a start could not read, as it was when the file was read again.
    unreadable: Vec<Unreadable>,
    /// What a thread is finding out.
    under_way: Option<oneshot::Receiver<Found>>,
    /// Somebody asked while that was so: the file may have been saved since.
    again: bool,
}

/// What of a file holds until a restart.
#[derive(Debug, PartialEq)]
struct AtStart {
    web: Web,
    broker: Broker,
    clock: ClockTrust,
    daybook_years: u32,
    slug: String,
}

impl AtStart {
    fn of(config: &Config) -> AtStart {
        let Config { web, broker, clock, daybook_years, place, .. } = config;
        let (web, broker) = (web.clone(), broker.clone());
        AtStart { web, broker, clock: *clock, daybook_years: *daybook_years, slug: place.slug() }
    }
}

/// What came of reading the file again.
#[derive(Debug)]
pub struct Found {
    at: DateTime<Utc>,
    lent: Lent,
}

/// What a thread has read, until it is dropped; the thread waits for that.
#[derive(Debug)]
struct Lent {
    read: Arc<Result<Good, Unread>>,
    // After `read`: fields are dropped in this order, and who is woken finds nobody else has it.
    _back: Wakes,
}

/// Wakes a thread when it is dropped.
#[derive(Debug)]
struct Wakes(Thread);

impl Drop for Wakes {
    fn drop(&mut self) {
        self.0.unpark();
    }
}

impl Lent {
    /// A copy of our own, and the thread may end.
    fn take(self) -> Result<Good, Unread> {
        match &*self.read {
            Ok(good) => Ok(good.apart()),
            Err(unread) => Err(unread.clone()),
        }
    }
}

/// The text of a file without fault: in the state folder, or here where it could not be put there.
#[derive(Debug)]
enum Text {
    Kept(GoodFile),
    Here(Vec<u8>),
}

impl Text {
    /// A copy that shares no memory.
    fn apart(&self) -> Option<Text> {
        match self {
            Text::Here(text) => Some(Text::Here(text.clone())),
            Text::Kept(copy) => {
                let again = copy.again().map(Text::Kept);
                again.or_else(|_| copy.text().map(Text::Here)).ok()
            }
        }
    }

    /// Copies it into the state folder.
    fn keep(self, state: &State) -> Text {
        let text = match &self {
            Text::Here(text) => Cow::Borrowed(text),
            Text::Kept(copy) => match copy.text() {
                Ok(text) => Cow::Owned(text),
                Err(because) => {
                    warn!(%because, "the last good copy of the file is gone: save the file again, and there is one");
                    return self;
                }
            },
        };
        match state.keep_good_file(&text) {
            Ok(copy) => Text::Kept(copy),
            Err(fault) => {
                warn!(%fault, "a start with a faulty file would have no copy of this one to go by");
                self
            }
        }
    }
}

#[derive(Debug)]
struct Good {
    /// `None` where the system has no handle left for it.
    text: Option<Text>,
    config: Arc<Config>,
    warnings: Arc<[Fault]>,
    unreadable: Vec<Unreadable>,
}

impl Good {
    fn of(text: Option<Text>, checked: Checked, now: DateTime<Utc>) -> Good {
        let Checked { config, warnings, spots } = checked;
        let config = Arc::new(config);
        let warnings = self::warnings(&config, warnings, &spots, now);
        let unreadable = named_files::unreadable(&config);
        Good { text, config, warnings, unreadable }
    }

    /// What a person should look at, in the log.
    fn say(&self) {
        self.warnings.iter().for_each(|warning| warn!("{warning}"));
    }

    /// A copy that shares nothing, see [`Config::apart`].
    fn apart(&self) -> Good {
        let Good { text, config, warnings, unreadable } = self;
        let warnings = warnings.iter().cloned().collect();
        Good {
            text: text.as_ref().and_then(Text::apart),
            config: Arc::new(config.apart()),
            warnings,
            unreadable: unreadable.clone(),
        }
    }
}

/// Why a file could not be read.
#[derive(Clone, Debug)]
enum Unread {
    /// The system gave no text: its words, with the path.
    System(String),
    /// The text has faults.
    Faults(Faults),
}

impl RulesFile {
    /// Reads the file at a start. Beside it comes what was in force when Lampward last ran, if it ever did.
    ///
    /// A faulty file is answered with the last good copy, an ERROR and the faults among the facts. Whether this program can
    /// run what comes into force, `fits` says before anything is logged or kept: another program may go on in its place.
    ///
    /// # Errors
    ///
    /// When neither the file nor a copy is without fault: exit code 2, with all faults. What `fits` says.
    pub fn open(
        path: PathBuf,
        state: &State,
        now: DateTime<Utc>,
        fits: impl FnOnce(&Config) -> Result<(), Failure>,
    ) -> Result<(RulesFile, Option<Arc<Config>>), Failure> {
        let copy = match state.good_file() {
            Ok(copy) => copy,
            Err(fault) => {
                warn!(%fault, "there is no last good copy to fall back on");
                None
            }
        };
        let at = path.clone();
        let read = apart(move || read(&at, now));
        // As a rule the file is what it was.
        let same =
            matches!((&read, &copy), (Ok(Good { text: Some(Text::Here(text)), .. }), Some(copy)) if text == copy);
        let copy = copy.filter(|_| !same).and_then(|text| apart(move || checked("last-good.toml", text, now)).ok());
        match (read, copy) {
            (Ok(mut read), copy) => {
                fits(&read.config)?;
                read.say();
                let text = read.text.take().map(|text| text.keep(state));
                let last_run = if same { Some(read.config.clone()) } else { copy.map(|copy| copy.config) };
                Ok((RulesFile { text, ..RulesFile::new(path, read, now) }, last_run))
            }
            (Err(unread), Some(copy)) => {
                fits(&copy.config)?;
                copy.say();
                let last_run = Some(copy.config.clone());
                let read_at = state.good_file_at().unwrap_or(now);
                error!(
                    "{}\nthe file can't be used: going on with the last good copy of it, read at {}",
                    unread.text(),
                    read_at.to_rfc3339_opts(SecondsFormat::Secs, true)
                );
                let mut file = RulesFile::new(path, copy, read_at);
                (file.facts.faults, file.facts.faulty_at) = (unread.facts(), Some(now));
                Ok((file, last_run))
            }
            (Err(unread), None) => Err(Failure::Fault(unread.text())),
        }
    }

    /// A file that came with the program, for the demonstration.
    pub fn built_in(path: PathBuf, checked: Checked, now: DateTime<Utc>) -> RulesFile {
        let good = Good::of(None, checked, now);
        good.say();
        RulesFile::new(path, good, now)
    }

    fn new(path: PathBuf, good: Good, read_at: DateTime<Utc>) -> RulesFile {
        let Good { config, warnings, .. } = good;
        let facts = FileFacts { read_at, faults: [].into(), faulty_at: None, warnings };
        let at_start = AtStart::of(&config);
        let unreadable = Vec::new();
        RulesFile { path, at_start, config, facts, text: None, unreadable, under_way: None, again: false }
    }

    /// Copies the file in force again, where the copy is gone.
    pub fn keep_again(&mut self, state: &State) {
        self.text = self.text.take().map(|text| text.keep(state));
    }

    /// Has the file read again, in a thread of its own. Where one is at it already, once more after that: what is found
    /// last is what was saved last.
    pub fn read_again(&mut self, now: DateTime<Utc>, state: &Arc<State>) {
        if self.under_way.is_some() {
            self.again = true;
            return;
        }
        self.again = false;
        let (tell, found) = oneshot::channel();
        let (path, state) = (self.path.clone(), state.clone());
        let reading = thread::Builder::new().name("file".into()).spawn(move || {
            let read = read(&path, now).map(|good| {
                good.say();
                Good { text: good.text.map(|text| text.keep(&state)), ..good }
            });
            lend(read, |lent| {
                // Nobody waits for it any more at a stop.
                let _ = tell.send(Found { at: now, lent });
            });
        });
        match reading {
            Ok(_) => self.under_way = Some(found),
            Err(because) => error!(%because, "there is no thread to read the file with: the rules in force go on"),
        }
    }

    /// What comes of reading it again, once it is known. Cancel-safe.
    pub async fn found(&mut self) -> Found {
        let Some(found) = &mut self.under_way else { return std::future::pending().await };
        let found = found.await;
        self.under_way = None;
        found.unwrap_or_else(|_| {
            let read = Arc::new(Err(Unread::System(FAULT.to_owned())));
            Found { at: self.facts.read_at, lent: Lent { read, _back: Wakes(thread::current()) } }
        })
    }

    /// Takes up what was found. `None` if the file has faults, which are in the log and among the facts from then on, or
    /// if nothing in it has changed.
    pub fn take_up(&mut self, found: Found) -> Option<Arc<Config>> {
        match found.lent.take() {
            Ok(Good { text, config, warnings, unreadable }) => {
                self.text = text;
                self.facts = FileFacts { read_at: found.at, faults: [].into(), faulty_at: None, warnings };
                let changed = self.config != config;
                self.config = config;
                self.unreadable.clear();
                let waits = self.notices();
                info!(path = %self.path.display(), changed, "the file was read again");
                waits.iter().for_each(|notice| warn!("{notice}"));
                unreadable.iter().for_each(|file| warn!("{}", file.sentence()));
                self.unreadable = unreadable;
                changed.then(|| self.config.clone())
            }
            Err(unread) => {
                error!("{}\nthe file can't be used: the rules in force go on", unread.text());
                (self.facts.faults, self.facts.faulty_at) = (unread.facts(), Some(found.at));
                None
            }
        }
    }

    /// Whether somebody asked for it while it was being read.
    pub fn is_to_be_read_again(&self) -> bool {
        self.again
    }

    /// The file in force.
    pub fn config(&self) -> Arc<Config> {
        self.config.clone()
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// For status and page.
    pub fn facts(&self) -> FileFacts {
        self.facts.clone()
    }

    /// What has changed in the file and waits for a restart, and what would keep one from succeeding, a sentence each.
    pub fn notices(&self) -> Vec<String> {
        let (old, new) = (&self.at_start, AtStart::of(&self.config));
        let waits = [
            ("[web]", old.web != new.web),
            ("[broker]", old.broker != new.broker),
            ("[clock]", old.clock != new.clock),
            ("[daybook]", old.daybook_years != new.daybook_years),
            ("name of [place], as it stands in topics,", old.slug != new.slug),
        ];
        let waits = waits.iter().filter(|(_, changed)| *changed);
        let waits = waits.map(|(what, _)| format!("the change to {what} waits for a restart of lampward"));
        waits.chain(self.unreadable.iter().map(Unreadable::brief)).collect()
    }

    /// Where misses are told on MQTT.
    pub fn missed_topic(&self) -> String {
        format!("lampward/{}/missed", self.at_start.slug)
    }

    /// Where it is told on MQTT that Lampward is there.
    pub fn alive_topic(&self) -> String {
        format!("lampward/{}/alive", self.at_start.slug)
    }
}

impl Unread {
    fn text(&self) -> String {
        match self {
            Unread::System(text) => text.clone(),
            Unread::Faults(Faults(faults)) => {
                let more = faults.len().saturating_sub(SHOWN);
                let shown = Faults(faults.iter().take(SHOWN).cloned().collect()).to_string();
                if more == 0 { shown } else { format!("{shown}\nand {more} more: `lampward check` shows them all") }
            }
        }
    }

    fn facts(&self) -> Arc<[Fault]> {
        match self {
            // Without the path: this goes out over HTTP.
            Unread::System(text) => Arc::new([Fault {
                file: String::new(),
                line: 1,
                column: 1,
                message: format!("cannot read the file: {}", text.rsplit(": ").next().unwrap_or(text)),
                source_line: String::new(),
                underline_len: 0,
                expected: None,
                nearest: None,
            }]),
            Unread::Faults(faults) => faults.0.iter().take(SHOWN).cloned().collect(),
        }
    }
}

fn read(path: &Path, now: DateTime<Utc>) -> Result<Good, Unread> {
    let text = file::bytes(path).map_err(Unread::System)?;
    checked(&path.display().to_string(), text, now)
}

fn checked(name: &str, text: Vec<u8>, now: DateTime<Utc>) -> Result<Good, Unread> {
    look_up_zones(&text);
    let checked = config::read(name, &text).map_err(Unread::Faults)?;
    Ok(Good::of(Some(Text::Here(text)), checked, now))
}

/// The rules of a zone stay in memory for good once they were asked for. If that comes first, they don't lie above what is
/// to go back to the system.
fn look_up_zones(text: &[u8]) {
    let lines = text.split(|byte| *byte == b'\n').filter(|line| line.trim_ascii_start().starts_with(b"time_zone"));
    let names = lines
        .flat_map(|line| line.split(|byte| matches!(byte, b'"' | b'\'')))
        .filter_map(|name| std::str::from_utf8(name).ok());
    if let Some(zone) = names.filter_map(config::known_zone).next() {
        config::offsets(zone);
    }
}

/// Hands what a thread has read to somebody else, and gives the memory back once that one has taken a copy.
fn lend(read: Result<Good, Unread>, to: impl FnOnce(Lent)) {
    let read = Arc::new(read);
    to(Lent { read: read.clone(), _back: Wakes(thread::current()) });
    // No channel: what it waits with would lie above all that was read, and keep it from going back.
    while Arc::strong_count(&read) > 1 {
        thread::park();
    }
    drop(read);
    // glibc puts small pieces together, and gives back what is free at the end, only when a large one is freed and more than
    // 128 KiB are free then: as two of these are.
    drop(std::hint::black_box([LARGE_PIECE; 2].map(Vec::<u8>::with_capacity)));
}

/// Has a thread of its own do it, and waits.
fn apart(read: impl FnOnce() -> Result<Good, Unread> + Send + 'static) -> Result<Good, Unread> {
    // Its room is ours and not the thread's: a piece of the thread's that we freed would keep all before it from going back.
    let (tell, told) = std::sync::mpsc::sync_channel(1);
    let reading = thread::Builder::new().name("file".into()).spawn(move || lend(read(), |lent| drop(tell.send(lent))));
    match reading {
        Ok(_) => told.recv().map_or_else(|_| Err(Unread::System(FAULT.to_owned())), Lent::take),
        Err(because) => Err(Unread::System(format!("there is no thread to read the file with: {because}"))),
    }
}

/// What a person should look at, in the order of the file: rules that never happen among it. The whole outlook is for
/// `check`: it takes longer than a lamp should wait.
fn warnings(config: &Arc<Config>, found: Vec<Fault>, spots: &Spots, now: DateTime<Utc>) -> Arc<[Fault]> {
    let first = local_of(&config.place.zone, now).date_naive();
    let never = never(&mut Plan::new(config.clone()), first, spots);
    let mut all = found;
    all.extend(never.into_iter().map(|warning| warning.fault));
    all.sort_by_key(|warning| warning.line);
    all.into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock;

    #[test]
    fn what_another_program_is_to_run_leaves_the_last_good_copy_to_that_one() {
        let folder = tempfile::tempdir().unwrap();
        let state = State::open(Some(&folder.path().join("state"))).unwrap();
        let path = folder.path().join("lampward.toml");
        let house = |name: &str| {
            format!("[place]\nname = \"{name}\"\nposition = \"59.7 N, 5.2 E\"\ntime_zone = \"Europe/Oslo\"\n")
        };
        let start = |fits: bool| {
            let fits = move |_: &Config| if fits { Ok(()) } else { Err(Failure::Other("not here".into())) };
            let opened = RulesFile::open(path.clone(), &state, clock::wall(), fits);
            opened.map(|(_, last_run)| last_run.map(|config| config.place.name.clone()))
        };
        std::fs::write(&path, house("Skarvholmen")).unwrap();
        assert!(matches!(start(true), Ok(None)));
        // What was missed since is told by the rules of that run, so the next program has to find them.
        std::fs::write(&path, house("Skarvholmen Nord")).unwrap();
        assert!(matches!(start(false), Err(Failure::Other(said)) if said == "not here"));
        assert!(matches!(start(true), Ok(Some(name)) if name == "Skarvholmen"));
        assert!(matches!(start(true), Ok(Some(name)) if name == "Skarvholmen Nord"));
    }
}
