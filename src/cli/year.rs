//! `lampward year`: the year as a picture, as SVG.

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use chrono::Datelike;
use clap::Args;

use super::file::{FileOption, plain};
use super::{Failure, print};
use crate::clock;
use crate::pure::config::Config;
use crate::pure::local_time::local_of;
use crate::pure::picture::{self, Lit, Wish, YEARS};
use crate::pure::plan::Plan;

/// `lampward year`
#[derive(Args, Debug)]
pub struct Year {
    /// Which file.
    #[command(flatten)]
    pub file: FileOption,
    /// Which year [default: this one].
    #[arg(long, value_name = "YEAR", value_parser = clap::value_parser!(i32).range(i64::from(*YEARS.start())..=i64::from(*YEARS.end())))]
    pub year: Option<i32>,
    /// Only this channel; may be given several times [default: all].
    #[arg(long = "channel", value_name = "NAME")]
    pub channels: Vec<String>,
    /// Where the SVG goes [default: standard output].
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
}

/// Draws the year.
///
/// # Errors
/// Every fault of the file, a channel that is not in it, or why the picture can't be written.
pub fn run(asked: &Year) -> Result<ExitCode, Failure> {
    let config = asked.file.load()?.checked.config;
    let today = local_of(&config.place.zone, clock::wall()).date_naive();
    let channels = channels(&config, &asked.channels)?;
    let year = asked.year.unwrap_or_else(|| today.year().clamp(*YEARS.start(), *YEARS.end()));
    let (from, until) = picture::window(&config.place.zone, year);
    let config = Arc::new(config);
    let mut plan = Plan::new(config.clone());
    let lit = |channel| Lit { channel, spans: plan.ahead(channel, from, until).spans };
    let channels: Vec<_> = channels.into_iter().map(lit).collect();
    let svg = picture::svg(&config, Wish { year, today: Some(today) }, &channels);
    match &asked.out {
        None => print(&svg),
        Some(path) => {
            let written = std::fs::write(path, svg);
            let written = written.map_err(|error| format!("cannot write {}: {}", path.display(), plain(&error)));
            written.map(|()| ExitCode::SUCCESS).map_err(Failure::Other)
        }
    }
}

/// Channels by their place in the file, in the order asked for; all where none is named.
fn channels(config: &Config, names: &[String]) -> Result<Vec<usize>, Failure> {
    if names.is_empty() {
        return Ok((0..config.channels.len()).collect());
    }
    let mut found = Vec::new();
    for name in names {
        let place = config.channels.iter().position(|channel| channel.name == *name).ok_or_else(|| {
            let known: Vec<_> = config.channels.iter().map(|channel| channel.name.as_str()).collect();
            Failure::Fault(format!("there is no channel `{name}`; there are {}", known.join(", ")))
        })?;
        if !found.contains(&place) {
            found.push(place);
        }
    }
    Ok(found)
}
