//! `lampward ahead`: the coming switchings, why each comes, and what stays dark and why.

use std::fmt::Write;
use std::process::ExitCode;
use std::sync::Arc;

use chrono::{DateTime, FixedOffset, NaiveDate, NaiveTime, SecondsFormat, TimeDelta, Utc};
use clap::Args;
use serde_json::json;
use unicode_width::UnicodeWidthStr;

use super::file::FileOption;
use super::{Failure, Format, print};
use crate::clock;
use crate::pure::config::Config;
use crate::pure::local_time::{Edge, instant_of, local_of};
use crate::pure::plan::Plan;
use crate::pure::power::Power;
use crate::pure::zone::Zone;

/// A century; more is a slip of the key. Common practice, no source.
const DAYS_AT_MOST: u32 = 36_525;

/// `lampward ahead [DAYS]`
#[derive(Args, Debug)]
pub struct Ahead {
    /// How many days.
    #[arg(default_value_t = 7, value_name = "DAYS", value_parser = days)]
    pub days: u32,
    /// Which file.
    #[command(flatten)]
    pub file: FileOption,
    /// Begin at 00:00 of this date rather than now, such as 2026-12-24.
    #[arg(long, value_name = "DATE")]
    pub from: Option<NaiveDate>,
    /// How it is printed.
    #[arg(long, value_enum, default_value_t)]
    pub format: Format,
}

/// A number of days; a file's name is told apart, as `run` and `check` take one there.
fn days(text: &str) -> Result<u32, String> {
    match text.parse::<u32>() {
        Ok(days) if (1..=DAYS_AT_MOST).contains(&days) => Ok(days),
        Ok(_) => Err(format!("1 to {DAYS_AT_MOST} days are meant")),
        Err(_) if text.contains(['.', '/']) => {
            Err(format!("a number of days belongs here; the file is named with --file {text}"))
        }
        Err(_) => Err("a number of days belongs here, such as 14".to_owned()),
    }
}

/// Prints what is ahead.
///
/// # Errors
/// Every fault of the file, or why it can't be read.
pub fn run(ahead: &Ahead) -> Result<ExitCode, Failure> {
    let loaded = ahead.file.load()?;
    let window = Window::new(&loaded.checked.config.place.zone, ahead, clock::wall());
    let found = Found::of(Arc::new(loaded.checked.config), window);
    print(&match ahead.format {
        Format::Table => found.table(),
        Format::Csv => found.csv(),
        Format::Json => found.json(),
    })
}

/// The time looked at: `from` included, `until` not.
#[derive(Clone, Copy, Debug)]
struct Window {
    from: DateTime<Utc>,
    until: DateTime<Utc>,
}

impl Window {
    /// Whole days by the clocks of the house: from a date, or from now to the same clock time.
    fn new(zone: &Zone, ahead: &Ahead, now: DateTime<Utc>) -> Window {
        let now = DateTime::from_timestamp(now.timestamp(), 0).unwrap_or(now);
        let local = local_of(zone, now);
        let (date, clock) = ahead.from.map_or((local.date_naive(), local.time()), |from| (from, NaiveTime::MIN));
        let last = date.checked_add_days(chrono::Days::new(u64::from(ahead.days))).unwrap_or(NaiveDate::MAX);
        let from = if ahead.from.is_some() { instant_of(zone, date, clock, Edge::From) } else { now };
        Window { from, until: instant_of(zone, last, clock, Edge::From) }
    }
}

/// What is ahead, in order of time, then of the file.
struct Found {
    config: Arc<Config>,
    window: Window,
    switchings: Vec<Line>,
    unlit: Vec<Line>,
}

/// A switching, or a span that does not happen (then `wanted` is `None`).
struct Line {
    at: DateTime<Utc>,
    local: DateTime<FixedOffset>,
    channel: usize,
    wanted: Option<Power>,
    date: NaiveDate,
    because: String,
}

impl Found {
    fn of(config: Arc<Config>, window: Window) -> Found {
        let zone = config.place.zone;
        let mut plan = Plan::new(config.clone());
        let (mut switchings, mut unlit) = (Vec::new(), Vec::new());
        // The plan counts from after an instant; switchings come in whole seconds.
        let (after, last) = (window.from - TimeDelta::seconds(1), window.until - TimeDelta::seconds(1));
        for channel in 0..config.channels.len() {
            for found in plan.switchings(channel, after, last) {
                let (local, wanted) = (local_of(&zone, found.at), Some(found.wanted));
                let date = local.date_naive();
                switchings.push(Line { at: found.at, local, channel, wanted, date, because: found.because.into() });
            }
            for found in plan.ahead(channel, window.from, window.until).unlit {
                let local = local_of(&zone, found.at);
                unlit.push(Line {
                    at: found.at,
                    local,
                    channel,
                    wanted: None,
                    date: found.date,
                    because: found.because,
                });
            }
        }
        switchings.sort_by_key(|line| (line.at, line.channel));
        unlit.sort_by_key(|line| (line.at, line.channel));
        Found { config, window, switchings, unlit }
    }

