//! The lamps of the house: fifty plugs of ten makes, the file that names them, and what its plan asks for.

use std::fmt::Write;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Timelike, Utc};

/// Who the daemon is to mosquitto.
pub const DAEMON: (&str, &str) = ("lampward", "lighthouse");
/// Who the plugs are to any broker.
pub const PLUGS: (&str, &str) = ("plugs", "lantern");

/// When a plug reports what it was told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answers {
    /// Each time.
    Always,
    /// Only when it has changed.
    Changes,
    /// Its kind has no report.
    Never,
}

/// How a plug behaves.
#[derive(Debug)]
pub struct Make {
    pub word: &'static str,
    pub count: usize,
    /// Its kind in the file.
    pub kind: &'static str,
    pub answers: Answers,
    /// Its report comes so many milliseconds after the switching, from and to.
    pub late_ms: (u64, u64),
    /// It says `here`, and has a last will that says `gone`.
    pub alive: bool,
    /// It answers when it is asked.
    pub asks: bool,
    /// The broker keeps its reports.
    pub retains: bool,
    /// The broker keeps what it has missed, and hands it over when it comes back.
    pub keeps_session: bool,
    /// It reports how it is when it comes back.
    pub announces: bool,
}

const PLAIN: Make = Make {
    word: "plain",
    count: 10,
    kind: "plain",
    answers: Answers::Always,
    late_ms: (0, 30),
    alive: true,
    asks: false,
    retains: true,
    keeps_session: false,
    announces: true,
};

const MAKES: &[Make] = &[
    PLAIN,
    Make { word: "plain, no word of life", count: 8, alive: false, retains: false, ..PLAIN },
    Make { word: "plain, late", count: 6, late_ms: (500, 3_000), ..PLAIN },
    Make { word: "plain, very late, no word of life", count: 2, late_ms: (6_000, 8_000), alive: false, ..PLAIN },
    Make { word: "plain, changes only", count: 6, answers: Answers::Changes, announces: false, ..PLAIN },
    Make { word: "plain, keeps its session", count: 2, keeps_session: true, ..PLAIN },
    Make {
        word: "bare JSON, changes only",
        count: 4,
        kind: "bare",
        answers: Answers::Changes,
        alive: false,
        retains: false,
        announces: false,
        ..PLAIN
    },
    Make { word: "JSON that can be asked", count: 6, kind: "socket", asks: true, ..PLAIN },
    Make {
        word: "JSON that can be asked, changes only, keeps its session",
        count: 4,
        kind: "socket",
        asks: true,
        answers: Answers::Changes,
        retains: false,
        keeps_session: true,
        announces: false,
        ..PLAIN
    },
    Make { word: "mute", count: 2, kind: "mute", answers: Answers::Never, announces: false, ..PLAIN },
];

impl Make {
    /// The latest that a report can come.
    pub fn latest(&self) -> Duration {
        Duration::from_millis(self.late_ms.1)
    }

    /// Whether its silence can mean that it has nothing new to say, so that nothing may ever be known of it.
    pub fn may_stay_unknown(&self) -> bool {
        self.answers == Answers::Never || self.answers == Answers::Changes && !self.asks
    }

