//! Sentences 1 to 4: what goes by the Sun and what by clocks, where a span lives, and which date is its own.

use super::{tromso, with_times};
use crate::house::{check, place};

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
