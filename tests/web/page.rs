//! The page at `/` and its forms, as a browser without a script uses them.

use chrono::TimeDelta;
use lampward::pure::entry::{Entry, EntryKind};
use lampward::pure::keeper::{Answer, Delivery, Ends, Hand, Miss, Order, Override, Tried, TriedPlug};
use lampward::pure::power::Power;
use std::sync::Arc;

use crate::house::{House, Reply, now, plain_web, utc};

const FORM: (&str, &str) = ("Content-Type", "application/x-www-form-urlencoded");
const SAME_SITE: (&str, &str) = ("Sec-Fetch-Site", "same-origin");

async fn post(house: &House, path: &str, body: &str) -> Reply {
    house.ask("POST", path, &[FORM, SAME_SITE], body).await
}

/// What the page says after a form was posted: the way back is followed as a browser would.
async fn said_after(house: &House, path: &str, body: &str) -> (String, String) {
    let reply = post(house, path, body).await;
    assert_eq!(reply.status, 303, "{reply:?}");
    let (path, place) = reply.header("location").split_once('#').unwrap_or((reply.header("location"), ""));
    let page = house.get(path).await.body;
    let (_, rest) = page.split_once("<p class=\"said").expect("the page says what was done");
    let (_, rest) = rest.split_once('>').expect("a tag ends");
    let (said, _) = rest.split_once("</p>").expect("a paragraph ends");
    (said.to_string(), place.to_string())
}

/// Answers as the keeper would, with one override on each channel that is meant.
fn sets(order: &Order) -> Option<Answer> {
    let standing = |because: &str| Override {
        wanted: Power::On,
        ends: Ends::At(utc("2026-11-24T22:45:00+01:00")),
        because: because.into(),
        since: now(),
        by_trusted_clock: true,
        before: vec![],
    };
    let names = ["jetty", "parlour"];
    Some(match order {
        Order::Set { channels: Some(channels), .. } if !names.contains(&channels[0].as_str()) => {
            Answer::UnknownChannel(channels[0].clone())
        }
        Order::Set { until: Some(until), .. } if until == "noonish" => {
            Answer::Refused("`noonish` is not a moment".into())
        }
        Order::Set { channels: Some(channels), .. } => {
            Answer::Done(vec![(channels[0].clone(), Some(standing("on until 22:45, the planned switch-off")))])
        }
        Order::Set { .. } => Answer::Done(vec![
            ("jetty".into(), Some(standing("on until 08:59, the planned switch-off"))),
            ("parlour".into(), Some(standing("on until 22:45, the planned switch-off"))),
        ]),
        Order::Cancel { .. } => Answer::DoneNotKept(vec![], "no space left on device".into()),
        Order::Try { .. } => Answer::NoLink("the broker can't be reached".into()),
    })
}