    /// What it says of itself.
    pub fn report(&self, on: bool) -> String {
        let word = if on { "on" } else { "off" };
        if self.kind == "plain" { word.into() } else { format!(r#"{{"supply":{on},"seconds":{}}}"#, word.len()) }
    }

    /// What an order means to it.
    pub fn understood(&self, payload: &[u8]) -> Option<bool> {
        match payload {
            b"on" | br#"{"supply":true}"# => Some(true),
            b"off" | br#"{"supply":false}"# => Some(false),
            _ => None,
        }
    }
}

/// Every plug with its make.
pub fn plugs() -> Vec<(String, &'static Make)> {
    let makes = MAKES.iter().flat_map(|make| std::iter::repeat_n(make, make.count));
    makes.enumerate().map(|(nth, make)| (format!("yard/{}", nth + 1), make)).collect()
}

/// One light: its plugs, and the minutes in which it is lit.
#[derive(Debug)]
pub struct Channel {
    pub name: String,
    pub plugs: Vec<String>,
    kind: &'static str,
    /// Lit for so many minutes, dark for as many, and so on; `None`: as `lit` says.
    half: Option<i64>,
    phase: i64,
    lit: bool,
}

/// What the file's plan asks for.
#[derive(Debug)]
pub struct Plan {
    pub channels: Vec<Channel>,
    base: DateTime<Utc>,
}

/// The switchings go on for so long.
const MINUTES: i64 = 120;

impl Plan {
    /// From this minute on. A third of the channels switch each minute, a third every third, and a third stay.
    pub fn new(now: DateTime<Utc>) -> Plan {
        let base = now.with_second(0).and_then(|now| now.with_nanosecond(0)).unwrap() - TimeDelta::minutes(2);
        let mut channels: Vec<Channel> = Vec::new();
        for (nth, (plug, make)) in plugs().into_iter().enumerate() {
            // The first two channels have two plugs each.
            if nth == 1 || nth == 3 {
                channels.last_mut().unwrap().plugs.push(plug);
                continue;
            }
            let number = channels.len() as i64;
            channels.push(Channel {
                name: format!("lamp-{}", nth + 1),
                plugs: vec![plug],
                kind: make.kind,
                half: [Some(1), Some(3), None][nth % 3],
                phase: number,
                lit: number % 2 == 0,
            });
        }
        Plan { channels, base }
    }

    /// Whether a channel is to be lit at `at`, as far as the plan goes.
    pub fn lit(&self, channel: usize, at: DateTime<Utc>) -> bool {
        let channel = &self.channels[channel];
        let minute = (at - self.base).num_minutes();
        assert!((0..MINUTES).contains(&minute), "the run takes longer than its plan");
        channel.half.map_or(channel.lit, |half| (minute + channel.phase).div_euclid(half) % 2 == 0)
    }

    /// Every instant from `from` until `until` at which a channel is switched by plan.
    pub fn switchings(&self, channel: usize, from: DateTime<Utc>, until: DateTime<Utc>) -> Vec<DateTime<Utc>> {
        let minute = |nth| self.base + TimeDelta::minutes(nth);
        let instants = (1..MINUTES).map(minute).filter(|at| (from..until).contains(at));
        instants.filter(|&at| self.lit(channel, at) != self.lit(channel, at - TimeDelta::minutes(1))).collect()
    }

    /// The part of the file from `[plug_kind]` on.
    pub fn file(&self) -> String {
        let mut text = String::from(
            r#"
[plug_kind.socket]
tell   = { topic = "{plug}/order", on = '{"supply":true}', off = '{"supply":false}' }
report = { topic = "{plug}/report", pointer = "/supply", on = true, off = false }
ask    = { topic = "{plug}/ask", payload = "" }
alive  = { topic = "{plug}/alive", yes = "here", no = "gone" }

[plug_kind.bare]
tell   = { topic = "{plug}/order", on = '{"supply":true}', off = '{"supply":false}' }
report = { topic = "{plug}/report", pointer = "/supply", on = true, off = false }

[plug_kind.mute]
tell   = { topic = "{plug}/order", on = "on", off = "off" }
alive  = { topic = "{plug}/alive", yes = "here", no = "gone" }
"#,
        );
        for (number, channel) in self.channels.iter().enumerate() {
            let Channel { name, plugs, kind, .. } = channel;
            let _ = write!(
                text,
                "\n[channel.{name}]\nlabel = \"Lamp {name}\"\nkind = \"{kind}\"\nplugs = {plugs:?}\nlit = ["
            );
            for (from, until) in self.spans(number) {
                let clock = |minute| (self.base + TimeDelta::minutes(minute)).format("%H:%M");
                let _ = write!(text, "\n  {{ from = \"{}\", until = \"{}\" }},", clock(from), clock(until));
            }
            text.push_str("\n]\n");
        }
        text
    }

    /// From and until, in minutes after the base.
    fn spans(&self, channel: usize) -> Vec<(i64, i64)> {
        let Channel { half, lit, .. } = self.channels[channel];
        if half.is_none() {
            // Of a whole day, so that it neither begins nor ends in our time.
            return vec![if lit { (-60, MINUTES + 60) } else { (MINUTES + 120, MINUTES + 180) }];
        }
        let at = |minute: &i64| self.lit(channel, self.base + TimeDelta::minutes(*minute));
        let mut spans: Vec<(i64, i64)> = Vec::new();
        for minute in (0..MINUTES).filter(at) {
            match spans.last_mut() {
                Some((_, until)) if *until == minute => *until += 1,
                _ => spans.push((minute, minute + 1)),
            }
        }
        spans
    }
}
