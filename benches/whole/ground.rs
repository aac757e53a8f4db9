//! What every part stands on: a real broker, a file with so many lamps, the real daemon, and what `/proc` says of it.

use std::ffi::{OsStr, OsString};
use std::fmt::Write as _;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{ChildStdout, Command, Stdio};
use std::time::Duration;

use chrono::DateTime;

use super::common;
pub use super::common::{Program, free_port, wait_for_port, wall_ns};

pub const SECOND_NS: i64 = 1_000_000_000;

/// The wall clock at a full second, so many seconds from now.
pub fn full_second_in(seconds: i64) -> i64 {
    (wall_ns() / SECOND_NS + seconds) * SECOND_NS
}

pub fn sleep_until(at_ns: i64) {
    let left = u64::try_from(at_ns - wall_ns()).unwrap_or(0);
    std::thread::sleep(Duration::from_nanos(left));
}

impl Program {
    pub fn pid(&self) -> u32 {
        self.0.id()
    }

    /// What it prints, a line each.
    pub fn lines(&mut self) -> impl Iterator<Item = String> + use<> {
        let out: ChildStdout = self.0.stdout.take().expect("asked for once");
        BufReader::new(out).lines().map_while(Result::ok)
    }
}

/// A broker on a free port.
pub fn mosquitto(folder: &Path) -> (Program, u16) {
    let port = free_port();
    (common::mosquitto(folder, port), port)
}

/// The floors; built by `cargo build --profile dist --example skeleton`, as tests/bench does, beside the daemon.
pub fn skeleton(words: &[String]) -> Program {
    let this = std::env::current_exe().expect("a path");
    let path = this.parent().and_then(Path::parent).expect("a folder of target").join("examples/skeleton");
    let child = Command::new(&path).args(words).stdout(Stdio::piped()).spawn();
    Program(
        child.unwrap_or_else(|error| {
            panic!("{}: {error}; cargo build --profile dist --example skeleton", path.display())
        }),
    )
}

/// A file with lamps.
pub struct House<'a> {
    pub channels: usize,
    /// `None`: lampward's own broker, there.
    pub broker: u16,
    pub own: bool,
    /// The Sun sets at this full second; `lit` counts from there.
    pub sunset_ns: i64,
    /// When a lamp is on, in seconds after sunset; `None` as the end is sunrise.
    pub lit: &'a dyn Fn(usize) -> Vec<(i64, Option<i64>)>,
}

/// The daemon with its file, its state and its web.
pub struct Daemon {
    pub program: Program,
    log: PathBuf,
    pub page: u16,
    pub state: PathBuf,
}

impl House<'_> {
    /// Writes the file; where it lies and the port of the page.
    pub fn write(&self, folder: &Path) -> (PathBuf, u16) {
        let page = free_port();
        let broker =
            format!("{}127.0.0.1:{}\"", if self.own { "serve = \"" } else { "address = \"mqtt://" }, self.broker);
        let mut text = common::head("Skarvholmen", DateTime::from_timestamp_nanos(self.sunset_ns), &broker, page);
        for lamp in 0..self.channels {
            // Terse: ten thousand of them must fit into the 2 MiB that a file may have.
            let _ = write!(text, "[channel.c{lamp}]\nlabel=\"Lamp {lamp}\"\nplug=\"yard/{lamp}\"\nlit=[");
            for (on, off) in (self.lit)(lamp) {
                let off = off.map_or("sunrise".to_owned(), |off| format!("{off} s after sunset"));
                let _ = write!(text, "{{from=\"{on} s after sunset\",until=\"{off}\",at_least=\"1 s\"}},");
            }
            text.push_str("]\n");
        }
        let file = folder.join(format!("house-{page}.toml"));
        fs::write(&file, text).expect("a file");
        (file, page)
    }

    pub fn start(&self, folder: &Path) -> Daemon {
        let (file, page) = self.write(folder);
        start(&file, page, folder)
    }
}

/// Starts the daemon on a file.
pub fn start(file: &Path, page: u16, folder: &Path) -> Daemon {
    start_with(&[], file, page, folder)
}

