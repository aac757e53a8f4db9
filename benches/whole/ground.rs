//! What every part stands on: a real broker, a file with so many lamps, the real daemon, and what `/proc` says of it.

use std::fmt::Write as _;
use std::fs;
use std::io::{BufRead, BufReader};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use chrono::{DateTime, Utc};
use lampward::pure::sun::{Crossing, Sun};

pub const SECOND_NS: i64 = 1_000_000_000;

/// sunset's altitude, as docs/rules.md has it.
const SUNSET_DEG: f64 = -50.0 / 60.0;

/// Nanoseconds of the wall clock.
pub fn wall_ns() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_nanos() as i64
}

/// The wall clock at a full second, so many seconds from now.
pub fn full_second_in(seconds: i64) -> i64 {
    (wall_ns() / SECOND_NS + seconds) * SECOND_NS
}

pub fn sleep_until(at_ns: i64) {
    let left = u64::try_from(at_ns - wall_ns()).unwrap_or(0);
    std::thread::sleep(Duration::from_nanos(left));
}

/// A child, ended with its handle.
pub struct Program(pub Child);

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

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

pub fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").expect("a port").local_addr().expect("an address").port()
}

/// A mosquitto that throws nothing away: what it would is not the daemon's doing.
pub fn mosquitto(folder: &Path) -> (Program, u16) {
    let (port, conf) = (free_port(), folder.join("mosquitto.conf"));
    let lines = format!(
        "listener {port} 127.0.0.1\nuser root\nallow_anonymous true\nset_tcp_nodelay true\nlog_type error\nmax_queued_messages 0\n"
    );
    fs::write(&conf, lines).expect("a file");
    let path = format!("{}:/usr/sbin", std::env::var("PATH").unwrap_or_default());
    let child = Command::new("mosquitto").arg("-c").arg(conf).env("PATH", path).stderr(Stdio::null()).spawn();
    let program = Program(child.expect("mosquitto starts: is the package installed?"));
    wait_for_port(port);
    (program, port)
}

/// Until something listens there.
pub fn wait_for_port(port: u16) {
    for _ in 0..600 {
        if std::net::TcpStream::connect(("127.0.0.1", port)).is_ok() {
            return;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    panic!("nothing listens on port {port}");
}

/// The floors; built by `cargo build --release --example skeleton`, as tests/bench does.
pub fn skeleton(words: &[String]) -> Program {
    let this = std::env::current_exe().expect("a path");
    let path = this.parent().and_then(Path::parent).expect("target/release").join("examples/skeleton");
    let child = Command::new(&path).args(words).stdout(Stdio::piped()).spawn();
    Program(
        child.unwrap_or_else(|error| panic!("{}: {error}; cargo build --release --example skeleton", path.display())),
    )
}

/// A place on the equator where the Sun sets at an instant, and a UTC offset that fits it.
fn place_of_sunset(at: DateTime<Utc>) -> (f64, i64) {
    let sunset = |longitude_deg: f64| {
        let sun = Sun::new(0.0, longitude_deg);
        match sun.day(sun.solar_date(at)).set(SUNSET_DEG) {
            Crossing::At(set) => (set - at).as_seconds_f64(),
            other => panic!("{other:?} on the equator"),
        }
    };
    // The Sun goes 15 degrees an hour; a few steps bring the sunset to the second.
    let mut longitude_deg: f64 = 0.0;
    for _ in 0..20 {
        let late_s = (sunset(longitude_deg) + 43_200.0).rem_euclid(86_400.0) - 43_200.0;
        longitude_deg = (longitude_deg + late_s / 240.0 + 180.0).rem_euclid(360.0) - 180.0;
    }
    (longitude_deg, (longitude_deg / 15.0).round() as i64)
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
        let (longitude_deg, hours) = place_of_sunset(DateTime::from_timestamp_nanos(self.sunset_ns));
        let (east, sign) = (if longitude_deg < 0.0 { 'W' } else { 'E' }, if hours < 0 { '-' } else { '+' });
        let page = free_port();
        let broker = if self.own { "serve = \"" } else { "address = \"mqtt://" };
        let mut text = format!(
            "[place]\nname = \"Skarvholmen\"\nposition = \"0 N, {:.4} {east}\"\ntime_zone = \"{sign}{:02}:00\"\n[broker]\n\
             {broker}127.0.0.1:{}\"\n[web]\nlisten = \"127.0.0.1:{page}\"\n[clock]\ntrust = \"always\"\n",
            longitude_deg.abs(),
            hours.abs(),
            self.broker,
        );
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
    // Not beside the file: that folder is watched for changes of the file.
    let logs = folder.join("logs");
    fs::create_dir_all(&logs).expect("a folder");
    let log = logs.join(format!("{page}"));
    let state = folder.join(format!("state-{page}"));
    let binary = std::env::var_os("LAMPWARD_BINARY").unwrap_or_else(|| env!("CARGO_BIN_EXE_lampward").into());
    let mut command = Command::new(binary);
    command
        .arg("run")
        .arg("--file")
        .arg(file)
        .arg("--state")
        .arg(&state)
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
        sorted[((sorted.len() as f64 * of).ceil() as usize).clamp(1, sorted.len()) - 1]
    }

    /// `median (least–most)`.
    pub fn say(&self, decimals: usize) -> String {
        let (least, most) = (self.quantile(0.0), self.quantile(1.0));
        format!("{:.decimals$} ({least:.decimals$}–{most:.decimals$})", self.median())
    }
}
