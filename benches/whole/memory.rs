//! Resident memory for a growing number of channels, at rest and in a burst, beside the bare skeleton; and whether it stays flat.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::mpsc::channel;
use std::time::Duration;

use rumqttc::{Client, Event, MqttOptions, Packet, QoS};

use super::burst::live;
use super::ground::{self, House, SECOND_NS, Spread, full_second_in, mosquitto, skeleton, sleep_until, status_kb};

pub fn run(words: &[String]) {
    let runs: usize = words.first().map_or(3, |runs| runs.parse().expect("a number of runs"));
    println!(
        "Resident kB, median (least–most) of {runs} runs. One rule a channel; the burst is one instant at which all of them \
         go on. `each further`: what a channel costs beyond the first four, by daemons that lie at the same addresses in every \
         start (`setarch -R`). The system maps 64 kB around each page of a program that is used: otherwise chance decides where \
         those begin, and 0.3 MB with it.\n"
    );
    println!(
        "| channels | skeleton | at rest | ratio | of it anonymous | peak in a burst | 5 s after it | at rest, same addresses | 5 s after a burst, same addresses | each further, at rest | each further, after |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    let mut four = None;
    let sizes = words.get(1).map_or("4,100,1000,10000", String::as_str);
    for channels in sizes.split(',').map(|size| size.parse().expect("numbers of channels")) {
        let mut seen: [Spread; 7] = Default::default();
        for _ in 0..runs {
            for (spread, kb) in seen.iter_mut().zip(once(channels)) {
                spread.0.push(kb as f64);
            }
        }
        let [bare, rest, anonymous, peak, after, fixed_rest, fixed_after] = &seen;
        let (rest_4, after_4) = *four.get_or_insert((fixed_rest.median(), fixed_after.median()));
        let further = |now: f64, then: f64| {
            if channels == 4 { "–".to_owned() } else { format!("{:.2} kB", (now - then) / (channels - 4) as f64) }
        };
        println!(
            "| {channels} | {} | {} | {:.2} | {} | {} | {} | {} | {} | {} | {} |",
            bare.say(0),
            rest.say(0),
            rest.median() / bare.median(),
            anonymous.say(0),
            peak.say(0),
            after.say(0),
            fixed_rest.say(0),
            fixed_after.say(0),
            further(fixed_rest.median(), rest_4),
            further(fixed_after.median(), after_4),
        );
    }
}

/// Of the skeleton; ours at rest, its anonymous part, at the peak of a burst, after it; of one at the same addresses in every
/// start at rest and after a burst.
fn once(channels: usize) -> [u64; 7] {
    let folders = [tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder")];
    let [folder, beside] = [folders[0].path(), folders[1].path()];
    let (_broker, port) = mosquitto(folder);
    let bare = skeleton(&["idle".into(), port.to_string(), ground::free_port().to_string()]);
    let begin_ns = full_second_in(12 + channels as i64 / 300);
    let house = House { channels, broker: port, own: false, sunset_ns: begin_ns, lit: &|_| vec![(0, None)] };
    let (daemon, _plugs) = live(&house, folder);
    // One after the other: a household has one, and two that start at once are in each other's way.
    daemon.wait_until_at_rest();
    let (_other_broker, port) = mosquitto(beside);
    let later_ns = begin_ns + 8 * SECOND_NS;
    let _other_plugs = super::plugs::listen(port);
    let (file, page) = House { broker: port, sunset_ns: later_ns, ..house }.write(beside);
    let fixed = ground::start_with(&["setarch", "-R"], &file, page, beside);
    fixed.wait_until_at_rest();
    // Nobody asks its web meanwhile: that would be a rest of another kind.
    sleep_until(begin_ns - 2 * SECOND_NS);
    let pid = daemon.pid();
    let (skeleton_kb, rest, anonymous) =
        (status_kb(bare.pid(), "VmRSS"), status_kb(pid, "VmRSS"), status_kb(pid, "RssAnon"));
    ground::forget_peak(pid);
    sleep_until(begin_ns + 5 * SECOND_NS);
    let (peak, after) = (status_kb(pid, "VmHWM"), status_kb(pid, "VmRSS"));
    sleep_until(later_ns - 2 * SECOND_NS);
    let fixed_rest = status_kb(fixed.pid(), "VmRSS");
    sleep_until(later_ns + 5 * SECOND_NS);
    let fixed_after = status_kb(fixed.pid(), "VmRSS");
    for daemon in [daemon, fixed] {
        daemon.wait_until_confirmed(channels);
    }
    [skeleton_kb, rest, anonymous, peak, after, fixed_rest, fixed_after]
}

/// Resident memory over many reports and many connections.
pub fn flat(words: &[String]) {
    let number = |at: usize, otherwise: usize| words.get(at).map_or(otherwise, |word| word.parse().expect("a number"));
    let (reports, connections) = (number(0, 1_000_000), number(1, 1_000));
    const CHANNELS: usize = 100;
    let folder = tempfile::tempdir().expect("a folder");
    let (_broker, port) = mosquitto(folder.path());
    let (through, cuts) = cutter(port);
    let _plugs = super::plugs::listen(port);
    let house = House {
        channels: CHANNELS,
        broker: through,
        own: false,
        sunset_ns: full_second_in(-3 * 3600),
        lit: &|_| vec![(0, None)],
    };
    let daemon = house.start(folder.path());
    daemon.wait_until_confirmed(CHANNELS);
    println!("Resident kB of a daemon with {CHANNELS} channels.\n");
    println!("| after | resident | of it anonymous |");
    println!("| --- | --- | --- |");
    let say = |after: &str| {
        std::thread::sleep(Duration::from_secs(2));
        println!("| {after} | {} | {} |", status_kb(daemon.pid(), "VmRSS"), status_kb(daemon.pid(), "RssAnon"));
    };
    say("the start");
    let tenth = reports / 10;
    for part in 1..=10 {
        blast(port, CHANNELS, tenth, &daemon);
        say(&format!("{} reports", part * tenth));
    }
    let mut made = 0;
    while made < connections {
        let before = made;
        while made < (before + connections / 10).min(connections) {
            cuts.send(()).expect("the cutter works");
            made += 1;
            // As soon as it is up again; the daemon waits up to 3 s between tries.
            while daemon.metric("lampward_broker_up") != Some(0.0) {
                std::thread::sleep(Duration::from_millis(20));
            }
            while daemon.metric("lampward_broker_up") != Some(1.0) {
                std::thread::sleep(Duration::from_millis(50));
            }
        }
        say(&format!("{made} connections made anew"));
    }
}

/// Sends so many reports of lamps being on, and waits until the daemon has taken in all of them: they come in order, and the last
/// is of a lamp that sends none of them.
fn blast(port: u16, channels: usize, reports: usize, daemon: &ground::Daemon) {
    let mut options = MqttOptions::new("blast", "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(10)).set_inflight(1_000);
    let (client, mut connection) = Client::new(options, 10_000);
    let sender = std::thread::spawn(move || {
        for report in 0..reports {
            let topic = format!("yard/{}/report", report % (channels - 1));
            client.publish(topic, QoS::AtLeastOnce, false, "on").expect("it is taken");
        }
        client
    });
    let mut acked = 0;
    for event in connection.iter() {
        if let Ok(Event::Incoming(Packet::PubAck(_))) = event {
            acked += 1;
            if acked == reports {
                break;
            }
        }
        event.expect("the broker stays");
    }
    let client = sender.join().expect("no panic");
    std::thread::spawn(move || connection.iter().take_while(Result::is_ok).count());
    // It says the opposite of before: that is corrected or taken for a hand, and either is counted, or it agrees with what a hand made it.
    let marker = channels - 1;
    let said = || daemon.metric(&format!("lampward_said_on{{channel=\"c{marker}\",plug=\"yard/{marker}\"}}"));
    let counted = || {
        let of = |name: &str| daemon.metric(name).unwrap_or(0.0);
        of("lampward_commands_taken_total") + of("lampward_hands_total")
    };
    let (was_on, before) = (said() == Some(1.0), counted());
    let word = if was_on { "off" } else { "on" };
    client.publish(format!("yard/{marker}/report"), QoS::AtLeastOnce, false, word).expect("it is taken");
    while counted() == before && (said() == Some(1.0)) == was_on {
        std::thread::sleep(Duration::from_millis(100));
    }
    let _ = client.disconnect();
}

/// A wire to the broker that is cut on demand.
fn cutter(broker: u16) -> (u16, std::sync::mpsc::Sender<()>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("an address").port();
    let (cut, cuts) = channel();
    let (made, wires) = channel::<(TcpStream, TcpStream)>();
    std::thread::spawn(move || {
        for near in listener.incoming().map_while(Result::ok) {
            let far = TcpStream::connect(("127.0.0.1", broker)).expect("the broker is there");
            for stream in [&near, &far] {
                stream.set_nodelay(true).expect("a setting");
            }
            let copy = |stream: &TcpStream| stream.try_clone().expect("a handle");
            for (mut from, mut to) in [(copy(&near), copy(&far)), (copy(&far), copy(&near))] {
                std::thread::spawn(move || {
                    let mut bytes = vec![0; 64 * 1024];
                    while let Ok(count @ 1..) = from.read(&mut bytes) {
                        if to.write_all(&bytes[..count]).is_err() {
                            break;
                        }
                    }
                    let _ = to.shutdown(Shutdown::Both);
                });
            }
            if made.send((near, far)).is_err() {
                return;
            }
        }
    });
    std::thread::spawn(move || {
        let mut wire = None;
        for () in cuts {
            wire = wires.try_iter().last().or(wire);
            let Some((near, far)) = &wire else { continue };
            let _ = (near.shutdown(Shutdown::Both), far.shutdown(Shutdown::Both));
        }
    });
    (port, cut)
}
