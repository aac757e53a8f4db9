//! A house of fifty plugs through everything that can happen to a broker, a network and a daemon: the real binary, a real
//! mosquitto or the own broker, plugs in a process of their own, and people who set and cancel overrides all the while.
//!
//! The ordinary run is a short one. `LAMPWARD_CHAOS=full` plays all of it, with a hundred kills of the daemon, and takes
//! the bounds of docs/reliability.md as they stand; `LAMPWARD_SEED=n` draws the same faults again, as far as a machine lets
//! anything happen twice.

mod faults;
mod ground;
#[path = "../common/house.rs"]
mod house;
mod judge;
mod lamps;
#[path = "../common/mosquitto.rs"]
mod mosquitto;
mod people;
mod plugs;
mod remote;

use std::time::Instant;

use fastrand::Rng;
use faults::Fault::{BrokerKilled, Forgot, HalfOpen, Junk, Large, PortClosed, Restarted, WrongPassword};
use ground::Ground;
use judge::BOUND;
use mosquitto::Mosquitto;
use remote::Remote;

/// What a run with other tests at its side may take, in bounds.
const BUSY: u32 = 4;

#[test]
fn with_mosquitto_every_lamp_is_right_after_every_fault_and_no_override_is_lost() {
    run(false);
}

#[cfg(feature = "own-broker")]
#[test]
fn with_the_own_broker_every_lamp_is_right_after_every_fault_and_no_override_is_lost() {
    run(true);
}

#[test]
fn the_plugs_live_in_a_process_of_their_own() {
    if let Ok(ports) = std::env::var(remote::PORTS) {
        let mut ports = ports.split(' ').map(|port| port.parse().unwrap());
        return plugs::run(ports.next().unwrap(), ports.next().unwrap());
    }
    let broker = Mosquitto::start();
    let plugs = Remote::start(broker.port());
    house::until("every plug is there", || (plugs.counted("connected") == 50).then_some(()));
    assert_eq!(plugs.say()["process"], plugs.id());
    broker.publish("yard/1/order", b"on", false);
    house::until("yard/1 is on", || plugs.say()["lamps"]["yard/1"].as_bool().filter(|on| *on));
}

fn run(own: bool) {
    let full = std::env::var("LAMPWARD_CHAOS").is_ok_and(|how| how == "full");
    let seed = std::env::var("LAMPWARD_SEED").map_or_else(|_| fastrand::u64(..1_000_000), |seed| seed.parse().unwrap());
    let broker = if own { "the own broker" } else { "mosquitto" };
    println!("LAMPWARD_SEED={seed} with {broker}");
    let begun = Instant::now();
    let mut ground = Ground::new(own, seed, if full { 1 } else { BUSY });
    let mut faults = vec![BrokerKilled, HalfOpen, Restarted, Forgot, WrongPassword, PortClosed, Junk, Large];
    let (rounds, kills) = if full { (5, 20) } else { (1, 8) };

    let mut book = ground.people.hush();
    ground.settle(&mut book, "first start", Instant::now(), BOUND + faults::FIRST);
    let settled = lampward::clock::wall();
    drop(book);
    let mut order = Rng::with_seed(seed);
    for _ in 0..rounds {
        order.shuffle(&mut faults);
        for &fault in &faults {
            ground.suffer(fault);
        }
        ground.killed_again_and_again(kills);
    }

    let mut book = ground.people.hush();
    ground.settle(&mut book, "end", Instant::now(), BOUND);
    let on_record = ground.on_record(&book, settled);
    let (said, figures) = (ground.plugs.say(), ground.figures.borrow());
    println!("{} s with {broker}, seed {seed}: every plug agrees at the end", begun.elapsed().as_secs());
    for (fault, times) in &figures.faults {
        println!("  {fault}: {times}");
    }
    println!("  waited for agreement of all plugs: {} times", figures.agreements);
    println!(
        "  overrides: {} orders answered, {} left unanswered, {} comparisons, {} lost",
        book.answered,
        book.unanswered,
        book.compared,
        book.lost.len()
    );
    println!("  switchings of a plug on record: {on_record:?}; hands: 0");
    for what in ["orders", "asks", "reports", "junk", "connections", "refused"] {
        println!("  plugs counted {what}: {}", said[what]);
    }
    for (fault, (took, make)) in &figures.longest {
        println!("  longest until agreement after {fault}: {:.1} s ({make})", took.as_secs_f64());
    }
}
