//! What a link must do with any broker, and helpers to see it do so.

#![allow(dead_code, reason = "each test uses a part of it")]

use std::collections::{BTreeMap, BTreeSet};
use std::future::Future;
use std::net::SocketAddr;
use std::time::Duration;

use lampward::link::{Link, LinkEvent, LinkSettings};
use lampward::pure::keeper::Ticket;

/// How long anything may take before a test gives up; never a part of what is tested.
pub const PATIENCE: Duration = Duration::from_secs(120);

/// How to get in as `id`, without user and password; speaks on `ID/alive`.
pub fn settings(broker: SocketAddr, id: &str) -> LinkSettings {
    LinkSettings {
        host: broker.ip().to_string(),
        port: broker.port(),
        tls: None,
        user: None,
        password: None,
        client_id: id.to_owned(),
        alive_topic: Some(format!("{id}/alive")),
        folds: true,
    }
}

/// A link that is up.
pub async fn up(settings: LinkSettings, topics: &[&str]) -> Link {
    let mut link = Link::start(settings, topics.iter().map(|&topic| topic.into()).collect());
    until_up(&mut link).await;
    link
}

/// Waits for it, no longer than anyone's patience lasts.
#[track_caller]
pub fn patiently<T>(what: &str, future: impl Future<Output = T>) -> impl Future<Output = T> {
    let place = std::panic::Location::caller();
    async move {
        match tokio::time::timeout(PATIENCE, future).await {
            Ok(done) => done,
            Err(_) => panic!("{place}: in vain: {what}"),
        }
    }
}

/// The first event for which `wanted` has something to say; others are passed over.
#[track_caller]
pub fn until<'a, T: 'a>(
    link: &'a mut Link,
    what: &'a str,
    mut wanted: impl FnMut(LinkEvent) -> Option<T> + 'a,
) -> impl Future<Output = T> + 'a {
    patiently(what, async move {
        loop {
            if let Some(found) = wanted(link.next().await) {
                return found;
            }
        }
    })
}

pub async fn until_up(link: &mut Link) {
    until(link, "up", |event| (event == LinkEvent::Up).then_some(())).await;
}

/// Waits for the link to go down; gives the reason.
pub async fn until_down(link: &mut Link) -> String {
    until(link, "down", |event| match event {
        LinkEvent::Down { because } => Some(because),
        _ => None,
    })
    .await
}

/// The next message: topic, payload as text, and whether it was retained.
pub async fn message(link: &mut Link) -> (String, String, bool) {
    until(link, "a message", |event| match event {
        LinkEvent::Message { topic, payload, retained } => {
            Some((topic, String::from_utf8_lossy(&payload).into_owned(), retained))
        }
        _ => None,
    })
    .await
}

fn text(message: (&str, &str, bool)) -> (String, String, bool) {
    (message.0.to_owned(), message.1.to_owned(), message.2)
}

/// Publishes, waits for the acknowledgement, and sees it arrive elsewhere.
pub async fn a_publish_is_acknowledged_and_arrives(teller: LinkSettings, listener: LinkSettings) {
    let mut listener = up(listener, &["yard/3/order"]).await;
    let mut teller = up(teller, &[]).await;
    teller.publish(Some(Ticket(7)), "yard/3/order", "on", false);
    until(&mut teller, "acknowledged", |event| (event == LinkEvent::Acked(Ticket(7))).then_some(())).await;
    assert_eq!(message(&mut listener).await, text(("yard/3/order", "on", false)));
}

/// A retained report is told from a live one.
pub async fn what_the_broker_kept_is_told_from_news(teller: LinkSettings, listener: LinkSettings) {
    let mut teller = up(teller, &[]).await;
    teller.publish(Some(Ticket(1)), "yard/3/report", "off", true);
    until(&mut teller, "acknowledged", |event| (event == LinkEvent::Acked(Ticket(1))).then_some(())).await;
    let mut listener = up(listener, &["yard/3/report"]).await;
    assert_eq!(message(&mut listener).await, text(("yard/3/report", "off", true)));
    teller.publish(None, "yard/3/report", "on", true);
    assert_eq!(message(&mut listener).await, text(("yard/3/report", "on", false)));
}

