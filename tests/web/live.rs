//! Server-sent events: each change as it happens, and what was missed in between.

use std::sync::Arc;
use std::time::Duration;

use lampward::pure::keeper::{Delivery, Miss};
use lampward::pure::power::Power;
use serde_json::Value;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;
use tokio::time::timeout;

use crate::house::{House, utc};

const PATIENCE: Duration = Duration::from_secs(60);

struct Listener {
    lines: BufReader<TcpStream>,
    /// The id of the last event.
    id: String,
}

impl Listener {
    async fn start(house: &House, last_seen: Option<&str>) -> Listener {
        Listener::start_at(house, "/live", last_seen).await
    }

    async fn start_at(house: &House, path: &str, last_seen: Option<&str>) -> Listener {
        let mut stream = TcpStream::connect(house.address).await.expect("a connection");
        let last_seen = last_seen.map(|id| format!("Last-Event-ID: {id}\r\n")).unwrap_or_default();
        let request = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n{last_seen}\r\n");
        stream.write_all(request.as_bytes()).await.expect("sent");
        let mut listener = Listener { lines: BufReader::new(stream), id: String::new() };
        assert_eq!(listener.line().await.as_deref(), Some("HTTP/1.1 200 OK"));
        while listener.line().await.is_some_and(|line| !line.is_empty()) {}
        listener
    }

    async fn line(&mut self) -> Option<String> {
        let mut line = String::new();
        let read = timeout(PATIENCE, self.lines.read_line(&mut line)).await.expect("something comes").ok()?;
        (read > 0).then(|| line.trim_end().to_string())
    }

    /// The next event as `name` and data; chunk sizes of the transfer are skipped.
    async fn event(&mut self) -> (String, Value) {
        let mut name = String::new();
        loop {
            let line = self.line().await.expect("the stream goes on");
            if let Some(id) = line.strip_prefix("id: ") {
                self.id = id.to_string();
            } else if let Some(event) = line.strip_prefix("event: ") {
                name = event.to_string();
            } else if let Some(data) = line.strip_prefix("data: ") {
                return (name, serde_json::from_str(data).expect("JSON"));
            }
        }
    }
}

fn confirm(house: &House, channel: usize, delivery: Delivery) {
    house.change(|facts| Arc::make_mut(&mut facts.snapshot.channels[channel]).plugs[0].delivery = delivery);
}

#[tokio::test]
async fn it_begins_with_the_whole_and_goes_on_with_what_changes() {
    let house = House::plain().await;
    let mut listener = Listener::start(&house, None).await;
    let (name, status) = listener.event().await;
    assert_eq!((name.as_str(), &status), ("status", &house.get("/status").await.json()));
    confirm(&house, 1, Delivery::Unanswered);
    let (name, channel) = listener.event().await;
    assert_eq!(name, "channel");
    assert_eq!(channel, house.get("/status").await.json()["channels"][1], "as in /status");
    house.change(|facts| facts.snapshot.link_up = false);
    let (name, changed) = listener.event().await;
    assert_eq!((name.as_str(), &changed["broker"]["link"]), ("house", &Value::from("down")));
    assert_eq!(changed["channels"], serde_json::json!(["jetty", "parlour"]));
    house.change(|facts| {
        facts.snapshot.missed.push(Miss {
            at: utc("2026-11-24T15:54:00+01:00"),
            channel: "jetty".into(),
            plug: "yard/3".into(),
            wanted: Power::On,
            because: "broker unreachable".into(),
        });
    });
    let (name, missed) = listener.event().await;
    assert_eq!((name.as_str(), &missed["because"]), ("missed", &Value::from("broker unreachable")));
}

#[tokio::test]
async fn who_comes_back_gets_what_was_missed_meanwhile() {
    let house = House::plain().await;
    let mut listener = Listener::start(&house, None).await;
    listener.event().await;
    let id = listener.id.clone();
    drop(listener);
    confirm(&house, 0, Delivery::Missed);
    let mut witness = Listener::start(&house, Some(&id)).await;
    let (name, channel) = witness.event().await;
    assert_eq!((name.as_str(), &channel["plugs"][0]["delivery"]), ("channel", &Value::from("missed")));
    confirm(&house, 0, Delivery::Confirmed);
    witness.event().await;
    let mut again = Listener::start(&house, Some(&id)).await;
    for delivery in ["missed", "confirmed"] {
        assert_eq!(again.event().await.1["plugs"][0]["delivery"], delivery);
    }
    assert_eq!(again.id, witness.id);
}

