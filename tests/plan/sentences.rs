//! The eleven sentences of docs/rules.md, "What a lit span means", each by its number. Instants of the Sun are those of
//! `reference.py`, to the second (dusk of 24 November is at 15:45:33.5005 there: 33 and 34 are both right); what the plan
//! adds to them is worked out by hand.

use crate::house::{check, place};

const TIMES: &str = r#"
    [times]
    bedtime = { "Sun-Thu" = "22:45", "Fri Sat" = "00:30" }
    rising  = { "Mon-Fri" = "06:15", "Sat Sun" = "08:00" }
"#;

fn with_times(rules: &str) -> String {
    format!("{TIMES}{rules}")
}

fn tromso(rules: &str) -> String {
    place("69.65 N, 18.96 E", "Europe/Oslo") + rules
}

// 1. Everything astronomical in UTC; local time for clock times, days, dates and display.

#[test]
fn rule_1_the_sun_takes_no_notice_of_a_clock_change() {
    // 24 to 26 October 2026: an hour earlier by the clock, two minutes and a half by the Sun.
    check(
        r#"{ from = "sunset", until = "22:00" }"#,
        "2026-10-25",
        1,
        "2026-10-25 17:03:00 on sunset
         2026-10-25 22:00:00 off 22:00",
    );
    let standard = place("59.7412 N, 5.2097 E", "+01:00") + r#"{ from = "sunset", until = "22:00" }"#;
    check(&standard, "2026-10-25", 1, "2026-10-25 17:03:00 on sunset\n2026-10-25 22:00:00 off 22:00");
}

