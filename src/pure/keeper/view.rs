//! What the keeper knows, as status and page show it.

use chrono::{DateTime, Utc};

use super::types::{Delivery, Hand, Override};
use crate::pure::power::Power;

/// What the keeper knows, for status and page.
#[derive(Clone, Debug, PartialEq)]
pub struct Snapshot {
    /// The wall clock of the step.
    pub now: DateTime<Utc>,
    /// Whether the clock is trusted.
    pub trusted: bool,
    /// Whether the link is up.
    pub link_up: bool,
    /// In the order of the file.
    pub channels: Vec<ChannelView>,
    /// Misses of the last 24 h, oldest first.
    pub missed: Vec<Miss>,
}

/// One channel of a [`Snapshot`].
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelView {
    /// Its name.
    pub name: String,
    /// Its label.
    pub label: String,
    /// `None` while the clock is not trusted and no override stands.
    pub wanted: Option<Power>,
    /// Why.
    pub because: String,
    /// The next change of wanted.
    pub next: Option<Switching>,
    /// A person's word.
    pub overridden: Option<Override>,
    /// Its plugs, in the order of the file.
    pub plugs: Vec<PlugView>,
}

/// One change of one channel at one instant, with its reason.
#[derive(Clone, Debug, PartialEq)]
pub struct Switching {
    /// When.
    pub at: DateTime<Utc>,
    /// To what.
    pub wanted: Power,
    /// Why: "sunset", "bedtime", "sunset 15:44 less 20 min, held back to 16:00".
    pub because: String,
}

/// One plug of a [`ChannelView`].
#[derive(Clone, Debug, PartialEq)]
pub struct PlugView {
    /// Its name.
    pub plug: String,
    /// What it last reported; `None` is unknown.
    pub said: Option<Power>,
    /// How far the last command has got.
    pub delivery: Delivery,
    /// Since when `delivery` stands.
    pub since: DateTime<Utc>,
    /// The hand that holds it.
    pub hand: Option<Hand>,
}

/// A switching that was missed.
#[derive(Clone, Debug, PartialEq)]
pub struct Miss {
    /// When it was due.
    pub at: DateTime<Utc>,
    /// Which channel.
    pub channel: String,
    /// Which plug.
    pub plug: String,
    /// What was wanted.
    pub wanted: Power,
    /// `broker unreachable`, `plug gone`, `plug silent`, `plug disagrees`, `lampward not running` or
    /// `clock not trusted`.
    pub because: String,
}
