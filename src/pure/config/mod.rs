//! The TOML file, checked: what the rest of Lampward knows of it.
//!
//! Every value here needs no second look: topics are valid, names resolve, a plug belongs to one channel.

mod apart;
mod channels;
mod fault;
pub(crate) mod phrase;
pub(crate) mod phrases;
mod place;
mod plugs;
mod read;
mod reader;
mod service;
pub(crate) mod slips;
mod spots;
mod syntax;
mod topic;
mod words;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use chrono::{NaiveDate, TimeDelta};
use smol_str::SmolStr;

use super::moment::{Moment, NamedTime};
use super::zone::Zone;

pub use super::moment::parse_moment;
pub(crate) use fault::quoted;
pub use fault::{Fault, Faults, PhraseFault};
pub use phrases::{
    duration_words, known_zone, parse_duration, parse_position, parse_zone, weekday_index, weekdays_words,
};
pub use place::{DOUBTFUL, IMPLAUSIBLE, ahead_of_sun_s, offsets};
pub use plugs::plain;
pub use read::{Checked, read};
pub use service::exposure_faults;
pub use spots::{RuleSpots, Spots};

/// A file without fault.
#[derive(Clone, Debug, PartialEq)]
pub struct Config {
    /// `[place]`.
    pub place: Place,
    /// `[times]`, in the order of the file.
    pub times: Vec<Arc<NamedTime>>,
    /// `[sun]`.
    pub shifts: Shifts,
    /// `[broker]`.
    pub broker: Broker,
    /// `[web]`.
    pub web: Web,
    /// `[clock]`.
    pub clock: ClockTrust,
    /// `[daybook] years`.
    pub daybook_years: u32,
    /// `[channel.NAME]`, in the order of the file.
    pub channels: Vec<Channel>,
    /// `[absence]`.
    pub absence: Absence,
}

/// `[place]`: where the house stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Place {
    /// As written; see [`Place::slug`] for its form on MQTT.
    pub name: String,
    /// WGS 84.
    pub position: Position,
    /// Zone and clock changes.
    pub zone: Zone,
    /// What the hills hide, in degrees; raises sunrise and sunset.
    pub horizon_deg: f64,
}

/// Degrees on WGS 84; north and east are positive.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Position {
    /// −90 to 90.
    pub latitude_deg: f64,
    /// −180 to 180.
    pub longitude_deg: f64,
}

/// `[sun]`: house-wide shifts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Shifts {
    /// Earlier in the evening; 0 to 2 h.
    pub lead: TimeDelta,
    /// Later in the morning; 0 to 2 h.
    pub lag: TimeDelta,
}

/// `[broker]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Broker {
    /// Which broker.
    pub at: BrokerAt,
    /// `user`.
    pub user: Option<String>,
    /// `password_file`; else the systemd credential `broker-password`.
    pub password_file: Option<PathBuf>,
    /// Least time between two commands.
    pub pace: Duration,
}

/// The broker of the household, or Lampward's own.
#[derive(Clone, Debug, PartialEq)]
pub enum BrokerAt {
    /// `address = "mqtt://host:port"` or `"mqtts://host:port"`.
    Address {
        /// Name or literal address, IPv6 without brackets.
        host: String,
        /// 1883 where the file says none, 8883 with `mqtts://`.
        port: u16,
        /// Whether it is `mqtts://`, and who vouches for the broker.
        encryption: Encryption,
    },
    /// No `address`: Lampward serves one.
    Own {
        /// Where it listens; `None` is 127.0.0.1:1883, or the next free port.
        serve: Option<std::net::SocketAddr>,
        /// Who may log in; required beyond loopback.
        accounts_file: Option<PathBuf>,
    },
}

/// How the connection to a broker is protected.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Encryption {
    /// `mqtt://`: not at all.
    None,
    /// `mqtts://`, and the authorities that the system trusts vouch for the broker.
    BySystem,
    /// `mqtts://`, and those in the file of `ca` do.
    ByCa(PathBuf),
}

/// `[web]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Web {
    /// Where it listens.
    pub listen: std::net::SocketAddr,
    /// `token_file`; else the systemd credential `web-token`.
    pub token_file: Option<PathBuf>,
    /// Whether reading needs the token too.
    pub read: WebRead,
    /// Further Host names it answers to.
    pub hosts: Vec<String>,
}

/// `[web] read`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WebRead {
    /// Anyone who reaches the port may read.
    Open,
    /// Reading needs the token.
    Token,
}

/// `[clock] trust`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClockTrust {
    /// Trusted once the kernel says that the clock is synchronised.
    Synchronised,
    /// Always trusted.
    Always,
}

