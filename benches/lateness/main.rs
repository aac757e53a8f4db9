//! How late a switching is, side by side with a bare timer that publishes, in one run: at rest, and while the HTTP side is
//! under load.
//!
//! ```text
//! cargo bench --bench lateness -- [seconds of each part, 60 unless given] [lamps at each instant, 10 unless given] [seconds under load] [file] [slow]
//! ```
//!
//! With a file, each message at rest is added to it (whose, the second of the Unix epoch, the lateness in ms), the last row is of
//! all that it holds, and a table tells them by five minutes: p99 of a thousand is the tenth-worst, and turns on chance where
//! something else on the machine meets one instant in a hundred.
//!
//! A real mosquitto, and the real daemon with 200 lamps, of which the plan switches ten (or so many as given) in one of
//! each two seconds: marks of the Sun with offsets of whole seconds, at a place where the Sun sets just then. In the other
//! second a bare waiter (`timerfd` on the wall clock, then `rumqttc`), in a process of its own, publishes as many messages at
//! one instant: the floor. Both on full seconds, at which more wakes on a shared machine than in between; which of the two has
//! the even one changes, so that what has a rhythm meets both alike (see [`is_first`]). One listener takes the time at which
//! each message of either arrives; another, who subscribes after it, answers for the plugs. Three parts: at rest; with 1,000
//! connections that never finish their header, each made anew as soon as it is cut, and 2,000 requests a second for `/status`;
//! at rest again. Lateness is the arrival less the instant that was due.
//! The daemon's resident memory is read four times a second. With `slow` (as root) all this is on a machine that has a tenth of
//! its processors left; see [`slow`].

#[path = "../common.rs"]
mod common;
mod floor;
mod load;
mod slow;

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;
use std::time::Duration;

use chrono::{DateTime, Utc};
use common::{Program, free_port, head, mosquitto, quantile, units_environment, wall_ns};
use rumqttc::{Client, Event, MqttOptions, Packet, Publish, QoS};

const SECOND_NS: i64 = 1_000_000_000;
/// So many lamps in the house.
const LAMPS: usize = 200;
/// Lamps take turns: each is on for so many pairs of seconds, then off for as many.
const TURN: i64 = 10;

/// So many pairs of seconds are 64 s.
const BLOCK: i64 = 32;
/// What is later than this is told one by one, in milliseconds.
const LATE_MS: f64 = 1.0;
/// The two sides, as they are named in the file of all runs.
const WHOSE: [&str; 2] = ["daemon", "timer"];

/// Whether the daemon has the first of a pair of seconds, and the floor the second, or the other way about.
///
/// By turns would not do: what else wakes on a machine has rhythms of its own (on the one this was made on a thread of the
/// kernel every 512 ms, which meets a full second every 64 s, and so one side alone). Nor would chance: it meets about one
/// instant in a hundred, and who has one more of those has another p99. So 64 s go by the multiples of the golden ratio,
/// which keep step with nothing of that kind, and in the 64 after them each side has what was the other's.
fn is_first(pair: i64) -> bool {
    let (block, within) = (pair / BLOCK, pair % BLOCK);
    let drawn = (block / 2 * BLOCK + within).cast_unsigned().wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 63 == 0;
    drawn ^ (block % 2 == 1)
}

/// The daemon's second of a pair, from the beginning.
fn second(pair: i64) -> i64 {
    2 * pair + i64::from(!is_first(pair))
}

/// The floor's.
fn floors_second(pair: i64) -> i64 {
    2 * pair + i64::from(is_first(pair))
}

/// The file: `each` lamps for each pair of seconds of a turn, every one on and off from there by turns, and the others far off.
fn house(folder: &Path, sunset: DateTime<Utc>, pairs: i64, each: usize, broker: u16, page: u16) -> PathBuf {
    let mut text = head("Skarvholmen", sunset, &format!("address = \"mqtt://127.0.0.1:{broker}\""), page);
    for (first, lamp) in (0..TURN).flat_map(|first| (0..each).map(move |lamp| (first, lamp))) {
        let name = format!("s{first}-{lamp}");
        let _ = write!(text, "[channel.{name}]\nlabel = \"Lamp {name}\"\nplug = \"p/{name}\"\nlit = [\n");
        for pair in (first..pairs).step_by(2 * TURN as usize) {
            let (on, off) = (second(pair), second(pair + TURN));
            let _ = writeln!(
                text,
                "{{ from = \"{on} s after sunset\", until = \"{off} s after sunset\", at_least = \"1 s\" }},"
            );
        }
        text.push_str("]\n");
    }
    for lamp in TURN as usize * each..LAMPS {
        let rule = "{ from = \"6 h after sunset\", until = \"sunrise\" }";
        let _ = write!(text, "[channel.o{lamp}]\nlabel = \"Lamp o{lamp}\"\nplug = \"p/o{lamp}\"\nlit = [{rule}]\n");
    }
    let file = folder.join("lampward.toml");
    fs::write(&file, text).expect("a file");
    file
}