    fn csv(&self) -> String {
        let mut rows = csv::Writer::from_writer(Vec::new());
        let mut row = |fields: [&str; 5]| rows.write_record(fields).expect("memory takes every row");
        row(["utc", "local", "channel", "wanted", "because"]);
        for line in &self.switchings {
            let wanted = line.wanted.map_or("", Power::word);
            row([&utc(line.at), &rfc3339(line.local), self.name(line), wanted, &line.because]);
        }
        let bytes = rows.into_inner().expect("memory takes every row");
        String::from_utf8_lossy(&bytes).into_owned()
    }

    fn json(&self) -> String {
        let switchings = self.switchings.iter().map(|line| {
            json!({
                "utc": utc(line.at),
                "local": rfc3339(line.local),
                "channel": self.name(line),
                "wanted": line.wanted.map(Power::word),
                "because": line.because,
            })
        });
        let switchings: Vec<_> = switchings.collect();
        let unlit = self
            .unlit
            .iter()
            .map(|line| json!({ "date": line.date.to_string(), "channel": self.name(line), "because": line.because }));
        let unlit: Vec<_> = unlit.collect();
        format!("{:#}\n", json!({ "switchings": switchings, "unlit": unlit }))
    }

    /// A heading for each day, a line for each switching, for each span that does not happen and for each clock change.
    fn table(&self) -> String {
        let zone = &self.config.place.zone;
        let (from, until) = (local_of(zone, self.window.from), local_of(zone, self.window.until));
        let mut text = String::new();
        let mut say = |line: &str| writeln!(text, "{}", line.trim_end()).expect("memory takes every line");
        say(&format!(
            "{}: {} to {}, clocks at UTC{}",
            self.config.place.name,
            from.format("%a %-d %b %Y %H:%M"),
            until.format("%a %-d %b %Y %H:%M"),
            from.offset()
        ));
        let lines = || self.switchings.iter().chain(&self.unlit);
        let label = |line: &Line| self.config.channels[line.channel].label.as_str();
        let width = lines().map(|line| label(line).width()).max().unwrap_or(0);
        // Instant and channel to sort by, the local date for the heading, and the words.
        let mut rows: Vec<_> = lines()
            .map(|line| {
                let (time, wanted) = match line.wanted {
                    Some(wanted) => (line.local.format("%H:%M:%S").to_string(), wanted.word()),
                    None => (String::new(), ""),
                };
                let label = format!("{}{}", label(line), " ".repeat(width - label(line).width()));
                let words = format!("  {time:8}  {wanted:<3}  {label}  {}", line.because);
                (line.at, Some(line.channel), line.local.date_naive(), words)
            })
            .collect();
        rows.extend(clock_changes(zone, self.window).into_iter().map(|(at, before)| {
            let local = local_of(zone, at);
            let words = format!("  {}  clocks go from UTC{before} to UTC{}", local.format("%H:%M:%S"), local.offset());
            (at, None, local.date_naive(), words)
        }));
        rows.sort_by_key(|(at, channel, ..)| (*at, *channel));
        if rows.is_empty() {
            say("\nnothing is switched in this time");
        }
        let mut heading = None;
        for (_, _, date, words) in &rows {
            if heading.replace(date) != Some(date) {
                say(&format!("\n{}", date.format("%a %-d %b %Y")));
            }
            say(words);
        }
        text
    }

    fn name(&self, line: &Line) -> &str {
        &self.config.channels[line.channel].name
    }
}

/// Every change of the UTC offset within the window, with the offset before it.
fn clock_changes(zone: &Zone, window: Window) -> Vec<(DateTime<Utc>, FixedOffset)> {
    let offset = |at| *local_of(zone, at).offset();
    let mut found = Vec::new();
    let mut begin = window.from;
    while begin < window.until {
        let end = (begin + TimeDelta::days(1)).min(window.until);
        let before = offset(begin);
        if offset(end) != before {
            let (mut low, mut high) = (begin, end);
            while high - low > TimeDelta::seconds(1) {
                let middle = low + TimeDelta::seconds((high - low).num_seconds() / 2);
                if offset(middle) == before { low = middle } else { high = middle }
            }
            found.push((high, before));
        }
        begin = end;
    }
    found
}

fn utc(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

fn rfc3339(local: DateTime<FixedOffset>) -> String {
    local.to_rfc3339_opts(SecondsFormat::Secs, false)
}
