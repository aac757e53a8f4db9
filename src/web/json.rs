//! What HTTP says, as types of its own, converted from ours here and nowhere else: renaming something of ours never
//! breaks a neighbouring program.

use std::sync::Arc;

use chrono::{DateTime, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};

use super::almanac::{ChannelAhead, Sky};
use super::door::Facts;
use crate::pure::config::{Channel, Fault};
use crate::pure::entry::Entry;
use crate::pure::keeper::{ChannelView, Ends, Hand, Miss, Override, PlugView, Switching};
use crate::pure::local_time::local_of;
use crate::pure::power::Power;
use crate::pure::zone::Zone;

/// An instant as people and programs read it: RFC 3339, whole seconds, with the local offset.
pub fn instant(zone: &Zone, at: DateTime<Utc>) -> String {
    local_of(zone, at).to_rfc3339_opts(SecondsFormat::Secs, false)
}

/// `GET /status`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Status {
    /// The daemon's wall clock.
    pub now: String,
    /// Where the house stands.
    pub place: Place,
    /// Where the Sun stands.
    pub sun: SunNow,
    /// Whether the plan can go by the clock.
    pub clock: ClockNow,
    /// The link to the plugs.
    pub broker: BrokerNow,
    /// The TOML file.
    pub file: FileNow,
    /// What else a person should know, a sentence each.
    pub notices: Vec<String>,
    /// In the order of the file.
    pub channels: Vec<ChannelNow>,
    /// Of the last 24 h, oldest first.
    pub missed: Vec<Missed>,
}

/// The event `house` of `/live`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct House {
    /// As in `/status`.
    pub clock: ClockNow,
    /// As in `/status`.
    pub broker: BrokerNow,
    /// As in `/status`.
    pub file: FileNow,
    /// As in `/status`.
    pub notices: Vec<String>,
    /// The names of all channels, in the order of the file.
    pub channels: Vec<String>,
}

/// `place`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// As in the file.
    pub name: String,
    /// Degrees, WGS 84.
    pub position: String,
    /// IANA zone or fixed offset.
    pub time_zone: String,
}

/// `sun`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SunNow {
    /// Topocentric, without refraction.
    pub altitude_deg: f64,
    /// Its next event; null where there is none within 400 days.
    pub next: Option<SunNext>,
}

/// `sun.next`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SunNext {
    /// sunset, dusk, …
    pub mark: String,
    /// When.
    pub at: String,
}

/// `clock`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ClockNow {
    /// Whether the plan can go by it.
    pub trusted: bool,
    /// Why.
    pub because: String,
    /// Release of the IANA rules in use.
    pub zone_rules: String,
}

/// `broker`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BrokerNow {
    /// up or down.
    pub link: String,
    /// Since when.
    pub since: String,
    /// Why it is down.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub because: Option<String>,
}

/// `file`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FileNow {
    /// When the one in force was read.
    pub read_at: String,
    /// Why a newer one could not be used.
    pub faults: Vec<FileFault>,
    /// When that newer one was read.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub faulty_at: Option<String>,
    /// What is odd about the one in force.
    pub warnings: Vec<FileFault>,
}

/// One of `file.faults` or `file.warnings`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FileFault {
    /// From 1.
    pub line: usize,
    /// From 1.
    pub column: usize,
    /// What is wrong.
    pub message: String,
    /// The line as it stands there.
    pub source_line: String,
    /// What would have been right.
    pub expected: Option<String>,
    /// The nearest valid word.
    pub nearest: Option<String>,
}

/// One of `channels`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChannelNow {
    /// Its name.
    pub name: String,
    /// What people call it.
    pub label: String,
    /// on or off; null while the clock is not trusted and no override stands.
    pub wanted: Option<String>,
    /// Why.
    pub because: String,
    /// The next change of wanted.
    pub next: Option<Next>,
    /// A person's word.
    #[serde(rename = "override")]
    pub overridden: Option<OverrideNow>,
    /// Its plugs.
    pub plugs: Vec<PlugNow>,
}

/// `next`, and each switching of `/ahead`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Next {
    /// When.
    pub at: String,
    /// on or off.
    pub wanted: String,
    /// Why.
    pub because: String,
}

/// `override`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OverrideNow {
    /// on or off.
    pub wanted: String,
    /// An instant, or "cancelled".
    pub until: String,
    /// In words: "on until 23:10, the planned switch-off".
    pub because: String,
    /// When it was set.
    pub since: String,
}

/// One of `plugs`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlugNow {
    /// Its name.
    pub plug: String,
    /// on, off or unknown.
    pub said: String,
    /// untold, unanswered, confirmed, accepted or missed.
    pub delivery: String,
    /// Since when `delivery` stands.
    pub since: String,
    /// The hand that holds it.
    pub hand: Option<HandNow>,
    /// True where it said that it is gone, and nothing since.
    #[serde(skip_serializing_if = "std::ops::Not::not", default)]
    pub gone: bool,
}