/// Whose message, and when it came.
struct Arrival {
    floor: bool,
    at_ns: i64,
}

/// A client of the broker that listens to every command and to the floor, and what comes to it. Ready once it says so.
fn hear(name: &str, port: u16, ready: &Sender<()>, mut came: impl FnMut(&Client, Publish)) {
    let mut options = MqttOptions::new(name, "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(10)).set_inflight(1000);
    let (client, mut connection) = Client::new(options, 1000);
    connection.eventloop.network_options.set_tcp_nodelay(true);
    for filter in ["p/+/order", "floor/+/order"] {
        client.subscribe(filter, QoS::AtMostOnce).expect("subscribing");
    }
    let mut granted = 0;
    for event in connection.iter() {
        // The broker ends with the run; sooner, and the table is empty.
        let Ok(event) = event else { return };
        match event {
            Event::Incoming(Packet::SubAck(_)) => {
                granted += 1;
                if granted == 2 {
                    let _ = ready.send(());
                }
            }
            Event::Incoming(Packet::Publish(message)) => came(&client, message),
            _ => {}
        }
    }
}

/// Takes the time of each message, and does nothing else: an answer in between would make the next one late.
fn listen(port: u16, ready: &Sender<()>, arrivals: &Sender<Arrival>) {
    hear("listener", port, ready, |_, message| {
        let at_ns = wall_ns();
        let _ = arrivals.send(Arrival { floor: message.topic.starts_with("floor/"), at_ns });
    });
}

/// Answers for the plugs, the floor's too, though nobody hears those.
fn plugs(port: u16, ready: &Sender<()>) {
    hear("plugs", port, ready, |client, message| {
        let plug = message.topic.strip_suffix("/order").expect("as was subscribed");
        client.try_publish(format!("{plug}/report"), QoS::AtMostOnce, false, message.payload).expect("answering");
    });
}

/// The word that makes the machine slow.
const SLOW: &str = "slow";

/// The first word to this program where it is to be the floor.
const FLOOR: &str = "floor";

/// Starts this program once more, as the floor: who publishes from the listener's own process finds the processor as the
/// listener wants it, which no daemon can.
fn start_the_floor(broker: u16, begin: i64, pairs: i64, each: usize) -> Program {
    let numbers = [i64::from(broker), begin, pairs, each as i64].map(|number| number.to_string());
    let this = std::env::current_exe().expect("a path");
    Program(Command::new(this).arg(FLOOR).args(numbers).spawn().expect("the floor starts"))
}

/// The other side of [`start_the_floor`].
fn be_the_floor(words: &[String]) {
    let numbers: Vec<i64> = words.iter().map(|word| word.parse().expect("a number")).collect();
    let &[broker, begin, pairs, each] = numbers.as_slice() else { panic!("broker, begin, pairs, each: {words:?}") };
    let at_ns = (0..pairs).map(|pair| begin + floors_second(pair) * SECOND_NS).collect();
    floor::publish(u16::try_from(broker).expect("a port"), at_ns, each as usize);
}

/// What is resident, and what of it is not the program's own file, in kB.
fn memory_kb(pid: u32) -> [u64; 2] {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).expect("the daemon runs");
    ["VmRSS:", "RssAnon:"].map(|name| {
        let line = status.lines().find_map(|line| line.strip_prefix(name)).expect(name);
        line.trim().trim_end_matches(" kB").parse().expect("kB")
    })
}

/// One line of the table: lateness in milliseconds of the daemon, of the floor, and the ratios.
fn line(name: &str, late_ms: &mut [Vec<f64>; 2]) {
    for side in late_ms.iter_mut() {
        side.sort_by(f64::total_cmp);
        assert!(!side.is_empty(), "nothing arrived in the part: {name}");
    }
    let [daemon, floor] = late_ms;
    let mut text = format!("| {name} | {} |", daemon.len());
    for of in [0.5, 0.99, 1.0] {
        let (ours, bare) = (quantile(daemon, of), quantile(floor, of));
        let _ = write!(text, " {ours:.2} / {bare:.2} ms, {:.2} |", ours / bare);
    }
    let early = daemon.iter().filter(|late| **late < 0.0).count();
    println!("{text} {early} |");
}

