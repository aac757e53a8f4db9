//! A campus on one machine: so many places, each with a daemon of its own, on one broker.
//!
//! One client obeys for all plugs, and says when it is there, as plugs do. Everything is seen from there and from the daemons'
//! own records: how long until all are connected, what they hold and do at rest, one instant at which all lamps of all places are
//! due, and what follows when the broker is killed.

use std::collections::HashMap;
use std::fmt::Write as _;
use std::fs;
use std::net::TcpListener;
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::Duration;

use chrono::DateTime;
use rumqttc::{Client, Event, MqttOptions, Packet, QoS};

use super::burst::{TAKEN_AT, confirmed, read_floor};
use super::common;
use super::ground::{self, Daemon, SECOND_NS, Spread, full_second_in, skeleton, sleep_until, status_kb, wall_ns, work};

/// Of each place.
const LAMPS: usize = 10;
const BURSTS: i64 = 4;
/// From one burst to the next; half-way the floor has its own.
const STEP_S: i64 = 10;
/// After the bursts so long is left for the first outage, and then the lamps are due once more, amid the second.
const FIRST_OUTAGE_S: i64 = 50;
const SECOND_OUTAGE_S: i64 = 20;

pub fn run(words: &[String]) {
    let sizes = words.first().map_or("10,100", String::as_str);
    let idle_s: i64 = words.get(1).map_or(60, |seconds| seconds.parse().expect("a number of seconds"));
    let sizes: Vec<usize> = sizes.split(',').map(|size| size.parse().expect("sizes such as 10,100")).collect();
    println!("Places of {LAMPS} lamps each, one daemon a place, one mosquitto, one client that obeys for all plugs.\n");
    let columns: Vec<_> = sizes.iter().map(|places| campus(*places, idle_s)).collect();
    let heads: Vec<String> = sizes.iter().map(|places| format!("{places} places")).collect();
    println!("| what | {} |\n| --- |{}", heads.join(" | "), " --- |".repeat(sizes.len()));
    for row in 0..columns[0].len() {
        let cells: Vec<&str> = columns.iter().map(|column| column[row].1.as_str()).collect();
        println!("| {} | {} |", columns[0][row].0, cells.join(" | "));
    }
}

/// What the plugs' client has heard.
#[derive(Default)]
struct Heard {
    /// Whose commands: whether of the floor, and when.
    orders: Vec<(bool, i64)>,
    /// What each plug was told last, and when it was first since this was last emptied.
    told: HashMap<String, (bool, i64)>,
    /// When each place was first said to be there since this was last emptied.
    here: HashMap<String, i64>,
    /// The broker does not come back.
    over: bool,
}

#[derive(Clone, Default)]
struct Plugs(Arc<Mutex<Heard>>);

impl Plugs {
    fn heard(&self) -> MutexGuard<'_, Heard> {
        self.0.lock().expect("no panic")
    }

    fn forget(&self) {
        let mut heard = self.heard();
        heard.told.clear();
        heard.here.clear();
    }

    /// When the last of so many places and of their plugs was heard of since [`Plugs::forget`].
    fn wait(&self, places: usize) -> (i64, i64) {
        for _ in 0..1_200 {
            let heard = self.heard();
            if heard.here.len() == places && heard.told.len() == places * LAMPS {
                let here = heard.here.values().max();
                let told = heard.told.values().map(|(_, at_ns)| at_ns).max();
                return (*here.expect("places"), *told.expect("plugs"));
            }
            drop(heard);
            std::thread::sleep(Duration::from_millis(50));
        }
        let heard = self.heard();
        panic!("{} of {places} places there after 1 min, {} plugs told", heard.here.len(), heard.told.len());
    }

    /// Obeys for every plug that there is; comes back when the broker does.
    fn begin(port: u16, places: usize) -> Plugs {
        let plugs = Plugs::default();
        let noted = plugs.clone();
        let mut options = MqttOptions::new("plugs", "127.0.0.1", port);
        options.set_keep_alive(Duration::from_secs(10));
        let (client, mut connection) = Client::new(options, 100_000);
        connection.eventloop.network_options.set_tcp_nodelay(true);
        let (ready, wait) = std::sync::mpsc::channel();
        std::thread::spawn(move || {
            let say = |topic: String, retain, payload: &[u8]| {
                client.try_publish(topic, QoS::AtMostOnce, retain, payload).expect("room");
            };
            let mut granted = 0;
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        granted = 0;
                        for filter in ["lampward/+/alive", "+/+/order"] {
                            client.try_subscribe(filter, QoS::AtMostOnce).expect("room");
                        }
                    }
                    Ok(Event::Incoming(Packet::SubAck(_))) => {
                        granted += 1;
                        if granted < 2 {
                            continue;
                        }
                        // A plug that says it is there can be told something.
                        for place in 0..places {
                            (0..LAMPS).for_each(|lamp| say(format!("h{place}/{lamp}/alive"), true, b"here"));
                        }
                        let _ = ready.send(());
                    }
                    Ok(Event::Incoming(Packet::Publish(message))) => {
                        let at_ns = wall_ns();
                        let Some(plug) = message.topic.strip_suffix("/order") else {
                            if message.payload == "here" {
                                noted.heard().here.entry(message.topic).or_insert(at_ns);
                            }
                            continue;
                        };
                        say(format!("{plug}/report"), false, &message.payload);
                        let floor = plug.starts_with("floor/");
                        let mut heard = noted.heard();
                        heard.orders.push((floor, at_ns));
                        if !floor {
                            let on = message.payload == "on";
                            heard.told.entry(plug.to_owned()).or_insert((on, at_ns)).0 = on;
                        }
                    }
                    Ok(_) => {}
                    Err(_) if noted.heard().over => return,
                    Err(_) => std::thread::sleep(Duration::from_millis(20)),
                }
            }
        });
        wait.recv().expect("the plugs are there");
        plugs
    }
}

