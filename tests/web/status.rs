//! What can be read.

use chrono::TimeDelta;
use lampward::pure::entry::{Entry, EntryKind};
use lampward::pure::power::Power;
use serde_json::{Value, json};

use crate::house::{House, utc};

#[tokio::test]
async fn status_has_the_shape_of_the_design() {
    let house = House::plain().await;
    let reply = house.get("/status").await;
    assert_eq!((reply.status, reply.header("content-type")), (200, "application/json"));
    let mut body = reply.json();
    // Checked against the almanac elsewhere.
    assert!(body["sun"]["next"]["at"].as_str().expect("an instant").starts_with("2026-11-24T16:"));
    assert_eq!(body["sun"]["next"]["mark"], "dusk");
    assert_eq!(body["sun"].as_object().map(|sun| sun.len()), Some(2));
    body["sun"] = Value::Null;
    body["clock"]["zone_rules"] = Value::Null;
    body["channels"].as_array_mut().expect("channels").truncate(1);
    assert_eq!(
        body,
        json!({
            "now": "2026-11-24T16:03:11+01:00",
            "place": { "name": "Skarvholmen", "position": "59.7412 N, 5.2097 E", "time_zone": "Europe/Oslo" },
            "sun": null,
            "clock": { "trusted": true, "because": "synchronised", "zone_rules": null },
            "broker": { "link": "up", "since": "2026-11-20T07:11:02+01:00" },
            "file": { "read_at": "2026-11-20T07:11:02+01:00", "faults": [], "warnings": [] },
            "notices": [],
            "channels": [{
                "name": "jetty", "label": "Jetty lamp", "wanted": "on", "because": "lit from sunset until sunrise",
                "next": { "at": "2026-11-25T08:59:07+01:00", "wanted": "off", "because": "sunrise" },
                "override": null,
                "plugs": [{
                    "plug": "yard/3", "said": "on", "delivery": "confirmed", "since": "2026-11-24T15:54:13+01:00",
                    "hand": null
                }]
            }],
            "missed": []
        })
    );
}

#[tokio::test]
async fn ahead_lists_the_switchings_of_each_channel_with_their_reasons() {
    let house = House::plain().await;
    let body = house.get("/ahead?days=1").await.json();
    assert_eq!(
        (&body["from"], &body["until"]),
        (&json!("2026-11-24T16:03:11+01:00"), &json!("2026-11-25T16:03:11+01:00"))
    );
    let jetty = &body["channels"][0];
    assert_eq!((&jetty["name"], &jetty["label"]), (&json!("jetty"), &json!("Jetty lamp")));
    let words: Vec<String> = jetty["switchings"]
        .as_array()
        .expect("switchings")
        .iter()
        .map(|one| {
            format!("{} {}", one["wanted"].as_str().expect("a word"), one["because"].as_str().expect("a reason"))
        })
        .collect();
    assert_eq!(words, ["off sunrise", "on sunset"]);
    let days = |days: u32| format!("/ahead?days={days}");
    let many = house.get(&days(400)).await.json();
    let count = many["channels"][0]["switchings"].as_array().map_or(0, Vec::len);
    assert!((798..=802).contains(&count), "two a day over 400 days, not {count}");
}

#[tokio::test]
async fn the_sun_s_next_event_follows_the_clock_and_the_file() {
    let house = House::plain().await;
    let mark = async || house.get("/status").await.json()["sun"]["next"]["mark"].clone();
    assert_eq!(mark().await, "dusk");
    house.set_clock("2026-11-24T23:00:00+01:00");
    assert_eq!(mark().await, "dawn");
    house.set_clock("2026-11-24T12:00:00+01:00");
    assert_eq!(mark().await, "sunset", "a clock that was set back is followed too");
    house.change(|facts| {
        let mut config = lampward::pure::config::Config::clone(&facts.config);
        config.place.position.longitude_deg = -170.0;
        facts.config = config.into();
    });
    assert_eq!(mark().await, "dawn", "at another place it is the small hours");
}

