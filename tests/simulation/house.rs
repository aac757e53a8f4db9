//! A house drawn from a seed, its file, and what its lamps should do, said so plainly that no one can doubt it.

use std::fmt::Write;
use std::ops::Range;
use std::sync::{Arc, LazyLock};

use chrono::{Datelike, NaiveDate, TimeDelta};
use lampward::pure::config::{self, Config};
use lampward::pure::sun::Sun;

use super::world::{DAY, HOUR, MINUTE, instant};

pub const LATITUDE: f64 = 59.7412;
pub const LONGITUDE: f64 = 5.2097;
/// The Sun's altitude at sunset and sunrise: 50′ below the horizon.
const HORIZON_DEG: f64 = -50.0 / 60.0;

/// How a plug behaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Make {
    /// Reports after each command, says whether it is alive, can't be asked.
    Plain,
    /// As plain, but reports changes alone.
    Terse,
    /// Can be asked.
    Socket,
    /// Can be asked, and never says whether it is alive.
    Bare,
    /// Reports nothing.
    Mute,
}

impl Make {
    pub fn asks(self) -> bool {
        matches!(self, Make::Socket | Make::Bare)
    }

    /// How often it is asked without other reason, ms; 0 where it can't be.
    pub fn asked_every(self) -> i64 {
        match self {
            Make::Socket => 2 * HOUR,
            Make::Bare => 4 * HOUR,
            Make::Plain | Make::Terse | Make::Mute => 0,
        }
    }

    pub fn speaks_of_life(self) -> bool {
        matches!(self, Make::Plain | Make::Terse | Make::Socket)
    }

    fn kind(self) -> &'static str {
        match self {
            Make::Plain | Make::Terse => "plain",
            Make::Socket => "socket",
            Make::Bare => "bare",
            Make::Mute => "mute",
        }
    }
}

/// When a lamp is lit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Rule {
    /// From sunset until sunrise.
    Night,
    /// By the clocks of the house, in minutes after midnight; over midnight if `until` is not after `from`.
    Clock { from: u32, until: u32, workdays: bool },
}

/// How many files the house has: another is read now and then.
pub const EDITIONS: usize = 4;

/// The time zone of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Zone {
    Oslo,
    Reykjavik,
}

/// The zone of each file.
pub const ZONES: [Zone; EDITIONS] = [Zone::Oslo, Zone::Oslo, Zone::Reykjavik, Zone::Oslo];

/// One channel.
#[derive(Clone, Debug)]
pub struct Lamp {
    pub name: String,
    pub plugs: Vec<String>,
    /// The number of its first plug.
    pub first_plug: usize,
    pub make: Make,
    /// By file; `None` where the file does not have the channel.
    pub rules: [Option<Rule>; EDITIONS],
    pub corrects: bool,
}

impl Lamp {
    /// The numbers of its plugs.
    pub fn numbers(&self) -> Range<usize> {
        self.first_plug..self.first_plug + self.plugs.len()
    }
}

/// Draws the lamps of a house.
pub fn lamps(rng: &mut fastrand::Rng, count: usize) -> Vec<Lamp> {
    let makes = [Make::Plain, Make::Socket, Make::Terse, Make::Mute, Make::Bare];
    let mut first_plug = 0;
    (0..count)
        .map(|index| {
            let rule = |rng: &mut fastrand::Rng| match rng.u32(0..10) {
                0..5 => Rule::Clock { from: rng.u32(960..1200), until: rng.u32(1260..1440), workdays: false },
                5..8 => Rule::Clock { from: rng.u32(1200..1380), until: rng.u32(300..480), workdays: false },
                _ => Rule::Clock { from: rng.u32(300..420), until: rng.u32(440..560), workdays: true },
            };
            let first = if index == 0 { Rule::Night } else { rule(rng) };
            let second = if rng.bool() { first } else { rule(rng) };
            let fourth = (index == 0 || rng.u32(0..8) > 0).then_some(first);
            let plugs = if rng.u32(0..8) == 0 { 2 } else { 1 };
            let plugs: Vec<String> = (0..plugs).map(|nth| format!("plug/{index}-{nth}")).collect();
            first_plug += plugs.len();
            Lamp {
                name: format!("lamp-{index}"),
                first_plug: first_plug - plugs.len(),
                plugs,
                make: makes[index % makes.len()],
                rules: [Some(first), Some(second), Some(first), fourth],
                corrects: rng.u32(0..5) == 0,
            }
        })
        .collect()
}