/// `hand`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HandNow {
    /// What the hand made it.
    pub wanted: String,
    /// When it ends.
    pub until: String,
}

/// One of `missed`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Missed {
    /// When it was due.
    pub at: String,
    /// Which channel.
    pub channel: String,
    /// Which plug.
    pub plug: String,
    /// on or off.
    pub wanted: String,
    /// Why it was missed.
    pub because: String,
}

/// What `PUT /channels/{name}/override` answers.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SetOverride {
    /// The override, as in `/status`.
    #[serde(flatten)]
    pub overridden: OverrideNow,
    /// What a person should know about it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub note: Option<String>,
}

/// What `PUT /override` and both `DELETE`s answer: the overrides now standing on the channels concerned.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    /// In the order of the file.
    pub channels: Vec<StandingOn>,
    /// What a person should know about it: that it won't survive a restart, say.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub note: Option<String>,
}

/// One of `channels` of [`Standing`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StandingOn {
    /// The channel's name.
    pub name: String,
    /// The override, as in `/status`; null where none stands.
    #[serde(rename = "override")]
    pub overridden: Option<OverrideNow>,
}

/// `GET /ahead`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ahead {
    /// Excluded.
    pub from: String,
    /// Included.
    pub until: String,
    /// In the order of the file.
    pub channels: Vec<AheadOn>,
}

/// One of `channels` of [`Ahead`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AheadOn {
    /// The channel's name.
    pub name: String,
    /// What people call it.
    pub label: String,
    /// What the plan will do; overrides are not in it.
    pub switchings: Vec<Next>,
    /// What a rule asks for in vain.
    pub unlit: Vec<UnlitOn>,
}

/// One of `unlit`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct UnlitOn {
    /// The date to which it belongs.
    pub date: String,
    /// "not lit: 22:45 is before sunset 23:04".
    pub because: String,
}

/// `GET /past`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Past {
    /// Included.
    pub from: String,
    /// Excluded.
    pub until: String,
    /// Oldest first.
    pub entries: Vec<PastEntry>,
}

/// One of `entries`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PastEntry {
    /// When it happened.
    pub at: String,
    /// switched, late, missed, …
    pub kind: String,
    /// Which channel.
    pub channel: String,
    /// Which plug; null where the whole channel is meant.
    pub plug: Option<String>,
    /// on or off, where it is about one.
    pub wanted: Option<String>,
    /// Why.
    pub because: String,
    /// When it was due, where it was due at an instant.
    pub due: Option<String>,
    /// How late it came, in seconds.
    pub late_s: Option<f64>,
}

/// `GET /health` when all is well.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Health {
    /// Whether a lamp could be switched now.
    pub well: bool,
    /// Part by part.
    pub parts: Vec<Part>,
}

/// One part of [`Health`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// clock, broker or daemon.
    pub part: String,
    /// Whether it would let a lamp be switched.
    pub well: bool,
    /// How it stands.
    pub because: String,
}

/// `/status` at an instant.
pub fn status(facts: &Facts, sky: &Sky, now: DateTime<Utc>) -> Status {
    let place = &facts.config.place;
    let zone = &place.zone;
    Status {
        now: instant(zone, now),
        place: Place {
            name: place.name.clone(),
            position: place.position.to_string(),
            time_zone: zone.rules.to_string(),
        },
        sun: SunNow {
            altitude_deg: (sky.altitude_deg * 10.0).round() / 10.0,
            next: sky.next.map(|(mark, at)| SunNext { mark: mark.to_string(), at: instant(zone, at) }),
        },
        clock: clock(facts),
        broker: broker(facts),
        file: file(facts),
        notices: facts.notices.clone(),
        channels: channels(facts),
        missed: misses(facts),
    }
}

/// What `/live` tells of the house as a whole.
pub fn house(facts: &Facts) -> House {
    House {
        clock: clock(facts),
        broker: broker(facts),
        file: file(facts),
        notices: facts.notices.clone(),
        channels: facts.config.channels.iter().map(|channel| channel.name.to_string()).collect(),
    }
}

/// Whether the house as a whole is told of anew: what [`house`] says differs.
pub fn is_another_house(before: &Facts, now: &Facts) -> bool {
    let names =
        |facts: &Facts| -> Vec<_> { facts.config.channels.iter().map(|channel| channel.name.clone()).collect() };
    clock(before) != clock(now)
        || broker(before) != broker(now)
        || file(before) != file(now)
        || before.notices != now.notices
        || !Arc::ptr_eq(&before.config, &now.config) && names(before) != names(now)
}

/// `channels` of `/status`.
pub fn channels(facts: &Facts) -> Vec<ChannelNow> {
    facts.channels().map(|(named, view)| channel(facts, named, view)).collect()
}

