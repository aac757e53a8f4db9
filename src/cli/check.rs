//! `lampward check`: every fault of the file; or what was read from it, and what the coming two years make of it.

use std::fmt::Write;
use std::process::ExitCode;
use std::sync::Arc;

use chrono::{NaiveDate, NaiveTime, SecondsFormat};
use clap::{Args, ValueEnum};
use serde_json::{Value, json};

use super::file::{self, FileArgument};
use super::{Failure, print};
use crate::clock;
use crate::named_files::{self, Unreadable};
use crate::pure::config::{BrokerAt, Checked, Config, Fault, Place, exposure_faults, read};
use crate::pure::local_time::{Edge, instant_of, local_of};
use crate::pure::moment::Altitude;
use crate::pure::plan::{Plan, Times, Warning, outlook};
use crate::pure::sun::{Crossing, Sun};

/// The file that a household starts from: its place is hardly that of the house.
const EXAMPLE: &[u8] = include_bytes!("../../config/lampward.toml");

/// `lampward check [FILE]`
#[derive(Args, Debug)]
pub struct Check {
    /// Which file.
    #[command(flatten)]
    pub file: FileArgument,
    /// How the answer is printed.
    #[arg(long, value_enum, default_value = "table")]
    pub format: CheckFormat,
    /// Plan the two years from this date rather than from today, such as 2026-12-24.
    #[arg(long, value_name = "DATE")]
    pub from: Option<NaiveDate>,
}

/// How the answer is printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum CheckFormat {
    /// For people.
    Table,
    /// For programs: JSON.
    Json,
}

/// Reads the file and says what is in it. Exit code 2 with faults, 0 with warnings alone.
///
/// # Errors
/// Every fault, or why the file can't be read.
pub fn run(check: &Check) -> Result<ExitCode, Failure> {
    let path = check.file.path()?;
    let text = file::bytes(&path).map_err(Failure::Fault)?;
    let name = path.display().to_string();
    let read = read(&name, &text).map(|checked| Found::of(checked, check.from));
    if check.format == CheckFormat::Json {
        let (answer, well) = match &read {
            Ok(found) => (found.json(&name), refused(&found.checked.config).is_empty()),
            Err(faults) => {
                let faults: Vec<Value> = faults.0.iter().map(fault_json).collect();
                (json!({ "file": name, "faults": faults }), false)
            }
        };
        print(&format!("{answer:#}\n"))?;
        return Ok(ExitCode::from(if well { 0 } else { 2 }));
    }
    let found = read.map_err(|faults| {
        let count = faults.0.len();
        Failure::Fault(format!("{faults}\n\n{count} {}", if count == 1 { "fault" } else { "faults" }))
    })?;
    print(&found.said(&name))?;
    match refused(&found.checked.config) {
        refused if refused.is_empty() => Ok(ExitCode::SUCCESS),
        refused => Err(Failure::Fault(refused.join("\n"))),
    }
}

/// Why the daemon would not start with it, whatever token it is given.
fn refused(config: &Config) -> Vec<String> {
    exposure_faults(config, true)
}

/// Why the daemon would not start with it unless systemd hands it a token.
fn token_wanted(config: &Config) -> Vec<String> {
    let refused = refused(config);
    let mut all = exposure_faults(config, config.web.token_file.is_some());
    all.retain(|fault| !refused.contains(fault));
    all
}

/// Files that it names and that are not there. What only another user may read is no fault of the file: the daemon runs as one.
fn out_of_sight(config: &Config) -> Vec<String> {
    named_files::unreadable(config).iter().filter(|file| !file.denied).map(Unreadable::sentence).collect()
}

/// Whether the broker is lampward's own and heard on this computer alone.
fn out_of_reach(config: &Config) -> bool {
    match config.broker.at {
        BrokerAt::Own { serve, .. } => serve.is_none_or(|serve| serve.ip().is_loopback()),
        BrokerAt::Address { .. } => false,
    }
}