#[tokio::test]
async fn the_page_says_each_lamp_in_words_and_needs_no_script() {
    let house = House::plain().await;
    house.change(|facts| {
        Arc::make_mut(&mut facts.snapshot.channels[0]).overridden = Some(Box::new(Override {
            wanted: Power::On,
            ends: Ends::At(utc("2026-11-24T23:10:00+01:00")),
            because: "on until 23:10, the planned switch-off".into(),
            since: now(),
            by_trusted_clock: true,
            before: vec![],
        }));
        Arc::make_mut(&mut facts.snapshot.channels[1]).plugs[0].hand =
            Some(Box::new(Hand { wanted: Power::Off, until: utc("2026-11-24T22:45:00+01:00"), since: now() }));
        facts.snapshot.missed = vec![Miss {
            at: utc("2026-11-23T15:55:00+01:00"),
            channel: "parlour".into(),
            plug: "house/parlour".into(),
            wanted: Power::On,
            because: "plug silent".into(),
        }];
        facts.notices = vec!["a change of [web] waits for a restart".into()];
    });
    let reply = house.get("/").await;
    assert_eq!((reply.status, reply.header("content-type")), (200, "text/html; charset=utf-8"));
    for words in [
        ">Tuesday 24 November, 16:03</time>, clocks of Europe/Oslo, UTC+01:00",
        "The Sun stands",
        "dusk is at 16:",
        "<p class=\"state\">on</p>",
        "Wanted on: lit from sunset until sunrise.",
        "Your word stands: on until 23:10, the planned switch-off.",
        "Plug yard/3 confirmed it 15:54.",
        "Next: off tomorrow 08:59, sunrise, ",
        ">in 16 h 55 min</time>.",
        "yesterday 15:55: Parlour &lt;&quot;snug&quot;&gt; should have gone on; plug silent",
        "a change of [web] waits for a restart.",
        "Clock trusted: synchronised. Broker up since",
        "<h2 id=\"h-parlour\">Parlour &lt;&quot;snug&quot;&gt;</h2>",
        "somebody switched it off at the plug, and that holds until 22:45",
        "Cancel: back to the plan, on now",
        "mains voltage",
    ] {
        assert!(reply.body.contains(words), "`{words}` is not in {}", reply.body);
    }
    assert!(!reply.body.contains("<\"snug\">"), "text is escaped everywhere: {}", reply.body);
    for (path, kind) in [("/page.css", "text/css; charset=utf-8"), ("/page.js", "text/javascript; charset=utf-8")] {
        let file = house.get(path).await;
        assert_eq!((file.status, file.header("content-type")), (200, kind));
    }
}

#[tokio::test]
async fn the_buttons_say_when_they_end() {
    let house = House::plain().await;
    let page = house.get("/").await.body;
    for button in [
        // Skarvholmen's sunrise on 25 November and the rules of the house.
        "On until 08:59, the planned switch-off</button>",
        "Off until 08:59, the planned switch-off</button>",
        "On until 22:45, the planned switch-off</button>",
        "Off until 22:45, the planned switch-off</button>",
        "On for that long</button>",
        "Off until then</button>",
        "On until I cancel it</button>",
        "Blink it for some seconds, to see which it is</button>",
        "Everything off for the evening</button>",
    ] {
        assert!(page.contains(button), "`{button}` is not in {page}");
    }
    assert!(!page.contains("Cancel"), "nothing is set that could be cancelled");
    house.change(|facts| facts.snapshot.trusted = false);
    let page = house.get("/").await.body;
    assert!(page.contains("On for 12 h, as the clock is not trusted</button>"), "{page}");
}

#[tokio::test]
async fn a_form_is_answered_by_a_page_that_says_what_was_done() {
    let house = House::with(plain_web(), Box::new(sets)).await;
    let said = async |path: &str, body: &str| said_after(&house, path, body).await;
    let done = ("Done: on until 22:45, the planned switch-off.".to_string(), "lamp-parlour".to_string());
    assert_eq!(said("/page/override", "channel=parlour&wanted=on").await, done);
    assert_eq!(said("/page/override", "channel=parlour&until=2+h&wanted=on").await, done);
    let both = "Done: Jetty lamp on until 08:59, the planned switch-off; Parlour &lt;&quot;snug&quot;&gt; on until 22:45, \
                the planned switch-off.";
    assert_eq!(said("/page/override", "wanted=on").await, (both.into(), String::new()));
    assert_eq!(
        said("/page/cancel", "channel=jetty").await,
        (
            "Cancelled: it goes by the plan again. But this won't survive a restart of lampward: no space left on device."
                .into(),
            "lamp-jetty".into()
        )
    );
    let orders = house.orders.lock().expect("not poisoned").clone();
    let set = |channels: Option<&str>, until: Option<&str>| Order::Set {
        channels: channels.map(|name| vec![name.into()]),
        wanted: Power::On,
        until: until.map(Into::into),
    };
    let cancel = Order::Cancel { channels: Some(vec!["jetty".into()]) };
    assert_eq!(orders, [set(Some("parlour"), None), set(Some("parlour"), Some("2 h")), set(None, None), cancel]);
}

