//! `/status` asked for as fast as it is answered, and what that does to the lateness of switchings.

use std::process::Command;

use super::burst::live;
use super::ground::{House, SECOND_NS, Spread, full_second_in, mosquitto, skeleton, sleep_until};
use super::plugs::{Arrivals, From};

const SIZES: [usize; 2] = [4, 1_000];

pub fn run(words: &[String]) {
    let seconds: i64 = words.first().map_or(30, |seconds| seconds.parse().expect("a number of seconds"));
    println!(
        "wrk for {seconds} s on one thread and 8 connections. Lateness: a command's arrival at a plug less its instant due, ms; \
         `without` is as long before and after. Beside it a bare timer that publishes, in the same seconds.\n"
    );
    println!(
        "| channels | requests a second | answer p50 | p99 | switchings | late p50 without, with | late p99 without, with | ratio of p99 | bare timer's p99 without, with |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for channels in SIZES {
        one(channels, seconds);
    }
}

fn one(channels: usize, seconds: i64) {
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let begin_ns = full_second_in(12);
    let all = 3 * seconds + 16;
    // Four switch in every second; of a thousand, ten do, by turns.
    let turn = if channels < 10 { 1 } else { channels as i64 / 10 };
    let lit = |lamp: usize| {
        let first = lamp as i64 % turn;
        (first..all).step_by(2 * turn as usize).map(|on| (on, Some(on + turn))).collect()
    };
    let (_broker, port) = mosquitto(folder);
    let house = House { channels, broker: port, own: false, sunset_ns: begin_ns, lit: &lit };
    let (daemon, arrivals) = live(&house, folder);
    daemon.wait_until_confirmed(channels);
    let floor_ns = SECOND_NS / 2;
    let numbers = [port.into(), begin_ns + floor_ns, SECOND_NS, all, channels.min(10) as i64];
    let mut words = vec!["burst".to_owned()];
    words.extend(numbers.map(|number| number.to_string()));
    words.push("floor".into());
    let _floor = skeleton(&words);
    let part = |begin_s: i64| (begin_ns + begin_s * SECOND_NS, begin_ns + (begin_s + seconds) * SECOND_NS);
    let (before, under, after) = (part(4), part(8 + seconds), part(12 + 2 * seconds));
    // A second earlier and a second longer than what is looked at.
    sleep_until(under.0 - SECOND_NS);
    let url = format!("http://127.0.0.1:{}/status", daemon.page);
    let long = format!("{}s", seconds + 2);
    let wrk = Command::new("wrk").args(["-t1", "-c8", "--latency", "-d", &long, &url]).output();
    let wrk = wrk.expect("wrk starts: is the package installed?");
    let said = String::from_utf8_lossy(&wrk.stdout).into_owned();
    sleep_until(after.1 + SECOND_NS);
    let field = |name: &str| {
        let line = said.lines().find(|line| line.trim_start().starts_with(name)).unwrap_or_else(|| panic!("{said}"));
        line.split_whitespace().last().expect("a figure").to_owned()
    };
    let of = |from: From, parts: &[(i64, i64)]| {
        let offset_ns = if from == From::Floor { floor_ns } else { 0 };
        Spread(parts.iter().flat_map(|part| late_ms(&arrivals, from, *part, offset_ns)).collect())
    };
    let (quiet, loud) = (of(From::Daemon, &[before, after]), of(From::Daemon, &[under]));
    let (bare_quiet, bare_loud) = (of(From::Floor, &[before, after]), of(From::Floor, &[under]));
    let p99 = |of: &Spread| of.quantile(0.99);
    println!(
        "| {channels} | {} | {} | {} | {}, {} | {:.2}, {:.2} | {:.2}, {:.2} | **{:.2}** | {:.2}, {:.2} |",
        field("Requests/sec"),
        field("50%"),
        field("99%"),
        quiet.0.len(),
        loud.0.len(),
        quiet.median(),
        loud.median(),
        p99(&quiet),
        p99(&loud),
        p99(&loud) / p99(&quiet),
        p99(&bare_quiet),
        p99(&bare_loud),
    );
    if let Some(errors) = said.lines().find(|line| line.contains("Non-2xx") || line.contains("Socket errors")) {
        println!("  odd: {}", errors.trim());
    }
}

/// Lateness of whatever was due in a time, at full seconds and so much after; nothing here is half a second late, or it
/// would show as half a second early.
fn late_ms(arrivals: &Arrivals, from: From, (begin_ns, end_ns): (i64, i64), offset_ns: i64) -> Vec<f64> {
    let arrivals = arrivals.lock().expect("no panic");
    let ours = arrivals.iter().filter(|(whose, _)| *whose == from).map(|(_, at_ns)| at_ns - offset_ns);
    let due = |at_ns: i64| (at_ns + SECOND_NS / 2).div_euclid(SECOND_NS) * SECOND_NS;
    ours.filter(|at| begin_ns <= due(*at) && due(*at) < end_ns).map(|at| (at - due(at)) as f64 / 1e6).collect()
}
