//! A house drawn from a seed, its file, and what its lamps should do, said so plainly that no one can doubt it.

use std::fmt::Write;
use std::sync::Arc;

use chrono::{DateTime, Datelike, NaiveDate, TimeDelta, Timelike, Utc, Weekday};
use lampward::pure::config::{self, Config};
use lampward::pure::sun::Sun;

const LATITUDE: f64 = 59.7412;
const LONGITUDE: f64 = 5.2097;
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
#[derive(Clone, Copy, Debug)]
pub enum Rule {
    /// From sunset until sunrise.
    Night,
    /// By the clocks of the house, in minutes after midnight; over midnight if `until` is not after `from`.
    Clock { from: u32, until: u32, workdays: bool },
}

/// One channel.
#[derive(Clone, Debug)]
pub struct Lamp {
    pub name: String,
    pub plugs: Vec<String>,
    pub make: Make,
    /// By the first file and by the second.
    pub rules: [Rule; 2],
    pub corrects: bool,
}

/// Draws the lamps of a house.
pub fn lamps(rng: &mut fastrand::Rng, count: usize) -> Vec<Lamp> {
    let makes = [Make::Plain, Make::Socket, Make::Terse, Make::Mute, Make::Bare];
    (0..count)
        .map(|index| {
            let rule = |rng: &mut fastrand::Rng| match rng.u32(0..10) {
                0..5 => Rule::Clock { from: rng.u32(960..1200), until: rng.u32(1260..1440), workdays: false },
                5..8 => Rule::Clock { from: rng.u32(1200..1380), until: rng.u32(300..480), workdays: false },
                _ => Rule::Clock { from: rng.u32(300..420), until: rng.u32(440..560), workdays: true },
            };
            let first = if index == 0 { Rule::Night } else { rule(rng) };
            let second = if rng.bool() { first } else { rule(rng) };
            let plugs = if rng.u32(0..8) == 0 { 2 } else { 1 };
            Lamp {
                name: format!("lamp-{index}"),
                plugs: (0..plugs).map(|nth| format!("plug/{index}-{nth}")).collect(),
                make: makes[index % makes.len()],
                rules: [first, second],
                corrects: rng.u32(0..5) == 0,
            }
        })
        .collect()
}

/// The file of a house; `edition` 0 or 1.
pub fn file(lamps: &[Lamp], edition: usize) -> Arc<Config> {
    let mut text = String::from(
        r#"
[place]
name      = "Skarvholmen"
position  = "59.7412 N, 5.2097 E"
time_zone = "Europe/Oslo"

[plug_kind.socket]
tell   = { topic = "{plug}/order", on = "on", off = "off" }
report = { topic = "{plug}/report", on = "on", off = "off" }
ask    = { topic = "{plug}/ask", payload = "", every = "1 h" }
alive  = { topic = "{plug}/alive", yes = "here", no = "gone" }

[plug_kind.bare]
tell   = { topic = "{plug}/order", on = "on", off = "off" }
report = { topic = "{plug}/report", on = "on", off = "off" }
ask    = { topic = "{plug}/ask", payload = "", every = "1 h" }

[plug_kind.mute]
tell   = { topic = "{plug}/order", on = "on", off = "off" }
"#,
    );
    for lamp in lamps {
        let _ = write!(
            text,
            "\n[channel.{}]\nlabel = \"Lamp\"\nkind = \"{}\"\nplugs = {:?}\nby_hand = \"{}\"\nlit = [{}]\n",
            lamp.name,
            lamp.make.kind(),
            lamp.plugs,
            if lamp.corrects { "correct" } else { "leave" },
            in_words(lamp.rules[edition])
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

/// Whether a lamp should be lit: by the altitude of the Sun, or by the clocks of the house.
pub fn lit(sun: &Sun, rule: Rule, at: DateTime<Utc>) -> bool {
    match rule {
        Rule::Night => sun.altitude_deg(at) < HORIZON_DEG,
        Rule::Clock { from, until, workdays } => {
            let local = at.naive_utc() + TimeDelta::seconds(offset_s(at));
            let minute = local.hour() * 60 + local.minute();
            let (today, yesterday) = (local.date(), local.date() - TimeDelta::days(1));
            let works = |date: NaiveDate| !workdays || !matches!(date.weekday(), Weekday::Sat | Weekday::Sun);
            if from < until {
                from <= minute && minute < until && works(today)
            } else {
                from <= minute && works(today) || minute < until && works(yesterday)
            }
        }
    }
}

/// The sun of the house.
pub fn sun() -> Sun {
    Sun::new(LATITUDE, LONGITUDE)
}

/// UTC offset in Oslo: summer time from the last Sunday of March until the last of October, both at 01:00 UTC
/// (Directive 2000/84/EC).
fn offset_s(at: DateTime<Utc>) -> i64 {
    let change = |month: u32| {
        let last = NaiveDate::from_ymd_opt(at.year(), month, 31).expect("both have 31 days");
        let sunday = last - TimeDelta::days(i64::from(last.weekday().num_days_from_sunday()));
        sunday.and_hms_opt(1, 0, 0).expect("01:00").and_utc()
    };
    if change(3) <= at && at < change(10) { 7200 } else { 3600 }
}

/// The instants, to the second, at which a rule changes between two instants.
pub fn changes(sun: &Sun, rule: Rule, from: DateTime<Utc>, until: DateTime<Utc>) -> Vec<DateTime<Utc>> {
    // No rule changes twice within a step: no night or day here is shorter than five hours, no span than 20 min.
    let (step, precise_ms) = match rule {
        Rule::Night => (TimeDelta::hours(3), 400),
        Rule::Clock { .. } => (TimeDelta::minutes(15), 1),
    };
    let mut changes = Vec::new();
    let (mut at, mut before) = (from, lit(sun, rule, from));
    while at < until {
        let next = (at + step).min(until);
        let after = lit(sun, rule, next);
        if after != before {
            let (mut low, mut high) = (at.timestamp_millis(), next.timestamp_millis());
            while high - low > precise_ms {
                let middle = (low + high) / 2;
                let instant = DateTime::from_timestamp_millis(middle).expect("an instant");
                if lit(sun, rule, instant) == before { low = middle } else { high = middle }
            }
            let exact = DateTime::from_timestamp_millis(high).expect("an instant");
            changes.push(chrono::SubsecRound::round_subsecs(exact, 0));
        }
        (at, before) = (next, after);
    }
    changes
}
