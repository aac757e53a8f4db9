//! What passes between the daemon's loop and the web: facts outwards, orders inwards.

use std::fmt;
use std::sync::Arc;

use chrono::{DateTime, Utc};
use tokio::sync::{mpsc, oneshot, watch};

use super::give_way::GiveWay;
use super::guard::Guard;
use crate::daybook::Reader;
use crate::pure::config::{Channel, Config, Fault};
use crate::pure::keeper::{Answer, ChannelView, Order, Snapshot};

/// An order and where its answer goes.
pub type Asked = (Order, oneshot::Sender<Answer>);

/// Tells the wall clock of the daemon, which need not be the machine's.
pub type Clockface = Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>;

/// The web's side of the door between it and the daemon's loop.
///
/// The loop replaces the facts after every step and answers orders one at a time; nothing the web does can make it
/// wait.
#[derive(Clone)]
pub struct Door {
    /// The latest facts.
    pub facts: watch::Receiver<Arc<Facts>>,
    /// To the loop. A small queue: when it is full, the person is told to try again.
    pub orders: mpsc::Sender<Asked>,
    /// What time it is.
    pub now: Clockface,
    /// What happened.
    pub daybook: Reader,
    /// Who may do what.
    pub guard: Arc<Guard>,
    /// To switchings.
    pub give_way: Arc<GiveWay>,
}

impl fmt::Debug for Door {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Door").field("facts", &self.facts).field("guard", &self.guard).finish_non_exhaustive()
    }
}

/// Everything the web shows, as of the last step.
#[derive(Clone, Debug)]
pub struct Facts {
    /// The file in force.
    pub config: Arc<Config>,
    /// What the keeper knows.
    pub snapshot: Snapshot,
    /// Why the clock is trusted or not: "synchronised", "not yet synchronised since the start".
    pub clock_because: String,
    /// Since when the link is as the snapshot says.
    pub link_since: DateTime<Utc>,
    /// Why the link is down, where it is.
    pub link_because: Option<String>,
    /// What the broker has taken.
    pub taken: Taken,
    /// The file as it was last read, with fault or without.
    pub file: FileFacts,
    /// What else a person should know, a sentence each: a change that waits for a restart, a daybook that can't be
    /// written.
    pub notices: Vec<String>,
}

impl Facts {
    /// Each channel as the file has it, and what is known of it.
    pub fn channels(&self) -> impl Iterator<Item = (&Channel, &ChannelView)> {
        debug_assert_eq!(self.config.channels.len(), self.snapshot.channels.len());
        self.config.channels.iter().zip(self.snapshot.channels.iter().map(Arc::as_ref))
    }
}

/// Commands that the broker has acknowledged since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Taken {
    /// How many.
    pub commands: u64,
    /// When the last was.
    pub last: Option<DateTime<Utc>>,
}

/// What came of reading the file.
#[derive(Clone, Debug, PartialEq)]
pub struct FileFacts {
    /// When the file in force was read.
    pub read_at: DateTime<Utc>,
    /// Why the newest one could not be used; empty where it is the one in force.
    pub faults: Arc<[Fault]>,
    /// When that newest one was read.
    pub faulty_at: Option<DateTime<Utc>>,
    /// What is odd about the one in force.
    pub warnings: Arc<[Fault]>,
}
