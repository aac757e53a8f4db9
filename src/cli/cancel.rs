//! `lampward cancel`: takes an override back, on the running daemon.

use std::process::ExitCode;

use clap::Args;
use serde_json::Value;
use ureq::http::Method;

use super::client::{DaemonOption, in_path};
use super::columns::csv;
use super::{Failure, Format, print};
use crate::web::json::Standing;

/// `lampward cancel CHANNEL`
#[derive(Args, Debug)]
pub struct CancelCommand {
    /// Which channel, by its name in the file.
    #[arg(value_name = "CHANNEL")]
    pub channel: String,
    /// Which daemon.
    #[command(flatten)]
    pub daemon: DaemonOption,
    /// How the answer is printed.
    #[arg(long, value_enum, default_value_t)]
    pub format: Format,
}

/// Cancels it. What is not set needs no cancelling: no fault.
///
/// # Errors
/// No daemon answers, or there is no such channel.
pub fn run(cancel: &CancelCommand) -> Result<ExitCode, Failure> {
    let path = format!("/channels/{}/override", in_path(&cancel.channel));
    let answer: Value = cancel.daemon.daemon()?.ask(Method::DELETE, &path, None)?;
    if cancel.format == Format::Json {
        return print(&format!("{answer:#}\n"));
    }
    let standing: Standing = serde_json::from_value(answer)
        .map_err(|_| Failure::Other("lampward's answer is not understood: is it of another version?".into()))?;
    if cancel.format == Format::Csv {
        let names = standing.channels.into_iter().map(|on| vec![on.name, String::new()]);
        let heading = ["channel", "override"].map(String::from).to_vec();
        return print(&csv(&[vec![heading], names.collect()].concat()));
    }
    let note = standing.note.map(|note| format!("{note}\n")).unwrap_or_default();
    print(&format!("{}: no override; it follows the plan\n{note}", cancel.channel))
}
