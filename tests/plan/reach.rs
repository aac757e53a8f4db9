//! However far offset, lead, limits and zone take a span from its date, and however seldom it comes: a look at one hour, or
//! one after many others, finds what a long or a first one does.

use std::sync::Arc;

use chrono::{DateTime, TimeDelta, Utc};
use lampward::pure::plan::Plan;
use lampward::pure::power::Power::{Off, On};

use crate::house;

/// The second and the third have clocks 5 h from the Sun, and a Sun that hardly rises in December.
const PLACES: [(&str, &str); 4] = [
    ("59.7412 N, 5.2097 E", "Europe/Oslo"),
    ("67.35 N, 0.0 E", "-05:00"),
    ("67.35 N, 0.0 E", "+05:00"),
    ("52.52 N, 13.405 E", "Europe/Berlin"),
];
const RULES: [&str; 12] = [
    r#"{ from = "16 h before sunset", until = "11 h before sunset" }"#,
    r#"{ from = "20 h before sunset", until = "sunset" }"#,
    r#"{ from = "5 h 35 min before sunset", until = "4 h before sunset" }"#,
    r#"{ from = "solar midnight", until = "sunset" }"#,
    r#"{ from = "23 h before sunrise", until = "20 h before sunset" }"#,
    r#"{ from = "sunset", until = "8 h after sunrise" }"#,
    r#"{ from = "20 h after sunset", until = "22 h after sunrise" }"#,
    r#"{ from = "sunset, not before 03:00", until = "sunrise, not before 23:00" }"#,
    r#"{ from = "sunrise, not after 17:00", until = "sunset, not before 08:00" }"#,
    r#"{ from = "20:00", until = "19:00" }"#,
    r#"{ from = "late", until = "23:00" }"#,
    r#"{ from = "sunset", until = "late, not before 22:00" }"#,
];

fn found(plan: &mut Plan, from: DateTime<Utc>, until: DateTime<Utc>) -> (Vec<String>, Vec<String>) {
    let switched = plan.switchings(0, from, until).into_iter().map(|s| format!("{} {} {}", s.at, s.wanted, s.because));
    let switched = switched.collect();
    let dark = plan.ahead(0, from, until).unlit.into_iter().map(|unlit| format!("{} {}", unlit.at, unlit.because));
    (switched, dark.collect())
}

#[test]
fn a_look_at_one_hour_finds_what_a_long_look_does() {
    let mut switchings = 0;
    for (position, zone) in PLACES {
        for rule in RULES {
            let more = "[times]\nlate = \"00:30\"\n[sun]\nlead = \"2 h\"\nlag = \"2 h\"\n";
            let config = house::read(&format!("{}{more}{rule}", house::place(position, zone)));
            for first in ["2026-12-20T00:45:00Z", "2026-06-20T00:45:00Z"] {
                let first: DateTime<Utc> = first.parse().expect("an instant");
                let hour = |n: i32| first + TimeDelta::hours(i64::from(n));
                let long = found(&mut Plan::new(Arc::clone(&config)), hour(0), hour(96));
                let mut plan = Plan::new(Arc::clone(&config));
                let mut short = (Vec::new(), Vec::new());
                for n in 0..96 {
                    let (switched, dark) = found(&mut plan, hour(n), hour(n + 1));
                    short.0.extend(switched);
                    short.1.extend(dark);
                }
                assert_eq!(short, long, "{rule} at {position}, {zone}");
                switchings += long.0.len();
            }
        }
    }
    assert!(switchings > 300, "{switchings} switchings");
}

#[test]
fn a_span_that_comes_every_four_years_is_found_400_days_ahead_though_it_was_looked_for_before() {
    let mut plan = house::plan(r#"{ from = "18:00", until = "23:00", season = "29 Feb to 29 Feb" }"#);
    let (on, off) = (house::instant(&plan, "2028-02-29 18:00"), house::instant(&plan, "2028-02-29 23:00"));
    for date in ["2026-11-24", "2027-01-20"] {
        let early = house::instant(&plan, &format!("{date} 12:00"));
        assert_eq!(plan.next_change(0, early), None, "{date}");
    }
    for date in ["2027-02-01", "2027-03-01", "2028-02-29"] {
        let at = house::instant(&plan, &format!("{date} 12:00"));
        assert_eq!(plan.next_change(0, at), Some((on, On)), "{date}");
    }
    assert_eq!(plan.power(0, on), On);
    assert_eq!(plan.next_change(0, on), Some((off, Off)));
    assert_eq!(plan.power(0, off), Off);
}
