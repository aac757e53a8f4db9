//! The TOML file as the running daemon has it: read at the start, read again on request, copied once it is good.
//!
//! A faulty file never replaces good rules: a start falls back on the last good copy, a reload changes nothing. Reading
//! and checking it again takes a thread of its own: neither a heap of junk nor a disk that hangs holds up a lamp.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::thread;

use chrono::{DateTime, SecondsFormat, Utc};
use tokio::sync::oneshot;
use tracing::{error, info, warn};

use crate::cli::{Failure, file};
use crate::pure::config::{self, Checked, Config, Fault, Faults};
use crate::pure::local_time::local_of;
use crate::pure::plan::{Plan, never};
use crate::state::State;
use crate::web::FileFacts;

/// So many faults are logged and shown; a file with more is not a file of a household but something put there by mistake.
const SHOWN: usize = 100;

/// The file and what came of reading it.
#[derive(Debug)]
pub struct RulesFile {
    path: PathBuf,
    /// The file in force.
    config: Arc<Config>,
    /// As it was at the start: what waits for a restart goes by it.
    at_start: Arc<Config>,
    facts: FileFacts,
    /// The text of the one in force, if it was read from the file.
    text: Option<Vec<u8>>,
    /// What a thread is finding out.
    under_way: Option<oneshot::Receiver<Found>>,
    /// Somebody asked while that was so: the file may have been saved since.
    again: bool,
}

/// What came of reading the file again.
#[derive(Debug)]
pub struct Found {
    at: DateTime<Utc>,
    read: Result<Good, Unread>,
}

#[derive(Debug)]
struct Good {
    text: Vec<u8>,
    config: Arc<Config>,
    warnings: Arc<[Fault]>,
}

/// Why a file could not be read.
#[derive(Debug)]
enum Unread {
    /// The system gave no text: its words, with the path.
    System(String),
    /// The text has faults.
    Faults(Faults),
}

impl RulesFile {
    /// Reads the file at a start. Beside it comes what was in force when Lampward last ran, if it ever did.
    ///
    /// A faulty file is answered with the last good copy, an ERROR and the faults among the facts.
    ///
    /// # Errors
    ///
    /// When neither the file nor a copy is without fault: exit code 2, with all faults.
    pub fn open(path: PathBuf, state: &State, now: DateTime<Utc>) -> Result<(RulesFile, Option<Arc<Config>>), Failure> {
        let copy = match state.good_file() {
            Ok(copy) => copy,
            Err(fault) => {
                warn!(%fault, "there is no last good copy to fall back on");
                None
            }
        };
        let copy = copy.and_then(|text| config::read("last-good.toml", &text).ok());
        let last_run = copy.as_ref().map(|checked| Arc::new(checked.config.clone()));
        match (read(&path), copy) {
            (Ok((text, checked)), _) => {
                keep_copy(state, &text);
                Ok((RulesFile { text: Some(text), ..RulesFile::new(path, checked, now, now) }, last_run))
            }
            (Err(unread), Some(copy)) => {
                let read_at = state.good_file_at().unwrap_or(now);
                error!(
                    "{}\nthe file can't be used: going on with the last good copy of it, read at {}",
                    unread.text(),
                    read_at.to_rfc3339_opts(SecondsFormat::Secs, true)
                );
                let mut file = RulesFile::new(path, copy, read_at, now);
                (file.facts.faults, file.facts.faulty_at) = (unread.facts(), Some(now));
                Ok((file, last_run))
            }
            (Err(unread), None) => Err(Failure::Fault(unread.text())),
        }
    }

    /// A file that came with the program, for the demonstration.
    pub fn built_in(path: PathBuf, checked: Checked, now: DateTime<Utc>) -> RulesFile {
        RulesFile::new(path, checked, now, now)
    }

    fn new(path: PathBuf, checked: Checked, read_at: DateTime<Utc>, now: DateTime<Utc>) -> RulesFile {
        let warnings = warnings(&checked, now);
        let config = Arc::new(checked.config);
        let facts = FileFacts { read_at, faults: [].into(), faulty_at: None, warnings };
        RulesFile { path, at_start: config.clone(), config, facts, text: None, under_way: None, again: false }
    }

    /// Copies the file in force again, where the copy is gone.
    pub fn keep_again(&self, state: &State) {
        if let Some(text) = &self.text {
            keep_copy(state, text);
        }
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
            let read = read(&path).map(|(text, checked)| {
                keep_copy(&state, &text);
                Good { text, warnings: warnings(&checked, now), config: Arc::new(checked.config) }
            });
            // Nobody waits for it any more at a stop.
            let _ = tell.send(Found { at: now, read });
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
            let because = "cannot read the file: a fault in lampward ended it".to_owned();
            Found { at: self.facts.read_at, read: Err(Unread::System(because)) }
        })
    }

    /// Takes up what was found. `None` if the file has faults, which are in the log and among the facts from then on, or
    /// if nothing in it has changed.
    pub fn take_up(&mut self, found: Found) -> Option<Arc<Config>> {
        match found.read {
            Ok(Good { text, config, warnings }) => {
                self.text = Some(text);
                self.facts = FileFacts { read_at: found.at, faults: [].into(), faulty_at: None, warnings };
                let changed = self.config != config;
                self.config = config;
                let waits = self.notices();
                info!(path = %self.path.display(), changed, "the file was read again");
                waits.iter().for_each(|notice| warn!("{notice}"));
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

    /// What has changed in the file and waits for a restart, a sentence each.
    pub fn notices(&self) -> Vec<String> {
        let (old, new) = (&self.at_start, &self.config);
        let waits = [
            ("[web]", old.web != new.web),
            ("[broker]", old.broker != new.broker),
            ("[clock]", old.clock != new.clock),
            ("[daybook]", old.daybook_years != new.daybook_years),
            ("name of [place], as it stands in topics,", old.place.slug() != new.place.slug()),
        ];
        let waits = waits.iter().filter(|(_, changed)| *changed);
        waits.map(|(what, _)| format!("the change to {what} waits for a restart of lampward")).collect()
    }

    /// Where misses are told on MQTT.
    pub fn missed_topic(&self) -> String {
        format!("lampward/{}/missed", self.at_start.place.slug())
    }

    /// Where it is told on MQTT that Lampward is there.
    pub fn alive_topic(&self) -> String {
        format!("lampward/{}/alive", self.at_start.place.slug())
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

fn read(path: &Path) -> Result<(Vec<u8>, Checked), Unread> {
    let text = file::bytes(path).map_err(Unread::System)?;
    let checked = config::read(&path.display().to_string(), &text).map_err(Unread::Faults)?;
    Ok((text, checked))
}

/// What a person should look at, in the order of the file and in the log: rules that never happen among it. The whole
/// outlook is for `check`: it takes longer than a lamp should wait.
fn warnings(checked: &Checked, now: DateTime<Utc>) -> Arc<[Fault]> {
    let first = local_of(&checked.config.place.zone, now).date_naive();
    let never = never(&mut Plan::new(Arc::new(checked.config.clone())), first, &checked.spots);
    let mut all = checked.warnings.clone();
    all.extend(never.into_iter().map(|warning| warning.fault));
    all.sort_by_key(|warning| warning.line);
    for warning in &all {
        warn!("{warning}");
    }
    all.into()
}

fn keep_copy(state: &State, text: &[u8]) {
    if let Err(fault) = state.keep_good_file(text) {
        warn!(%fault, "a start with a faulty file would have no copy of this one to go by");
    }
}
