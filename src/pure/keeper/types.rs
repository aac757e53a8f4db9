//! What goes into the keeper and what comes out of it. Reading [`Input`] and [`Output`] tells what can happen here at all.

use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, Utc};
use smol_str::SmolStr;

use crate::pure::config::Config;
use crate::pure::entry::{Entry, Note};
use crate::pure::power::Power;

use super::tried::Tried;

/// Both clocks, read together, once per step.
#[derive(Clone, Copy, Debug)]
pub struct Now {
    /// Wall clock, UTC. May jump either way between two steps. The plan goes by it.
    pub wall: DateTime<Utc>,
    /// Since the daemon started. Never goes back. Waiting for answers goes by it.
    pub up: Duration,
}

/// Names one publish, so that the broker's acknowledgement finds it again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Ticket(pub u64);

/// Names one order, so that its answer finds the person who gave it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct OrderId(pub u64);

/// Everything that can happen to a keeper.
#[derive(Clone, Debug)]
pub enum Input {
    /// The rest is over.
    Tick,
    /// The wall clock was set while it was trusted, or its trust changed.
    Clock {
        /// Whether plan and signs of life may go by it.
        trusted: bool,
    },
    /// The link is up; every topic of `Keeper::topics` is subscribed.
    LinkUp,
    /// The link is down. What was handed over and not acknowledged is lost.
    LinkDown,
    /// The broker has acknowledged a publish.
    Acked(Ticket),
    /// A message on one of the topics listened to.
    Message {
        /// Its topic.
        topic: String,
        /// Its payload, any bytes.
        payload: Vec<u8>,
        /// Whether the broker had kept it from before we subscribed.
        retained: bool,
    },
    /// Somebody wants something.
    Order(OrderId, Order),
    /// What came of the [`Output::Keep`] of the step before: written durably, or the reason why not.
    Kept(Result<(), String>),
    /// The file was read again without fault.
    Reload(Arc<Config>),
    /// Lampward stops once what follows is carried out.
    Stop,
}

/// What a person or a program may ask of the keeper.
#[derive(Clone, Debug, PartialEq)]
pub enum Order {
    /// Set an override.
    Set {
        /// Names of channels; `None` is all of them.
        channels: Option<Vec<String>>,
        /// On or off.
        wanted: Power,
        /// Until when, as the person put it; `None`: for the evening.
        until: Option<String>,
    },
    /// Cancel overrides, and hands with them.
    Cancel {
        /// Names of channels; `None` is all of them.
        channels: Option<Vec<String>>,
    },
    /// Blink the plugs of a channel; answered when that is over.
    Try {
        /// Its name.
        channel: String,
    },
}

/// What follows from an input. The shell carries it out and decides nothing.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// Hand this to the link: QoS 1.
    Publish {
        /// Comes back in [`Input::Acked`].
        ticket: Ticket,
        /// A valid topic.
        topic: String,
        /// The payload.
        payload: SmolStr,
        /// Whether the broker keeps it.
        retain: bool,
    },
    /// The topics to listen to have changed; see `Keeper::topics` and `Keeper::filters`.
    Listen,
    /// Into the daybook and the log.
    Record(Entry),
    /// Into the log.
    Say(Note),
    /// Make this durable, then step with [`Input::Kept`] before anything else.
    Keep(Keepsake),
    /// The answer to an order.
    Answer(OrderId, Answer),
    /// A sign of life is due, as soon as what this step recorded is on disk: a start looks no further back.
    Alive,
}

/// The answer to an order.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// Done: the overrides now standing on the channels concerned, in the order of the file.
    Done(Vec<(String, Option<Override>)>),
    /// Done, but it won't survive a restart, because.
    DoneNotKept(Vec<(String, Option<Override>)>, String),
    /// No such channel.
    UnknownChannel(String),
    /// The request can't be carried out as it stands: what is wrong and what to do.
    Refused(String),
    /// Not while the clock is not trusted.
    ClockNotTrusted(String),
    /// It could not be made durable, so it was not done: the system's reason.
    NotKept(String),
    /// What came of a try.
    Tried(Box<Tried>),
    /// Not while a channel is being tried, as this one says.
    Busy(String),
    /// Not while the link is down.
    NoLink(String),
}