fn main() {
    // Cargo adds a flag of its own.
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    if words.first().is_some_and(|word| word == FLOOR) {
        return be_the_floor(&words[1..]);
    }
    if words.first().is_some_and(|word| word == slow::TAKER) {
        return slow::take(&words[1..]);
    }
    let is_slow = words.iter().any(|word| word == SLOW);
    let mut numbers = words.iter().filter_map(|word| word.parse::<u32>().ok());
    let kept = words.iter().find(|word| word.parse::<u32>().is_err() && *word != SLOW).map(PathBuf::from);
    let seconds = numbers.next().map_or(60, i64::from);
    let each = numbers.next().map_or(10, |each| each as usize);
    let loaded_s = numbers.next().map_or(seconds, i64::from);
    let most = LAMPS / TURN as usize;
    assert!((1..=most).contains(&each), "1 to {most} lamps at each instant");
    let folder = tempfile::tempdir().expect("a folder");
    let broker = free_port();
    let _broker = mosquitto(folder.path(), broker);
    let page = free_port();
    let begin = (wall_ns() / SECOND_NS + 8) * SECOND_NS;
    let sunset = DateTime::from_timestamp_nanos(begin);
    // Three parts and a few seconds between them.
    let pairs = seconds + loaded_s / 2 + 10;
    let file = house(folder.path(), sunset, pairs, each, broker, page);
    thread::sleep(Duration::from_millis(500));

    let (arrived, arrivals) = channel();
    let (ready, wait) = channel();
    let also_ready = ready.clone();
    // The broker serves whoever subscribed first first, and where the plugs' client shares a processor with it, that one
    // answers before the broker goes on: with the listener second, part of what is measured would be the answer.
    thread::spawn(move || listen(broker, &ready, &arrived));
    wait.recv().expect("the listener is there");
    thread::spawn(move || plugs(broker, &also_ready));
    wait.recv().expect("the plugs are there");
    let _floor = start_the_floor(broker, begin, pairs, each);
    let log = fs::File::create(folder.path().join("log")).expect("a file");
    // `tests/bench` has it laid out as packages are.
    let binary = std::env::var_os("LAMPWARD_BINARY").unwrap_or_else(|| env!("CARGO_BIN_EXE_lampward").into());
    let mut command = Command::new(binary);
    command.arg("run").arg("--file").arg(&file).arg("--state").arg(folder.path().join("state")).stderr(log);
    command.envs(units_environment());
    let daemon = Program(command.spawn().expect("the daemon starts"));
    let mut takers = if is_slow { slow::start() } else { Vec::new() };

    let address: SocketAddr = ([127, 0, 0, 1], page).into();
    let from_s = |second: i64| begin / SECOND_NS + second;
    let parts = [
        ("at rest", from_s(5), from_s(5 + seconds)),
        ("under load", from_s(10 + seconds), from_s(10 + seconds + loaded_s)),
        ("at rest again", from_s(15 + seconds + loaded_s), from_s(15 + 2 * seconds + loaded_s)),
    ];
    let mut memory: BTreeMap<&str, Vec<[u64; 2]>> = BTreeMap::new();
    let mut loading = None;
    let pid = daemon.0.id();
    loop {
        slow::check(&mut takers);
        let now_s = wall_ns() / SECOND_NS;
        if let Some((name, ..)) = parts.iter().find(|(_, from, until)| *from <= now_s && now_s < *until) {
            memory.entry(name).or_default().push(memory_kb(pid));
        }
        if loading.is_none() && now_s >= parts[1].1 - 2 {
            loading = Some(load::begin(address, Duration::from_secs(loaded_s as u64 + 2)));
        }
        if now_s > parts[2].2 {
            break;
        }
        thread::sleep(until_looked());
    }
    let served = loading.map(|loading| loading.join().expect("the load ends")).expect("there was load");
    report(&arrivals, &parts, kept.as_deref());
    let kb = |name: &str, which: usize| memory[name].iter().map(move |both| both[which]);
    let mean = |name: &str, which: usize| kb(name, which).sum::<u64>() / memory[name].len() as u64;
    for (which, what) in ["resident memory of the daemon", "without the program's own file"].into_iter().enumerate() {
        println!(
            "\n{what}: {} kB at rest, {} kB at most under load, {} kB at rest again",
            mean("at rest", which),
            kb("under load", which).max().expect("read"),
            mean("at rest again", which)
        );
    }
    println!("load: {served}");
    let _ = daemon;
}

/// Until the daemon's memory is read again, four times a second and never near a full one: the kernel may hold it up for that.
fn until_looked() -> Duration {
    let in_second = wall_ns() % SECOND_NS;
    let next = [200_000_000, 400_000_000, 600_000_000, 800_000_000].into_iter().find(|at| *at > in_second);
    Duration::from_nanos((next.unwrap_or(SECOND_NS + 200_000_000) - in_second) as u64)
}

