//! Many plugs heard by one subscription, and when each has its own instead.

#[path = "common/links.rs"]
mod links;
#[path = "common/mosquitto.rs"]
mod mosquitto;
#[path = "common/scripted_broker.rs"]
mod scripted_broker;

use std::collections::BTreeSet;
use std::time::Duration;

use lampward::link::{Link, LinkEvent};
use lampward::pure::keeper::Ticket;
use links::{message, patiently, settings, until, until_up, up};
use mosquitto::Mosquitto;
use scripted_broker::{Packet, SUBSCRIBE, ScriptedBroker, Session, UNSUBSCRIBE};

fn reports(plugs: usize) -> Vec<String> {
    (0..plugs).map(|n| format!("yard/{n:03}/report")).collect()
}

fn listening(broker: std::net::SocketAddr, topics: &[String]) -> Link {
    Link::start(settings(broker, "lampward"), topics.iter().map(|topic| topic.as_str().into()).collect())
}

/// How often the broker was asked for a filter by the link.
fn subscriptions(broker: &Mosquitto) -> usize {
    broker.logged("lampward 0 yard/")
}

/// Until the broker has been told so often to forget a filter of the link's; then it hears by what is left.
async fn given_up(broker: &Mosquitto, filters: usize) {
    // "lampward 0 FILTER" for what is asked for, "lampward FILTER" for what is given up.
    patiently("given up", async {
        while broker.logged("lampward yard/") < filters {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    })
    .await;
}

/// Publishes these, in this order, all acknowledged.
async fn say(teller: &mut Link, topics: &[String], what: &str, retain: bool) {
    for (n, topic) in topics.iter().enumerate() {
        teller.publish(Some(Ticket(n as u64)), topic.as_str(), what, retain);
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
async fn ten_thousand_plugs_are_heard_by_one_subscription_and_all_that_is_kept_comes() {
    let broker = Mosquitto::start();
    let (teller, listener) = (settings(broker.address(), "a"), settings(broker.address(), "lampward"));
    let (_teller, mut link) =
        links::ten_thousand_kept_reports_all_come(teller, listener, |n| format!("yard/{n}/report")).await;
    assert!(subscriptions(&broker) >= 10_000, "kept reports come in portions");
    // Read on, or the broker waits for us.
    tokio::select! {
        () = given_up(&broker, 10_000) => {}
        _ = until(&mut link, "down", |event| match event {
            LinkEvent::Down { because } => panic!("{because}"),
            _ => None::<()>,
        }) => {}
    }
    assert_eq!(broker.logged("lampward 0 yard/+/report"), 1);
    assert_eq!(subscriptions(&broker), 10_001);
}

/// A link of so many plugs, heard by one subscription, and somebody who speaks.
async fn folded(broker: &Mosquitto, plugs: usize) -> (Link, Link) {
    let mut link = listening(broker.address(), &reports(plugs));
    until_up(&mut link).await;
    given_up(broker, plugs).await;
    assert_eq!(subscriptions(broker), plugs + 1);
    (link, up(settings(broker.address(), "teller"), &[]).await)
}

#[tokio::test]
async fn what_others_say_beneath_is_not_handed_on() {
    let broker = Mosquitto::start();
    let (mut link, mut teller) = folded(&broker, 300).await;
    let ours = reports(300);
    say(&mut teller, &["yard/300/report".into(), "yard/cat/report".into(), ours[0].clone()], "on", false).await;
    assert_eq!(message(&mut link).await.0, ours[0]);
}

#[tokio::test]
async fn where_others_say_more_than_our_plugs_each_has_a_subscription_of_its_own_and_nothing_goes_unheard() {
    let broker = Mosquitto::start();
    let (mut link, mut teller) = folded(&broker, 300).await;
    let (ours, all) = (reports(300), reports(1_000));
    // Ours come last, while one subscription gives way to three hundred.
    say(&mut teller, &all.iter().rev().cloned().collect::<Vec<_>>(), "on", false).await;
    hears(&mut link, &ours).await;
    given_up(&broker, 301).await;
    assert_eq!(broker.logged("lampward yard/+/report"), 1);
    assert_eq!(subscriptions(&broker), 601);
    say(&mut teller, &all, "on", false).await;
    hears(&mut link, &ours).await;
}

#[tokio::test]
async fn what_is_added_and_taken_away_is_heard_with_what_was_kept_of_it_before() {
    let broker = Mosquitto::start();
    let (mut link, mut teller) = folded(&broker, 300).await;
    say(&mut teller, &reports(302), "kept", true).await;
    for plugs in [301, 2, 299] {
        link.listen(reports(plugs).iter().map(|topic| topic.as_str().into()).collect());
        let mut missing: BTreeSet<String> = reports(plugs).into_iter().collect();
        while !missing.is_empty() {
            let (topic, payload, _) = message(&mut link).await;
            assert_eq!(payload, "kept");
            missing.remove(&topic);
        }
        // What is not listened to any more is not heard, what is still heard is.
        let round = plugs.to_string();
        say(&mut teller, &reports(302).into_iter().rev().collect::<Vec<_>>(), &round, false).await;
        for expected in reports(plugs).into_iter().rev() {
            let live = |event| match event {
                LinkEvent::Message { topic, payload, .. } => (payload == round.as_bytes()).then_some(topic),
                _ => None,
            };
            assert_eq!(until(&mut link, "live", live).await, expected);
        }
    }
}

/// Answers portions until so many topics have been asked for and granted; gives them.
async fn grants(session: &mut Session, topics: usize) -> Vec<String> {
    let mut granted = Vec::new();
    while granted.len() < topics {
        let portion = session.expect(SUBSCRIBE).await;
        let filters = filters(&portion);
        answer(session, &portion, &vec![0; filters.len()]).await;
        granted.extend(filters);
    }
    granted
}

async fn answer(session: &mut Session, subscribe: &Packet, codes: &[u8]) {
    let length = codes.len() + 2;
    let (head, id) = ([0x90, (length % 128) as u8 | 0x80, (length / 128) as u8], subscribe.id_at(0));
    session.send(&[&head[..], &id[..], codes].concat()).await;
}

#[tokio::test]
async fn a_broker_that_allows_no_wildcard_has_all_topics_asked_for_and_none_given_up() {
    let broker = ScriptedBroker::listen().await;
    let mut link = listening(broker.address, &reports(300));
    let mut session = broker.accept().await;
    assert_eq!(grants(&mut session, 300).await, reports(300));
    until_up(&mut link).await;
    let folded = session.expect(SUBSCRIBE).await;
    assert_eq!(filters(&folded), ["yard/+/report"]);
    answer(&mut session, &folded, &[0x80]).await;
    // Nothing was given up, but it can't know what a broker makes of a refusal: all are asked for once more.
    let mut again = Vec::new();
    while again.len() < 300 {
        let packet = patiently("a packet", session.packet()).await;
        assert_ne!(packet.kind, UNSUBSCRIBE);
        if packet.kind == SUBSCRIBE {
            let filters = filters(&packet);
            answer(&mut session, &packet, &vec![0; filters.len()]).await;
            again.extend(filters);
        }
    }
    assert_eq!(again, reports(300));
    session.send(b"\x30\x11\x00\x0fyard/007/report").await;
    assert_eq!(message(&mut link).await.0, "yard/007/report");
}

#[tokio::test]
async fn a_broker_that_hangs_up_at_a_wildcard_is_not_asked_again() {
    let broker = ScriptedBroker::listen().await;
    let mut link = listening(broker.address, &reports(300));
    let mut session = broker.accept().await;
    grants(&mut session, 300).await;
    assert_eq!(filters(&session.expect(SUBSCRIBE).await), ["yard/+/report"]);
    drop(session);
    let mut session = broker.accept().await;
    grants(&mut session, 300).await;
    until_up(&mut link).await;
    until_up(&mut link).await;
    // Whatever is asked for after this comes after a filter would have.
    link.watch(vec!["yard/#".into()]);
    assert_eq!(filters(&session.expect(SUBSCRIBE).await), ["yard/#"]);
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
