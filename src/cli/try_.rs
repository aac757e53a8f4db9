//! `lampward try`: blinks the plugs of one channel, so that a person sees which they are, and says what they answered.

mod alone;

use std::process::ExitCode;
use std::time::Duration;

use clap::Args;
use ureq::http::Method;

use super::client::{DaemonOption, in_path};
use super::columns::csv;
use super::{Failure, Format, print};
use crate::web::tried::{Tried, TriedPlug};

/// Longer than the daemon takes over a try.
const ANSWER_WITHIN: Duration = Duration::from_secs(50);

/// `lampward try CHANNEL`
#[derive(Args, Debug)]
pub struct TryCommand {
    /// Which channel, by its name in the file.
    #[arg(value_name = "CHANNEL")]
    pub channel: String,
    /// Which daemon; where none runs, the broker of the file is spoken to without one.
    #[command(flatten)]
    pub daemon: DaemonOption,
    /// How the answer is printed.
    #[arg(long, value_enum, default_value_t)]
    pub format: Format,
}

/// Through the daemon where one runs, else by ourselves.
///
/// # Errors
/// There is no such channel, the broker is out of reach, or another try is under way.
pub fn run(wish: &TryCommand) -> Result<ExitCode, Failure> {
    let daemon = wish.daemon.daemon()?;
    let tried = if wish.daemon.address.is_some() || daemon.listens() {
        let path = format!("/channels/{}/try", in_path(&wish.channel));
        daemon.ask_within(ANSWER_WITHIN, Method::POST, &path, None)?
    } else {
        alone::run(&wish.daemon.file, &wish.channel, daemon.address())?
    };
    print(&text(&tried, wish.format))?;
    Ok(if tried.answered { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

fn text(tried: &Tried, format: Format) -> String {
    match format {
        Format::Json => format!("{:#}\n", serde_json::to_value(tried).expect("it can be JSON")),
        Format::Csv => {
            let head = ["plug", "answered", "commands", "answers", "fastest_s", "slowest_s", "back_to", "because"];
            let number = |seconds: Option<f64>| seconds.map(|seconds| seconds.to_string()).unwrap_or_default();
            let row = |plug: &TriedPlug| {
                vec![
                    plug.plug.clone(),
                    plug.answered.to_string(),
                    plug.commands.to_string(),
                    plug.answers.to_string(),
                    number(plug.fastest_s),
                    number(plug.slowest_s),
                    plug.back_to.clone().unwrap_or_default(),
                    plug.because.clone(),
                ]
            };
            let rows: Vec<Vec<String>> =
                [head.map(String::from).to_vec()].into_iter().chain(tried.plugs.iter().map(row)).collect();
            csv(&rows)
        }
        Format::Table => for_people(tried),
    }
}

fn for_people(tried: &Tried) -> String {
    let mut text = match &tried.ended_early {
        Some(because) => format!("{}: the try ended before it was through, because {because}\n", tried.channel),
        None => format!("{}: told off, on, off, on, off\n", tried.channel),
    };
    let width = tried.plugs.iter().map(|plug| plug.plug.chars().count()).max().unwrap_or(0);
    for plug in &tried.plugs {
        text += &format!("  {:width$}  {}\n", plug.plug, plug.because);
        let back = match &plug.back_to {
            Some(power) => format!("back to {power}, {}: {}", plug.back_because, delivery(&plug.delivery)),
            None => plug.back_because.clone(),
        };
        text += &format!("  {:width$}  {back}\n", "");
    }
    if !tried.answered && !tried.elsewhere.is_empty() {
        text += "on other topics, in step with the commands:\n";
        for elsewhere in &tried.elsewhere {
            text += &format!(
                "  {} said `{}` after on and `{}` after off; if that is the plug's answer, its kind needs\n    {}\n",
                elsewhere.topic, elsewhere.after_on, elsewhere.after_off, elsewhere.report
            );
        }
    }
    text
}

fn delivery(word: &str) -> &str {
    match word {
        "confirmed" => "the plug confirmed it",
        "accepted" => "the broker took it",
        _ => "not confirmed yet",
    }
}