/// The kinds of plug in use that never say what they did.
fn silent_kinds(config: &Config) -> Vec<String> {
    let mut silent: Vec<&str> = Vec::new();
    for channel in config.channels.iter().filter(|channel| channel.kind.report.is_none()) {
        if !silent.contains(&channel.kind.name.as_str()) {
            silent.push(&channel.kind.name);
        }
    }
    let words = |kind: &&str| {
        let of = |channel: &&crate::pure::config::Channel| channel.kind.name == *kind;
        let names: Vec<&str> = config.channels.iter().filter(of).map(|channel| channel.name.as_str()).collect();
        format!(
            "[plug_kind.{kind}] has no `report`: of {} nobody will know whether the lamp went on, only that the broker \
             took the order",
            names.join(", ")
        )
    };
    silent.iter().map(words).collect()
}

/// Sunrise or sunset of one day.
struct Event {
    /// RFC 3339 with the local offset; `None`: there is none that day.
    at: Option<String>,
    clock: String,
}

impl Event {
    fn words(&self, does: &str, not: &str) -> String {
        match self.at {
            Some(_) => format!("{does} {}", self.clock),
            None => format!("does not {not}"),
        }
    }
}

/// When the Sun rises and sets on a date, so that east and west mixed up are seen.
fn sun_on(place: &Place, date: NaiveDate) -> (Event, Event) {
    let noon = instant_of(&place.zone, date, NaiveTime::from_hms_opt(12, 0, 0).expect("noon"), Edge::From);
    let sun = Sun::new(place.position.latitude_deg, place.position.longitude_deg);
    let day = sun.day(sun.solar_date(noon));
    let event = |crossing: Crossing| {
        let local = crossing.at().map(|at| local_of(&place.zone, at));
        Event {
            at: local.map(|local| local.to_rfc3339_opts(SecondsFormat::Secs, false)),
            clock: local.map(|local| local.format("%H:%M").to_string()).unwrap_or_default(),
        }
    };
    let horizon = Altitude::Horizon.degrees(place.horizon_deg);
    (event(day.rise(horizon)), event(day.set(horizon)))
}

/// A file without fault, and what the coming two years say of it.
struct Found {
    checked: Checked,
    /// The first of its days.
    first: NaiveDate,
    ahead: Vec<Warning>,
}

impl Found {
    fn of(checked: Checked, from: Option<NaiveDate>) -> Found {
        let zone = &checked.config.place.zone;
        let first = from.unwrap_or_else(|| local_of(zone, clock::wall()).date_naive());
        let example = read("config/lampward.toml", EXAMPLE).expect("the example is without fault").config.place;
        let mut plan = Plan::new(Arc::new(checked.config.clone()));
        let ahead = outlook(&mut plan, first, &checked.spots, &example);
        Found { checked, first, ahead }
    }

    fn said(&self, name: &str) -> String {
        let config = &self.checked.config;
        let mut text = String::new();
        let mut line = |line: String| writeln!(text, "{line}").unwrap_or(());
        let no_fault =
            if refused(config).is_empty() { "no fault" } else { "read, but lampward would not start with it" };
        line(format!("{name}: {no_fault}"));
        let place = &config.place;
        line(format!("{}: {}, {}", place.name, place.position, place.zone));
        let (rise, set) = sun_on(place, self.first);
        line(format!("the Sun there on {}: {}, {}", self.first, rise.words("rises", "rise"), set.words("sets", "set")));
        let alone = if out_of_reach(config) { ", where no plug on the network reaches it" } else { "" };
        line(format!("broker: {}{alone}", config.broker));
        for channel in &config.channels {
            let plugs = channel.plugs.join(", ");
            line(format!("\n{}: {} ({plugs}; {})", channel.name, channel.label, channel.kind.name));
            for rule in channel.lit.iter() {
                line(format!("  {rule}"));
            }
            if channel.lit.is_empty() {
                line("  lit by hand and by overrides alone".to_owned());
            }
        }
        for warning in self.faults() {
            line(format!("\nwarning: {warning}"));
        }
        for silent in silent_kinds(config) {
            line(format!("\nwarning: {silent}"));
        }
        for file in out_of_sight(config) {
            line(format!("\nwarning: {file}"));
        }
        for wanted in token_wanted(config) {
            line(format!("\nwarning: {wanted}; a systemd credential web-token will do as well"));
        }
        text
    }

