//! What the benchmarks of the real daemon share: the wall clock, a broker, a port, and a place where the Sun sets when it suits.

use std::fs;
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use chrono::{DateTime, Utc};
use lampward::pure::sun::{Crossing, Sun};

/// sunset's altitude, as docs/rules.md has it.
const SUNSET_DEG: f64 = -50.0 / 60.0;

/// Nanoseconds of the wall clock.
pub fn wall_ns() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_nanos() as i64
}

/// The environment in which the shipped unit starts the daemon: what glibc keeps of its memory hangs on it.
pub fn units_environment() -> impl Iterator<Item = (&'static str, &'static str)> {
    let lines = include_str!("../systemd/lampward.service").lines();
    let set = lines.filter_map(|line| line.strip_prefix("Environment="));
    set.flat_map(str::split_whitespace).map(|set| set.split_once('=').expect("NAME=VALUE"))
}

/// A child, ended with its handle.
pub struct Program(pub Child);

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
pub fn mosquitto(folder: &Path, port: u16) -> Program {
    let conf = folder.join("mosquitto.conf");
    let lines = format!(
        "listener {port} 127.0.0.1\nuser root\nallow_anonymous true\nset_tcp_nodelay true\nlog_type error\nmax_queued_messages 0\n"
    );
    fs::write(&conf, lines).expect("a file");
    let path = format!("{}:/usr/sbin", std::env::var("PATH").unwrap_or_default());
    let child = Command::new("mosquitto").arg("-c").arg(conf).env("PATH", path).stderr(Stdio::null()).spawn();
    let program = Program(child.expect("mosquitto starts: is the package installed?"));
    wait_for_port(port);
    program
}

/// Until something listens there.
pub fn wait_for_port(port: u16) {
    for _ in 0..600 {
        if TcpStream::connect(("127.0.0.1", port)).is_ok() {
            return;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    panic!("nothing listens on port {port}");
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

/// The file but for its channels: a place where the Sun sets at that instant; `broker` is the one line of its table.
pub fn head(name: &str, sunset: DateTime<Utc>, broker: &str, page: u16) -> String {
    let (longitude_deg, hours) = place_of_sunset(sunset);
    let (east, sign) = (if longitude_deg < 0.0 { 'W' } else { 'E' }, if hours < 0 { '-' } else { '+' });
    format!(
        "[place]\nname = \"{name}\"\nposition = \"0 N, {:.4} {east}\"\ntime_zone = \"{sign}{:02}:00\"\n[broker]\n{broker}\n\
         [web]\nlisten = \"127.0.0.1:{page}\"\n[clock]\ntrust = \"always\"\n",
        longitude_deg.abs(),
        hours.abs()
    )
}

/// The smallest of them that so large a part does not exceed.
pub fn quantile(sorted: &[f64], of: f64) -> f64 {
    sorted[((sorted.len() as f64 * of).ceil() as usize).clamp(1, sorted.len()) - 1]
}
