//! `lampward check`: every fault of the file; or what was read from it, and what the coming two years make of it.

use std::fmt::Write;
use std::process::ExitCode;
use std::sync::Arc;

use chrono::NaiveDate;
use clap::{Args, ValueEnum};
use serde_json::{Value, json};

use super::file::{self, FileArgument};
use super::{Failure, print};
use crate::clock;
use crate::pure::config::{Checked, Config, Fault, exposure_faults, read};
use crate::pure::local_time::local_of;
use crate::pure::plan::{Plan, Times, Warning, outlook};

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

/// A file without fault, and what the coming two years say of it.
struct Found {
    checked: Checked,
    ahead: Vec<Warning>,
}

impl Found {
    fn of(checked: Checked, from: Option<NaiveDate>) -> Found {
        let zone = &checked.config.place.zone;
        let first = from.unwrap_or_else(|| local_of(zone, clock::wall()).date_naive());
        let example = read("config/lampward.toml", EXAMPLE).expect("the example is without fault").config.place;
        let mut plan = Plan::new(Arc::new(checked.config.clone()));
        let ahead = outlook(&mut plan, first, &checked.spots, &example);
        Found { checked, ahead }
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
        line(format!("broker: {}", config.broker));
        for channel in &config.channels {
            let plugs = channel.plugs.join(", ");
            line(format!("\n{}: {} ({plugs}; {})", channel.name, channel.label, channel.kind.name));
            for rule in &channel.lit {
                line(format!("  {rule}"));
            }
            if channel.lit.is_empty() {
                line("  lit by hand and by overrides alone".to_owned());
            }
        }
        for warning in self.faults() {
            line(format!("\nwarning: {warning}"));
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
        json!({
            "file": name,
            "faults": faults,
            "warnings": warnings,
            "place": {
                "name": config.place.name,
                "position": config.place.position.to_string(),
                "time_zone": config.place.zone.rules.to_string(),
            },
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