/// The second that was due and the lateness in ms, of the daemon's messages and of the floor's.
type Kept = [Vec<(i64, f64)>; 2];

/// Adds this run's messages at rest to the file, and gives back all that it holds.
fn together(file: &Path, rows: &str) -> Kept {
    let mut open = fs::OpenOptions::new().create(true).append(true).open(file).expect("the file of all runs");
    open.write_all(rows.as_bytes()).expect("the file of all runs");
    let mut kept = Kept::default();
    for row in fs::read_to_string(file).expect("the file of all runs").lines() {
        let [whose, due_s, late_ms] = row.split(' ').collect::<Vec<_>>()[..] else { panic!("no row of a run: {row}") };
        let side = WHOSE.iter().position(|side| *side == whose).expect("one of the two sides");
        kept[side].push((due_s.parse().expect("a second"), late_ms.parse().expect("a lateness in ms")));
    }
    kept
}

/// How it went from one five minutes to the next, from the first message in the file on: a machine is not the same all day.
fn by_five_minutes(kept: &Kept) {
    let first_s = kept.iter().flatten().map(|(due_s, _)| *due_s).min().expect("messages");
    let mut windows: BTreeMap<i64, [Vec<f64>; 2]> = BTreeMap::new();
    for (side, messages) in kept.iter().enumerate() {
        for (due_s, late_ms) in messages {
            windows.entry((due_s - first_s) / 300).or_default()[side].push(*late_ms);
        }
    }
    println!("\n| minutes | messages | p10, ratio | p50, ratio | p75, ratio | p90, ratio | p95, ratio | p99, ratio |");
    println!("| --- | --- | --- | --- | --- | --- | --- | --- |");
    // Windows at an edge may have one side alone.
    for (window, mut sides) in windows.into_iter().filter(|(_, sides)| sides.iter().all(|side| !side.is_empty())) {
        sides.iter_mut().for_each(|side| side.sort_by(f64::total_cmp));
        let [daemon, floor] = sides;
        let mut text = format!("| {} to {} | {} |", window * 5, window * 5 + 5, daemon.len());
        for of in [0.1, 0.5, 0.75, 0.9, 0.95, 0.99] {
            let (ours, bare) = (quantile(&daemon, of), quantile(&floor, of));
            let _ = write!(text, " {ours:.2} / {bare:.2}, {:.2} |", ours / bare);
        }
        println!("{text}");
    }
}

fn report(arrivals: &Receiver<Arrival>, parts: &[(&str, i64, i64)], kept: Option<&Path>) {
    let mut late_ms: Vec<[Vec<f64>; 2]> = parts.iter().map(|_| Default::default()).collect();
    let mut latest = [String::new(), String::new()];
    let mut rows = String::new();
    for arrival in arrivals.try_iter() {
        // The instant due is the nearest full second: nothing here is half of one late, or it would show as early.
        let late_ns = (arrival.at_ns + SECOND_NS / 2).rem_euclid(SECOND_NS) - SECOND_NS / 2;
        let due_s = (arrival.at_ns - late_ns) / SECOND_NS;
        let part = parts.iter().position(|(_, from, until)| *from <= due_s && due_s < *until);
        if let Some(part) = part {
            let (side, late) = (usize::from(arrival.floor), late_ns as f64 / 1e6);
            late_ms[part][side].push(late);
            if part != 1 {
                let _ = writeln!(rows, "{} {due_s} {late:.6}", WHOSE[side]);
            }
            if part != 1 && late > LATE_MS {
                let _ = write!(latest[side], " {late:.1} ({})", due_s % (2 * BLOCK));
            }
        }
    }
    let mut both = [0, 1].map(|side| [0, 2].map(|part: usize| late_ms[part][side].clone()).concat());
    println!("| part | messages | p50, ratio | p99, ratio | worst, ratio | early |");
    println!("| --- | --- | --- | --- | --- | --- |");
    for ((name, ..), late_ms) in parts.iter().zip(&mut late_ms) {
        line(name, late_ms);
    }
    line("at rest, both", &mut both);
    if let Some(file) = kept {
        let kept = together(file, &rows);
        let mut late_ms = kept.each_ref().map(|side| side.iter().map(|(_, late_ms)| *late_ms).collect());
        line(&format!("at rest, all in {}", file.display()), &mut late_ms);
        by_five_minutes(&kept);
    }
    let [ours, bare] = latest;
    println!(
        "\nlater than {LATE_MS} ms at rest, in ms (and the second modulo 64): {}{ours}; {}{bare}",
        WHOSE[0], WHOSE[1]
    );
}