/// One of the files of a house.
pub fn file(lamps: &[Lamp], edition: usize) -> Arc<Config> {
    let zone = match ZONES[edition] {
        Zone::Oslo => "Europe/Oslo",
        Zone::Reykjavik => "Atlantic/Reykjavik",
    };
    let mut text = format!(
        r#"
[place]
name      = "Skarvholmen"
position  = "59.7412 N, 5.2097 E"
time_zone = "{zone}"

[plug_kind.socket]
tell   = {{ topic = "{{plug}}/order", on = "on", off = "off" }}
report = {{ topic = "{{plug}}/report", on = "on", off = "off" }}
ask    = {{ topic = "{{plug}}/ask", payload = "", every = "2 h" }}
alive  = {{ topic = "{{plug}}/alive", yes = "here", no = "gone" }}

[plug_kind.bare]
tell   = {{ topic = "{{plug}}/order", on = "on", off = "off" }}
report = {{ topic = "{{plug}}/report", on = "on", off = "off" }}
ask    = {{ topic = "{{plug}}/ask", payload = "", every = "4 h" }}

[plug_kind.mute]
tell   = {{ topic = "{{plug}}/order", on = "on", off = "off" }}
"#,
    );
    for lamp in lamps {
        let Some(rule) = lamp.rules[edition] else { continue };
        let _ = write!(
            text,
            "\n[channel.{}]\nlabel = \"Lamp\"\nkind = \"{}\"\nplugs = {:?}\nby_hand = \"{}\"\nlit = [{}]\n",
            lamp.name,
            lamp.make.kind(),
            lamp.plugs,
            if lamp.corrects { "correct" } else { "leave" },
            in_words(rule)
        );
    }
    match config::read("house.toml", text.as_bytes()) {
        Ok(checked) => Arc::new(checked.config),
        Err(faults) => panic!("{faults}\n{text}"),
    }
}

fn in_words(rule: Rule) -> String {
    match rule {
        Rule::Night => "{ from = \"sunset\", until = \"sunrise\" }".to_string(),
        Rule::Clock { from, until, workdays } => {
            let days = if workdays { ", days = \"Mon-Fri\"" } else { "" };
            let clock = |minutes: u32| format!("{:02}:{:02}", minutes / 60, minutes % 60);
            format!("{{ from = \"{}\", until = \"{}\"{days} }}", clock(from), clock(until))
        }
    }
}

/// Whether a lamp should be lit at so many ms since 1970: by the altitude of the Sun, or by the clocks of the house.
pub fn lit(sun: &Sun, zone: Zone, rule: Rule, at_ms: i64) -> bool {
    match rule {
        Rule::Night => sun.altitude_deg(instant(at_ms)) < HORIZON_DEG,
        Rule::Clock { from, until, workdays } => {
            let local = at_ms + zone.offset_h(at_ms) * HOUR;
            let minute = (local.rem_euclid(DAY) / MINUTE) as u32;
            let today = local.div_euclid(DAY);
            // Day 0 was a Thursday.
            let works = |day: i64| !workdays || (day + 3).rem_euclid(7) < 5;
            if from < until {
                from <= minute && minute < until && works(today)
            } else {
                from <= minute && works(today) || minute < until && works(today - 1)
            }
        }
    }
}

/// Begin and end of summer time by year, in ms since 1970: from the last Sunday of March until the last of October, both
/// at 01:00 UTC (Directive 2000/84/EC).
static SUMMERS: LazyLock<Vec<Range<i64>>> = LazyLock::new(|| {
    let change = |year: i32, month: u32| {
        let last = NaiveDate::from_ymd_opt(year, month, 31).expect("both have 31 days");
        let sunday = last - TimeDelta::days(i64::from(last.weekday().num_days_from_sunday()));
        sunday.and_hms_opt(1, 0, 0).expect("01:00").and_utc().timestamp_millis()
    };
    (1970..2060).map(|year| change(year, 3)..change(year, 10)).collect()
});

impl Zone {
    /// Hours ahead of UTC. Reykjavik has UTC all year.
    pub fn offset_h(self, at_ms: i64) -> i64 {
        let year = (at_ms / DAY * 400 / 146_097) as usize;
        match self {
            Zone::Reykjavik => 0,
            Zone::Oslo => {
                if SUMMERS[year].contains(&at_ms) {
                    2
                } else {
                    1
                }
            }
        }
    }

    /// Every one it has.
    pub fn offsets_h(self) -> &'static [i64] {
        match self {
            Zone::Reykjavik => &[0],
            Zone::Oslo => &[1, 2],
        }
    }
}