/// The same by way of a command that becomes it.
pub fn start_with(by_way_of: &[&str], file: &Path, page: u16, folder: &Path) -> Daemon {
    // Not beside the file: that folder is watched for changes of the file.
    let logs = folder.join("logs");
    fs::create_dir_all(&logs).expect("a folder");
    let log = logs.join(format!("{page}"));
    let state = folder.join(format!("state-{page}"));
    let binary: OsString = std::env::var_os("LAMPWARD_BINARY").unwrap_or_else(|| env!("CARGO_BIN_EXE_lampward").into());
    let mut words = by_way_of.iter().map(OsStr::new).chain([binary.as_os_str()]);
    let mut command = Command::new(words.next().expect("the daemon at least"));
    command
        .args(words)
        .arg("run")
        .arg("--file")
        .arg(file)
        .arg("--state")
        .arg(&state)
        .envs(common::units_environment())
        .stderr(fs::File::create(&log).expect("a file"));
    Daemon { program: Program(command.spawn().expect("the daemon starts")), log, page, state }
}

impl Daemon {
    pub fn pid(&self) -> u32 {
        self.program.pid()
    }

    /// The sample of `/metrics` whose name and labels these are.
    pub fn metric(&self, name: &str) -> Option<f64> {
        let url = format!("http://127.0.0.1:{}/metrics", self.page);
        let mut answer = ureq::get(url).call().ok()?;
        let text = answer.body_mut().with_config().limit(1 << 30).read_to_string().ok()?;
        text.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(' ')?.parse().ok())
    }

    /// Until it has the broker, and has slept for half a second since.
    pub fn wait_until_at_rest(&self) {
        let (mut wakes_before, mut connected) = (0, false);
        for _ in 0..240 {
            connected = connected || fs::read_to_string(&self.log).is_ok_and(|log| log.contains("the broker is there"));
            let wakes = work(self.pid()).1;
            if connected && wakes == wakes_before {
                return;
            }
            wakes_before = wakes;
            std::thread::sleep(Duration::from_millis(500));
        }
        panic!("not at rest within 2 min: {}", fs::read_to_string(&self.log).unwrap_or_default());
    }

    /// Until so many plugs are confirmed.
    pub fn wait_until_confirmed(&self, plugs: usize) {
        let mut confirmed = None;
        for _ in 0..240 {
            confirmed = self.metric("lampward_plugs{delivery=\"confirmed\"}");
            if confirmed == Some(plugs as f64) {
                return;
            }
            std::thread::sleep(Duration::from_millis(500));
        }
        let log = fs::read_to_string(&self.log).unwrap_or_default();
        let begin = log.char_indices().rev().nth(2_000).map_or(0, |(at, _)| at);
        panic!("{confirmed:?} of {plugs} plugs were confirmed within 2 min\n{}", &log[begin..]);
    }
}

/// A line of `/proc/PID/status` in kB.
pub fn status_kb(pid: u32, name: &str) -> u64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).expect("it runs");
    let line = status.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(':')).expect("a line of it");
    line.trim().trim_end_matches(" kB").parse().expect("kB")
}

/// What the process used at most is counted anew from here.
pub fn forget_peak(pid: u32) {
    fs::write(format!("/proc/{pid}/clear_refs"), "5").expect("the peak begins anew");
}

/// Processor time of all threads in ns, and their voluntary context switches.
pub fn work(pid: u32) -> (u64, u64) {
    let (mut cpu_ns, mut wakes) = (0, 0);
    for task in fs::read_dir(format!("/proc/{pid}/task")).expect("it runs").map_while(Result::ok) {
        let read = |name: &str| fs::read_to_string(task.path().join(name)).unwrap_or_default();
        let first = read("schedstat").split_whitespace().next().and_then(|ns| ns.parse::<u64>().ok());
        cpu_ns += first.unwrap_or(0);
        let of = |line: &str| line.strip_prefix("voluntary_ctxt_switches:")?.trim().parse::<u64>().ok();
        wakes += read("status").lines().find_map(of).unwrap_or(0);
    }
    (cpu_ns, wakes)
}

/// Several figures of one kind.
#[derive(Clone, Debug, Default)]
pub struct Spread(pub Vec<f64>);

impl Spread {
    pub fn median(&self) -> f64 {
        self.quantile(0.5)
    }

    pub fn quantile(&self, of: f64) -> f64 {
        let mut sorted = self.0.clone();
        sorted.sort_by(f64::total_cmp);
        if sorted.is_empty() {
            return f64::NAN;
        }
        common::quantile(&sorted, of)
    }

    /// `median (least–most)`.
    pub fn say(&self, decimals: usize) -> String {
        let (least, most) = (self.quantile(0.0), self.quantile(1.0));
        format!("{:.decimals$} ({least:.decimals$}–{most:.decimals$})", self.median())
    }
}
