//! OpenMetrics.

use chrono::TimeDelta;
use lampward::pure::entry::{Entry, EntryKind};
use lampward::pure::power::Power;
use std::sync::Arc;

use crate::house::{House, now};

#[tokio::test]
async fn metrics_say_how_things_stand_and_what_has_happened() {
    let house = House::plain().await;
    let entry = |kind, late_ms: Option<i64>| Entry {
        at: now(),
        kind,
        channel: "jetty".into(),
        plug: Some("yard/3".into()),
        wanted: Some(Power::On),
        because: "sunset".into(),
        due: Some(now() - TimeDelta::milliseconds(750)),
        late: late_ms.map(TimeDelta::milliseconds),
    };
    house.daybook.record(&[entry(EntryKind::Switched, None)], true);
    house.daybook.record(&[entry(EntryKind::Late, Some(125_000))], true);
    house.daybook.record(&[entry(EntryKind::Late, Some(86_400_000))], true);
    house.daybook.record(&[entry(EntryKind::Missed, None)], true);
    house.daybook.record(&[entry(EntryKind::ByHand, None)], true);
    house.change(|facts| {
        Arc::make_mut(&mut facts.config).channels[0].name = "a \"b\"\\c\nd".into();
        Arc::make_mut(&mut facts.snapshot.channels[1]).wanted = None;
        Arc::make_mut(&mut facts.snapshot.channels[1]).plugs[0].said = None;
        facts.snapshot.link_up = false;
    });
    let reply = house.get("/metrics").await;
    assert_eq!(reply.header("content-type"), "application/openmetrics-text; version=1.0.0; charset=utf-8");
    for line in [
        "lampward_clock_trusted 1",
        "lampward_broker_up 0",
        "lampward_plugs{delivery=\"confirmed\"} 2",
        "lampward_plugs{delivery=\"missed\"} 0",
        "lampward_wanted_on{channel=\"a \\\"b\\\"\\\\c\\nd\"} 1",
        "lampward_switchings_total{result=\"switched\"} 1",
        "lampward_switchings_total{result=\"late\"} 2",
        "lampward_switchings_total{result=\"missed\"} 1",
        "lampward_hands_total 1",
        "lampward_lateness_seconds_bucket{le=\"1.0\"} 1",
        "lampward_lateness_seconds_bucket{le=\"120.0\"} 1",
        "lampward_lateness_seconds_bucket{le=\"600.0\"} 2",
        "lampward_lateness_seconds_bucket{le=\"+Inf\"} 3",
        "lampward_lateness_seconds_count 3",
        "lampward_lateness_seconds_sum 86525.75",
        "lampward_daybook_lost_total 0",
        "lampward_file_faults 0",
    ] {
        assert!(reply.body.lines().any(|said| said == line), "`{line}` is not in\n{}", reply.body);
    }
    assert!(reply.body.lines().any(|said| said.starts_with("lampward_build_info{version=")), "{}", reply.body);
    let count = |name: &str| reply.body.lines().filter(|line| line.starts_with(name)).count();
    assert_eq!((count("lampward_wanted_on"), count("lampward_said_on")), (1, 1), "unknown is not shown as off");
    assert!(reply.body.ends_with("# EOF\n"));
}