    /// What reading and planning found, in the order of the file.
    fn faults(&self) -> Vec<&Fault> {
        let mut all: Vec<&Fault> =
            self.checked.warnings.iter().chain(self.ahead.iter().map(|warning| &warning.fault)).collect();
        all.sort_by_key(|fault| fault.line);
        all
    }

    fn json(&self, name: &str) -> Value {
        let config = &self.checked.config;
        let channel = |channel: &crate::pure::config::Channel| {
            let lit: Vec<String> = channel.lit.iter().map(ToString::to_string).collect();
            json!({
                "name": channel.name, "label": channel.label, "kind": channel.kind.name, "plugs": channel.plugs, "lit": lit,
            })
        };
        let faults: Vec<Value> = refused(config).into_iter().map(|message| json!({ "message": message })).collect();
        let mut warnings: Vec<(usize, Value)> = self
            .checked
            .warnings
            .iter()
            .map(|fault| (fault.line, with(fault_json(fault), &json!({ "kind": "file" }))))
            .collect();
        warnings.extend(self.ahead.iter().map(|warning| (warning.fault.line, warning_json(warning))));
        warnings.sort_by_key(|(line, _)| *line);
        let mut warnings: Vec<Value> = warnings.into_iter().map(|(_, warning)| warning).collect();
        let token = |message: String| json!({ "kind": "token", "message": message });
        warnings.extend(token_wanted(config).into_iter().map(token));
        let unreadable = |message: String| json!({ "kind": "unreadable", "message": message });
        warnings.extend(out_of_sight(config).into_iter().map(unreadable));
        let silent = |message: String| json!({ "kind": "no report", "message": message });
        warnings.extend(silent_kinds(config).into_iter().map(silent));
        let (rise, set) = sun_on(&config.place, self.first);
        json!({
            "file": name,
            "faults": faults,
            "warnings": warnings,
            "place": {
                "name": config.place.name,
                "position": config.place.position.to_string(),
                "time_zone": config.place.zone.rules.to_string(),
            },
            "sun": { "date": self.first.to_string(), "sunrise": rise.at, "sunset": set.at },
            "broker": { "at": config.broker.to_string(), "on_the_network": !out_of_reach(config) },
            "channels": config.channels.iter().map(channel).collect::<Vec<_>>(),
        })
    }
}

fn fault_json(fault: &Fault) -> Value {
    json!({
        "line": fault.line, "column": fault.column, "message": fault.message,
        "expected": fault.expected, "nearest": fault.nearest,
    })
}

fn warning_json(warning: &Warning) -> Value {
    let mut more = json!({ "kind": warning.kind.word() });
    if let Some((channel, rule)) = &warning.rule {
        more = with(more, &json!({ "channel": channel, "rule": rule }));
    }
    if let Some(Times { count, first, last }) = warning.times {
        more = with(more, &json!({ "count": count, "first": first.to_string(), "last": last.to_string() }));
    }
    let fault = &warning.fault;
    // What stands after the underline says what comes of it; nothing else was expected.
    let place =
        json!({ "line": fault.line, "column": fault.column, "message": fault.message, "because": fault.expected });
    with(place, &more)
}

fn with(mut object: Value, more: &Value) -> Value {
    if let (Value::Object(object), Value::Object(more)) = (&mut object, more) {
        object.extend(more.clone());
    }
    object
}
