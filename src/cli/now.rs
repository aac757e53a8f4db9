//! `lampward now`: what every lamp is doing and why, from the running daemon.

use std::process::ExitCode;

use clap::Args;

use super::client::DaemonOption;
use super::columns::{columns, csv};
use super::{Failure, Format, print};
use crate::web::json::Status;
use crate::web::words;

/// `lampward now`
#[derive(Args, Debug)]
pub struct NowCommand {
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
/// No daemon answers.
pub fn run(now: &NowCommand) -> Result<ExitCode, Failure> {
    let daemon = now.daemon.daemon()?;
    if now.format == Format::Json {
        let status: serde_json::Value = daemon.get("/status")?;
        return print(&format!("{status:#}\n"));
    }
    let status: Status = daemon.get("/status")?;
    print(&if now.format == Format::Csv { csv(&rows(&status)) } else { table(&status) })
}

fn table(status: &Status) -> String {
    let mut text = format!("{}, {}.\n{}\n", status.place.name, words::house_line(status), words::health_line(status));
    for trouble in words::troubles(status) {
        text += &format!("! {trouble}\n");
    }
    for fault in &status.file.faults {
        text += &format!("! line {}, column {}: {}\n", fault.line, fault.column, fault.message);
    }
    for miss in words::misses(status) {
        text += &format!("! missed {miss}\n");
    }
    let mut rows = vec![["lamp", "is", "wanted", "because", "next"].map(String::from).to_vec()];
    let mut notes = Vec::new();
    for channel in &status.channels {
        let next = match &channel.next {
            Some(next) => format!("{} {}, {}", next.wanted, words::when(&status.now, &next.at), next.because),
            None => words::no_next(status).into(),
        };
        let wanted = channel.wanted.clone().unwrap_or_else(|| "as it is".into());
        let because = match &channel.overridden {
            Some(standing) => standing.because.clone(),
            None => channel.because.clone(),
        };
        rows.push(vec![channel.label.clone(), words::state(&channel.plugs).into(), wanted, because, next]);
        // A plug that did as it was told needs no words.
        let odd = channel.plugs.iter().filter(|plug| plug.delivery != "confirmed" || plug.hand.is_some());
        notes.extend(odd.map(|plug| format!("{}: {}", channel.label, words::plug(&status.now, channel, plug))));
    }
    text += &format!("\n{}", columns(&rows));
    if !notes.is_empty() {
        text += &format!("\n{}\n", notes.join("\n"));
    }
    text
}

/// One row a plug.
fn rows(status: &Status) -> Vec<Vec<String>> {
    let heading = [
        "channel",
        "label",
        "wanted",
        "because",
        "next_at",
        "next_wanted",
        "next_because",
        "override_wanted",
        "override_until",
        "plug",
        "said",
        "delivery",
        "since",
        "hand_wanted",
        "hand_until",
    ];
    let mut rows = vec![heading.map(String::from).to_vec()];
    for channel in &status.channels {
        let next = channel.next.as_ref();
        let standing = channel.overridden.as_ref();
        for plug in &channel.plugs {
            let hand = plug.hand.as_ref();
            let text = |text: Option<&String>| text.cloned().unwrap_or_default();
            rows.push(vec![
                channel.name.clone(),
                channel.label.clone(),
                text(channel.wanted.as_ref()),
                channel.because.clone(),
                text(next.map(|next| &next.at)),
                text(next.map(|next| &next.wanted)),
                text(next.map(|next| &next.because)),
                text(standing.map(|standing| &standing.wanted)),
                text(standing.map(|standing| &standing.until)),
                plug.plug.clone(),
                plug.said.clone(),
                plug.delivery.clone(),
                plug.since.clone(),
                text(hand.map(|hand| &hand.wanted)),
                text(hand.map(|hand| &hand.until)),
            ]);
        }
    }
    rows
}
