//! The TOML file as the running daemon has it: read at the start, read again on request, copied once it is good.
//!
//! A faulty file never replaces good rules: a start falls back on the last good copy, a reload changes nothing.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use chrono::{DateTime, Utc};
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
}

/// Why a file could not be read.
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
                Ok((RulesFile { text: Some(text), ..RulesFile::new(path, checked, Vec::new(), now, now) }, last_run))
            }
            (Err(unread), Some(copy)) => {
                error!("{}\nthe file can't be used: going on with the last good copy of it", unread.text());
                let faults = unread.facts();
                let read_at = state.good_file_at().unwrap_or(now);
                Ok((RulesFile::new(path, copy, faults, read_at, now), last_run))
            }
            (Err(unread), None) => Err(Failure::Fault(unread.text())),
        }
    }

    /// A file that came with the program, for the demonstration.
    pub fn built_in(path: PathBuf, checked: Checked, now: DateTime<Utc>) -> RulesFile {
        RulesFile::new(path, checked, Vec::new(), now, now)
    }

    fn new(
        path: PathBuf,
        checked: Checked,
        faults: Vec<Fault>,
        read_at: DateTime<Utc>,
        now: DateTime<Utc>,
    ) -> RulesFile {
        let warnings = warnings(&checked, now);
        let config = Arc::new(checked.config);
        let facts = FileFacts { read_at, faults, warnings };
        RulesFile { path, at_start: config.clone(), config, facts, text: None }
    }

    /// Copies the file in force again, where the copy is gone.
    pub fn keep_again(&self, state: &State) {
        if let Some(text) = &self.text {
            keep_copy(state, text);
        }
    }

    /// Reads the file again. `None` if it has faults, which are in the log and among the facts from then on, or if
    /// nothing in it has changed.
    pub fn read_again(&mut self, now: DateTime<Utc>, state: &State) -> Option<Arc<Config>> {
        match read(&self.path) {
            Ok((text, checked)) => {
                keep_copy(state, &text);
                self.text = Some(text);
                self.facts = FileFacts { read_at: now, faults: Vec::new(), warnings: warnings(&checked, now) };
                let changed = *self.config != checked.config;
                self.config = Arc::new(checked.config);
                let waits = self.notices();
                info!(path = %self.path.display(), changed, "the file was read again");
                waits.iter().for_each(|notice| warn!("{notice}"));
                changed.then(|| self.config.clone())
            }
            Err(unread) => {
                error!("{}\nthe file can't be used: the rules in force go on", unread.text());
                self.facts.faults = unread.facts();
                None
            }
        }
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

    fn facts(&self) -> Vec<Fault> {
        match self {
            // Without the path: this goes out over HTTP.
            Unread::System(text) => vec![Fault {
                file: String::new(),
                line: 1,
                column: 1,
                message: format!("cannot read the file: {}", text.rsplit(": ").next().unwrap_or(text)),
                source_line: String::new(),
                underline_len: 0,
                expected: None,
                nearest: None,
            }],
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
fn warnings(checked: &Checked, now: DateTime<Utc>) -> Vec<Fault> {
    let first = local_of(&checked.config.place.zone, now).date_naive();
    let never = never(&mut Plan::new(Arc::new(checked.config.clone())), first, &checked.spots);
    let mut all = checked.warnings.clone();
    all.extend(never.into_iter().map(|warning| warning.fault));
    all.sort_by_key(|warning| warning.line);
    for warning in &all {
        warn!("{warning}");
    }
    all
}

fn keep_copy(state: &State, text: &[u8]) {
    if let Err(fault) = state.keep_good_file(text) {
        warn!(%fault, "a start with a faulty file would have no copy of this one to go by");
    }
}