#[tokio::test]
async fn who_comes_back_too_late_or_from_another_run_gets_the_whole() {
    let house = House::plain().await;
    let mut witness = Listener::start(&house, None).await;
    witness.event().await;
    let number = |id: &str| id.split_once('-').expect("two parts").1.parse::<u64>().expect("a number");
    let run = witness.id.split_once('-').expect("two parts").0.to_string();
    let first = witness.id.clone();
    // Each change of both channels is two events.
    let mut turn = 0;
    while number(&witness.id) < number(&first) + 260 {
        let delivery = if turn % 2 == 0 { Delivery::Missed } else { Delivery::Confirmed };
        house.change(|facts| {
            for channel in facts.snapshot.channels.iter_mut().map(Arc::make_mut) {
                channel.plugs[0].delivery = delivery;
                channel.because = format!("{turn}").into();
            }
            facts.notices = vec![turn.to_string()];
        });
        witness.event().await;
        turn += 1;
    }
    let newest = witness.id.clone();
    for id in [&first, &format!("{run}-{}", number(&newest) + 99), "00000000-1", "nonsense", ""] {
        assert_eq!(Listener::start(&house, Some(id)).await.event().await.0, "status", "{id}");
    }
}

/// So many misses at once, and the id of the newest event after them.
async fn many_missed(house: &House, count: usize, before: &str) -> String {
    let number = |id: &str| id.split_once('-').expect("two parts").1.parse::<usize>().expect("a number");
    house.change(|facts| {
        let already = facts.snapshot.missed.len();
        facts.snapshot.missed.extend((0..count).map(|miss| Miss {
            at: utc("2026-11-24T15:54:00+01:00"),
            channel: "jetty".into(),
            plug: format!("yard/{}", already + miss),
            wanted: Power::On,
            because: "broker unreachable".into(),
        }));
    });
    loop {
        let mut listener = Listener::start(house, None).await;
        listener.event().await;
        if number(&listener.id) >= number(before) + count {
            return listener.id;
        }
    }
}

#[tokio::test]
async fn what_happened_while_nobody_was_there_is_told_as_far_as_it_is_remembered_and_the_whole_beyond() {
    let house = House::plain().await;
    let mut witness = Listener::start(&house, None).await;
    witness.event().await;
    let left = witness.id.clone();
    drop(witness);
    let later = many_missed(&house, 200, &left).await;
    let mut again = Listener::start(&house, Some(&left)).await;
    for miss in 0..200 {
        let (name, missed) = again.event().await;
        assert_eq!((name.as_str(), &missed["plug"]), ("missed", &Value::from(format!("yard/{miss}"))));
    }
    drop(again);
    let newest = many_missed(&house, 300, &later).await;
    let mut too_late = Listener::start(&house, Some(&later)).await;
    let (name, status) = too_late.event().await;
    assert_eq!(
        (name.as_str(), &status["missed"][499]["plug"], &too_late.id),
        ("status", &Value::from("yard/499"), &newest)
    );
    confirm(&house, 1, Delivery::Unanswered);
    assert_eq!(too_late.event().await.0, "channel");
}

#[tokio::test]
async fn streams_leave_room_for_other_requests_and_end_with_a_stop() {
    let mut house = House::plain().await;
    let mut streams = Vec::new();
    for _ in 0..8 {
        let mut listener = Listener::start(&house, None).await;
        listener.event().await;
        streams.push(listener);
    }
    assert_eq!(
        house.get("/live").await.problem(),
        "503: 8 others are listening already; GET /status says how things stand"
    );
    drop(streams.pop());
    let taken = async {
        while house.ask("HEAD", "/live", &[], "").await.status == 503 {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    };
    timeout(PATIENCE, taken).await.expect("a place is free again");
    house.stop();
    for mut listener in streams {
        let mut rest = Vec::new();
        timeout(PATIENCE, listener.lines.read_to_end(&mut rest)).await.expect("it ends").expect("in order");
        assert!(String::from_utf8_lossy(&rest).ends_with("0\r\n\r\n"), "the stream was closed, not cut");
    }
}

#[tokio::test]
async fn the_page_s_script_follows_from_the_very_event_the_page_was_made_at() {
    let house = House::plain().await;
    let page = house.get("/").await.body;
    let (_, rest) = page.split_once("data-seen=\"").expect("the page says what it has seen");
    let seen = rest.split('"').next().unwrap_or_default();
    confirm(&house, 1, Delivery::Accepted);
    let mut listener = Listener::start_at(&house, &format!("/live?after={seen}"), None).await;
    let (name, data) = listener.event().await;
    assert_eq!((name.as_str(), &data["name"]), ("channel", &"parlour".into()), "not the whole status again");
}