/// Free ports that no connection of somebody else comes from by chance meanwhile.
fn ports() -> impl Iterator<Item = u16> {
    let range = fs::read_to_string("/proc/sys/net/ipv4/ip_local_port_range").expect("Linux");
    let lowest: u16 = range.split_whitespace().next().and_then(|word| word.parse().ok()).expect("a port");
    (1_024..lowest).rev().filter(|port| TcpListener::bind(("127.0.0.1", *port)).is_ok())
}

/// A place of its own: name, folder, page.
fn write(folder: &Path, place: usize, sunset_ns: i64, lit: &str, broker: u16, page: u16) -> std::path::PathBuf {
    let name = format!("Skarvholmen {place}");
    let broker = format!("address = \"mqtt://127.0.0.1:{broker}\"");
    let mut text = common::head(&name, DateTime::from_timestamp_nanos(sunset_ns), &broker, page);
    for lamp in 0..LAMPS {
        let _ = write!(text, "[channel.c{lamp}]\nlabel=\"Lamp {lamp}\"\nplug=\"h{place}/{lamp}\"\nlit=[{lit}]\n");
    }
    fs::create_dir(folder).expect("a folder");
    let file = folder.join("house.toml");
    fs::write(&file, text).expect("a file");
    file
}

/// The rows of the table.
type Rows = Vec<(&'static str, String)>;

fn campus(places: usize, idle_s: i64) -> Rows {
    let mut rows = Rows::new();
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let mut ports = ports();
    let port = ports.next().expect("a free port");
    let mut broker = common::mosquitto(folder, port);
    let plugs = Plugs::begin(port, places);
    // A start may take half a second a place; what follows it has its time as well.
    let begin_ns = full_second_in(40 + places as i64 / 2 + idle_s);
    let after = |seconds: i64| begin_ns + seconds * SECOND_NS;
    let first_outage_s = BURSTS * STEP_S;
    let again_s = first_outage_s + FIRST_OUTAGE_S;
    let mut spans: Vec<String> = (0..BURSTS)
        .step_by(2)
        .map(|on| (on * STEP_S, (on + 1) * STEP_S))
        .map(|(on, off)| format!("{{from=\"{on} s after sunset\",until=\"{off} s after sunset\",at_least=\"1 s\"}}"))
        .collect();
    spans.push(format!("{{from=\"{again_s} s after sunset\",until=\"sunrise\"}}"));
    let files: Vec<_> = (0..places)
        .map(|place| {
            let (folder, page) = (folder.join(place.to_string()), ports.next().expect("a free port"));
            (write(&folder, place, begin_ns, &spans.join(","), port, page), page, folder)
        })
        .collect();

    let exec = wall_ns();
    let daemons: Vec<Daemon> = files.iter().map(|(file, page, folder)| ground::start(file, *page, folder)).collect();
    let (here, told) = plugs.wait(places);
    all_confirmed(&daemons);
    let cpu_ms = |programs: &[u32]| programs.iter().map(|pid| work(*pid).0 as f64 / 1e6).sum::<f64>();
    let pids: Vec<u32> = daemons.iter().map(Daemon::pid).collect();
    let s = |from_ns: i64, to_ns: i64| (to_ns - from_ns) as f64 / SECOND_NS as f64;
    rows.push(("start: exec of the first to the last one connected, s", format!("{:.2}", s(exec, here))));
    rows.push(("… to the last plug told", format!("{:.2}", s(exec, told))));
    rows.push(("processor time of all daemons until then, s", format!("{:.2}", cpu_ms(&pids) / 1e3)));

    sleep_until(begin_ns - (idle_s + 5) * SECOND_NS);
    memory(&mut rows, &pids, broker.pid());
    idle(&mut rows, &pids, broker.pid(), idle_s);
    assert!(wall_ns() < begin_ns - SECOND_NS, "the start of {places} places took too long for this table");
    bursts(&mut rows, &daemons, &pids, broker.pid(), port, begin_ns, &plugs);

    // First it is back at once, and nothing was due; then it is away while all lamps are due.
    sleep_until(after(first_outage_s));
    let killed = wall_ns();
    drop(broker);
    plugs.forget();
    broker = common::mosquitto(folder, port);
    let back = wall_ns();
    let (here, told) = plugs.wait(places);
    all_confirmed(&daemons);
    assert!(wall_ns() < after(again_s - SECOND_OUTAGE_S / 2), "the places took too long to come back for this table");
    rows.push(("broker killed and started again: listening after, s", format!("{:.3}", s(killed, back))));
    rows.push(("… from there to the last place connected", format!("{:.3}", s(back, here))));
    rows.push(("… to the last plug told again", format!("{:.3}", s(back, told))));

    sleep_until(after(again_s - SECOND_OUTAGE_S / 2));
    drop(broker);
    plugs.forget();
    sleep_until(after(again_s + SECOND_OUTAGE_S / 2));
    let broker = common::mosquitto(folder, port);
    let back = wall_ns();
    let (here, told) = plugs.wait(places);
    all_confirmed(&daemons);
    assert!(plugs.heard().told.values().all(|(on, _)| *on), "a plug was told to be off, and it is after sunset");
    let due_ms = after(again_s) / 1_000_000;
    let last_ms = recorded(&daemons, due_ms);
    rows.push((
        "broker away for 20 s amid which all lamps are due: last place connected, s",
        format!("{:.3}", s(back, here)),
    ));
    rows.push(("… last plug told", format!("{:.3}", s(back, told))));
    rows.push(("… last plug confirmed, in a daybook", format!("{:.3}", last_ms as f64 / 1e3 - back as f64 / 1e9)));
    // Or it would find the next one, on the same port.
    plugs.heard().over = true;
    drop(broker);
    rows
}

/// Until each daemon has each plug confirmed.
fn all_confirmed(daemons: &[Daemon]) {
    // What they show may be a tenth of a second old, and older in a crowd.
    std::thread::sleep(Duration::from_secs(1));
    for daemon in daemons {
        daemon.wait_until_confirmed(LAMPS);
    }
}

/// When the last of all lamps was confirmed, by the daybooks; each lamp has an entry.
fn recorded(daemons: &[Daemon], due_ms: i64) -> i64 {
    let of = |daemon: &Daemon| {
        let (lamps, last_ms) = confirmed(daemon, due_ms);
        assert_eq!(lamps, LAMPS, "a daybook lacks lamps that were due");
        last_ms
    };
    daemons.iter().map(of).max().expect("places")
}

fn memory(rows: &mut Rows, pids: &[u32], broker: u32) {
    let rollup = |pid: u32, name: &str| -> u64 {
        let text = fs::read_to_string(format!("/proc/{pid}/smaps_rollup")).expect("it runs");
        let line = text.lines().find_map(|line| line.strip_prefix(name)).expect("a line of it");
        line.trim().trim_end_matches(" kB").parse().expect("kB")
    };
    let sum = |of: &dyn Fn(u32) -> u64| pids.iter().map(|pid| of(*pid)).sum::<u64>() as f64;
    let (resident, shared, own) =
        (sum(&|pid| status_kb(pid, "VmRSS")), sum(&|pid| rollup(pid, "Pss:")), sum(&|pid| status_kb(pid, "RssAnon")));
    let count = pids.len() as f64;
    let row = |kb: f64| format!("{:.1}, {:.1}", kb / 1e3, kb / count / 1e3);
    rows.push(("resident, all and each, MB", row(resident)));
    rows.push(("… with what they share counted once (PSS)", row(shared)));
    rows.push(("… anonymous alone", row(own)));
    rows.push(("resident of the broker, MB", format!("{:.1}", status_kb(broker, "VmRSS") as f64 / 1e3)));
}

fn idle(rows: &mut Rows, pids: &[u32], broker: u32, seconds: i64) {
    let all = || pids.iter().map(|pid| work(*pid)).fold((0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1));
    let (before, broker_before) = (all(), work(broker));
    let begun = wall_ns();
    sleep_until(begun + seconds * SECOND_NS);
    let (now, broker_now) = (all(), work(broker));
    let minutes = (wall_ns() - begun) as f64 / 60e9;
    let percent = |before: u64, now: u64| (now - before) as f64 / 1e9 / minutes / 60.0 * 100.0;
    rows.push(("idle: processor of all daemons, % of one", format!("{:.3}", percent(before.0, now.0))));
    let wakes = (now.1 - before.1) as f64 / minutes / pids.len() as f64;
    rows.push(("… wake-ups a minute, each", format!("{wakes:.1}")));
    rows.push(("… processor of the broker, % of one", format!("{:.3}", percent(broker_before.0, broker_now.0))));
}

fn bursts(rows: &mut Rows, daemons: &[Daemon], pids: &[u32], broker: u32, port: u16, begin_ns: i64, plugs: &Plugs) {
    let all = daemons.len() * LAMPS;
    let numbers = [port.into(), begin_ns + STEP_S / 2 * SECOND_NS, STEP_S * SECOND_NS, BURSTS, all as i64];
    let mut words = vec!["burst".to_owned()];
    words.extend(numbers.map(|number| number.to_string()));
    words.push("floor".into());
    let mut bare = skeleton(&words);
    let (mut late, mut acked, mut last, mut broker_ms, mut daemons_ms, mut settled) = (
        Spread::default(),
        Spread::default(),
        Spread::default(),
        Spread::default(),
        Spread::default(),
        Spread::default(),
    );
    let cpu = || (work(broker).0, pids.iter().map(|pid| work(*pid).0).sum::<u64>());
    for turn in 0..BURSTS {
        let due_ns = begin_ns + turn * STEP_S * SECOND_NS;
        sleep_until(due_ns - SECOND_NS / 2);
        let before = cpu();
        sleep_until(due_ns + 3 * SECOND_NS);
        let now = cpu();
        broker_ms.0.push((now.0 - before.0) as f64 / 1e6);
        daemons_ms.0.push((now.1 - before.1) as f64 / 1e6);
        let ms = |at_ns: i64| (at_ns - due_ns) as f64 / 1e6;
        let heard = plugs.heard();
        let ours: Vec<f64> = heard
            .orders
            .iter()
            .filter(|(floor, at_ns)| !floor && due_ns - SECOND_NS < *at_ns)
            .map(|(_, at_ns)| ms(*at_ns))
            .collect();
        drop(heard);
        assert_eq!(ours.len(), all, "commands at the plugs in burst {turn}");
        last.0.extend(ours.iter().copied().max_by(f64::total_cmp));
        late.0.extend(ours);
        let taken = daemons.iter().map(|daemon| daemon.metric(TAKEN_AT).expect("commands were taken"));
        acked.0.extend(taken.max_by(f64::total_cmp).map(|at_s| (at_s - due_ns as f64 / 1e9) * 1e3));
    }
    for turn in 0..BURSTS {
        let due_ms = begin_ns / 1_000_000 + turn * STEP_S * 1_000;
        settled.0.push((recorded(daemons, due_ms) - due_ms) as f64);
    }
    let mut floor = Spread::default();
    read_floor(&mut bare, "acked", &mut floor);
    let (p50, p99, worst) = (late.quantile(0.5), late.quantile(0.99), late.quantile(1.0));
    rows.push(("burst: lamps due at one instant", format!("{all}")));
    rows.push(("… late at the plugs, ms: p50, p99, worst", format!("{p50:.1}, {p99:.1}, {worst:.1}")));
    rows.push(("… early", late.0.iter().filter(|late| **late < 0.0).count().to_string()));
    rows.push(("… to the last command at a plug, ms", last.say(0)));
    rows.push(("… to the last PUBACK, ms", acked.say(0)));
    rows.push(("… to the last plug confirmed, in a daybook, ms", settled.say(0)));
    rows.push(("… one bare loop with as many: to the last PUBACK, ms", floor.say(0)));
    rows.push(("… commands a second", format!("{:.0}", all as f64 / last.median() * 1e3)));
    rows.push(("… processor time of the broker, ms", broker_ms.say(0)));
    rows.push(("… of all daemons, ms", daemons_ms.say(0)));
}
