//! `lampward past`: what happened, from the running daemon.

use std::process::ExitCode;

use clap::Args;

use super::client::{DaemonOption, in_path};
use super::columns::{columns, csv};
use super::{Failure, Format, print};
use crate::web::json::{Past, PastEntry, Status};
use crate::web::words;

/// `lampward past [DAYS]`
#[derive(Args, Debug)]
pub struct PastCommand {
    /// How many days back.
    #[arg(default_value_t = 7, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..=3660))]
    pub days: u32,
    /// Only what was missed.
    #[arg(long)]
    pub missed: bool,
    /// Only this channel; may be given more than once.
    #[arg(long = "channel", value_name = "CHANNEL")]
    pub channels: Vec<String>,
    /// Which daemon.
    #[command(flatten)]
    pub daemon: DaemonOption,
    /// How it is printed.
    #[arg(long, value_enum, default_value_t)]
    pub format: Format,
}

/// Prints it.
///
/// # Errors
/// No daemon answers, or it has no daybook to read.
pub fn run(past: &PastCommand) -> Result<ExitCode, Failure> {
    let mut path = format!("/past?days={}", past.days);
    if past.missed {
        path += "&kind=missed";
    }
    for channel in &past.channels {
        path += &format!("&channel={}", in_path(channel));
    }
    let daemon = past.daemon.daemon()?;
    if past.format == Format::Json {
        let found: serde_json::Value = daemon.get(&path)?;
        return print(&format!("{found:#}\n"));
    }
    let found: Past = daemon.get(&path)?;
    if found.entries.is_empty() && !past.channels.is_empty() && past.format != Format::Csv {
        let house: Status = daemon.get("/status")?;
        let unknown = past.channels.iter().find(|asked| house.channels.iter().all(|there| there.name != **asked));
        if let Some(unknown) = unknown {
            let there = house.channels.iter().map(|there| there.name.as_str()).collect::<Vec<_>>().join(", ");
            let nothing = table(&found, past);
            return print(&format!("{nothing}there is no channel `{unknown}` now; there are {there}\n"));
        }
    }
    print(&if past.format == Format::Csv { csv(&rows(&found)) } else { table(&found, past) })
}

fn table(found: &Past, asked: &PastCommand) -> String {
    if found.entries.is_empty() {
        let what = if asked.missed { "nothing was missed" } else { "nothing is on record" };
        let days = if asked.days == 1 { "the last day".to_string() } else { format!("the last {} days", asked.days) };
        let of = if asked.channels.is_empty() { String::new() } else { format!(" of {}", asked.channels.join(", ")) };
        return format!("{what}{of} in {days}\n");
    }
    let line = |entry: &PastEntry| {
        let at = words::local(&entry.at);
        let at = at.map_or_else(|| entry.at.clone(), |at| at.format("%a %Y-%m-%d %H:%M:%S").to_string());
        let wanted = entry.wanted.clone().unwrap_or_default();
        let mut because = entry.because.clone();
        if let Some(late_s) = entry.late_s {
            because += &format!(" ({} late)", for_how_long(late_s));
        }
        let who = match &entry.plug {
            Some(plug) => format!("{} ({plug})", entry.channel),
            None => entry.channel.clone(),
        };
        vec![at, who, entry.kind.clone(), wanted, because]
    };
    columns(&found.entries.iter().map(line).collect::<Vec<_>>())
}

/// 75 s is "1 min 15 s".
fn for_how_long(seconds: f64) -> String {
    let seconds = seconds.round() as i64;
    let parts = [(seconds / 3600, "h"), (seconds / 60 % 60, "min"), (seconds % 60, "s")];
    let words: Vec<String> = parts.iter().filter(|(n, _)| *n > 0).map(|(n, unit)| format!("{n} {unit}")).collect();
    if words.is_empty() { "under 1 s".into() } else { words.join(" ") }
}

fn rows(found: &Past) -> Vec<Vec<String>> {
    let heading = ["at", "kind", "channel", "plug", "wanted", "because", "due", "late_s"];
    let mut rows = vec![heading.map(String::from).to_vec()];
    for entry in &found.entries {
        rows.push(vec![
            entry.at.clone(),
            entry.kind.clone(),
            entry.channel.clone(),
            entry.plug.clone().unwrap_or_default(),
            entry.wanted.clone().unwrap_or_default(),
            entry.because.clone(),
            entry.due.clone().unwrap_or_default(),
            entry.late_s.map(|late_s| late_s.to_string()).unwrap_or_default(),
        ]);
    }
    rows
}
