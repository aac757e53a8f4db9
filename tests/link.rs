//! The link against a real mosquitto, and what happens when that dies, freezes, refuses, or hands over junk.

#[path = "common/links.rs"]
mod links;
#[path = "common/mosquitto.rs"]
mod mosquitto;
#[path = "common/scripted_broker.rs"]
mod scripted_broker;

use lampward::link::{Link, LinkEvent, LinkSettings};
use lampward::pure::keeper::Ticket;
use links::{message, patiently, settings, until, until_down, until_up, up};
use mosquitto::Mosquitto;
use scripted_broker::{PUBLISH, SUBSCRIBE, ScriptedBroker};

#[tokio::test]
async fn a_publish_is_acknowledged_and_arrives() {
    let broker = Mosquitto::start();
    links::a_publish_is_acknowledged_and_arrives(settings(broker.address(), "a"), settings(broker.address(), "b"))
        .await;
}

#[tokio::test]
async fn what_the_broker_kept_is_told_from_news() {
    let broker = Mosquitto::start();
    links::what_the_broker_kept_is_told_from_news(settings(broker.address(), "a"), settings(broker.address(), "b"))
        .await;
}

#[tokio::test]
async fn it_says_here_when_it_comes_and_gone_when_it_goes() {
    let broker = Mosquitto::start();
    links::it_says_here_and_gone(settings(broker.address(), "a"), settings(broker.address(), "b")).await;
}

#[tokio::test]
async fn listening_can_change_while_the_link_is_up() {
    let broker = Mosquitto::start();
    links::listening_can_change(settings(broker.address(), "a"), settings(broker.address(), "b")).await;
}

#[tokio::test]
async fn ten_thousand_commands_at_once_all_arrive() {
    let broker = Mosquitto::start();
    links::ten_thousand_commands_at_once_all_arrive(settings(broker.address(), "a"), settings(broker.address(), "b"))
        .await;
}

#[tokio::test]
async fn ten_thousand_kept_reports_all_come() {
    let broker = Mosquitto::start();
    let (teller, listener) = (settings(broker.address(), "a"), settings(broker.address(), "b"));
    links::ten_thousand_kept_reports_all_come(teller, listener, |n| format!("yard{}/{n}/report", n / 200)).await;
}

#[tokio::test]
async fn a_broker_that_dies_with_commands_in_flight_is_found_again_and_nothing_old_is_replayed() {
    let mut broker = Mosquitto::start();
    let mut link = up(settings(broker.address(), "lampward"), &["yard/3/report"]).await;
    // Stopped, so that it takes in what we send and answers nothing.
    broker.pause();
    for n in 0..2_000 {
        link.publish(Some(Ticket(n)), format!("yard/{n}/order"), "old", true);
    }
    broker.kill();
    until_down(&mut link).await;
    link.publish(Some(Ticket(9_000)), "yard/3/order", "while down", true);
    broker.restart();
    until_up(&mut link).await;

    broker.publish("yard/3/report", b"on", false);
    let seen = message(&mut link).await;
    assert_eq!(seen, ("yard/3/report".into(), "on".into(), false), "subscriptions live again");
    link.publish(Some(Ticket(9_001)), "yard/3/order", "new", true);
    let acked = until(&mut link, "acknowledged", |event| match event {
        LinkEvent::Acked(ticket) => Some(ticket),
        _ => None,
    });
    assert_eq!(acked.await, Ticket(9_001));
    let mut all: Vec<_> = (0..2_000).map(|n| format!("yard/{n}/order").into()).collect();
    all.push("end".into());
    broker.publish("end", b"end", true);
    let mut witness = Link::start(settings(broker.address(), "witness"), all);
    let mut kept = vec![message(&mut witness).await, message(&mut witness).await];
    kept.sort();
    assert_eq!(
        kept,
        [("end".into(), "end".into(), true), ("yard/3/order".into(), "new".into(), true)],
        "what was in flight is gone"
    );
}

#[tokio::test]
async fn a_broker_that_freezes_is_noticed_and_publishing_never_blocks() {
    let broker = Mosquitto::start();
    let mut link = up(settings(broker.address(), "lampward"), &["yard/3/report"]).await;
    broker.pause();
    // Far more than any queue and socket hold; were this to block, the test would never end.
    for n in 0..100_000 {
        link.publish(Some(Ticket(n)), "yard/3/order", "on", false);
    }
    let because = until_down(&mut link).await;
    assert_eq!(because, format!("the broker at {} has fallen silent", broker.address()));
    broker.resume();
    until_up(&mut link).await;
    broker.publish("yard/3/report", b"on", false);
    message(&mut link).await;
}

#[tokio::test]
async fn a_broker_that_is_not_there_is_said_once_and_found_when_it_comes() {
    let mut broker = Mosquitto::start();
    broker.kill();
    let mut link = Link::start(settings(broker.address(), "lampward"), vec![]);
    let because = until_down(&mut link).await;
    assert_eq!(because, format!("cannot reach the broker at {}: connection refused", broker.address()));
    broker.restart();
    patiently("up", async { assert_eq!(link.next().await, LinkEvent::Up, "no second Down for the same reason") }).await;
}

