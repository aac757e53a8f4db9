//! Sentences 5 to 9 and 11: what does not happen, merging, and how a moment is worked out.

use super::{tromso, with_times};
use crate::house::{check, instant, plan, seen};

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

#[test]
fn rule_6_each_merged_span_ends_for_the_reason_of_the_rule_that_ends_it() {
    let lines = r#"{ from = "06:00", until = "07:00" }
                   { from = "18:00", until = "20:00" }
                   { from = "19:00", until = "22:00" }"#;
    let mut plan = plan(lines);
    let from = instant(&plan, "2026-11-24 00:00");
    let spans = plan.ahead(0, from, from + chrono::TimeDelta::hours(24)).spans;
    let words: Vec<_> =
        spans.iter().map(|span| format!("{} until {}", span.from_because, span.until_because)).collect();
    assert_eq!(words, ["06:00 until 07:00", "18:00 until 22:00"]);
    // What ends as the time looked at begins, or begins as it ends, is not in it.
    let between = plan.ahead(0, instant(&plan, "2026-11-24 07:00"), instant(&plan, "2026-11-24 18:00"));
    assert_eq!(between.spans, []);
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
fn rule_7_an_offset_may_bring_a_span_to_the_date_before_the_one_of_its_mark() {
    // Sunset of the 24th at 15:54:13. Nobody has to look at the 24th to find it.
    let mut plan = plan(r#"{ from = "16 h before sunset", until = "11 h before sunset" }"#);
    let (from, until) = (instant(&plan, "2026-11-23 12:00"), instant(&plan, "2026-11-23 23:58"));
    assert_eq!(seen(&mut plan, 0, from, until), ["2026-11-23 23:54:13 on sunset 15:54 less 16 h"],);
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