#[tokio::test]
async fn health_is_200_only_while_a_lamp_could_be_switched() {
    let house = House::plain().await;
    let well = house.get("/health").await;
    assert_eq!((well.status, &well.json()["well"]), (200, &json!(true)));
    house.change(|facts| {
        facts.snapshot.trusted = false;
        facts.clock_because = "not synchronised since the start".into();
    });
    assert_eq!(
        house.get("/health").await.problem(),
        "503: no lamp can be switched now; clock: not synchronised since the start"
    );
    house.change(|facts| {
        facts.snapshot.link_up = false;
        facts.link_because = Some("connection refused".into());
    });
    let unwell = house.get("/health").await;
    assert_eq!(
        unwell.problem(),
        "503: no lamp can be switched now; clock: not synchronised since the start; broker: connection refused"
    );
    let parts = unwell.json()["parts"].clone();
    assert_eq!(parts[0], json!({"part":"daemon","well":true,"because":"running"}));
}

#[tokio::test]
async fn past_is_what_the_daybook_has() {
    let house = House::plain().await;
    let entry = |at: &str, kind, channel: &str| Entry {
        at: utc(at),
        kind,
        channel: channel.into(),
        plug: Some("yard/3".into()),
        wanted: Some(Power::On),
        because: "sunset".into(),
        due: Some(utc("2026-11-24T15:53:00+01:00")),
        late: None,
    };
    let late = Entry {
        late: Some(TimeDelta::milliseconds(125_500)),
        ..entry("2026-11-24T15:55:05.5+01:00", EntryKind::Late, "jetty")
    };
    house.daybook.record(&[entry("2026-11-20T16:00:00+01:00", EntryKind::Switched, "jetty")], true);
    house.daybook.record(&[late], true);
    house.daybook.record(&[entry("2026-11-24T16:03:11+01:00", EntryKind::Missed, "parlour")], true);
    house.until("/past", |body| body["entries"].as_array().is_some_and(|entries| entries.len() == 3)).await;
    let words = async |path: &str| {
        let body = house.get(path).await.json();
        let entries = body["entries"].as_array().expect("entries").clone();
        entries.iter().map(|one| format!("{} {}", one["kind"], one["channel"]).replace('"', "")).collect::<Vec<_>>()
    };
    assert_eq!(words("/past?days=1").await, ["late jetty", "missed parlour"]);
    assert_eq!(words("/past?kind=missed").await, ["missed parlour"]);
    assert_eq!(words("/past?kind=missed&kind=late").await, ["late jetty", "missed parlour"]);
    assert_eq!(words("/past?channel=jetty").await, ["switched jetty", "late jetty"]);
    assert_eq!(words("/past?kind=by%20hand").await, Vec::<String>::new());
    assert_eq!(
        house.get("/past?kind=late").await.json()["entries"][0],
        json!({
            "at": "2026-11-24T15:55:05+01:00", "kind": "late", "channel": "jetty", "plug": "yard/3", "wanted": "on",
            "because": "sunset", "due": "2026-11-24T15:53:00+01:00", "late_s": 125.5
        })
    );
}

#[tokio::test]
async fn faults_of_the_file_are_shown_without_its_path() {
    let house = House::plain().await;
    let text = "[place]\nname = \"Skarvholmen\"\nposition = \"95 N, 5 E\"\ntime_zone = \"Europe/Oslo\"\n";
    let faults = lampward::pure::config::read("/somewhere/private/house.toml", text.as_bytes()).expect_err("faults");
    house.change(|facts| facts.file.faults = faults.0.clone().into());
    for path in ["/status", "/"] {
        let reply = house.get(path).await;
        assert!(reply.body.contains("95 N, 5 E"), "{}", reply.body);
        assert!(!reply.body.contains("private"), "{}", reply.body);
    }
    let fault = house.get("/status").await.json()["file"]["faults"][0].clone();
    assert_eq!((&fault["line"], fault["message"].is_string()), (&json!(3), true), "{fault}");
}
