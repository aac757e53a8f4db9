//! A message that is too large to be taken in, kept by the broker under the report topic of one plug.

#[path = "common/house.rs"]
mod house;
#[path = "common/mosquitto.rs"]
mod mosquitto;

use house::{Home, Plugs, clock, until};
use mosquitto::Mosquitto;

#[test]
fn a_huge_retained_message_costs_one_topic_and_is_named_once() {
    let broker = Mosquitto::start();
    broker.publish("yard/77/report", &vec![b'x'; 5 * 1024 * 1024], true);
    let plugs = Plugs::start(broker.port(), |plug| plug != "yard/77");
    let lamps: String = (0..300)
        .map(|n| {
            format!(
                "[channel.lamp{n}]\nlabel = \"Lamp {n}\"\nplug = \"yard/{n}\"\nlit = [{{ from = \"{}\", until = \"{}\" }}]\n",
                clock(-60),
                clock(120)
            )
        })
        .collect();
    let home = Home::new(&format!("[broker]\naddress = \"mqtt://{}\"\n{lamps}", broker.address()));
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");
    daemon.until_logged(&[
        "WARN",
        "topic=\"yard/77/report\"",
        "bytes=",
        "too large for a report: the topic is not listened to",
    ]);
    until("the link is up and stays so", || {
        let up = daemon.log().lines().filter(|line| line.contains("the broker is there")).count();
        let status = daemon.status();
        let plugs = status["channels"].as_array()?.iter().map(|channel| &channel["plugs"][0]);
        let confirmed = plugs.filter(|plug| plug["delivery"] == "confirmed").count();
        (up > 1 && confirmed == 299).then_some(())
    });
    plugs.until_got("yard/77/order", "on");
    let log = daemon.log();
    let count = |words: &str| log.lines().filter(|line| line.contains(words)).count();
    assert_eq!(count("the topic is not listened to"), 1, "{log}");
    assert!(count("the broker is not there") <= 4, "{log}");
    assert_eq!(daemon.status()["broker"]["link"], "up");
}
