//! From exec to the first command on the wire, beside the skeleton's exec to CONNACK.

use super::ground::{self, House, Spread, full_second_in, mosquitto, skeleton, wall_ns};
use super::plugs;

const SIZES: [usize; 3] = [4, 1_000, 10_000];

pub fn run(words: &[String]) {
    let times: usize = words.first().map_or(15, |times| times.parse().expect("a number of starts"));
    println!(
        "Milliseconds, median (least–most) of {times} starts in turn (10,000 channels: a third of that), each daemon on the state folder of the one \
         before. First command: its arrival at a plug.\n"
    );
    println!("| channels | skeleton: exec to CONNACK | exec to first command | to last | target: 1.5 × + 20 ms |");
    println!("| --- | --- | --- | --- | --- |");
    for channels in SIZES {
        let folder = tempfile::tempdir().expect("a folder");
        let (_broker, port) = mosquitto(folder.path());
        let arrivals = plugs::listen(port);
        let sunset_ns = full_second_in(-3 * 3600);
        let house = House { channels, broker: port, own: false, sunset_ns, lit: &|_| vec![(0, None)] };
        let (file, page) = house.write(folder.path());
        let (mut bare, mut first, mut last) = (Spread::default(), Spread::default(), Spread::default());
        let times = if channels < 5_000 { times } else { times.div_ceil(3) };
        // The first start of all makes the state folder, and is no part of the table.
        for turn in 0..=times {
            let begun = wall_ns();
            let mut program = skeleton(&["idle".into(), port.to_string(), ground::free_port().to_string()]);
            let connected: i64 = program.lines().next().expect("CONNACK").parse().expect("nanoseconds");
            drop(program);
            arrivals.lock().expect("no panic").clear();
            let exec = wall_ns();
            let daemon = ground::start(&file, page, folder.path());
            daemon.wait_until_confirmed(channels);
            let (count, came, went) = plugs::within(&arrivals, plugs::From::Daemon, exec, i64::MAX);
            assert!(count >= channels, "{count} commands");
            if turn > 0 {
                let ms = |at: Option<i64>| (at.expect("it came") - exec) as f64 / 1e6;
                bare.0.push((connected - begun) as f64 / 1e6);
                first.0.push(ms(came));
                last.0.push(ms(went));
            }
        }
        println!(
            "| {channels} | {} | {} | {} | {:.1} |",
            bare.say(1),
            first.say(1),
            last.say(1),
            1.5 * bare.median() + 20.0
        );
    }
}