/// `[channel.NAME]`: one light as the household thinks of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// a–z, 0–9 and `-`.
    pub name: SmolStr,
    /// What people read.
    pub label: SmolStr,
    /// How its plugs are spoken to.
    pub kind: Arc<PlugKind>,
    /// At least one; each belongs to this channel alone.
    pub plugs: Box<[SmolStr]>,
    /// When it is to be lit, in the order of the file. Channels whose rules are the same share them.
    pub lit: Arc<[Rule]>,
    /// Power drawn when lit.
    pub watts: Option<f64>,
    /// What a hand on the plug means.
    pub by_hand: ByHand,
    /// Whether absence moves its times.
    pub absence: bool,
}

/// `by_hand`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ByHand {
    /// A hand holds for a while.
    Leave,
    /// A hand is undone.
    Correct,
}

/// One entry of `lit`.
#[derive(Clone, Debug, PartialEq)]
pub struct Rule {
    /// On at.
    pub from: Moment,
    /// Off at.
    pub until: Moment,
    /// Monday first; all true where `days` is left out.
    pub days: [bool; 7],
    /// Two days of the year, both included, wrapping over New Year.
    pub season: Option<Season>,
    /// Dates on which it does not happen.
    pub except: Vec<Dates>,
    /// Shorter spans are dropped; 1 min where left out.
    pub at_least: TimeDelta,
}

impl Rule {
    /// Spans shorter than this are dropped where a rule says nothing.
    pub const AT_LEAST: TimeDelta = TimeDelta::minutes(1);
}

/// `season = "1 Dec to 6 Jan"`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Season {
    /// The first day.
    pub first: DayOfYear,
    /// The last day.
    pub last: DayOfYear,
}

/// A day of every year. 29 Feb is a day of leap years alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct DayOfYear {
    /// 1 to 12.
    pub month: u32,
    /// 1 to 31, as the month allows.
    pub day: u32,
}

/// An entry of `except` or `[absence] dates`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Dates {
    /// `24 Dec`: every year.
    EveryYear(DayOfYear),
    /// `2026-12-24`, or `2026-12-31 to 2027-01-02`; both included.
    Range(NaiveDate, NaiveDate),
}

/// `[absence]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Absence {
    /// Days on which nobody is home.
    pub dates: Vec<Dates>,
    /// Moments move evenly within ± this.
    pub vary: TimeDelta,
}

/// `[plug_kind.NAME]`: how a make of plug is spoken to.
#[derive(Clone, Debug, PartialEq)]
pub struct PlugKind {
    /// NAME, or `plain`.
    pub name: String,
    /// The command.
    pub tell: Tell,
    /// How it reports; `None`: it doesn't.
    pub report: Option<Report>,
    /// How to ask it to report.
    pub ask: Option<Ask>,
    /// Where it says whether it is there.
    pub alive: Option<Alive>,
}

/// The topic of a plug: `{plug}` in the template stands for its name. Valid for every plug of the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Topic(pub String);

impl Topic {
    /// The topic of one plug.
    pub fn of(&self, plug: &str) -> String {
        self.0.replace("{plug}", plug)
    }

    /// Whether this is the topic of that plug.
    pub fn is(&self, topic: &str, plug: &str) -> bool {
        let mut pieces = self.0.split("{plug}");
        let first = pieces.next().and_then(|piece| topic.strip_prefix(piece));
        let rest = pieces.try_fold(first, |rest, piece| Some(rest?.strip_prefix(plug)?.strip_prefix(piece)));
        rest.flatten() == Some("")
    }
}

/// `tell`.
#[derive(Clone, Debug, PartialEq)]
pub struct Tell {
    /// Where commands go.
    pub topic: Topic,
    /// Payload for on.
    pub on: String,
    /// Payload for off.
    pub off: String,
    /// Whether commands are retained.
    pub retain: bool,
}

/// `report`.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    /// Where reports come from.
    pub topic: Topic,
    /// JSON pointer (RFC 6901); `None`: the whole payload as text.
    pub pointer: Option<String>,
    /// Values that mean on; text is compared trimmed.
    pub on: Vec<serde_json::Value>,
    /// Values that mean off.
    pub off: Vec<serde_json::Value>,
}

/// `ask`.
#[derive(Clone, Debug, PartialEq)]
pub struct Ask {
    /// Where the question goes.
    pub topic: Topic,
    /// The question.
    pub payload: String,
    /// How often a plug is asked without other reason.
    pub every: Duration,
}

/// `alive`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Alive {
    /// Where it speaks.
    pub topic: Topic,
    /// It is there.
    pub yes: String,
    /// It is gone.
    pub no: String,
}

impl Place {
    /// The name on MQTT: lower case, anything but a–z and 0–9 as `-`.
    pub fn slug(&self) -> String {
        let plain = |c: char| if c.is_ascii_lowercase() || c.is_ascii_digit() { c } else { '-' };
        self.name.to_lowercase().chars().map(plain).collect()
    }
}
