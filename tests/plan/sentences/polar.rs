//! Sentence 10: where the Sun does not cross.

use super::tromso;
use crate::house::check;

// 10. Where the Sun does not cross.

#[test]
fn rule_10_a_jetty_lamp_burns_through_the_polar_night() {
    // The Sun sets on 27 November at 10:41:22 UTC and is down until January.
    check(&tromso(r#"{ from = "sunset", until = "sunrise" }"#), "2026-11-27", 30, "");
    let mut plan = crate::house::plan(&tromso(r#"{ from = "sunset", until = "sunrise" }"#));
    let at = crate::house::instant(&plan, "2026-12-21 15:00");
    let (wanted, because) = plan.wanted(0, at);
    assert_eq!((wanted.word(), because.as_str()), ("on", "lit, as the Sun does not rise"));
}

#[test]
fn rule_10_and_stays_off_through_the_midnight_sun() {
    check(
        &tromso(r#"{ from = "sunset", until = "sunrise" }"#),
        "2026-06-21",
        2,
        "2026-06-21 not lit: the Sun does not set\n2026-06-22 not lit: the Sun does not set",
    );
}

#[test]
fn rule_10_night_an_evening_mark_that_starts_stands_at_the_opening_noon_where_the_sun_stays_below() {
    // No offset and no lead, but clamps.
    let lead = "[sun]\nlead = \"10 min\"\n";
    check(
        &tromso(&format!("{lead}{}", r#"{ from = "20 min before sunset", until = "22:45" }"#)),
        "2026-12-21",
        1,
        "2026-12-21 22:45:00 off 22:45\n2026-12-22 11:42:42 on solar noon, as the Sun does not rise",
    );
    let mut plan =
        crate::house::plan(&tromso(&format!("{lead}{}", r#"{ from = "20 min before sunset", until = "22:45" }"#)));
    let at = crate::house::instant(&plan, "2026-12-21 10:00");
    let next = plan.next(0, at).expect("tonight");
    assert_eq!(
        (next.at.to_rfc3339(), next.because.as_str()),
        ("2026-12-21T10:42:12+00:00".to_owned(), "solar noon, as the Sun does not rise")
    );
    check(
        &tromso(r#"{ from = "sunset, not before 16:00", until = "22:45" }"#),
        "2026-12-21",
        1,
        "2026-12-21 16:00:00 on solar noon 11:42, as the Sun does not rise, held back to 16:00\n2026-12-21 22:45:00 off 22:45",
    );
}

#[test]
fn rule_10_night_a_start_that_does_not_happen_happens_at_its_not_after() {
    // Midnight sun: 23:00 is nearest to the solar midnight at 22:46:05 UTC, 00:46:05 by the clock; the end is that midnight.
    check(
        &tromso(r#"{ from = "sunset, not after 23:00", until = "sunrise" }"#),
        "2026-06-21",
        1,
        "2026-06-21 23:00:00 on 23:00, though the Sun does not set\n2026-06-22 00:46:05 off solar midnight, as the Sun does not set",
    );
}

#[test]
fn rule_10_night_a_morning_mark_that_ends_stands_at_midnight_or_at_the_closing_noon() {
    check(
        &tromso(r#"{ from = "22:00", until = "15 min before sunrise" }"#),
        "2026-06-21",
        1,
        "2026-06-21 22:00:00 on 22:00\n2026-06-22 00:46:05 off solar midnight, as the Sun does not set",
    );
    check(
        &tromso(r#"{ from = "22:00", until = "15 min before sunrise" }"#),
        "2026-12-20",
        1,
        "2026-12-20 22:00:00 on 22:00\n2026-12-21 11:42:12 off solar noon, as the Sun does not rise",
    );
}

#[test]
fn rule_10_night_a_morning_mark_that_starts_takes_its_offset_at_noon_and_none_at_midnight() {
    check(
        &tromso(r#"{ from = "30 min before sunrise", until = "sunrise" }"#),
        "2026-12-20",
        1,
        "2026-12-21 11:12:12 on solar noon 11:42 less 30 min, as the Sun does not rise\n2026-12-21 11:42:12 off solar noon, as the Sun does not rise",
    );
    check(
        &tromso(r#"{ from = "30 min before sunrise", until = "sunrise" }"#),
        "2026-06-21",
        1,
        "2026-06-22 not lit: solar midnight 00:46 is no later than solar midnight 00:46",
    );
}

#[test]
fn rule_10_night_an_evening_mark_that_ends_takes_its_offset_at_noon_and_none_at_midnight() {
    check(
        &tromso(r#"{ from = "sunset", until = "30 min after sunset", days = "Mon" }"#),
        "2026-12-20",
        2,
        "2026-12-21 11:42:12 on solar noon, as the Sun does not rise\n2026-12-21 12:12:12 off solar noon 11:42 plus 30 min, as the Sun does not rise",
    );
    check(
        &tromso(r#"{ from = "sunset, not after 23:30", until = "30 min after sunset" }"#),
        "2026-06-21",
        1,
        "2026-06-21 23:30:00 on 23:30, though the Sun does not set\n2026-06-22 00:46:05 off solar midnight, as the Sun does not set",
    );
}

#[test]
fn rule_10_day_marks_stand_at_noon_below_and_at_midnight_above() {
    // From the solar midnight that opens the day to the one that closes it: lit without a switching.
    check(&tromso(r#"{ from = "sunrise", until = "sunset" }"#), "2026-06-21", 20, "");
    check(
        &tromso(r#"{ from = "sunrise", until = "sunset" }"#),
        "2026-12-20",
        1,
        "2026-12-21 not lit: solar noon 11:42 is no later than solar noon 11:42",
    );
    // The offset only where a morning mark starts the span.
    check(
        &tromso(r#"{ from = "30 min before sunrise", until = "30 min after sunset", days = "Mon" }"#),
        "2026-12-20",
        2,
        "2026-12-21 11:12:12 on solar noon 11:42 less 30 min, as the Sun does not rise\n2026-12-21 11:42:12 off solar noon, as the Sun does not rise",
    );
}

#[test]
fn rule_10_twilight_goes_by_its_own_altitude() {
    // 21 December in Tromsø: no sunset, but dusk at 12:53:08 UTC and dawn at 08:31:45 the next day.
    check(
        &tromso(r#"{ from = "dusk", until = "dawn" }"#),
        "2026-12-21",
        1,
        "2026-12-21 13:53:08 on dusk\n2026-12-22 09:31:45 off dawn",
    );
}

#[test]
fn hills_raise_sunrise_and_sunset_and_no_other_mark() {
    // 5 deg of hills: sunset at 4 deg 10 min, 13:53:41 UTC.
    let lines =
        "[place]\nname = \"S\"\nposition = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\nhorizon = \"5 deg\"\n";
    check(
        &format!("{lines}{}", r#"{ from = "sunset", until = "dusk" }"#),
        "2026-11-24",
        1,
        "2026-11-24 14:53:41 on sunset\n2026-11-24 16:45:33 off dusk",
    );
}