/// `missed` of `/status`.
pub fn misses(facts: &Facts) -> Vec<Missed> {
    facts.snapshot.missed.iter().map(|miss| missed(facts, miss)).collect()
}

fn clock(facts: &Facts) -> ClockNow {
    ClockNow {
        trusted: facts.snapshot.trusted,
        because: facts.clock_because.clone(),
        zone_rules: crate::pure::local_time::ZONE_RULES.to_string(),
    }
}

fn broker(facts: &Facts) -> BrokerNow {
    let up = facts.snapshot.link_up;
    BrokerNow {
        link: if up { "up" } else { "down" }.to_string(),
        since: instant(&facts.config.place.zone, facts.link_since),
        because: facts.link_because.clone().filter(|_| !up),
    }
}

fn file(facts: &Facts) -> FileNow {
    FileNow {
        read_at: instant(&facts.config.place.zone, facts.file.read_at),
        faults: facts.file.faults.iter().map(file_fault).collect(),
        faulty_at: facts.file.faulty_at.map(|at| instant(&facts.config.place.zone, at)),
        warnings: facts.file.warnings.iter().map(file_fault).collect(),
    }
}

/// Without the path of the file: an answer over HTTP gives no paths.
fn file_fault(fault: &Fault) -> FileFault {
    FileFault {
        line: fault.line,
        column: fault.column,
        message: fault.message.clone(),
        source_line: fault.source_line.clone(),
        expected: fault.expected.clone(),
        nearest: fault.nearest.clone(),
    }
}

/// One channel of `/status`.
pub fn channel(facts: &Facts, named: &Channel, view: &ChannelView) -> ChannelNow {
    let zone = &facts.config.place.zone;
    ChannelNow {
        name: named.name.to_string(),
        label: named.label.to_string(),
        wanted: view.wanted.map(word),
        because: view.because.to_string(),
        next: view.next.as_ref().map(|next| switching(zone, next)),
        overridden: view.overridden.as_ref().map(|standing| overridden(zone, standing)),
        plugs: named.plugs.iter().zip(&view.plugs).map(|(name, view)| plug(zone, name, view)).collect(),
    }
}

/// What is ahead of one channel.
pub fn ahead_on(zone: &Zone, channel: &Channel, ahead: &ChannelAhead) -> AheadOn {
    AheadOn {
        name: channel.name.to_string(),
        label: channel.label.to_string(),
        switchings: ahead.switchings.iter().map(|one| switching(zone, one)).collect(),
        unlit: ahead
            .ahead
            .unlit
            .iter()
            .map(|unlit| UnlitOn { date: unlit.date.to_string(), because: unlit.because.clone() })
            .collect(),
    }
}

fn switching(zone: &Zone, switching: &Switching) -> Next {
    Next { at: instant(zone, switching.at), wanted: word(switching.wanted), because: switching.because.to_string() }
}

/// One override, in the same words wherever it is shown.
pub fn overridden(zone: &Zone, standing: &Override) -> OverrideNow {
    OverrideNow {
        wanted: word(standing.wanted),
        until: match standing.ends {
            Ends::At(at) | Ends::After { at, .. } => instant(zone, at),
            Ends::Cancelled => "cancelled".to_string(),
        },
        because: standing.because.clone(),
        since: instant(zone, standing.since),
    }
}

fn plug(zone: &Zone, name: &str, view: &PlugView) -> PlugNow {
    PlugNow {
        plug: name.to_string(),
        said: view.said.map_or_else(|| "unknown".to_string(), word),
        delivery: view.delivery.word().to_string(),
        since: instant(zone, view.since),
        hand: view.hand.as_ref().map(|hand| hand_now(zone, hand)),
        gone: view.gone,
    }
}

fn hand_now(zone: &Zone, hand: &Hand) -> HandNow {
    HandNow { wanted: word(hand.wanted), until: instant(zone, hand.until) }
}

/// One miss of `/status`.
pub fn missed(facts: &Facts, miss: &Miss) -> Missed {
    let zone = &facts.config.place.zone;
    Missed {
        at: instant(zone, miss.at),
        channel: miss.channel.clone(),
        plug: miss.plug.clone(),
        wanted: word(miss.wanted),
        because: miss.because.clone(),
    }
}

/// One entry of the daybook.
pub fn past_entry(zone: &Zone, entry: &Entry) -> PastEntry {
    PastEntry {
        at: instant(zone, entry.at),
        kind: entry.kind.word().to_string(),
        channel: entry.channel.to_string(),
        plug: entry.plug.as_ref().map(|plug| plug.to_string()),
        wanted: entry.wanted.map(word),
        because: entry.because.to_string(),
        due: entry.due.map(|due| instant(zone, due)),
        late_s: entry.late.map(|late| late.num_milliseconds() as f64 / 1000.0),
    }
}

fn word(power: Power) -> String {
    power.word().to_string()
}
