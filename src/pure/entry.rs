//! What the daybook can say, and what only the log says.

use chrono::{DateTime, TimeDelta, Utc};
use smol_str::SmolStr;

use super::power::Power;

/// One thing that happened, for the daybook and the log.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// When it happened, by the wall clock.
    pub at: DateTime<Utc>,
    /// What kind of thing.
    pub kind: EntryKind,
    /// Which channel.
    pub channel: SmolStr,
    /// Which plug; `None` where the whole channel is meant.
    pub plug: Option<SmolStr>,
    /// What was, or is now, wanted (for a hand: what the hand made it).
    pub wanted: Option<Power>,
    /// Why: the reason of the switching; of a miss, one of the reasons of [`missed`].
    pub because: SmolStr,
    /// The instant it was due, where it was due at one.
    pub due: Option<DateTime<Utc>>,
    /// How late it came, where it came late.
    pub late: Option<TimeDelta>,
}

impl Entry {
    /// Whether the log may leave it to a [`Note::LostTime`] of the same step to speak of it.
    pub fn is_lost_time(&self) -> bool {
        self.kind == EntryKind::Missed && matches!(self.because.as_str(), missed::NOT_RUNNING | missed::CLOCK)
    }
}

/// Why a switching was missed, in the words of daybook, log and page.
pub mod missed {
    /// The link was down.
    pub const BROKER: &str = "broker unreachable";
    /// The plug had said that it is gone.
    pub const GONE: &str = "plug gone";
    /// The plug has said nothing since it was told.
    pub const SILENT: &str = "plug silent";
    /// The plug has said since that it is otherwise.
    pub const DISAGREES: &str = "plug disagrees";
    /// It fell due while lampward was down.
    pub const NOT_RUNNING: &str = "lampward not running";
    /// It fell due while the clock was not trusted.
    pub const CLOCK: &str = "clock not trusted";
}

/// The kinds of entry. Each has one word, the same in the daybook, in JSON and in the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum EntryKind {
    /// A switching was confirmed, or accepted, in time.
    Switched,
    /// It was confirmed after it had been recorded as missed, or was put right late after a start.
    Late,
    /// It was not confirmed within 2 min, or fell due while nobody could send it.
    Missed,
    /// A planned switching fell under an override.
    Overridden,
    /// Somebody pressed the button on the plug.
    ByHand,
    /// The hand's time was over.
    HandOver,
    /// An override was set.
    OverrideSet,
    /// An override ended or was cancelled.
    OverrideOver,
}

impl EntryKind {
    /// Every kind, for reading a word back.
    pub const ALL: [EntryKind; 8] = [
        EntryKind::Switched,
        EntryKind::Late,
        EntryKind::Missed,
        EntryKind::Overridden,
        EntryKind::ByHand,
        EntryKind::HandOver,
        EntryKind::OverrideSet,
        EntryKind::OverrideOver,
    ];

    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            EntryKind::Switched => "switched",
            EntryKind::Late => "late",
            EntryKind::Missed => "missed",
            EntryKind::Overridden => "overridden",
            EntryKind::ByHand => "by hand",
            EntryKind::HandOver => "hand over",
            EntryKind::OverrideSet => "override set",
            EntryKind::OverrideOver => "override over",
        }
    }
}

/// Something for the log alone.
#[derive(Clone, Debug, PartialEq)]
pub enum Note {
    /// A command was handed to the link. `again` counts from 0 for the first send.
    Told {
        /// Which channel.
        channel: SmolStr,
        /// Which plug.
        plug: SmolStr,
        /// The command.
        wanted: Power,
        /// Why the channel is to be so.
        because: SmolStr,
        /// 0 for the first send of this command.
        again: u32,
    },
    /// A plug said through `alive` that it is gone.
    PlugGone {
        /// Which channel.
        channel: SmolStr,
        /// Which plug.
        plug: SmolStr,
    },
    /// A plug said to be gone has been heard again.
    PlugBack {
        /// Which channel.
        channel: SmolStr,
        /// Which plug.
        plug: SmolStr,
    },
    /// A report that means neither on nor off; said once for each plug until one is understood again.
    Garbled {
        /// Which channel.
        channel: SmolStr,
        /// Which plug.
        plug: SmolStr,
        /// What came, shortened, unprintable bytes escaped.
        payload: String,
    },
    /// A channel left the file; its plugs are left as they are.
    ChannelGone {
        /// Which channel.
        channel: SmolStr,
    },
    /// Somebody has the plugs of a channel blink.
    TryBegun {
        /// Which channel.
        channel: SmolStr,
    },
    /// The blinking is over.
    TryOver {
        /// Which channel.
        channel: SmolStr,
        /// Whether every plug answered.
        answered: bool,
        /// What came in between, if something did.
        because: Option<String>,
    },
    /// Switchings of a channel that fell due while nobody could send them: one line for what the daybook has as an
    /// [`EntryKind::Missed`] for each plug and switching.
    LostTime {
        /// Which channel.
        channel: SmolStr,
        /// How many switchings.
        switchings: usize,
        /// When the first was due.
        first: DateTime<Utc>,
        /// When the last was due.
        last: DateTime<Utc>,
        /// `lampward not running` or `clock not trusted`.
        because: SmolStr,
    },
}
