//! N channels due at one instant: how long until the broker has taken the last command, and until the last plug is confirmed.

use std::path::Path;

use super::ground::{
    self, Daemon, House, Program, SECOND_NS, Spread, full_second_in, mosquitto, skeleton, sleep_until,
};
use super::plugs::{self, Arrivals, From};

/// The plan goes by sunset; so many seconds for the start of one channel less than nothing.
const START_S: i64 = 8;

/// The loops are woken so long before the instant, as the daemon is by its own rule (`AHEAD` in `src/daemon.rs`): what the curve is
/// to show is what more channels cost, and not who has to be woken.
const AHEAD_NS: i64 = 20_000_000;

struct Row {
    alone_ms: Spread,
    one_ms: Spread,
    each_ms: Spread,
    first_ms: Spread,
    acked_ms: Spread,
    arrived_ms: Spread,
    confirmed_ms: Spread,
    /// Bursts in which something was missing, and what.
    odd: Vec<String>,
}

pub fn run(words: &[String]) {
    let sizes: Vec<usize> = words.first().map_or(vec![10, 100, 1_000, 10_000], |list| {
        list.split(',').map(|size| size.parse().expect("sizes such as 10,100")).collect()
    });
    let times: i64 = words.get(1).map_or(4, |times| times.parse().expect("a number of bursts"));
    println!(
        "Milliseconds from the instant due, median (least–most) of {times} bursts. `alone`: a bare rumqttc loop, nobody \
         listening. `one`: the same loop, its messages answered by the same plugs, whose reports it hears by one filter. `each`: \
         the same, but it hears each lamp by filters of its own, as the daemon does. Ratios are those of the medians to `one` and \
         to `each`.\n"
    );
    println!(
        "| broker | channels | alone: last PUBACK | one: last PUBACK | each: last PUBACK | first command at a plug | last PUBACK | to one | to each | last command at a plug | last confirmed | to one | to each |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    let only = words.get(2).map(String::as_str);
    let mut single = Vec::new();
    for own in [false, true] {
        if only.is_some_and(|only| (only == "own") != own) {
            continue;
        }
        for &channels in &sizes {
            let row = bursts(channels, own, times);
            let ratio = |of: &Spread, floor: &Spread| of.median() / floor.median();
            println!(
                "| {} | {channels} | {} | {} | {} | {} | {} | **{:.2}** | **{:.2}** | {} | {} | **{:.2}** | **{:.2}** |",
                if own { "own" } else { "mosquitto" },
                row.alone_ms.say(1),
                row.one_ms.say(1),
                row.each_ms.say(1),
                row.first_ms.say(1),
                row.acked_ms.say(1),
                ratio(&row.acked_ms, &row.one_ms),
                ratio(&row.acked_ms, &row.each_ms),
                row.arrived_ms.say(1),
                row.confirmed_ms.say(0),
                ratio(&row.confirmed_ms, &row.one_ms),
                ratio(&row.confirmed_ms, &row.each_ms),
            );
            let sides = [
                ("one", &row.one_ms),
                ("each", &row.each_ms),
                ("daemon", &row.acked_ms),
                ("confirmed", &row.confirmed_ms),
            ];
            for (side, ms) in sides {
                let ms: Vec<String> = ms.0.iter().map(|ms| format!("{ms:.1}")).collect();
                single.push(format!("{} {channels} {side}: {}", if own { "own" } else { "mosquitto" }, ms.join(" ")));
            }
            for odd in row.odd {
                println!("  odd: {odd}");
            }
        }
    }
    println!("\nSingle bursts, to put those of several runs together:\n\n{}", single.join("\n"));
}

fn bursts(channels: usize, own: bool, times: i64) -> Row {
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    // A step has four parts: ours, and one for each floor.
    let step_s = if channels < 5_000 { 8 } else { 24 };
    let begin_ns = full_second_in(START_S + channels as i64 / 300);
    let lit = |_| (0..times).step_by(2).map(|on| (on * step_s, Some((on + 1) * step_s))).collect();
    let broker = (!own).then(|| mosquitto(folder));
    let port = broker.as_ref().map_or_else(ground::free_port, |(_, port)| *port);
    let house = House { channels, broker: port, own, sunset_ns: begin_ns, lit: &lit };
    let (daemon, arrivals) = live(&house, folder);
    daemon.wait_until_confirmed(channels);
    assert!(ground::wall_ns() < begin_ns - SECOND_NS, "the start of {channels} channels took too long for this table");
    let part_ns = step_s * SECOND_NS / 4;
    let floor = |prefix: &str, part: i64| {
        let numbers = [port.into(), begin_ns + part * part_ns, step_s * SECOND_NS, times, channels as i64, AHEAD_NS];
        let mut words = vec!["burst".to_owned()];
        words.extend(numbers.map(|number| number.to_string()));
        words.push(prefix.into());
        if prefix == "each" {
            words.push("each".into());
        }
        skeleton(&words)
    };
    let mut floors = [floor("alone", 1), floor("floor", 2), floor("each", 3)];
    let mut row = Row {
        alone_ms: Spread::default(),
        one_ms: Spread::default(),
        each_ms: Spread::default(),
        first_ms: Spread::default(),
        acked_ms: Spread::default(),
        arrived_ms: Spread::default(),
        confirmed_ms: Spread::default(),
        odd: Vec::new(),
    };
    let mut taken_before = daemon.metric(TAKEN).unwrap_or(f64::NAN);
    for turn in 0..times {
        let due_ns = begin_ns + turn * step_s * SECOND_NS;
        sleep_until(due_ns + part_ns * 4 / 5);
        let ms = |at_ns: i64| (at_ns - due_ns) as f64 / 1e6;
        let (count, first, last) = plugs::within(&arrivals, From::Daemon, due_ns - SECOND_NS, due_ns + part_ns);
        let taken = daemon.metric(TAKEN).unwrap_or(f64::NAN);
        if count != channels || taken - taken_before != channels as f64 {
            row.odd.push(format!(
                "burst {turn}: {count} commands at the plugs, {} taken by the broker",
                taken - taken_before
            ));
        }
        taken_before = taken;
        row.first_ms.0.extend(first.map(ms));
        row.arrived_ms.0.extend(last.map(ms));
        row.acked_ms.0.extend(daemon.metric(TAKEN_AT).map(|at_s| (at_s - due_ns as f64 / 1e9) * 1e3));
    }
    sleep_until(begin_ns + times * step_s * SECOND_NS);
    for turn in 0..times {
        let due_ns = begin_ns + turn * step_s * SECOND_NS;
        let (confirmed, last_ms) = confirmed(&daemon, due_ns / 1_000_000);
        if confirmed != channels {
            row.odd.push(format!("burst {turn}: {confirmed} in the daybook as switched or late"));
        }
        row.confirmed_ms.0.push((last_ms - due_ns / 1_000_000) as f64);
    }
    for (floor, spread) in floors.iter_mut().zip([&mut row.alone_ms, &mut row.one_ms, &mut row.each_ms]) {
        read_floor(floor, "acked", spread);
    }
    row
}

const TAKEN: &str = "lampward_commands_taken_total";
pub const TAKEN_AT: &str = "lampward_last_command_taken_timestamp_seconds";

/// The daemon and its plugs; with the own broker the plugs come when it is there.
pub fn live(house: &House<'_>, folder: &Path) -> (Daemon, Arrivals) {
    if house.own {
        let daemon = house.start(folder);
        ground::wait_for_port(house.broker);
        (daemon, plugs::listen(house.broker))
    } else {
        let arrivals = plugs::listen(house.broker);
        (house.start(folder), arrivals)
    }
}

/// How many switchings due then the daybook has as confirmed, and when the last was.
pub fn confirmed(daemon: &Daemon, due_ms: i64) -> (usize, i64) {
    let daybook = rusqlite::Connection::open(daemon.state.join("daybook.sqlite")).expect("the daybook");
    let ask = "SELECT count(*), coalesce(max(at_ms), 0) FROM entry WHERE due_ms = ?1 AND kind IN ('switched', 'late')";
    daybook.query_row(ask, [due_ms], |row| Ok((row.get::<_, i64>(0)? as usize, row.get(1)?))).expect("an answer")
}

pub fn read_floor(program: &mut Program, word: &str, spread: &mut Spread) {
    // It ends by itself after its last burst.
    for line in program.lines() {
        let words: Vec<&str> = line.split(' ').collect();
        if words[0] == word {
            let at = |at: usize| words[at].parse::<i64>().expect("nanoseconds");
            spread.0.push((at(2) - at(1)) as f64 / 1e6);
        }
    }
}
