//! `lampward run`: the daemon.

use std::ffi::OsString;
use std::io;
use std::os::unix::ffi::OsStrExt;
use std::path::PathBuf;

use clap::Args;
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};
use signal_hook::iterator::Signals;
use tokio::sync::{mpsc, oneshot};
use tracing::info;

use super::Failure;
use super::file::FileArgument;
use crate::broker;
use crate::clock::{self, Clock};
use crate::house::{self, Ground, House};
use crate::pure::config::{BrokerAt, Config};
use crate::rules_file::RulesFile;
use crate::state::{State, reason};

/// Switches the lamps, until it is stopped.
#[derive(Debug, Args)]
#[cfg_attr(test, derive(PartialEq))]
pub struct Run {
    #[command(flatten)]
    file: FileArgument,
    /// The folder where overrides and the daybook are kept [default: $STATE_DIRECTORY, as systemd sets it, else
    /// $XDG_STATE_HOME/lampward, else ~/.local/state/lampward]
    #[arg(long, value_name = "DIR")]
    state: Option<PathBuf>,
}

impl Run {
    /// What `run` and words without anything unusual say. `None` is for the whole command line to read, with its help and its
    /// complaints; whatever this one takes, that one takes in the same way.
    pub fn plain(mut words: impl Iterator<Item = OsString>) -> Option<Run> {
        if words.next()? != "run" {
            return None;
        }
        let mut run = Run { file: FileArgument::default(), state: None };
        let path = |word: Option<OsString>| {
            word.filter(|word| !matches!(word.as_bytes().first(), None | Some(b'-'))).map(PathBuf::from)
        };
        while let Some(word) = words.next() {
            let (place, said) = match word.as_bytes() {
                b"--file" => (&mut run.file.file, words.next()),
                b"--state" => (&mut run.state, words.next()),
                _ => (&mut run.file.argument, Some(word)),
            };
            if place.replace(path(said)?).is_some() {
                return None;
            }
        }
        // Both are one too many.
        (run.file.argument.is_none() || run.file.file.is_none()).then_some(run)
    }
}

/// Runs until SIGTERM or SIGINT.
///
/// # Errors
///
/// What kept the daemon from starting.
pub fn run(args: &Run) -> Result<(), Failure> {
    crate::log::start(crate::log::usual());
    let path = args.file.path()?;
    in_runtime(async {
        // Before anything else: a signal that comes during the start must not end it.
        let (ask_reload, reload) = mpsc::channel(1);
        let stop = signals(Some(ask_reload.clone()))?;
        let state = State::open(args.state.as_deref()).map_err(|fault| Failure::Other(fault.to_string()))?;
        let (file, last_run) = RulesFile::open(path, &state, clock::wall(), can_run)?;
        let config = file.config();
        let guard = house::admit(&config)?;
        let listener = house::listen(&config)?;
        let clock = Clock::real(config.clock)
            .map_err(|error| Failure::Other(format!("cannot wait on the clock: {}", reason(&error))))?;
        info!(
            file = %file.path().display(), place = config.place.name, channels = config.channels.len(),
            state = %state.folder().display(), web = %format!("http://{}/", config.web.listen), "starting"
        );
        crate::watch::watch(file.path(), ask_reload);
        // Boxed, what is under way takes no stack twice: that never shrinks again.
        let house =
            Box::pin(House::open(Ground { file, last_run, state, clock, guard, listener, watcher: None })).await?;
        Box::pin(house.live(reload, stop)).await;
        Ok(())
    })
}

/// Whether this program can run the file; where it lacks the broker, the one that has it goes on from here.
fn can_run(config: &Config) -> Result<(), Failure> {
    match config.broker.at {
        BrokerAt::Own { .. } => broker::needed().map_err(Failure::Other),
        BrokerAt::Address { .. } => Ok(()),
    }
}

/// One thread for everything but the web and the daybook: a lamp needs no more.
pub(super) fn in_runtime<T>(work: impl Future<Output = Result<T, Failure>>) -> Result<T, Failure> {
    let mut builder = tokio::runtime::Builder::new_current_thread();
    let runtime = builder.enable_all().on_thread_park(crate::link::let_answers_gather).build();
    let runtime = runtime.map_err(|error| Failure::Other(format!("cannot start: {}", reason(&error))))?;
    let done = runtime.block_on(Box::pin(work));
    runtime.shutdown_timeout(std::time::Duration::from_millis(200));
    done
}

/// Done at the first SIGTERM or SIGINT; the second ends the process at once, whatever it hangs on.
pub(super) fn stop_signal() -> Result<impl Future<Output = ()>, Failure> {
    signals(None)
}

/// Also asks on `hangup` at every SIGHUP, where that is given.
fn signals(hangup: Option<mpsc::Sender<()>>) -> Result<impl Future<Output = ()>, Failure> {
    let failed = |error: io::Error| Failure::Other(format!("cannot wait for signals: {}", reason(&error)));
    let mut heard = Signals::new([SIGTERM, SIGINT].iter().chain(hangup.iter().map(|_| &SIGHUP))).map_err(failed)?;
    let (first, stop) = oneshot::channel();
    let mut first = Some(first);
    // Never in the loop: that may be what hangs.
    let hear = move || {
        for signal in &mut heard {
            match (signal, &hangup, first.take()) {
                (SIGHUP, Some(ask), still_first) => {
                    first = still_first;
                    // One that waits already covers this one too.
                    let _ = ask.try_send(());
                }
                (_, _, Some(first)) => drop(first.send(())),
                (_, _, None) => std::process::exit(1),
            }
        }
    };
    std::thread::Builder::new().name("signals".into()).spawn(hear).map_err(failed)?;
    Ok(async move {
        if stop.await.is_err() {
            std::future::pending().await
        }
    })
}

#[cfg(test)]
mod tests {
    use clap::Parser;
    use proptest::prelude::*;

    use super::*;
    use crate::cli::{Cli, Command};

    fn plain(words: &[&str]) -> Option<Run> {
        Run::plain(words.iter().map(OsString::from))
    }

    #[test]
    fn the_unit_s_command_line_is_plain() {
        let unit = include_str!("../../systemd/lampward.service");
        let line = unit.lines().find_map(|line| line.strip_prefix("ExecStart=")).expect("it starts something");
        let words: Vec<_> = line.split(' ').skip(1).collect();
        assert!(plain(&words).is_some(), "{words:?}");
    }

    proptest! {
        #[test]
        fn what_is_read_plainly_is_what_the_whole_command_line_reads(
            words in prop::collection::vec(
                prop::sample::select(vec![
                    "run", "check", "--file", "--state", "--file=a", "--state=b", "a.toml", "/b/c.toml", "d e", "-", "--", "-h",
                    "--help", "-x", "",
                ]),
                0..6,
            ),
            first in prop::option::weighted(0.9, Just("run")),
        ) {
            let words: Vec<_> = first.into_iter().chain(words).collect();
            if let Some(plain) = plain(&words) {
                let whole = Cli::try_parse_from(std::iter::once("lampward").chain(words)).map(|cli| cli.command);
                prop_assert!(matches!(&whole, Ok(Command::Run(run)) if *run == plain), "{plain:?} is not {whole:?}");
            }
        }
    }
}
