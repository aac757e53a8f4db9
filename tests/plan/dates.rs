//! Weekdays, seasons and exceptions against python-dateutil's rrule (RFC 5545): `dates.py` made `dates.txt`.

use crate::house;

#[test]
fn rule_4_days_season_and_except_fall_on_the_dates_that_an_rrule_gives() {
    let lines: Vec<&str> = include_str!("dates.txt").lines().collect();
    assert!(lines.len() >= 16);
    for pair in lines.chunks(2) {
        // Two clock times, so that the date of the rule is the date on which the lamp goes on.
        let rule = format!("{{ from = \"18:00\", until = \"19:00\", {} }}", pair[0]);
        let mut plan = house::plan(&rule);
        let (first, last) = ("2026-01-01".parse().expect("a date"), "2029-12-31".parse().expect("a date"));
        let found = plan.occasions(0, 0, first, last).into_iter().map(|occasion| occasion.date.to_string());
        assert_eq!(found.collect::<Vec<_>>().join(" "), pair[1], "{}", pair[0]);
    }
}