#[test]
fn rule_1_always_summer_moves_clock_times_and_display_and_not_the_sun() {
    let lines = "[place]\nname = \"S\"\nposition = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\nclock_change = \"always summer\"\n";
    check(
        &format!("{lines}{}", r#"{ from = "sunset", until = "22:45" }"#),
        "2026-11-24",
        1,
        "2026-11-24 16:54:13 on sunset
         2026-11-24 22:45:00 off 22:45",
    );
}

// 2. The solar noon of D is the transit nearest to 12:00 local on D; the night of D runs from it to the next.

#[test]
fn rule_2_a_sunset_after_midnight_belongs_to_the_night_before() {
    // Tromsø, night of Sunday 17 May 2026: the Sun sets at 22:28:20 UTC, 00:28:20 on Monday by the clock, and rises at
    // 00:51:56. `days` goes by Sunday.
    let night = r#"{ from = "sunset", until = "sunrise", days = "Sun" }"#;
    check(&tromso(night), "2026-05-17", 3, "2026-05-18 00:28:20 on sunset\n2026-05-18 00:51:56 off sunrise");
}

#[test]
fn rule_2_the_day_of_d_runs_from_solar_midnight_to_solar_midnight() {
    check(
        r#"{ from = "sunrise", until = "sunset" }"#,
        "2026-11-24",
        1,
        "2026-11-24 15:54:13 off sunset
         2026-11-25 08:59:07 on sunrise",
    );
}

#[test]
fn rule_2_beyond_the_date_line_a_date_has_its_own_noon() {
    // Apia went from 29 to 31 December 2011: the night of the 29th ends on the morning of the 31st.
    check(
        &(place("13.83 S, 171.76 W", "Pacific/Apia") + r#"{ from = "sunset", until = "sunrise" }"#),
        "2011-12-29",
        2,
        "2011-12-29 19:57:14 on sunset
         2011-12-31 07:01:35 off sunrise
         2011-12-31 19:57:38 on sunset
         2012-01-01 07:02:08 off sunrise",
    );
}

// 3. Where a span lives, and on which date its clock times fall.

#[test]
fn rule_3a_what_starts_at_an_evening_mark_or_ends_at_a_morning_mark_lives_in_the_night() {
    check(
        r#"{ from = "dusk", until = "01:30" }"#,
        "2026-11-24",
        1,
        "2026-11-24 16:45:33 on dusk\n2026-11-25 01:30:00 off 01:30",
    );
    check(
        r#"{ from = "23:00", until = "dawn" }"#,
        "2026-11-24",
        1,
        "2026-11-24 23:00:00 on 23:00\n2026-11-25 08:07:26 off dawn",
    );
    check(
        r#"{ from = "06:00", until = "dawn" }"#,
        "2026-11-24",
        1,
        "2026-11-25 06:00:00 on 06:00\n2026-11-25 08:07:26 off dawn",
    );
    check(
        r#"{ from = "dawn", until = "sunrise" }"#,
        "2026-11-24",
        1,
        "2026-11-25 08:07:26 on dawn\n2026-11-25 08:59:07 off sunrise",
    );
    check(
        r#"{ from = "sunset", until = "dusk" }"#,
        "2026-11-24",
        1,
        "2026-11-24 15:54:13 on sunset\n2026-11-24 16:45:33 off dusk",
    );
    // Solar noon closes the night where it ends a span, and opens it where it starts one.
    check(
        r#"{ from = "dusk", until = "solar noon" }"#,
        "2026-11-24",
        1,
        "2026-11-24 12:25:50 off solar noon\n2026-11-24 16:45:33 on dusk",
    );
    check(
        r#"{ from = "solar noon", until = "dawn" }"#,
        "2026-11-24",
        1,
        "2026-11-24 12:25:50 on solar noon\n2026-11-25 08:07:26 off dawn",
    );
}

#[test]
fn rule_3b_what_starts_at_a_morning_mark_or_ends_at_an_evening_mark_lives_in_the_day() {
    check(
        r#"{ from = "sunrise", until = "10:00" }"#,
        "2026-11-24",
        1,
        "2026-11-25 08:59:07 on sunrise\n2026-11-25 10:00:00 off 10:00",
    );
    check(
        r#"{ from = "14:00", until = "sunset" }"#,
        "2026-11-24",
        1,
        "2026-11-24 14:00:00 on 14:00\n2026-11-24 15:54:13 off sunset",
    );
    // An end from 00:00 to 02:59 is the next date's; from 03:00 on it is the same date's, before sunrise.
    check(
        r#"{ from = "sunrise", until = "02:59" }"#,
        "2026-11-24",
        1,
        "2026-11-25 02:59:00 off 02:59\n2026-11-25 08:59:07 on sunrise",
    );
    check(
        r#"{ from = "sunrise", until = "03:00" }"#,
        "2026-11-24",
        1,
        "2026-11-25 not lit: 03:00 is before sunrise 08:59",
    );
}

#[test]
fn rule_3c_what_has_solar_midnight_lives_in_the_night_and_solar_noon_in_the_day() {
    check(
        r#"{ from = "22:00", until = "solar midnight" }"#,
        "2026-11-24",
        1,
        "2026-11-24 22:00:00 on 22:00\n2026-11-25 00:25:59 off solar midnight",
    );
    check(
        r#"{ from = "solar midnight", until = "02:00" }"#,
        "2026-11-24",
        1,
        "2026-11-25 00:25:59 on solar midnight\n2026-11-25 02:00:00 off 02:00",
    );
    check(
        r#"{ from = "10:00", until = "solar noon" }"#,
        "2026-11-24",
        1,
        "2026-11-24 12:25:50 off solar noon\n2026-11-25 10:00:00 on 10:00",
    );
    check(
        r#"{ from = "solar noon", until = "14:00" }"#,
        "2026-11-24",
        1,
        "2026-11-24 12:25:50 on solar noon\n2026-11-24 14:00:00 off 14:00",
    );
}

#[test]
fn rule_3d_between_two_clock_times_an_earlier_until_is_the_next_date() {
    check(
        r#"{ from = "22:00", until = "06:00" }"#,
        "2026-11-24",
        1,
        "2026-11-24 22:00:00 on 22:00\n2026-11-25 06:00:00 off 06:00",
    );
    check(
        r#"{ from = "06:00", until = "07:00" }"#,
        "2026-11-24",
        1,
        "2026-11-25 06:00:00 on 06:00\n2026-11-25 07:00:00 off 07:00",
    );
    // As written: at the end of the spring gap 02:30 is 03:00, and still later than 02:10.
    check(
        r#"{ from = "02:10", until = "02:30", days = "Sun" }"#,
        "2026-03-28",
        1,
        "2026-03-29 not lit: 02:30 (03:00) is no later than 02:10 (03:00)",
    );
}

// 4. The date by which days, season, except and absence go; names of [times].

#[test]
fn rule_4_the_night_goes_by_its_evening_or_by_its_morning() {
    // 24 November 2026 is a Tuesday.
    check(
        r#"{ from = "sunset", until = "sunrise", days = "Tue" }"#,
        "2026-11-23",
        3,
        "2026-11-24 15:54:13 on sunset\n2026-11-25 08:59:07 off sunrise",
    );
    check(
        r#"{ from = "13:00", until = "sunrise", days = "Tue" }"#,
        "2026-11-23",
        3,
        "2026-11-24 13:00:00 on 13:00\n2026-11-25 08:59:07 off sunrise",
    );
    check(
        r#"{ from = "solar noon", until = "sunrise", days = "Tue" }"#,
        "2026-11-23",
        3,
        "2026-11-24 12:25:50 on solar noon\n2026-11-25 08:59:07 off sunrise",
    );
    check(
        r#"{ from = "06:00", until = "sunrise", days = "Wed" }"#,
        "2026-11-23",
        3,
        "2026-11-25 06:00:00 on 06:00\n2026-11-25 08:59:07 off sunrise",
    );
    check(
        r#"{ from = "dawn", until = "sunrise", days = "Wed" }"#,
        "2026-11-23",
        3,
        "2026-11-25 08:07:26 on dawn\n2026-11-25 08:59:07 off sunrise",
    );
    check(
        r#"{ from = "solar midnight", until = "sunrise", days = "Wed" }"#,
        "2026-11-23",
        3,
        "2026-11-25 00:25:59 on solar midnight\n2026-11-25 08:59:07 off sunrise",
    );
}

#[test]
fn rule_4_the_day_and_two_clock_times_go_by_their_own_date() {
    check(
        r#"{ from = "14:00", until = "sunset", days = "Tue" }"#,
        "2026-11-23",
        3,
        "2026-11-24 14:00:00 on 14:00\n2026-11-24 15:54:13 off sunset",
    );
    check(
        r#"{ from = "22:00", until = "06:00", days = "Tue" }"#,
        "2026-11-23",
        3,
        "2026-11-24 22:00:00 on 22:00\n2026-11-25 06:00:00 off 06:00",
    );
}

#[test]
fn rule_4_an_evening_name_takes_the_value_of_its_evening_also_after_midnight() {
    // Friday 27 November: bedtime is 00:30 on Saturday. Sunday's is 22:45.
    check(
        &with_times(r#"{ from = "20:00", until = "bedtime" }"#),
        "2026-11-27",
        3,
        "2026-11-27 20:00:00 on 20:00
         2026-11-28 00:30:00 off bedtime
         2026-11-28 20:00:00 on 20:00
         2026-11-29 00:30:00 off bedtime
         2026-11-29 20:00:00 on 20:00
         2026-11-29 22:45:00 off bedtime",
    );
    check(
        &with_times(r#"{ from = "dusk", until = "bedtime", days = "Fri" }"#),
        "2026-11-23",
        7,
        "2026-11-27 16:41:45 on dusk\n2026-11-28 00:30:00 off bedtime",
    );
}

#[test]
fn rule_4_an_evening_name_that_starts_a_span_after_midnight_counts_as_its_evening() {
    check(
        &with_times(r#"{ from = "bedtime", until = "rising", days = "Fri" }"#),
        "2026-11-23",
        7,
        "2026-11-28 00:30:00 on bedtime\n2026-11-28 08:00:00 off rising",
    );
}

#[test]
fn rule_4_a_morning_name_takes_the_value_of_the_date_on_which_it_falls() {
    // From Friday evening to Saturday morning: Saturday's 08:00. From Sunday to Monday: Monday's 06:15.
    check(
        &with_times(r#"{ from = "22:00", until = "rising", days = "Fri" }"#),
        "2026-11-23",
        7,
        "2026-11-27 22:00:00 on 22:00\n2026-11-28 08:00:00 off rising",
    );
    check(
        &with_times(r#"{ from = "22:00", until = "rising", days = "Sun" }"#),
        "2026-11-23",
        7,
        "2026-11-29 22:00:00 on 22:00\n2026-11-30 06:15:00 off rising",
    );
    check(
        &with_times(r#"{ from = "rising", until = "sunrise", days = "Sat" }"#),
        "2026-11-23",
        7,
        "2026-11-28 08:00:00 on rising\n2026-11-28 09:05:41 off sunrise",
    );
}

#[test]
fn rule_4_a_season_wraps_over_new_year_and_has_both_its_days() {
    let lines = r#"{ from = "18:00", until = "23:00", season = "30 Dec to 2 Jan", except = ["31 Dec", "2027-01-01"] }"#;
    check(
        lines,
        "2026-12-27",
        10,
        "2026-12-30 18:00:00 on 18:00
         2026-12-30 23:00:00 off 23:00
         2027-01-02 18:00:00 on 18:00
         2027-01-02 23:00:00 off 23:00",
    );
}

#[test]
fn rule_4_29_february_is_a_day_of_leap_years_alone() {
    let lines = r#"{ from = "18:00", until = "19:00", season = "28 Feb to 29 Feb" }"#;
    check(lines, "2027-02-27", 4, "2027-02-28 18:00:00 on 18:00\n2027-02-28 19:00:00 off 19:00");
    check(
        lines,
        "2028-02-27",
        4,
        "2028-02-28 18:00:00 on 18:00\n2028-02-28 19:00:00 off 19:00\n2028-02-29 18:00:00 on 18:00\n2028-02-29 19:00:00 off 19:00",
    );
}

// 5. What does not happen.

#[test]
fn rule_5_bedtime_before_sunset_leaves_the_lamp_off_and_says_so() {
    check(
        r#"{ from = "sunset", until = "22:45" }"#,
        "2026-06-21",
        1,
        "2026-06-21 not lit: 22:45 is before sunset 23:04",
    );
}

#[test]
fn rule_5_a_span_shorter_than_at_least_is_dropped() {
    // Sunset at 23:04:05 on 21 June.
    check(
        r#"{ from = "sunset", until = "23:05" }"#,
        "2026-06-21",
        1,
        "2026-06-21 not lit: from sunset 23:04 until 23:05 is less than 1 min",
    );
    check(
        r#"{ from = "sunset", until = "23:15", at_least = "10 min" }"#,
        "2026-06-21",
        1,
        "2026-06-21 23:04:05 on sunset\n2026-06-21 23:15:00 off 23:15",
    );
    check(
        r#"{ from = "sunset", until = "23:14", at_least = "10 min" }"#,
        "2026-06-21",
        1,
        "2026-06-21 not lit: from sunset 23:04 until 23:14 is less than 10 min",
    );
}

#[test]
fn rule_5_short_spans_are_dropped_before_merging() {
    let lines = r#"{ from = "20:00", until = "20:30" }
                   { from = "20:30", until = "20:35", at_least = "10 min" }"#;
    check(
        lines,
        "2026-11-24",
        1,
        "2026-11-24 20:00:00 on 20:00\n2026-11-24 20:30:00 off 20:30\n2026-11-24 not lit: from 20:30 until 20:35 is less than 10 min",
    );
}

// 6. Merging.

#[test]
fn rule_6_touching_and_overlapping_spans_make_no_switching_between_them() {
    let lines = r#"{ from = "18:00", until = "20:00" }
                   { from = "20:00", until = "22:00" }
                   { from = "21:00", until = "21:30" }"#;
    check(lines, "2026-11-24", 1, "2026-11-24 18:00:00 on 18:00\n2026-11-24 22:00:00 off 22:00");
}

// 7. The order of working.

#[test]
fn rule_7_mark_then_offset_then_lead_then_clamp_then_rounding() {
    // Sunset 15:54:13.04; less 20 min and 10 min lead 15:24:13.
    let lead = "[sun]\nlead = \"10 min\"\n";
    let rule = |clamps: &str| format!("{lead}{{ from = \"20 min before sunset{clamps}\", until = \"22:45\" }}");
    let off = "2026-11-24 22:45:00 off 22:45";
    check(
        &rule(""),
        "2026-11-24",
        1,
        &format!("2026-11-24 15:24:13 on sunset 15:54 less 20 min, less 10 min lead\n{off}"),
    );
    check(
        &rule(", not before 15:30"),
        "2026-11-24",
        1,
        &format!("2026-11-24 15:30:00 on sunset 15:54 less 20 min, less 10 min lead, held back to 15:30\n{off}"),
    );
    check(
        &rule(", not after 15:00"),
        "2026-11-24",
        1,
        &format!("2026-11-24 15:00:00 on sunset 15:54 less 20 min, less 10 min lead, brought forward to 15:00\n{off}"),
    );
}

#[test]
fn rule_7_clamps_hold_in_the_order_written() {
    let rule = |clamps: &str| format!("{{ from = \"sunset, {clamps}\", until = \"22:45\" }}");
    let off = "2026-11-24 22:45:00 off 22:45";
    check(
        &rule("not before 17:00, not after 16:30"),
        "2026-11-24",
        1,
        &format!("2026-11-24 16:30:00 on sunset 15:54, brought forward to 16:30\n{off}"),
    );
    check(
        &rule("not after 16:30, not before 17:00"),
        "2026-11-24",
        1,
        &format!("2026-11-24 17:00:00 on sunset 15:54, held back to 17:00\n{off}"),
    );
}

#[test]
fn rule_7_a_clamp_means_the_showing_nearest_to_what_it_clamps() {
    // Sunset at 00:28:20 on 18 May in Tromsø: `not after 23:00` is an hour and a half before it, on the 17th.
    check(
        &tromso(r#"{ from = "sunset, not after 23:00", until = "sunrise", days = "Sun" }"#),
        "2026-05-17",
        1,
        "2026-05-17 23:00:00 on sunset 00:28, brought forward to 23:00\n2026-05-18 00:51:56 off sunrise",
    );
    // And a bedtime of 00:30 clamps the evening from the other side of midnight.
    check(
        &with_times(r#"{ from = "solar midnight, not after bedtime", until = "03:00", days = "Sat" }"#),
        "2026-11-27",
        1,
        "2026-11-28 00:26:55 on solar midnight\n2026-11-28 03:00:00 off 03:00",
    );
}

// 8. Lead and lag.

#[test]
fn rule_8_lead_moves_evening_marks_that_start_and_lag_morning_marks_that_end() {
    let shifted = |rule: &str| format!("[sun]\nlead = \"10 min\"\nlag = \"7 min\"\n{rule}");
    check(
        &shifted(r#"{ from = "sunset", until = "sunrise" }"#),
        "2026-11-24",
        1,
        "2026-11-24 15:44:13 on sunset 15:54 less 10 min lead\n2026-11-25 09:06:07 off sunrise 08:59 plus 7 min lag",
    );
    // Nothing else moves: neither evening marks that end nor morning marks that start, nor noon, midnight and clocks.
    check(
        &shifted(r#"{ from = "sunrise", until = "sunset" }"#),
        "2026-11-24",
        1,
        "2026-11-24 15:54:13 off sunset\n2026-11-25 08:59:07 on sunrise",
    );
    check(
        &shifted(r#"{ from = "22:00", until = "solar midnight" }"#),
        "2026-11-24",
        1,
        "2026-11-24 22:00:00 on 22:00\n2026-11-25 00:25:59 off solar midnight",
    );
}

// 9. Clock changes.

#[test]
fn rule_9_a_time_skipped_in_spring_means_the_end_of_the_gap() {
    check(
        r#"{ from = "02:30", until = "04:00" }"#,
        "2026-03-28",
        1,
        "2026-03-29 03:00:00 on 02:30, skipped by the clock change, so 03:00\n2026-03-29 04:00:00 off 04:00",
    );
}

#[test]
fn rule_9_a_time_shown_twice_is_the_first_to_go_on_and_the_second_to_go_off() {
    let mut plan = crate::house::plan(r#"{ from = "02:15", until = "02:45" }"#);
    let from = crate::house::instant(&plan, "2026-10-24 12:00");
    let found = plan.switchings(0, from, from + chrono::TimeDelta::days(1));
    let found: Vec<String> = found.iter().map(|s| s.at.format("%H:%M").to_string()).collect();
    // 02:15 by +02:00 and 02:45 by +01:00.
    assert_eq!(found, ["00:15", "01:45"]);
}

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

// 11. Absence: see absence.rs for the generator.

#[test]
fn rule_11_absence_moves_each_moment_within_vary_and_clamps_hold() {
    let away = "[absence]\ndates = [\"2026-11-24\"]\nvary = \"25 min\"\n";
    let lines = format!("{away}{}", r#"{ from = "17:00, not after 16:40", until = "22:45, not before 23:15" }"#);
    check(
        &lines,
        "2026-11-24",
        1,
        "2026-11-24 16:40:00 on 17:00 less 7 min 7 s for absence, brought forward to 16:40\n2026-11-24 23:15:00 off 22:45 plus 10 min 21 s for absence, held back to 23:15",
    );
}
