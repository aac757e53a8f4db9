//! `lampward check`: every fault of the file, or what was read from it.

use std::fmt::Write;
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use serde_json::{Value, json};

use super::file::{self, FileArgument};
use super::{Failure, print};
use crate::pure::config::{Checked, Config, Fault, exposure_faults, read};

/// `lampward check [FILE]`
#[derive(Args, Debug)]
pub struct Check {
    /// Which file.
    #[command(flatten)]
    pub file: FileArgument,
    /// How the answer is printed.
    #[arg(long, value_enum, default_value = "table")]
    pub format: CheckFormat,
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
    let read = read(&name, &text);
    if check.format == CheckFormat::Json {
        let (answer, well) = match &read {
            Ok(checked) => (found(&name, checked), refused(&checked.config).is_empty()),
            Err(faults) => (json!({ "file": name, "faults": faults_json(&faults.0) }), false),
        };
        print(&format!("{answer:#}\n"))?;
        return Ok(ExitCode::from(if well { 0 } else { 2 }));
    }
    let checked = read.map_err(|faults| {
        let count = faults.0.len();
        Failure::Fault(format!("{faults}\n\n{count} {}", if count == 1 { "fault" } else { "faults" }))
    })?;
    print(&said(&name, &checked))?;
    match refused(&checked.config) {
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

fn said(name: &str, checked: &Checked) -> String {
    let config = &checked.config;
    let mut text = String::new();
    let mut line = |line: String| writeln!(text, "{line}").unwrap_or(());
    let no_fault = if refused(config).is_empty() { "no fault" } else { "read, but lampward would not start with it" };
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
    for warning in &checked.warnings {
        line(format!("\nwarning: {warning}"));
    }
    for wanted in token_wanted(config) {
        line(format!("\nwarning: {wanted}; a systemd credential web-token will do as well"));
    }
    text
}

fn found(name: &str, checked: &Checked) -> Value {
    let config = &checked.config;
    let channel = |channel: &crate::pure::config::Channel| {
        let lit: Vec<String> = channel.lit.iter().map(ToString::to_string).collect();
        json!({
            "name": channel.name, "label": channel.label, "kind": channel.kind.name, "plugs": channel.plugs, "lit": lit,
        })
    };
    let faults: Vec<Value> = refused(config).into_iter().map(|message| json!({ "message": message })).collect();
    let mut warnings = faults_json(&checked.warnings);
    warnings.extend(token_wanted(config).into_iter().map(|message| json!({ "message": message })));
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

fn faults_json(faults: &[Fault]) -> Vec<Value> {
    let fault = |fault: &Fault| {
        json!({
            "line": fault.line, "column": fault.column, "message": fault.message,
            "expected": fault.expected, "nearest": fault.nearest,
        })
    };
    faults.iter().map(fault).collect()
}
