//! `lampward override`: a lamp on or off until something, on the running daemon.

use std::process::ExitCode;

use clap::{Args, ValueEnum};
use serde_json::{Value, json};
use ureq::http::Method;

use super::client::{DaemonOption, in_path};
use super::columns::csv;
use super::{Failure, Format, print};
use crate::web::json::OverrideNow;

/// `lampward override CHANNEL on|off`
#[derive(Args, Debug)]
pub struct OverrideCommand {
    /// Which channel, by its name in the file.
    #[arg(value_name = "CHANNEL")]
    pub channel: String,
    /// On or off.
    #[arg(value_name = "on|off")]
    pub wanted: Wanted,
    /// Until when: "45 min", "23:30", bedtime, sunrise, an RFC 3339 instant, or cancelled [default: for the evening].
    #[arg(long, value_name = "UNTIL")]
    pub until: Option<String>,
    /// Which daemon.
    #[command(flatten)]
    pub daemon: DaemonOption,
    /// How the answer is printed.
    #[arg(long, value_enum, default_value_t)]
    pub format: Format,
}

/// On or off.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Wanted {
    /// Supplied.
    On,
    /// Not supplied.
    Off,
}

/// Sets it; it is on disk when this prints what will happen.
///
/// # Errors
/// No daemon answers, or it refuses.
pub fn run(wish: &OverrideCommand) -> Result<ExitCode, Failure> {
    let mut body = json!({ "wanted": if wish.wanted == Wanted::On { "on" } else { "off" } });
    if let Some(until) = &wish.until {
        body["until"] = until.as_str().into();
    }
    let path = format!("/channels/{}/override", in_path(&wish.channel));
    let answer: Value = wish.daemon.daemon()?.ask(Method::PUT, &path, Some(&body))?;
    if wish.format == Format::Json {
        return print(&format!("{answer:#}\n"));
    }
    let note = answer["note"].as_str().map(|note| format!("{note}\n")).unwrap_or_default();
    let standing: OverrideNow = serde_json::from_value(answer)
        .map_err(|_| Failure::Other("lampward's answer is not understood: is it of another version?".into()))?;
    print(&match wish.format {
        Format::Csv => csv(&[
            ["channel", "wanted", "until", "because", "since"].map(String::from).to_vec(),
            vec![wish.channel.clone(), standing.wanted, standing.until, standing.because, standing.since],
        ]),
        _ => format!("{}: {}\n{note}", wish.channel, standing.because),
    })
}
