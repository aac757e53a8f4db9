//! Overrides set and cancelled, a channel tried, and the faults on the way.

use std::sync::Arc;
use std::time::Duration;

use lampward::pure::keeper::{Answer, Delivery, Ends, Order, Override, Tried, TriedPlug};
use lampward::pure::power::Power;
use serde_json::json;

use crate::house::{Answering, House, now, plain_web, utc};

fn standing(ends: Ends, because: &str) -> Override {
    Override { wanted: Power::On, ends, because: because.into(), since: now(), by_trusted_clock: true, before: vec![] }
}

fn evening() -> Override {
    standing(Ends::At(utc("2026-11-24T23:10:00+01:00")), "on until 23:10, the planned switch-off")
}

async fn answering(answer: Answer) -> House {
    let answering: Answering = Box::new(move |_| Some(answer.clone()));
    House::with(plain_web(), answering).await
}

#[tokio::test]
async fn setting_one_answers_with_the_override_in_words() {
    let house = answering(Answer::Done(vec![("jetty".into(), Some(evening()))])).await;
    let reply = house.ask("PUT", "/channels/jetty/override", &[], r#"{"wanted":"on","until":"bedtime"}"#).await;
    assert_eq!(reply.status, 200);
    assert_eq!(
        reply.json(),
        json!({
            "wanted": "on", "until": "2026-11-24T23:10:00+01:00",
            "because": "on until 23:10, the planned switch-off", "since": "2026-11-24T16:03:11+01:00"
        })
    );
    let order = Order::Set { channels: Some(vec!["jetty".into()]), wanted: Power::On, until: Some("bedtime".into()) };
    assert_eq!(*house.orders.lock().expect("not poisoned"), [order]);
}

#[tokio::test]
async fn the_words_of_an_override_are_the_same_in_status() {
    let house = answering(Answer::Done(vec![("jetty".into(), Some(evening()))])).await;
    house.change(|facts| Arc::make_mut(&mut facts.snapshot.channels[0]).overridden = Some(Box::new(evening())));
    let answer = house.ask("PUT", "/channels/jetty/override", &[], r#"{"wanted":"on"}"#).await.json();
    assert_eq!(house.get("/status").await.json()["channels"][0]["override"], answer);
}

#[tokio::test]
async fn an_override_without_end_says_cancelled_and_one_by_duration_its_instant() {
    for (ends, until) in [
        (Ends::Cancelled, "cancelled"),
        (
            Ends::After { whole: Duration::from_secs(2700), at: utc("2026-11-24T16:48:11+01:00") },
            "2026-11-24T16:48:11+01:00",
        ),
    ] {
        let house = answering(Answer::Done(vec![("jetty".into(), Some(standing(ends, "on")))])).await;
        let reply = house.ask("PUT", "/channels/jetty/override", &[], r#"{"wanted":"on"}"#).await;
        assert_eq!(reply.json()["until"], until);
    }
}

#[tokio::test]
async fn several_channels_are_set_in_one_order() {
    let house =
        answering(Answer::Done(vec![("jetty".into(), Some(evening())), ("parlour".into(), Some(evening()))])).await;
    let body = r#"{"wanted":"off","channels":["jetty","parlour"]}"#;
    let reply = house.ask("PUT", "/override", &[], body).await;
    assert_eq!(reply.json()["channels"][1]["name"], "parlour");
    assert_eq!(reply.json()["channels"][1]["override"]["until"], "2026-11-24T23:10:00+01:00");
    house.ask("PUT", "/override", &[], r#"{"wanted":"on","until":null}"#).await;
    let set = |channels, wanted| Order::Set { channels, wanted, until: None };
    assert_eq!(
        *house.orders.lock().expect("not poisoned"),
        [set(Some(vec!["jetty".into(), "parlour".into()]), Power::Off), set(None, Power::On)]
    );
}

#[tokio::test]
async fn cancelling_names_one_several_or_all() {
    let house = answering(Answer::Done(vec![("jetty".into(), None)])).await;
    for path in ["/channels/jetty/override", "/override?channel=jetty&channel=parlour", "/override"] {
        let reply = house.ask("DELETE", path, &[], "").await;
        assert_eq!((reply.status, reply.json()), (200, json!({"channels":[{"name":"jetty","override":null}]})));
    }
    let cancel = |channels: Option<&[&str]>| Order::Cancel {
        channels: channels.map(|names| names.iter().map(ToString::to_string).collect()),
    };
    assert_eq!(
        *house.orders.lock().expect("not poisoned"),
        [cancel(Some(&["jetty"])), cancel(Some(&["jetty", "parlour"])), cancel(None)]
    );
}

#[tokio::test]
async fn a_cancel_that_is_not_on_disk_says_so() {
    let house = answering(Answer::DoneNotKept(vec![("jetty".into(), None)], "no space left on device".into())).await;
    let reply = house.ask("DELETE", "/override", &[], "").await;
    assert_eq!(reply.status, 200);
    assert_eq!(reply.json()["note"], "this won't survive a restart of lampward: no space left on device");
}

#[tokio::test]
async fn each_refusal_has_its_status_and_says_what_to_do() {
    for (answer, problem) in [
        (Answer::UnknownChannel("jety".into()), "404: there is no channel `jety`; there are jetty, parlour"),
        (Answer::Refused("`sunsett` is not a mark".into()), "422: `sunsett` is not a mark"),
        (Answer::ClockNotTrusted("give a duration".into()), "409: give a duration"),
        (
            Answer::NotKept("no space left on device".into()),
            "507: it could not be made durable, so nothing was changed: no space left on device",
        ),
    ] {
        let house = answering(answer).await;
        for path in ["/channels/jety/override", "/override"] {
            assert_eq!(house.ask("PUT", path, &[], r#"{"wanted":"on"}"#).await.problem(), problem);
        }
    }
}

#[tokio::test]
async fn a_body_that_does_not_fit_is_refused_before_anyone_is_asked() {
    let house = House::plain().await;
    for body in [
        r#"{"wanted":"On"}"#,
        r#"{"wanted":"toggle"}"#,
        r#"{"wanted":true}"#,
        r#"{"wanted":null}"#,
        r#"{"until":"22:45"}"#,
        r#"{"wanted":"on","until":45}"#,
        r#"{"wanted":"on","untill":"22:45"}"#,
        r#"{"wanted":"on","wanted":"off"}"#,
        "{}",
        "[]",
        r#"["on"]"#,
        r#""on""#,
        "null",
    ] {
        for path in ["/channels/jetty/override", "/override"] {
            let problem = house.ask("PUT", path, &[], body).await.problem();
            assert!(problem.starts_with("422: the body does not fit: "), "{body} at {path}: {problem}");
        }
    }
    let one = house.ask("PUT", "/channels/jetty/override", &[], r#"{"wanted":"on","channels":["jetty"]}"#).await;
    assert_eq!(one.status, 422, "channels belong to PUT /override alone");
    for body in ["{", "on", r#"{"wanted":"on"} x"#, "\u{fffd}"] {
        let problem = house.ask("PUT", "/override", &[], body).await.problem();
        assert!(problem.starts_with("400: the body is not JSON: "), "{body}: {problem}");
    }
    assert!(house.orders.lock().expect("not poisoned").is_empty());
}

#[tokio::test]
async fn only_json_is_taken() {
    let house = House::plain().await;
    for kind in ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", "", "json"] {
        let reply = house.ask("PUT", "/override", &[("Content-Type", kind)], r#"{"wanted":"on"}"#).await;
        assert_eq!(reply.problem(), "415: the body must be JSON and say so: Content-Type: application/json", "{kind}");
    }
    for kind in ["application/json", "Application/JSON; charset=utf-8"] {
        let reply = house.ask("PUT", "/override", &[("Content-Type", kind)], r#"{"wanted":"on"}"#).await;
        assert_eq!(reply.status, 200, "{kind}");
    }
}

#[tokio::test]
async fn a_path_says_which_methods_it_takes() {
    let house = House::plain().await;
    for (method, path, allow) in [
        ("GET", "/override", "PUT,DELETE"),
        ("GET", "/channels/jetty/override", "PUT,DELETE"),
        ("POST", "/channels/jetty/override", "PUT,DELETE"),
        ("PUT", "/status", "GET,HEAD"),
        ("DELETE", "/health", "GET,HEAD"),
    ] {
        let reply = house.ask(method, path, &[], "").await;
        assert_eq!(reply.problem(), "405: this path does not take that method; see the Allow header");
        assert_eq!(reply.header("allow"), allow, "{method} {path}");
    }
    assert_eq!(house.get("/nowhere").await.problem(), "404: there is nothing at this path; GET / shows what there is");
}

#[tokio::test]
async fn a_query_that_means_nothing_is_refused() {
    let house = House::plain().await;
    for (method, path) in [
        ("DELETE", "/override?chanel=jetty"),
        ("DELETE", "/override?channels=jetty"),
        ("GET", "/past?days=0"),
        ("GET", "/past?days=-1"),
        ("GET", "/past?days=3661"),
        ("GET", "/past?days=seven"),
        ("GET", "/past?days=1&days=2"),
        ("GET", "/past?kind=lost"),
        ("GET", "/past?day=1"),
        ("GET", "/ahead?days=401"),
    ] {
        assert_eq!(house.ask(method, path, &[], "").await.status, 422, "{method} {path}");
    }
    assert!(house.orders.lock().expect("not poisoned").is_empty());
}

#[tokio::test]
async fn a_try_is_answered_in_full_or_refused_in_words() {
    let plug = TriedPlug {
        plug: "yard/3".into(),
        answered: true,
        told: 5,
        answers: 5,
        took: Some((Duration::from_millis(41), Duration::from_millis(123))),
        because: "answered all 5 commands, after 0.04 to 0.12 s".into(),
        back_to: None,
        back_because: "left as it is".into(),
        delivery: Delivery::Confirmed,
    };
    let tried = Tried { channel: "jetty".into(), ended: None, plugs: vec![plug], elsewhere: vec![] };
    let house = answering(Answer::Tried(Box::new(tried))).await;
    let reply = house.ask("POST", "/channels/jetty/try", &[], "").await;
    assert_eq!(reply.status, 200, "{reply:?}");
    let expected = json!({
        "channel": "jetty",
        "answered": true,
        "ended_early": null,
        "plugs": [{
            "plug": "yard/3",
            "answered": true,
            "because": "answered all 5 commands, after 0.04 to 0.12 s",
            "commands": 5,
            "answers": 5,
            "fastest_s": 0.041,
            "slowest_s": 0.123,
            "back_to": null,
            "back_because": "left as it is",
            "delivery": "confirmed",
        }],
        "elsewhere": [],
    });
    assert_eq!(reply.json(), expected);
    assert_eq!(*house.orders.lock().unwrap(), [Order::Try { channel: "jetty".into() }]);

    for (answer, expected) in [
        (Answer::UnknownChannel("jety".into()), "404: there is no channel `jety`; there are jetty, parlour"),
        (Answer::Busy("`parlour` is being tried".into()), "409: `parlour` is being tried"),
        (Answer::NoLink("the broker can't be reached".into()), "503: the broker can't be reached"),
    ] {
        let house = answering(answer).await;
        assert_eq!(house.ask("POST", "/channels/jetty/try", &[], "").await.problem(), expected);
    }
}

#[tokio::test]
async fn a_try_may_take_longer_than_other_requests() {
    let house = House::with(plain_web(), Box::new(|_| None)).await;
    let request = b"POST /channels/jetty/try HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n";
    let waited = tokio::time::timeout(Duration::from_secs(6), house.raw(request)).await;
    assert!(waited.is_err(), "refused too soon: {waited:?}");
}

#[tokio::test]
async fn who_sets_or_cancels_is_told_when_the_plugs_can_not_be_told() {
    async fn note(away: bool, gone: bool, method: &str) -> serde_json::Value {
        let standing = (method == "PUT").then(evening);
        let house = answering(Answer::Done(vec![("jetty".into(), standing)])).await;
        house.change(|facts| {
            facts.snapshot.link_up = !away;
            facts.link_since = utc("2026-11-24T15:40:00+01:00");
            Arc::make_mut(&mut facts.snapshot.channels[0]).plugs[0].gone = gone;
            // Another channel's plug is of no concern.
            Arc::make_mut(&mut facts.snapshot.channels[1]).plugs[0].gone = true;
        });
        let body = if method == "PUT" { r#"{"wanted":"on"}"# } else { "" };
        house.ask(method, "/channels/jetty/override", &[], body).await.json()["note"].clone()
    }
    for method in ["PUT", "DELETE"] {
        assert_eq!(note(false, false, method).await, serde_json::Value::Null);
        let away = "the broker is unreachable since 15:40; the plug will be told when it is back";
        assert_eq!(note(true, true, method).await, away);
        let gone = "plug yard/3 has said that it is gone; it will be told when it is back";
        assert_eq!(note(false, true, method).await, gone);
    }
}
