//! What standing still costs: processor time and voluntary context switches a minute, beside the skeleton.

use super::burst::live;
use super::ground::{
    self, Daemon, House, SECOND_NS, Spread, full_second_in, mosquitto, skeleton, sleep_until, wall_ns, work,
};

const SIZES: [usize; 2] = [4, 10_000];

pub fn run(words: &[String]) {
    let minutes: i64 = words.first().map_or(5, |minutes| minutes.parse().expect("a number of minutes"));
    let folder = tempfile::tempdir().expect("a folder");
    // Each has a broker of its own: one plug's report is nobody else's.
    let mut programs: Vec<(String, u32)> = Vec::new();
    let mut kept: (Vec<Daemon>, Vec<ground::Program>) = Default::default();
    for channels in SIZES {
        let folder = folder.path().join(channels.to_string());
        std::fs::create_dir(&folder).expect("a folder");
        let (broker, port) = mosquitto(&folder);
        let bare = skeleton(&["idle".into(), port.to_string(), ground::free_port().to_string()]);
        let sunset_ns = full_second_in(-3 * 3600);
        let house = House { channels, broker: port, own: false, sunset_ns, lit: &|_| vec![(0, None)] };
        let (daemon, _plugs) = live(&house, &folder);
        daemon.wait_until_confirmed(channels);
        programs.push((format!("skeleton beside {channels} channels"), bare.pid()));
        programs.push((format!("{channels} channels"), daemon.pid()));
        kept.0.push(daemon);
        kept.1.extend([broker, bare]);
    }
    // What follows a start has its time: the daybook, the sign of life, the web's last connection.
    sleep_until(wall_ns() + 30 * SECOND_NS);
    let mut seen: Vec<(Spread, Spread)> = vec![Default::default(); programs.len()];
    let mut before: Vec<(u64, u64)> = programs.iter().map(|(_, pid)| work(*pid)).collect();
    for minute in 1..=minutes {
        sleep_until(wall_ns() + 60 * SECOND_NS);
        let _ = minute;
        for (((_, pid), before), (cpu, wakes)) in programs.iter().zip(&mut before).zip(&mut seen) {
            let now = work(*pid);
            cpu.0.push((now.0 - before.0) as f64 / 1e6);
            wakes.0.push((now.1 - before.1) as f64);
            *before = now;
        }
    }
    println!("Each minute of {minutes}, median (least–most); all of them at the same time, keep-alive 10 s.\n");
    println!("| what | wake-ups a minute | more than the skeleton | processor ms a minute | s an hour | ratio |");
    println!("| --- | --- | --- | --- | --- | --- |");
    for (at, ((name, _), (cpu, wakes))) in programs.iter().zip(&seen).enumerate() {
        let mean = |of: &Spread| of.0.iter().sum::<f64>() / of.0.len() as f64;
        let bare = &seen[at - at % 2];
        println!(
            "| {name} | {} | {:+.1} | {} | {:.3} | {:.2} |",
            wakes.say(0),
            mean(wakes) - mean(&bare.1),
            cpu.say(2),
            mean(cpu) * 60.0 / 1e3,
            mean(cpu) / mean(&bare.0)
        );
    }
}
