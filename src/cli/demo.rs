//! `lampward demo`: the daemon itself, with its own broker, make-believe plugs and a fast clock for the plan.

use std::io::Write;
use std::net::{Ipv4Addr, SocketAddr, TcpListener};
use std::path::PathBuf;
use std::time::Duration;

use chrono::{DateTime, Utc};
use clap::Args;
use tokio::sync::mpsc;

use super::Failure;
use super::run::{in_runtime, stop_signal};
use crate::clock::{self, Clock};
use crate::house::{self, Ground, House};
use crate::make_believe::{MakeBelieve, Manners};
use crate::pure::config::{self, Broker, BrokerAt, Checked, Config, Web, WebRead};
use crate::pure::entry::{Entry, EntryKind};
use crate::pure::local_time::local_of;
use crate::rules_file::RulesFile;
use crate::state::{State, reason};

/// The house that is shown.
const SKARVHOLMEN: &str = include_str!("../../config/lampward.toml");

/// Where the page usually is.
const PAGE: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::LOCALHOST), 8460);

/// Shows Lampward at work: a make-believe house, its days run past in a minute or two.
///
/// Nothing is switched but make-believe plugs, and nothing is left behind. End it with Ctrl-C.
#[derive(Debug, Args)]
pub struct Demo {
    /// How many times as fast as real time the days go; 960 makes a day of 90 seconds
    #[arg(long, default_value_t = 960.0, value_name = "TIMES", value_parser = speed)]
    speed: f64,
    /// Another file with place, plugs and rules to show in place of the built-in one
    #[arg(long, value_name = "FILE")]
    file: Option<PathBuf>,
}

fn speed(text: &str) -> Result<f64, String> {
    let speed: f64 = text.parse().map_err(|_| "not a number".to_owned())?;
    if (1.0..=10_000.0).contains(&speed) { Ok(speed) } else { Err("from 1 to 10000".into()) }
}

/// Runs until SIGTERM or SIGINT.
///
/// # Errors
///
/// What kept it from starting.
pub fn run(args: &Demo) -> Result<(), Failure> {
    crate::log::start(tracing_subscriber::filter::Targets::new().with_default(tracing::Level::ERROR));
    crate::broker::needed().map_err(Failure::Other)?;
    let text = match &args.file {
        Some(path) => super::file::bytes(path).map_err(Failure::Fault)?,
        None => SKARVHOLMEN.into(),
    };
    let path = args.file.clone().unwrap_or_else(|| "config/lampward.toml".into());
    let checked = config::read(&path.display().to_string(), &text);
    let checked = on_loopback(checked.map_err(|faults| Failure::Fault(faults.to_string()))?);
    let folder = tempfile::Builder::new().prefix("lampward-demo-").tempdir();
    let folder =
        folder.map_err(|error| Failure::Other(format!("cannot make a folder for the demo: {}", reason(&error))))?;
    in_runtime(async {
        let state = State::open(Some(folder.path())).map_err(|fault| Failure::Other(fault.to_string()))?;
        let listener = listener()?;
        let page = listener.local_addr().map_err(|error| Failure::Other(reason(&error)))?;
        let file = RulesFile::built_in(path, checked, clock::wall());
        let config = file.config();
        let clock = Clock::fast(clock::wall(), args.speed);
        let (watcher, entries) = mpsc::unbounded_channel();
        let guard = house::admit(&config)?;
        let ground = Ground { file, last_run: None, state, clock, guard, listener, watcher: Some(watcher) };
        let house = House::open(ground).await?;
        let broker =
            house.broker_address().ok_or_else(|| Failure::Other("the demo has no broker of its own".into()))?;
        let plugs = MakeBelieve::start(broker, None, &config, fastrand::u64(..), &manners());
        say(&greeting(&config, page, broker, args.speed));
        let printing = tokio::spawn(print(entries, config));
        let (_ask_reload, reload) = mpsc::channel(1);
        house.live(reload, stop_signal()?).await;
        drop(plugs);
        printing.abort();
        Ok(())
    })
}

/// A demonstration reaches nothing but this machine, whatever the file says.
fn on_loopback(checked: Checked) -> Checked {
    let Checked { config, warnings, spots } = checked;
    let at = BrokerAt::Own { serve: None, accounts_file: None };
    let broker = Broker { at, user: None, password_file: None, ..config.broker };
    let web = Web { listen: PAGE, token_file: None, read: WebRead::Open, ..config.web };
    Checked { config: Config { broker, web, ..config }, warnings, spots }
}

fn listener() -> Result<TcpListener, Failure> {
    TcpListener::bind(PAGE)
        .or_else(|_| TcpListener::bind((Ipv4Addr::LOCALHOST, 0)))
        .map_err(|error| Failure::Other(format!("cannot listen on 127.0.0.1 for the page: {}", reason(&error))))
}

/// Reboots often enough that whoever looks on for some minutes sees one.
fn manners() -> Manners {
    let s = Duration::from_secs;
    Manners { mains: (s(60), s(900)), ..Manners::default() }
}

fn greeting(config: &Config, page: SocketAddr, broker: SocketAddr, speed: f64) -> String {
    let labels: Vec<&str> = config.channels.iter().map(|channel| channel.label.as_str()).collect();
    let day_s = 86_400.0 / speed;
    format!(
        "Lampward at {place}, with make-believe plugs: {lamps}.\n\
         A day takes {day_s:.0} s here; waiting for a plug's answer is in real time. Ctrl-C ends it.\n\n\
         page      http://{page}/\n\
         status    curl http://{page}/status\n\
         messages  mosquitto_sub -h 127.0.0.1 -p {port} -v -t '#'\n\n\
         Real plugs: only rated and certified ones; fixed wiring is a licensed electrician's work under your local code;\n\
         never for heaters, motors, medical or life-safety equipment or escape lighting.\n",
        place = config.place.name,
        lamps = labels.join(", "),
        port = broker.port(),
    )
}

async fn print(mut entries: mpsc::UnboundedReceiver<Entry>, config: std::sync::Arc<Config>) {
    while let Some(entry) = entries.recv().await {
        say(&line_of(&entry, &config));
    }
}

/// "Wed 25 Nov 15:44  Jetty lamp            on   sunset 15:54 less 10 min".
fn line_of(entry: &Entry, config: &Config) -> String {
    let local = |at: DateTime<Utc>| local_of(&config.place.zone, at);
    let label =
        config.channels.iter().find(|channel| channel.name == entry.channel).map(|channel| channel.label.as_str());
    let label = label.unwrap_or(&entry.channel);
    let plug = entry.plug.as_deref().map(|plug| format!(" [{plug}]")).unwrap_or_default();
    let word = match entry.kind {
        EntryKind::Switched => String::new(),
        kind => format!("{}: ", kind.word()),
    };
    let wanted = entry.wanted.map_or("–", |wanted| wanted.word());
    let width = config.channels.iter().map(|channel| channel.label.chars().count()).max().unwrap_or(0);
    format!("{}  {label:width$}  {wanted:3}  {word}{}{plug}", local(entry.at).format("%a %e %b %H:%M"), entry.because)
}

/// A reader that has gone away is no reason to end.
fn say(line: &str) {
    let _ = writeln!(std::io::stdout(), "{line}");
}
