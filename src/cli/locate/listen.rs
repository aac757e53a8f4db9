//! Listening to a source until its position has settled or the time is up.

use std::io::{IsTerminal, Write};
use std::time::Duration;

use chrono::TimeDelta;

use super::source::Source;
use crate::clock::{since_boot, wall};
use crate::pure::config::duration_words;
use crate::pure::locate::{ENOUGH, FEWEST, Settled, Settling, clock};

/// A receiver speaks every second; after so long it is gone. A wire pulled from a serial line leaves no other trace.
/// Common practice, no source.
const SILENT: Duration = Duration::from_secs(10);

/// What a source told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// Where.
    pub settled: Settled,
    /// This computer's clock minus the satellites'.
    pub gap: Option<TimeDelta>,
}

/// Listens, and says on standard error how far it has got.
///
/// # Errors
/// Why there is no position and what to do; complete, for people. Never later than `wait`.
pub fn listen(source: &Source, wait: Duration) -> Result<Found, String> {
    let until = since_boot() + wait;
    let mut progress = Progress::default();
    progress.say(&format!("listening to {source}"));
    let mut open = source.open(wait)?;
    let mut settling = Settling::default();
    let mut readings = Vec::new();
    let mut last_heard = since_boot();
    let failed = |why: String| format!("no position from {source}: {why}");
    loop {
        let left = until.saturating_sub(since_boot());
        if left.is_zero() {
            break;
        }
        match open.lines.next(left.min(Duration::from_secs(1))) {
            Ok(None) => {
                if since_boot().saturating_sub(last_heard) >= SILENT
                    && let Some(why) = open.listener.silent()
                {
                    return Err(failed(why));
                }
            }
            Err(_ended) => return Err(failed(open.listener.ended())),
            Ok(Some(line)) => {
                let heard_at = wall();
                last_heard = since_boot();
                let word = open.listener.hear(&line);
                readings.extend(word.time.map(|time| heard_at - time));
                if let Some(position) = word.position {
                    settling.take(position);
                }
            }
        }
        if let Some(why) = open.listener.hopeless() {
            return Err(failed(why));
        }
        if let Some(settled) = settling.settled() {
            return Ok(Found { settled, gap: clock::gap(readings) });
        }
        match settling.count() {
            0 => progress.say(&open.listener.status()),
            ENOUGH => progress.say("fixes still lie far apart"),
            count => progress.say(&format!("fix {count} of {ENOUGH}")),
        }
    }
    let _half_a_line = open.listener.hear(&open.lines.rest());
    if let Some(settled) = settling.best() {
        return Ok(Found { settled, gap: clock::gap(readings) });
    }
    let wait = duration_words(TimeDelta::from_std(wait).unwrap_or_default());
    let why = match settling.count() {
        0 => open.listener.no_fix(),
        count => format!("{count} of {FEWEST} fixes, and then no more; wait longer (--wait \"15 min\")"),
    };
    Err(format!("no position from {source} within {wait}: {why}"))
}

/// Says on standard error what is going on, whenever that changes: in one line of a terminal, else line by line.
#[derive(Default)]
struct Progress {
    said: String,
}

impl Progress {
    fn say(&mut self, words: &str) {
        if self.said == words {
            return;
        }
        words.clone_into(&mut self.said);
        let mut err = std::io::stderr().lock();
        // Progress that can't be shown is not worth stopping for.
        let _ = match err.is_terminal() {
            true => write!(err, "\r\x1b[K{words}").and_then(|()| err.flush()),
            false => writeln!(err, "{words}"),
        };
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        let mut err = std::io::stderr().lock();
        if err.is_terminal() {
            let _ = write!(err, "\r\x1b[K");
        }
    }
}
