//! A house from a few lines of TOML, and its plan as the text a person would see. The only file here that touches the
//! interface of the plan.

use std::sync::Arc;

use chrono::{DateTime, NaiveDateTime, TimeDelta, Utc};
use lampward::pure::config::{self, Config};
use lampward::pure::local_time::{Edge, instant_of, local_of};
use lampward::pure::plan::Plan;

/// Skarvholmen, an islet that nobody has seen.
pub const SKARVHOLMEN: &str = r#"
    [place]
    name      = "Skarvholmen"
    position  = "59.7412 N, 5.2097 E"
    time_zone = "Europe/Oslo"
"#;

/// A place in the words of the file.
pub fn place(position: &str, time_zone: &str) -> String {
    format!("[place]\nname = \"Testholmen\"\nposition = \"{position}\"\ntime_zone = \"{time_zone}\"\n")
}

/// The file of a house: a place unless the lines name one, and channels `lamp`, `lamp-2` … for lines that are rules.
pub fn file(lines: &str) -> String {
    let mut text = if lines.contains("[place]") { String::new() } else { SKARVHOLMEN.to_owned() };
    let is_rule = |line: &&str| line.trim_start().starts_with('{');
    let rules: Vec<&str> = lines.lines().filter(is_rule).collect();
    for line in lines.lines().filter(|line| !is_rule(line)) {
        text.push_str(line);
        text.push('\n');
    }
    if !rules.is_empty() {
        text.push_str("[channel.lamp]\nlabel = \"Lamp\"\nplug = \"yard/1\"\nlit = [\n");
        for rule in rules {
            text.push_str(rule.trim().trim_end_matches(','));
            text.push_str(",\n");
        }
        text.push_str("]\n");
    }
    text
}

/// The checked file.
#[track_caller]
pub fn read(lines: &str) -> Arc<Config> {
    let text = file(lines);
    match config::read("house.toml", text.as_bytes()) {
        Ok(checked) => Arc::new(checked.config),
        Err(faults) => panic!("{faults}\nin\n{text}"),
    }
}

/// The plan of the file.
#[track_caller]
pub fn plan(lines: &str) -> Plan {
    Plan::new(read(lines))
}

/// `2026-11-24 16:00`, or with seconds, by the clocks of the house.
#[track_caller]
pub fn instant(plan: &Plan, local: &str) -> DateTime<Utc> {
    let read = |format| NaiveDateTime::parse_from_str(local, format);
    let local = read("%Y-%m-%d %H:%M").or_else(|_| read("%Y-%m-%d %H:%M:%S")).expect("a local time");
    instant_of(&plan.config().place.zone, local.date(), local.time(), Edge::From)
}

/// The switchings of `lamp` over some days from 12:00 on a date, as a person would see them, and below them what stays
/// dark and why.
#[track_caller]
pub fn check(lines: &str, first: &str, days: i64, expected: &str) {
    let mut plan = plan(lines);
    let from = instant(&plan, &format!("{first} 12:00"));
    let found = seen(&mut plan, 0, from, from + TimeDelta::days(days));
    let expected: Vec<&str> = expected.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    assert_eq!(found, expected, "\n{}\n", found.join("\n"));
}

/// What a person sees of a channel between two instants.
pub fn seen(plan: &mut Plan, channel: usize, from: DateTime<Utc>, until: DateTime<Utc>) -> Vec<String> {
    let zone = plan.config().place.zone;
    let local = |at| local_of(&zone, at).format("%Y-%m-%d %H:%M:%S").to_string();
    let switchings = plan.switchings(channel, from, until).into_iter();
    let mut lines: Vec<String> = switchings.map(|s| format!("{} {} {}", local(s.at), s.wanted, s.because)).collect();
    let unlit = plan.ahead(channel, from, until).unlit.into_iter();
    lines.extend(unlit.map(|unlit| format!("{} {}", unlit.date, unlit.because)));
    lines
}
