//! The plugs that do not exist, seen from the broker.

#[path = "common/links.rs"]
mod links;
#[path = "common/mosquitto.rs"]
mod mosquitto;

use std::collections::BTreeMap;
use std::time::Duration;

use lampward::link::{Link, LinkEvent};
use lampward::make_believe::{MakeBelieve, Manners};
use lampward::pure::config;
use links::{settings, until, up};
use mosquitto::Mosquitto;

const FILE: &str = r#"
[place]
name = "Skarvholmen"
position = "59.7412 N, 5.2097 E"
time_zone = "Europe/Oslo"

[plug_kind.socket]
tell   = { topic = "{plug}/order", on = '{"supply":true}', off = '{"supply":false}' }
report = { topic = "{plug}/report", pointer = "/supply", on = true, off = false }
ask    = { topic = "{plug}/ask", payload = "" }
alive  = { topic = "{plug}/alive", yes = "here", no = "gone" }

[channel.jetty]
label = "Jetty lamp"
kind = "socket"
plug = "yard/3"
lit = [{ from = "sunset", until = "sunrise" }]

[channel.festoon]
label = "Boathouse festoon"
plug = "yard/9"
lit = [{ from = "dusk", until = "23:00" }]
"#;

const NEVER: (Duration, Duration) = (Duration::from_secs(86_400), Duration::from_secs(86_400));
const SOON: (Duration, Duration) = (Duration::from_millis(1), Duration::from_millis(20));

fn plug_in(broker: &Mosquitto, manners: &Manners) -> MakeBelieve {
    let config = config::read("lampward.toml", FILE.as_bytes()).unwrap().config;
    MakeBelieve::start(broker.address(), None, &config, 7, manners)
}

fn steady() -> Manners {
    Manners { prompt: SOON, slow_one_in: 0, mains: NEVER, ..Manners::default() }
}

/// Waits until each of these topics has said this, whatever else was said before.
async fn hear(link: &mut Link, expected: &[(&str, &str)]) {
    let mut said: BTreeMap<String, String> = BTreeMap::new();
    until(link, &format!("{expected:?}"), |event| {
        if let LinkEvent::Message { topic, payload, .. } = event {
            said.insert(topic, String::from_utf8_lossy(&payload).into_owned());
        }
        expected.iter().all(|(topic, word)| said.get(*topic).is_some_and(|heard| heard == word)).then_some(())
    })
    .await;
}

const TOPICS: [&str; 4] = ["yard/3/report", "yard/3/alive", "yard/9/report", "yard/9/alive"];

#[tokio::test]
async fn they_say_that_they_are_here_and_dark_and_do_as_they_are_told() {
    let broker = Mosquitto::start();
    let mut link = up(settings(broker.address(), "lampward"), &TOPICS).await;
    let plugs = plug_in(&broker, &steady());
    let dark = [
        ("yard/3/alive", "here"),
        ("yard/3/report", r#"{"supply":false}"#),
        ("yard/9/alive", "here"),
        ("yard/9/report", "off"),
    ];
    hear(&mut link, &dark).await;
    link.publish(None, "yard/3/order", r#"{"supply":true}"#, false);
    link.publish(None, "yard/9/order", "on", false);
    hear(&mut link, &[("yard/3/report", r#"{"supply":true}"#), ("yard/9/report", "on")]).await;
    link.publish(None, "yard/9/order", "off", false);
    hear(&mut link, &[("yard/9/report", "off")]).await;
    drop(plugs);
    hear(&mut link, &[("yard/3/alive", "gone"), ("yard/9/alive", "gone")]).await;
}

#[tokio::test]
async fn they_answer_when_asked_and_not_to_what_they_do_not_understand() {
    let broker = Mosquitto::start();
    let mut link = up(settings(broker.address(), "lampward"), &TOPICS).await;
    let _plugs = plug_in(&broker, &steady());
    hear(&mut link, &[("yard/3/report", r#"{"supply":false}"#), ("yard/9/report", "off")]).await;
    link.publish(None, "yard/3/ask", "", false);
    hear(&mut link, &[("yard/3/report", r#"{"supply":false}"#)]).await;
    link.publish(None, "yard/9/order", "dim", false);
    link.publish(None, "yard/9/order", "on", false);
    let next = until(&mut link, "a report", |event| match event {
        LinkEvent::Message { topic, payload, .. } if topic == "yard/9/report" => Some(payload),
        _ => None,
    });
    assert_eq!(next.await, b"on");
}

#[tokio::test]
async fn now_and_then_one_loses_its_mains_and_comes_back_dark() {
    let broker = Mosquitto::start();
    let mut link = up(settings(broker.address(), "lampward"), &TOPICS).await;
    let mains = (Duration::from_secs(1), Duration::from_secs(1));
    let _plugs = plug_in(&broker, &Manners { mains, gone: SOON, ..steady() });
    hear(&mut link, &[("yard/9/alive", "here")]).await;
    // However often that is: at some time it is lit, then gone, then here again, then dark, in this order.
    link.publish(None, "yard/9/order", "on", true);
    for said in [("yard/9/alive", "gone"), ("yard/9/alive", "here"), ("yard/9/report", "on")] {
        hear(&mut link, &[said]).await;
    }
    link.publish(None, "yard/9/order", "", true);
    for said in [("yard/9/alive", "gone"), ("yard/9/alive", "here"), ("yard/9/report", "off")] {
        hear(&mut link, &[said]).await;
    }
}

#[tokio::test]
async fn they_find_a_broker_that_was_gone() {
    let mut broker = Mosquitto::start();
    let mut link = up(settings(broker.address(), "lampward"), &TOPICS).await;
    let _plugs = plug_in(&broker, &steady());
    hear(&mut link, &[("yard/9/report", "off")]).await;
    link.publish(None, "yard/9/order", "on", false);
    hear(&mut link, &[("yard/9/report", "on")]).await;
    broker.restart();
    hear(&mut link, &[("yard/9/alive", "here"), ("yard/9/report", "on")]).await;
}