/// What must survive a restart: overrides and hands.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Keepsake {
    /// One at most for each channel.
    pub overrides: Vec<(String, Override)>,
    /// One at most for each plug.
    pub hands: Vec<(String, Hand)>,
}

/// A person's word that a channel is to be on or off until something.
#[derive(Clone, Debug, PartialEq)]
pub struct Override {
    /// On or off.
    pub wanted: Power,
    /// When it ends.
    pub ends: Ends,
    /// "on until 23:10, the planned switch-off".
    pub because: String,
    /// When it was set, by the wall clock.
    pub since: DateTime<Utc>,
    /// Whether the wall clock was trusted when `since`, and the instant of an [`Ends::After`], were worked out. If not,
    /// only the duration holds.
    pub by_trusted_clock: bool,
    /// What each plug of the channel had said when it was set: they are put back to it if the override is over while
    /// the clock is not trusted.
    pub before: Vec<(String, Option<Power>)>,
}

/// When an override ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Ends {
    /// At an instant of the wall clock.
    At(DateTime<Utc>),
    /// After a duration by the clock that never jumps; `at` is where the wall clock should then be, and holds after
    /// a restart.
    After {
        /// What is left of it, as of the last write.
        whole: Duration,
        /// The instant it should come to.
        at: DateTime<Utc>,
    },
    /// When it is cancelled.
    Cancelled,
}

/// Somebody pressed the button on the plug itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Hand {
    /// What the hand made it.
    pub wanted: Power,
    /// When it ends.
    pub until: DateTime<Utc>,
    /// When the plug reported it.
    pub since: DateTime<Utc>,
}

/// What was found at a start.
#[derive(Clone, Debug, Default)]
pub struct Start {
    /// As last made durable.
    pub keepsake: Keepsake,
    /// When and by which file lampward last ran; `None` if it never did.
    pub down: Option<Down>,
    /// Whether plan and signs of life may go by the wall clock.
    pub trusted: bool,
}

/// The time before a start in which lampward did not run.
#[derive(Clone, Debug)]
pub struct Down {
    /// The last sign of life.
    pub last_life: DateTime<Utc>,
    /// The last good copy of the file: what was due goes by it.
    pub config: Arc<Config>,
    /// When lampward first ran, where that is known: nothing was due before.
    pub first_run: Option<DateTime<Utc>>,
    /// What the daybook has since 5 min before the last sign of life, or about a switching that was due since then (more
    /// does no harm): a switching that was waiting to be confirmed when lampward was killed has no entry there, one that
    /// was settled has, though perhaps under another date where the clock was not trusted any more.
    pub recent: Vec<Entry>,
}

/// The outcome of one step.
#[derive(Clone, Debug)]
#[must_use]
pub struct Step {
    /// To be carried out in this order: what is recorded is on disk before anyone is answered.
    pub outputs: Vec<Output>,
    /// Step again after this long, even if nothing arrives. Never zero.
    pub rest: Duration,
    /// The plan needs to be looked at again when the wall clock shows this; `None` if nothing is planned.
    pub wake_at: Option<DateTime<Utc>>,
}

/// How far our last command to a plug has got, as people see it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Delivery {
    /// Nothing has been sent.
    Untold,
    /// Sent, no answer yet.
    Unanswered,
    /// The plug has reported what we want, and has been told nothing since.
    Confirmed,
    /// Taken by the broker, from a plug that can't or need not report it.
    Accepted,
    /// Unanswered for longer than 2 min; the daybook has it.
    Missed,
}

impl Delivery {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Delivery::Untold => "untold",
            Delivery::Unanswered => "unanswered",
            Delivery::Confirmed => "confirmed",
            Delivery::Accepted => "accepted",
            Delivery::Missed => "missed",
        }
    }
}