/// `here` when it comes, `gone` as the last thing when it goes, by whatever way.
pub async fn it_says_here_and_gone(link: LinkSettings, watcher: LinkSettings) {
    let alive = link.alive_topic.clone().expect("a topic");
    let mut watcher = up(watcher, &[&alive]).await;
    let orderly = up(link.clone(), &[]).await;
    assert_eq!(message(&mut watcher).await, text((&alive, "here", false)));
    orderly.goodbye().await;
    assert_eq!(message(&mut watcher).await, text((&alive, "gone", false)));

    // Dropped without a word: the will speaks. And nothing stands between the first `gone` and the next `here`.
    let dropped = up(link, &[]).await;
    assert_eq!(message(&mut watcher).await, text((&alive, "here", false)));
    drop(dropped);
    assert_eq!(message(&mut watcher).await, text((&alive, "gone", false)));
    watcher.listen(vec![]);
    watcher.listen(vec![alive.as_str().into()]);
    assert_eq!(message(&mut watcher).await, text((&alive, "gone", true)), "it is retained");
}

/// What was listened to before and is no more stays silent; what is new speaks.
pub async fn listening_can_change(teller: LinkSettings, listener: LinkSettings) {
    let mut listener = up(listener, &["yard/3/report", "yard/4/report"]).await;
    let mut teller = up(teller, &[]).await;
    teller.publish(None, "yard/3/report", "1", true);
    teller.publish(Some(Ticket(1)), "yard/5/report", "2", true);
    until(&mut teller, "acknowledged", |event| (event == LinkEvent::Acked(Ticket(1))).then_some(())).await;
    assert_eq!(message(&mut listener).await, text(("yard/3/report", "1", false)));
    listener.listen(vec!["yard/4/report".into(), "yard/5/report".into()]);
    assert_eq!(message(&mut listener).await, text(("yard/5/report", "2", true)));
    teller.publish(None, "yard/3/report", "3", false);
    teller.publish(None, "yard/4/report", "4", false);
    assert_eq!(message(&mut listener).await, text(("yard/4/report", "4", false)));
}

/// Ten thousand commands handed over at once are all taken and all arrive.
pub async fn ten_thousand_commands_at_once_all_arrive(teller: LinkSettings, listener: LinkSettings) {
    let topics: Vec<String> = (0..10_000).map(|n| format!("yard/{n}/order")).collect();
    let mut listener = Link::start(listener, topics.iter().map(|topic| topic.as_str().into()).collect());
    until_up(&mut listener).await;
    let mut teller = up(teller, &[]).await;
    for (n, topic) in topics.iter().enumerate() {
        teller.publish(Some(Ticket(n as u64)), topic, "on", false);
    }
    let (mut acked, mut arrived) = (BTreeSet::new(), BTreeSet::new());
    patiently("all of them", async {
        while acked.len() + arrived.len() < 2 * topics.len() {
            tokio::select! {
                event = teller.next() => match event {
                    LinkEvent::Acked(ticket) => assert!(acked.insert(ticket), "{ticket:?} twice"),
                    other => panic!("{other:?}"),
                },
                event = listener.next() => match event {
                    LinkEvent::Message { topic, .. } => assert!(arrived.insert(topic.clone()), "{topic} twice"),
                    other => panic!("{other:?}"),
                },
            }
        }
    })
    .await;
    assert_eq!(arrived, topics.into_iter().collect());
}

/// Ten thousand retained reports come after the link is up, all of them. Gives both links.
pub async fn ten_thousand_kept_reports_all_come(
    teller: LinkSettings,
    listener: LinkSettings,
    topic: impl Fn(usize) -> String,
) -> (Link, Link) {
    let reports: BTreeMap<String, String> = (0..10_000).map(|n| (topic(n), n.to_string())).collect();
    let mut teller = up(teller, &[]).await;
    for (n, (topic, report)) in reports.iter().enumerate() {
        teller.publish(Some(Ticket(n as u64)), topic, report, true);
    }
    for _ in 0..reports.len() {
        until(&mut teller, "acknowledged", |event| matches!(event, LinkEvent::Acked(_)).then_some(())).await;
    }
    let mut listener = Link::start(listener, reports.keys().map(|topic| topic.as_str().into()).collect());
    until_up(&mut listener).await;
    let mut seen = BTreeMap::new();
    while seen.len() < reports.len() {
        let (topic, payload, retained) = message(&mut listener).await;
        assert!(retained && seen.insert(topic, payload).is_none());
    }
    assert_eq!(seen, reports);
    (teller, listener)
}