#[tokio::test]
async fn a_wrong_password_is_said_and_not_tried_again_and_again() {
    let broker = Mosquitto::with_account("lampward", "right");
    let mut wrong = settings(broker.address(), "wrong");
    (wrong.user, wrong.password) = (Some("lampward".into()), Some("wrong".into()));
    let mut right = settings(broker.address(), "right");
    (right.user, right.password) = (Some("lampward".into()), Some("right".into()));

    let begun = std::time::Instant::now();
    let mut shut_out = Link::start(wrong, vec![]);
    let because = until_down(&mut shut_out).await;
    assert_eq!(because, format!("the broker at {} refuses the user `lampward` or its password", broker.address()));
    // Whoever has the right one gets in, many times over, while the other waits.
    for _ in 0..20 {
        let link = up(right.clone(), &[]).await;
        link.goodbye().await;
    }
    let tries = broker.logged("not authorised");
    let most = 1 + begun.elapsed().as_secs() as usize / 30;
    assert!((1..=most).contains(&tries), "{tries} tries in {:?}", begun.elapsed());
}

#[tokio::test]
async fn a_broker_that_wants_a_password_says_so_to_one_who_has_none() {
    let broker = Mosquitto::with_account("lampward", "right");
    let mut link = Link::start(settings(broker.address(), "a"), vec![]);
    let because = until_down(&mut link).await;
    assert_eq!(because, format!("the broker at {} wants a user and a password", broker.address()));
}

#[tokio::test]
async fn retained_junk_under_our_topics_does_no_harm() {
    let broker = Mosquitto::start();
    let junk = vec![0xff; 20_000];
    broker.publish("yard/2/report", &vec![b'1'; 300_000], true);
    broker.publish("yard/3/report", &junk, true);
    broker.publish("yard/4/report", b"on", true);
    let topics = ["yard/2/report", "yard/3/report", "yard/4/report"];
    let mut link = up(settings(broker.address(), "lampward"), &topics).await;
    let mut seen = Vec::new();
    while seen.len() < 2 {
        let message = |event| match event {
            LinkEvent::Message { topic, payload, retained: true } => Some((topic, payload)),
            LinkEvent::Down { because } => panic!("{because}"),
            _ => None,
        };
        seen.push(until(&mut link, "a message", message).await);
    }
    seen.sort();
    assert_eq!(seen, [("yard/3/report".into(), junk), ("yard/4/report".into(), b"on".to_vec())]);
    assert_eq!(broker.logged("as lampward"), 1, "{}", broker.log());
}

#[tokio::test]
async fn what_no_broker_would_take_is_left_out_and_the_link_stays_up() {
    let broker = Mosquitto::start();
    let mut link = up(settings(broker.address(), "lampward"), &[]).await;
    for topic in ["", "yard/+/order", "yard/#", "yard/\0/order", "y".repeat(65_536).as_str()] {
        link.publish(Some(Ticket(1)), topic, "on", false);
    }
    link.publish(Some(Ticket(2)), "yard/3/order", "x".repeat(300_000), false);
    link.publish(Some(Ticket(3)), "yard/3/order", "on", false);
    patiently("acknowledged", async { assert_eq!(link.next().await, LinkEvent::Acked(Ticket(3))) }).await;
}

#[tokio::test]
async fn two_with_the_same_id_do_not_throw_each_other_off_without_end() {
    let broker = Mosquitto::start();
    let begun = std::time::Instant::now();
    let mut one = up(settings(broker.address(), "lampward"), &[]).await;
    let mut other = up(settings(broker.address(), "lampward"), &[]).await;
    let mut thrown_off = 0;
    patiently("thrown off", async {
        while thrown_off < 8 {
            let event = tokio::select! { event = one.next() => event, event = other.next() => event };
            thrown_off += usize::from(matches!(event, LinkEvent::Down { .. }));
        }
    })
    .await;
    // Each waits at least 125 ms, then twice that, and so on: a slow machine only makes it fewer.
    let connections = broker.logged("as lampward");
    let most = 10 + 2 * begun.elapsed().as_secs() as usize;
    assert!(connections <= most, "{connections} connections in {:?}", begun.elapsed());
}

#[tokio::test]
async fn a_topic_the_broker_keeps_to_itself_does_not_keep_the_link_down() {
    let broker = ScriptedBroker::listen().await;
    let mut link = Link::start(settings(broker.address, "lampward"), vec!["cellar/1".into(), "yard/3".into()]);
    let mut session = broker.accept().await;
    let id = session.expect(SUBSCRIBE).await.id_at(0);
    session.send(&[0x90, 4, id[0], id[1], 0x80, 0x00]).await;
    until_up(&mut link).await;
    session.send(b"\x30\x0a\x00\x06yard/3on").await;
    assert_eq!(message(&mut link).await, ("yard/3".into(), "on".into(), false));
}

