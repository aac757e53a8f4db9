//! `lampward locate`, as it is run: on a serial line, by gpsd, from a map, and into a file.

#[path = "../common/receiver.rs"]
mod receiver;

mod gpsd;
mod random;
mod serial;
mod write;

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

/// Lines as `zone.tab` of the tz database has them, so that an answer does not depend on the machine's release of it.
const TOWNS: &str = "NO\t+5955+01045\tEurope/Oslo\nGB\t+513030-0000731\tEurope/London\n\
                     AR\t-5448-06818\tAmerica/Argentina/Ushuaia\tTierra del Fuego\nFJ\t-1808+17825\tPacific/Fiji\n";

/// `lampward locate` in a folder, on a machine in Oslo.
fn command(folder: &Path, arguments: &[&str]) -> Command {
    std::fs::write(folder.join("zone.tab"), TOWNS).expect("a file");
    let mut command = Command::new(env!("CARGO_BIN_EXE_lampward"));
    command.arg("locate").args(arguments).current_dir(folder).env("TZ", "Europe/Oslo").env("TZDIR", folder);
    command
}

fn locate(folder: &Path, arguments: &[&str]) -> Output {
    command(folder, arguments).output().expect("lampward runs")
}

/// What it prints on standard output, where it finds a place.
#[track_caller]
fn found(arguments: &[&str]) -> String {
    let folder = tempfile::tempdir().expect("a folder");
    let output = locate(folder.path(), arguments);
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert_eq!(output.status.code(), Some(0), "{out}{err}");
    out.into_owned()
}

/// What a busy machine may take beyond the time that was allowed.
const SLACK: Duration = Duration::from_secs(15);

/// Why it finds none: the last line of standard error holds all of these words, and the answer is 1, within the seconds that
/// `--wait` allows.
#[track_caller]
fn check_failure(arguments: &[&str], words: &[&str]) {
    let folder = tempfile::tempdir().expect("a folder");
    let seconds = arguments.iter().find_map(|argument| argument.strip_suffix(" s")?.parse().ok());
    let begun = Instant::now();
    let output = locate(folder.path(), arguments);
    let (took, limit) = (begun.elapsed(), seconds.map_or(Duration::ZERO, Duration::from_secs));
    assert!(took < limit + SLACK, "it took {took:?}, of {limit:?}");
    let err = String::from_utf8_lossy(&output.stderr);
    let last = err.lines().last().unwrap_or_default();
    assert_eq!((output.status.code(), String::from_utf8_lossy(&output.stdout).as_ref()), (Some(1), ""), "{err}");
    for word in words {
        assert!(last.contains(word), "{word:?} is not in: {last}");
    }
}

/// The receiver, which has no fix, is unplugged once it has been heard: the last line of standard error holds all of these
/// words, and the answer is 1.
#[track_caller]
fn check_pulled(arguments: &[&str], receiver: receiver::Receiver, words: &[&str]) {
    let folder = tempfile::tempdir().expect("a folder");
    let mut running = command(folder.path(), arguments).stderr(Stdio::piped()).spawn().expect("lampward runs");
    let mut lines = BufReader::new(running.stderr.take().expect("a pipe")).lines().map(|line| line.expect("text"));
    let heard = lines.find(|line| line.contains("no fix yet"));
    drop(receiver);
    let last = lines.last().unwrap_or_default();
    assert!(heard.is_some(), "it was never heard: {last}");
    assert_eq!(running.wait().expect("it ends").code(), Some(1), "{last}");
    for word in words {
        assert!(last.contains(word), "{word:?} is not in: {last}");
    }
}

/// The answer as JSON.
#[track_caller]
fn json(arguments: &[&str]) -> serde_json::Value {
    serde_json::from_str(&found(&[arguments, &["--format", "json"]].concat())).expect("JSON")
}
