//! Many plugs heard by one subscription, and when each has its own instead.

#[path = "common/links.rs"]
mod links;
#[path = "common/mosquitto.rs"]
mod mosquitto;
#[path = "common/scripted_broker.rs"]
mod scripted_broker;

use std::collections::BTreeSet;

use lampward::link::{Link, LinkEvent};
use lampward::pure::keeper::Ticket;
use links::{message, settings, until, until_up, up};
use mosquitto::Mosquitto;
use scripted_broker::{Packet, SUBSCRIBE, ScriptedBroker};

fn reports(plugs: usize) -> Vec<String> {
    (0..plugs).map(|n| format!("yard/{n:03}/report")).collect()
}

fn listening(broker: std::net::SocketAddr, topics: &[String]) -> Link {
    Link::start(settings(broker, "lampward"), topics.iter().map(|topic| topic.as_str().into()).collect())
}

/// How many filters the broker was asked for by the link.
fn subscriptions(broker: &Mosquitto) -> usize {
    broker.logged("lampward 0 yard/")
}

/// Publishes these, in this order, all acknowledged.
async fn say(teller: &mut Link, topics: &[String], retain: bool) {
    for (n, topic) in topics.iter().enumerate() {
        teller.publish(Some(Ticket(n as u64)), topic.as_str(), "on", retain);
    }
    for _ in topics {
        until(teller, "acknowledged", |event| matches!(event, LinkEvent::Acked(_)).then_some(())).await;
    }
}

/// All of these are heard, each once at least, and nothing else.
async fn hears(link: &mut Link, topics: &[String]) {
    let mut missing: BTreeSet<&str> = topics.iter().map(String::as_str).collect();
    while !missing.is_empty() {
        let (topic, ..) = message(link).await;
        assert!(topics.contains(&topic), "{topic} is not ours");
        missing.remove(topic.as_str());
    }
}

#[tokio::test]
async fn ten_thousand_kept_reports_all_come_by_one_subscription() {
    let broker = Mosquitto::start();
    let (teller, listener) = (settings(broker.address(), "a"), settings(broker.address(), "lampward"));
    links::ten_thousand_kept_reports_all_come(teller, listener, |n| format!("yard/{n}/report")).await;
    assert_eq!(subscriptions(&broker), 1, "{}", broker.log());
}

#[tokio::test]
async fn what_others_say_beneath_is_not_handed_on() {
    let broker = Mosquitto::start();
    let ours = reports(300);
    let mut link = listening(broker.address(), &ours);
    until_up(&mut link).await;
    let mut teller = up(settings(broker.address(), "teller"), &[]).await;
    say(&mut teller, &["yard/300/report".into(), "yard/cat/report".into(), ours[0].clone()], false).await;
    assert_eq!(message(&mut link).await.0, ours[0]);
    assert_eq!(subscriptions(&broker), 1);
}

#[tokio::test]
async fn where_others_say_more_than_our_plugs_each_has_a_subscription_of_its_own_and_nothing_goes_unheard() {
    let broker = Mosquitto::start();
    let (ours, all) = (reports(300), reports(1_000));
    let mut link = listening(broker.address(), &ours);
    until_up(&mut link).await;
    let mut teller = up(settings(broker.address(), "teller"), &[]).await;
    // Ours come last, while one subscription gives way to three hundred.
    say(&mut teller, &all.iter().rev().cloned().collect::<Vec<_>>(), false).await;
    hears(&mut link, &ours).await;
    while broker.logged("lampward yard/+/report") == 0 {
        // Taken back once the others are in force.
        tokio::time::sleep(std::time::Duration::from_millis(5)).await;
    }
    assert_eq!(subscriptions(&broker), 301);
    say(&mut teller, &all, false).await;
    hears(&mut link, &ours).await;
}

#[tokio::test]
async fn what_is_added_and_taken_away_goes_by_the_filter_or_without() {
    let broker = Mosquitto::start();
    let mut link = listening(broker.address(), &reports(300));
    until_up(&mut link).await;
    let mut teller = up(settings(broker.address(), "teller"), &[]).await;
    let topics = |plugs: usize| reports(plugs).iter().map(|topic| topic.as_str().into()).collect();
    for plugs in [301, 2, 299] {
        link.listen(topics(plugs));
        let end = format!("end/{plugs}");
        link.publish(Some(Ticket(1)), end, "", false);
        until(&mut link, "acknowledged", |event| (event == LinkEvent::Acked(Ticket(1))).then_some(())).await;
        say(&mut teller, &reports(302).into_iter().rev().collect::<Vec<_>>(), true).await;
        hears(&mut link, &reports(plugs)).await;
    }
}

#[tokio::test]
async fn a_broker_that_allows_no_wildcard_is_asked_for_each_topic() {
    let broker = ScriptedBroker::listen().await;
    let mut link = listening(broker.address, &reports(300));
    let mut session = broker.accept().await;
    let folded = session.expect(SUBSCRIBE).await;
    assert_eq!(filters(&folded), ["yard/+/report"]);
    let id = folded.id_at(0);
    session.send(&[0x90, 3, id[0], id[1], 0x80]).await;
    let mut each = Vec::new();
    while each.len() < 300 {
        let portion = session.expect(SUBSCRIBE).await;
        let filters = filters(&portion);
        let id = portion.id_at(0);
        let length = filters.len() + 2;
        session
            .send(
                &[&[0x90, (length % 128) as u8 | 0x80, (length / 128) as u8], &id[..], &vec![0; filters.len()]]
                    .concat(),
            )
            .await;
        each.extend(filters);
    }
    assert_eq!(each, reports(300));
    until_up(&mut link).await;
    session.send(b"\x30\x11\x00\x0fyard/007/report").await;
    assert_eq!(message(&mut link).await.0, "yard/007/report");
}

#[tokio::test]
async fn a_broker_that_hangs_up_at_a_wildcard_is_not_asked_again() {
    let broker = ScriptedBroker::listen().await;
    let _link = listening(broker.address, &reports(300));
    let mut session = broker.accept().await;
    assert_eq!(filters(&session.expect(SUBSCRIBE).await), ["yard/+/report"]);
    drop(session);
    let mut session = broker.accept().await;
    assert_eq!(filters(&session.expect(SUBSCRIBE).await), reports(200));
}

/// What a SUBSCRIBE asks for.
fn filters(subscribe: &Packet) -> Vec<String> {
    let mut rest = &subscribe.body[2..];
    let mut filters = Vec::new();
    while let [high, low, ..] = *rest {
        let end = 2 + usize::from(u16::from_be_bytes([high, low]));
        filters.push(String::from_utf8(rest[2..end].to_vec()).unwrap());
        rest = &rest[end + 1..];
    }
    filters
}