#[tokio::test]
async fn acknowledgements_in_any_order_find_their_commands_and_block_nothing() {
    let broker = ScriptedBroker::listen().await;
    let mut link = Link::start(settings(broker.address, "lampward"), vec![]);
    let mut session = broker.accept().await;
    until_up(&mut link).await;
    for n in 0..500 {
        link.publish(Some(Ticket(n)), format!("yard/{n}"), "on", false);
    }
    // Acknowledged in pairs, the later one first; `here` makes the number of publishes odd.
    let acked = tokio::spawn(async move {
        let mut acked = Vec::new();
        while acked.len() < 500 {
            let event = until(&mut link, "acknowledged", |event| match event {
                LinkEvent::Acked(ticket) => Some(ticket.0),
                LinkEvent::Down { because } => panic!("{because}"),
                _ => None,
            });
            acked.push(event.await);
        }
        acked
    });
    let mut on_the_wire = Vec::new();
    let mut acknowledged = Vec::new();
    for n in 0..501_u64 {
        let publish = session.expect(PUBLISH).await;
        let topic_bytes = usize::from(publish.body[1]) + 256 * usize::from(publish.body[0]);
        on_the_wire.push((n, publish.id_at(2 + topic_bytes)));
        if on_the_wire.len() == 2 || n == 500 {
            for (n, id) in on_the_wire.drain(..).rev() {
                session.send(&[0x40, 2, id[0], id[1]]).await;
                acknowledged.extend(n.checked_sub(1));
            }
        }
    }
    assert_eq!(patiently("all acknowledged", acked).await.unwrap(), acknowledged);
}

#[tokio::test]
async fn a_hundred_commands_are_on_their_way_at_most_and_all_come_in_order() {
    let broker = ScriptedBroker::listen().await;
    let unsaid = LinkSettings { alive_topic: None, ..settings(broker.address, "lampward") };
    let mut link = Link::start(unsaid, vec![]);
    let mut session = broker.accept().await;
    until_up(&mut link).await;
    for n in 0..250 {
        link.publish(Some(Ticket(n)), format!("yard/{n}"), if n % 3 == 0 { "on" } else { "off" }, false);
    }
    let mut answers = Vec::new();
    for n in 0..250 {
        let publish = session.expect(PUBLISH).await;
        let topic = format!("yard/{n}");
        let payload: &[u8] = if n % 3 == 0 { b"on" } else { b"off" };
        assert_eq!(&publish.body[2..2 + topic.len()], topic.as_bytes());
        assert_eq!(&publish.body[4 + topic.len()..], payload);
        answers.extend([&[0x40, 2], &publish.id_at(2 + topic.len())[..]].concat());
        if n == 99 {
            assert!(!session.has_more().await, "a hundred have been read, and more were on their way");
        }
        // None before a hundred are there, then a few at a time.
        if n >= 99 && (answers.len() >= 100 || n == 249) {
            session.send(&std::mem::take(&mut answers)).await;
        }
    }
    for n in 0..250 {
        assert_eq!(patiently("acknowledged", link.next()).await, LinkEvent::Acked(Ticket(n)));
    }
}

#[tokio::test]
async fn waiting_until_the_broker_says_something_takes_none_of_it_away() {
    let broker = Mosquitto::start();
    let mut link = up(settings(broker.address(), "lampward"), &["yard/3/report"]).await;
    for n in [7, 8] {
        link.publish(Some(Ticket(n)), "yard/3", "on", false);
        patiently("something to hear", link.heard()).await;
    }
    patiently("still something to hear", link.heard()).await;
    for n in [7, 8] {
        assert_eq!(patiently("acknowledged", link.next()).await, LinkEvent::Acked(Ticket(n)));
    }
}

#[tokio::test]
async fn a_broker_that_never_answers_a_subscription_is_left_and_said() {
    let broker = ScriptedBroker::listen().await;
    let mut link = Link::start(settings(broker.address, "lampward"), vec!["yard/3".into()]);
    let mut session = broker.accept().await;
    session.expect(SUBSCRIBE).await;
    let because = until_down(&mut link).await;
    assert_eq!(because, format!("the broker at {} does not answer a subscription", broker.address));
}

#[tokio::test]
async fn tries_for_a_broker_that_hangs_up_come_ever_more_seldom() {
    let broker = ScriptedBroker::listen().await;
    let mut link = Link::start(settings(broker.address, "lampward"), vec![]);
    let begun = std::time::Instant::now();
    for _ in 0..5 {
        drop(patiently("another try", broker.listener.accept()).await.unwrap());
    }
    // Waits of 250, 500, 1000 and 2000 ms, each shortened by half at most. A slow machine only makes them longer.
    assert!(begun.elapsed() >= std::time::Duration::from_millis(1_875), "{:?}", begun.elapsed());
    let because = until_down(&mut link).await;
    assert!(because.ends_with("it may refuse user or password, or want mqtts://"), "{because}");
}
