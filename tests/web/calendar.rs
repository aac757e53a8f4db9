//! RFC 5545.

use std::collections::BTreeSet;

use crate::house::House;

/// The lines of the calendar, unfolded.
async fn lines(house: &House) -> Vec<String> {
    let reply = house.get("/calendar.ics").await;
    assert_eq!((reply.status, reply.header("content-type")), (200, "text/calendar; charset=utf-8"));
    assert!(reply.body.split("\r\n").all(|line| line.len() <= 75), "lines are folded");
    assert!(!reply.body.replace("\r\n", "").contains('\n'), "lines end with CR and LF");
    reply.body.replace("\r\n ", "").lines().map(String::from).collect()
}

fn values(lines: &[String], name: &str) -> Vec<String> {
    lines.iter().filter_map(|line| line.strip_prefix(name)?.strip_prefix(':')).map(String::from).collect()
}

#[tokio::test]
async fn each_lit_span_of_two_weeks_is_an_event_in_utc() {
    let house = House::plain().await;
    let lines = lines(&house).await;
    assert_eq!((lines[0].as_str(), lines[lines.len() - 1].as_str()), ("BEGIN:VCALENDAR", "END:VCALENDAR"));
    let jetty: Vec<String> = values(&lines, "UID").into_iter().filter(|uid| uid.starts_with("jetty")).collect();
    assert_eq!(jetty.len(), 15, "tonight and fourteen more");
    assert_eq!(jetty[0], "jetty-2026-11-24-1@skarvholmen.lampward", "the span under way keeps its beginning");
    let starts = values(&lines, "DTSTART");
    assert!(starts[0].starts_with("20261124T145") && starts[0].ends_with('Z'), "{}", starts[0]);
    let summaries: BTreeSet<String> = values(&lines, "SUMMARY").into_iter().collect();
    assert_eq!(summaries, BTreeSet::from(["Jetty lamp lit".into(), "Parlour <\"snug\"> lit".into()]));
    assert_eq!(values(&lines, "DESCRIPTION")[0], "on: sunset\\noff: sunrise");
    assert_eq!(values(&lines, "DTSTAMP")[0], "20261124T150311Z");
}

#[tokio::test]
async fn an_event_keeps_its_name_from_one_look_to_the_next() {
    let house = House::plain().await;
    let before: BTreeSet<String> = values(&lines(&house).await, "UID").into_iter().collect();
    house.set_clock("2026-11-25T12:00:00+01:00");
    let after: BTreeSet<String> = values(&lines(&house).await, "UID").into_iter().collect();
    let gone: Vec<&String> = before.difference(&after).collect();
    assert!(gone.iter().all(|uid| uid.contains("2026-11-24") || uid.contains("2026-11-25-1")), "{gone:?}");
    assert!(before.intersection(&after).count() >= 30, "{before:?} {after:?}");
    let all = values(&lines(&house).await, "UID");
    assert_eq!(all.len(), after.len(), "no name twice");
}