#[tokio::test]
async fn a_problem_is_said_on_the_page_in_words() {
    let house = House::with(plain_web(), Box::new(sets)).await;
    for (body, words, place) in [
        (
            "channel=jetty&wanted=on&until=noonish",
            "Not done: `noonish` is not a moment. Nothing was changed.",
            "lamp-jetty",
        ),
        (
            "channel=jetty&wanted=on&until=+",
            "Until when? Give a time such as 23:30, or a moment such as sunrise. Nothing was changed.",
            "lamp-jetty",
        ),
        (
            "channel=attic&wanted=on",
            "Not done: there is no channel `attic`; there are jetty, parlour. Nothing was changed.",
            "",
        ),
    ] {
        assert_eq!(said_after(&house, "/page/override", body).await, (words.into(), place.into()), "{body}");
    }
    let asked = house.orders.lock().expect("not poisoned").len();
    assert_eq!(asked, 2, "an empty moment is not taken for the evening");
}

#[tokio::test]
async fn a_try_says_what_each_plug_answered() {
    let plug = |name: &str, answered: bool, because: &str| TriedPlug {
        plug: name.into(),
        answered,
        told: 5,
        answers: if answered { 5 } else { 0 },
        took: None,
        because: because.into(),
        back_to: answered.then_some(Power::On),
        back_because: "left as it is".into(),
        delivery: Delivery::Confirmed,
    };
    let well = ("yard/3", true, "answered all 5 commands, after 0.04 to 0.12 s");
    let silent = ("yard/4", false, "answered none of 5 commands");
    for (plugs, ended, words, class) in [
        (
            vec![well],
            None,
            "Tried. Plug yard/3 answered all 5 commands, after 0.04 to 0.12 s; back to on.",
            "<p class=\"said\">Tried.",
        ),
        (
            vec![well, silent],
            Some("an override was set"),
            "Tried. It ended early: an override was set. Plug yard/3 answered all 5 commands, after 0.04 to 0.12 s; back \
             to on. Plug yard/4 answered none of 5 commands; left as it is.",
            "<p class=\"said undone\">Tried.",
        ),
    ] {
        let plugs = plugs.into_iter().map(|(name, answered, because)| plug(name, answered, because)).collect();
        let tried = Tried { channel: "jetty".into(), ended: ended.map(Into::into), plugs, elsewhere: vec![] };
        let answer = Answer::Tried(Box::new(tried));
        let house = House::with(plain_web(), Box::new(move |_| Some(answer.clone()))).await;
        assert_eq!(said_after(&house, "/page/try", "channel=jetty").await, (words.into(), "lamp-jetty".into()));
        let reply = post(&house, "/page/try", "channel=jetty").await;
        let page = house.get(reply.header("location").split('#').next().unwrap_or_default()).await.body;
        assert!(page.contains(class), "{page}");
        let orders = house.orders.lock().expect("not poisoned").clone();
        assert_eq!(orders[0], Order::Try { channel: "jetty".into() });
    }
}

