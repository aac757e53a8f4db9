//! `/status` asked for as fast as it is answered, and what that does to the lateness of switchings.

use std::process::Command;

use super::burst::live;
use super::ground::{House, SECOND_NS, Spread, full_second_in, mosquitto, skeleton, sleep_until};
use super::plugs::{Arrivals, From};

/// So long after each instant of the daemon's has the bare timer one of its own. A thread of the kernel that holds a processor for
/// a moment every 512 ms (docs/performance.md, "Lateness") meets instants a multiple of 8 ms apart alike, half a second
/// apart it meets one of both alone.
const FLOOR_NS: i64 = 504_000_000;
/// Between two parts. With parts of 30 s each has half of the 64 s after which that thread meets a full second again.
const CALM_S: i64 = 2;
/// An instant this much late is told by itself, in milliseconds.
const LATE_MS: f64 = 1.0;

/// Whether nobody asks in a part: in the first of four, and in the last. One with and one without by turns would have all
/// of what comes every 64 s on one side.
fn is_quiet(part: i64) -> bool {
    matches!(part % 4, 0 | 3)
}

pub fn run(words: &[String]) {
    let number = |at: usize, otherwise: i64| words.get(at).map_or(otherwise, |word| word.parse().expect("a number"));
    let (seconds, rounds) = (number(0, 30), number(1, 8));
    let sizes = words.get(2).map_or("4,1000", String::as_str);
    println!(
        "wrk for {seconds} s on one thread and 8 connections, {rounds} times, and as long without as often. Lateness: a \
         command's arrival at a plug less its instant due, ms. Beside it a bare timer that publishes, in the same seconds.\n"
    );
    println!(
        "| channels | requests a second | answer p50 | p99 | instants of each | switchings | late p50 without, with | late p95 without, with | late p99 without, with | ratio of p99 | worst without, with | bare timer's p95 without, with | p99 | worst |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for channels in sizes.split(',') {
        one(channels.parse().expect("sizes such as 4,1000"), seconds, rounds);
    }
}

fn one(channels: usize, seconds: i64, rounds: i64) {
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let begin_ns = full_second_in(12);
    // wrk begins half a second before what is looked at, and ends half a second after it.
    let part_s = seconds + CALM_S;
    let all = 2 * rounds * part_s + 4;
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
    let numbers = [port.into(), begin_ns + FLOOR_NS, SECOND_NS, all, channels.min(10) as i64, 0];
    let mut words = vec!["burst".to_owned()];
    words.extend(numbers.map(|number| number.to_string()));
    words.push("floor".into());
    let _floor = skeleton(&words);
    let part = |number: i64| {
        let from = begin_ns + (number * part_s + 4) * SECOND_NS;
        (from, from + seconds * SECOND_NS)
    };
    let parts = |quiet: bool| (0..2 * rounds).filter(move |it| is_quiet(*it) == quiet).map(part).collect::<Vec<_>>();
    let (without, with) = (parts(true), parts(false));
    let url = format!("http://127.0.0.1:{}/status", daemon.page);
    let mut said = Vec::new();
    for (from, _) in &with {
        sleep_until(from - SECOND_NS / 2);
        let long = format!("{}s", seconds + 1);
        let wrk = Command::new("wrk").args(["-t1", "-c8", "--latency", "-d", &long, &url]).output();
        let wrk = wrk.expect("wrk starts: is the package installed?");
        said.push(String::from_utf8_lossy(&wrk.stdout).into_owned());
    }
    sleep_until(begin_ns + all * SECOND_NS);
    let field = |name: &str| {
        let of = |said: &String| {
            let line =
                said.lines().find(|line| line.trim_start().starts_with(name)).unwrap_or_else(|| panic!("{said}"));
            line.split_whitespace().last().expect("a figure").to_owned()
        };
        said.iter().map(of).collect::<Vec<_>>().join(" ")
    };
    let of = |from: From, parts: &[(i64, i64)]| {
        let offset_ns = if from == From::Floor { FLOOR_NS } else { 0 };
        Spread(parts.iter().flat_map(|part| late_ms(&arrivals, from, *part, offset_ns)).map(|(_, late)| late).collect())
    };
    let (quiet, loud) = (of(From::Daemon, &without), of(From::Daemon, &with));
    let (bare_quiet, bare_loud) = (of(From::Floor, &without), of(From::Floor, &with));
    let pair =
        |of: f64, (without, with): (&Spread, &Spread)| format!("{:.2}, {:.2}", without.quantile(of), with.quantile(of));
    let (ours, bare) = ((&quiet, &loud), (&bare_quiet, &bare_loud));
    println!(
        "| {channels} | {} | {} | {} | {} | {}, {} | {} | {} | {} | **{:.2}** | {} | {} | {} | {} |",
        field("Requests/sec"),
        field("50%"),
        field("99%"),
        seconds * rounds,
        quiet.0.len(),
        loud.0.len(),
        pair(0.5, ours),
        pair(0.95, ours),
        pair(0.99, ours),
        loud.quantile(0.99) / quiet.quantile(0.99),
        pair(1.0, ours),
        pair(0.95, bare),
        pair(0.99, bare),
        pair(1.0, bare),
    );
    for (parts, name) in [(&without, "without"), (&with, "with")] {
        let mut late: Vec<_> = parts.iter().flat_map(|part| late_ms(&arrivals, From::Daemon, *part, 0)).collect();
        late.retain(|(_, late)| *late > LATE_MS);
        // The latest of each instant.
        late.sort_by(|one, other| one.0.cmp(&other.0).then(other.1.total_cmp(&one.1)));
        late.dedup_by_key(|(second, _)| *second);
        let late: Vec<_> = late.iter().map(|(second, late)| format!("{late:.1} ({})", second % 64)).collect();
        println!("  {name}, later than {LATE_MS} ms, in ms (and the second modulo 64): {}", late.join(" "));
    }
    for errors in said.iter().flat_map(|said| said.lines()) {
        if errors.contains("Non-2xx") || errors.contains("Socket errors") {
            println!("  odd: {}", errors.trim());
        }
    }
}

/// The second and the lateness of whatever was due in a time, at full seconds and so much after; nothing here is half a
/// second late, or it would show as half a second early.
fn late_ms(arrivals: &Arrivals, from: From, (begin_ns, end_ns): (i64, i64), offset_ns: i64) -> Vec<(i64, f64)> {
    let arrivals = arrivals.lock().expect("no panic");
    let ours = arrivals.iter().filter(|(whose, _)| *whose == from).map(|(_, at_ns)| at_ns - offset_ns);
    let due = |at_ns: i64| (at_ns + SECOND_NS / 2).div_euclid(SECOND_NS) * SECOND_NS;
    let in_time = ours.filter(|at| begin_ns <= due(*at) && due(*at) < end_ns);
    in_time.map(|at| (due(at) / SECOND_NS, (at - due(at)) as f64 / 1e6)).collect()
}