#[tokio::test]
async fn a_form_that_is_none_of_ours_is_refused() {
    let house = House::plain().await;
    let json = house.ask("POST", "/page/override", &[SAME_SITE], r#"{"wanted":"on"}"#).await;
    assert_eq!(json.problem(), "415: this path takes a form of the page");
    for body in ["", "wanted=toggle", "wanted=on&wanted=off", "wanted=on&lamp=jetty", "channel=jetty"] {
        assert_eq!(post(&house, "/page/override", body).await.status, 422, "{body}");
    }
    let large = format!("wanted=on&until={}", "x".repeat(17 * 1024));
    assert_eq!(post(&house, "/page/override", &large).await.problem(), "413: the body is larger than 16 kB");
    assert_eq!(house.get("/page/override").await.status, 405);
    assert!(house.orders.lock().expect("not poisoned").is_empty(), "nothing reached the daemon");
}

#[tokio::test]
async fn a_form_on_a_page_of_another_site_changes_nothing() {
    let house = House::plain().await;
    let status = async |headers: &[(&str, &str)]| {
        let headers: Vec<(&str, &str)> = headers.iter().copied().chain([FORM]).collect();
        house.ask("POST", "/page/override", &headers, "wanted=on").await.status
    };
    for site in ["cross-site", "same-site"] {
        assert_eq!(status(&[("Sec-Fetch-Site", site)]).await, 403, "{site}");
    }
    for origin in ["http://evil.example", "http://localhost:1", "https://localhost.evil.example", "null"] {
        assert_eq!(status(&[("Origin", origin)]).await, 403, "{origin}");
    }
    assert_eq!(status(&[]).await, 403, "what does not say where it comes from may come from anywhere");
    assert!(house.orders.lock().expect("not poisoned").is_empty(), "nothing reached the daemon");
    assert_eq!(status(&[("Origin", "http://localhost")]).await, 303);
    assert_eq!(status(&[SAME_SITE]).await, 303);
}

#[tokio::test]
async fn a_form_to_a_json_path_is_refused_as_ever() {
    let house = House::plain().await;
    for (method, path) in [("PUT", "/override"), ("PUT", "/channels/jetty/override")] {
        let reply = house.ask(method, path, &[FORM, SAME_SITE], "wanted=on").await;
        assert_eq!(reply.status, 415, "{method} {path}");
    }
    for path in ["/override", "/channels/jetty/override"] {
        assert_eq!(house.ask("POST", path, &[FORM, SAME_SITE], "wanted=on").await.status, 405, "{path}");
    }
    assert!(house.orders.lock().expect("not poisoned").is_empty(), "nothing reached the daemon");
}

#[tokio::test]
async fn the_page_tells_what_happened_lately_the_newest_first() {
    let house = House::plain().await;
    let entry = |at: &str, kind, because: &str| Entry {
        at: utc(at),
        kind,
        channel: "jetty".into(),
        plug: Some("yard/3".into()),
        wanted: Some(Power::On),
        because: because.into(),
        due: None,
        late: None,
    };
    assert!(house.get("/").await.body.contains("Nothing in the last day."));
    house.daybook.record(&[entry("2026-11-22T15:56:00+01:00", EntryKind::Switched, "sunset of old")], true);
    house.daybook.record(&[entry("2026-11-24T08:00:00+01:00", EntryKind::Missed, "plug silent")], true);
    let late = Entry {
        late: Some(TimeDelta::milliseconds(125_500)),
        ..entry("2026-11-24T15:55:05+01:00", EntryKind::Late, "sunset")
    };
    house.daybook.record(&[late], true);
    house.until("/past", |body| body["entries"].as_array().is_some_and(|entries| entries.len() == 3)).await;
    let page = house.get("/").await.body;
    let lately = page.split_once("What happened lately").expect("that part").1;
    let lines: Vec<&str> = lately.split("<li>").skip(1).filter_map(|rest| rest.split("</li>").next()).collect();
    assert_eq!(
        lines,
        ["15:55 Jetty lamp on, 2 min late: sunset", "08:00 Jetty lamp should have gone on, missed: plug silent"]
    );
}

#[tokio::test]
async fn the_coming_week_is_told_in_words_night_by_night() {
    let house = House::plain().await;
    house.set_clock("2026-11-24T11:59:00+01:00");
    let nights = async || {
        let page = house.get("/").await.body;
        let rows = page.split("<th scope=\"row\">").skip(1).map(|row| row.split("</tr>").next().unwrap_or_default());
        rows.map(|row| row.replace("</th><td>", ": ").replace("<br>", "; ").replace("</td>", "")).collect::<Vec<_>>()
    };
    let before_noon = nights().await;
    assert_eq!(before_noon.len(), 7);
    assert!(
        before_noon[0].starts_with("Mon 23 Nov: Jetty lamp "),
        "until noon it is still last night: {before_noon:?}"
    );
    house.set_clock("2026-11-24T12:00:00+01:00");
    let after = nights().await;
    assert_eq!(after[0], before_noon[1]);
    assert!(after[0].starts_with("Tue 24 Nov: Jetty lamp 15:5"), "{after:?}");
    assert!(after[0].ends_with("22:45, 06:15–08:59; "), "{after:?}");
}
