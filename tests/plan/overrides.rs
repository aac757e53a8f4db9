//! When a person's word ends: the table of design and docs, row by row. Sunset of 24 November 2026 at Skarvholmen is
//! 15:54:13 and sunrise of the 25th 08:59:07 (reference.py).

use chrono::TimeDelta;
use lampward::pure::keeper::Ends;
use lampward::pure::local_time::local_of;
use lampward::pure::overrides::{Refusal, ends, hand_ends};
use lampward::pure::plan::Plan;
use lampward::pure::power::Power;

use crate::house;

const JETTY: &str = r#"{ from = "sunset", until = "sunrise" }"#;
const PARLOUR: &str = r#"
    [times]
    bedtime = { "Sun-Thu" = "22:45", "Fri Sat" = "00:30" }
    rising = "06:15"
    { from = "20 min before sunset, not before 16:00", until = "bedtime" }
    { from = "rising", until = "15 min before sunrise", days = "Mon-Fri" }
"#;

fn set(lines: &str, now: &str, wanted: Power, until: Option<&str>, trusted: bool) -> String {
    let mut plan = house::plan(lines);
    let now = house::instant(&plan, now);
    match ends(&mut plan, 0, wanted, until, now, trusted) {
        Ok((ends, because)) => format!("{} ({because})", when(&plan, ends)),
        Err(Refusal::Unprocessable(why)) => format!("422 {why}"),
        Err(Refusal::ClockNotTrusted(why)) => format!("409 {why}"),
    }
}

fn when(plan: &Plan, ends: Ends) -> String {
    let shown = |at| local_of(&plan.config().place.zone, at).format("%Y-%m-%d %H:%M:%S").to_string();
    match ends {
        Ends::At(at) => shown(at),
        Ends::After { whole, at } => format!("after {} s, {}", whole.as_secs(), shown(at)),
        Ends::Cancelled => "never".to_owned(),
    }
}

#[track_caller]
fn check(lines: &str, now: &str, wanted: Power, until: &str, expected: &str) {
    let until = Some(until).filter(|until| !until.is_empty());
    assert_eq!(set(lines, now, wanted, until, true), expected);
}

use Power::{Off, On};

#[test]
fn on_for_the_evening_ends_at_the_next_planned_switch_off() {
    check(PARLOUR, "2026-11-24 20:00", On, "", "2026-11-24 22:45:00 (on until 22:45, the planned switch-off)");
    check(PARLOUR, "2026-11-24 14:00", On, "", "2026-11-24 22:45:00 (on until 22:45, the planned switch-off)");
}

#[test]
fn on_for_the_evening_ends_at_sunrise_if_nothing_is_switched_off_before() {
    check(
        r#"{ from = "11:00", until = "12:00" }"#,
        "2026-11-24 20:00",
        On,
        "",
        "2026-11-25 08:59:07 (on until 08:59, the next sunrise)",
    );
}

#[test]
fn on_for_the_evening_lasts_24_h_at_most() {
    // Midnight sun at 78 N: no sunrise for weeks, and the lamp is never lit.
    let north = house::place("78.22 N, 15.65 E", "Europe/Oslo") + JETTY;
    check(&north, "2026-06-20 20:00", On, "", "2026-06-21 20:00:00 (on for 24 h, until 20:00 on 2026-06-21)");
}

#[test]
fn off_while_the_plan_has_the_lamp_on_ends_at_the_planned_switch_off() {
    check(PARLOUR, "2026-11-24 20:00", Off, "", "2026-11-24 22:45:00 (off until 22:45, the planned switch-off)");
}

#[test]
fn off_at_night_while_the_lamp_is_off_ends_at_the_next_planned_switch_on() {
    check(PARLOUR, "2026-11-24 23:30", Off, "", "2026-11-25 06:15:00 (off until 06:15, the planned switch-on)");
    check(PARLOUR, "2026-11-25 11:00", Off, "", "2026-11-25 16:00:00 (off until 16:00, the planned switch-on)");
}

#[test]
fn off_in_the_afternoon_means_tonights_span() {
    check(PARLOUR, "2026-11-24 14:00", Off, "", "2026-11-24 22:45:00 (off until 22:45, the planned switch-off)");
    check(JETTY, "2026-11-24 14:00", Off, "", "2026-11-25 08:59:07 (off until 08:59, the planned switch-off)");
}

#[test]
fn off_where_nothing_is_planned_ends_after_24_h() {
    let never = r#"{ from = "12:00", until = "13:00", except = ["2020-01-01 to 2040-01-01"] }"#;
    check(never, "2026-11-24 14:00", Off, "", "2026-11-25 14:00:00 (off for 24 h, until 14:00 on 2026-11-25)");
}

#[test]
fn a_duration_goes_by_the_clock_that_never_jumps() {
    check(PARLOUR, "2026-11-24 20:00", On, "45 min", "after 2700 s, 2026-11-24 20:45:00 (on for 45 min)");
    check(PARLOUR, "2026-11-24 20:00", Off, "120 min", "after 7200 s, 2026-11-24 22:00:00 (off for 2 h)");
    check(PARLOUR, "2026-11-24 20:00", On, "0 min", "422 `0 min` would be over at once; give at least 1 s");
}

#[test]
fn a_moment_is_the_first_that_comes_after_now() {
    check(PARLOUR, "2026-11-24 20:00", On, "23:30", "2026-11-24 23:30:00 (on until 23:30)");
    check(PARLOUR, "2026-11-24 17:48", On, "17:00", "2026-11-25 17:00:00 (on until 17:00 on 2026-11-25)");
    check(PARLOUR, "2026-11-24 23:30", On, "23:30", "2026-11-25 23:30:00 (on until 23:30 on 2026-11-25)");
    check(PARLOUR, "2026-11-24 20:00", On, "midnight", "2026-11-25 00:00:00 (on until 00:00, midnight)");
    check(PARLOUR, "2026-11-24 20:00", On, "sunrise", "2026-11-25 08:59:07 (on until 08:59, sunrise)");
    check(
        PARLOUR,
        "2026-11-24 20:00",
        On,
        "30 min before sunrise",
        "2026-11-25 08:29:07 (on until 08:29, 30 min before sunrise)",
    );
    check(PARLOUR, "2026-11-24 20:00", On, "rising", "2026-11-25 06:15:00 (on until 06:15, rising)");
    check(
        PARLOUR,
        "2026-11-24 20:00",
        On,
        "sunrise, not after 07:30",
        "2026-11-25 07:30:00 (on until 07:30, sunrise, not after 07:30)",
    );
}

#[test]
fn a_moment_takes_no_lead_lag_or_absence() {
    let away = format!(
        "[sun]\nlead = \"30 min\"\nlag = \"30 min\"\n[absence]\ndates = [\"2026-11-01 to 2026-12-01\"]\n{JETTY}"
    );
    check(&away, "2026-11-24 20:00", On, "sunrise", "2026-11-25 08:59:07 (on until 08:59, sunrise)");
    check(&away, "2026-11-24 12:00", On, "sunset", "2026-11-24 15:54:13 (on until 15:54, sunset)");
}

#[test]
fn an_evening_name_after_midnight_belongs_to_the_evening_before() {
    // Friday 27 November: bedtime is 00:30 on Saturday. Thursday's is 22:45.
    check(PARLOUR, "2026-11-26 20:00", On, "bedtime", "2026-11-26 22:45:00 (on until 22:45, bedtime)");
    check(PARLOUR, "2026-11-26 23:00", On, "bedtime", "2026-11-28 00:30:00 (on until 00:30 on 2026-11-28, bedtime)");
    check(PARLOUR, "2026-11-28 00:10", On, "bedtime", "2026-11-28 00:30:00 (on until 00:30, bedtime)");
    check(PARLOUR, "2026-11-28 00:40", On, "bedtime", "2026-11-29 00:30:00 (on until 00:30 on 2026-11-29, bedtime)");
    check(PARLOUR, "2026-11-29 00:40", On, "bedtime", "2026-11-29 22:45:00 (on until 22:45, bedtime)");
}

#[test]
fn an_evening_name_from_noon_on_belongs_to_its_own_date() {
    let lunch = "[times]\nlunch = { \"Mon-Fri\" = \"12:00\", \"Sat Sun\" = \"12:45\" }\n{ from = \"lunch\", until = \"13:00\" }";
    check(lunch, "2026-11-24 11:00", On, "lunch", "2026-11-24 12:00:00 (on until 12:00, lunch)");
    check(lunch, "2026-11-28 11:00", On, "lunch", "2026-11-28 12:45:00 (on until 12:45, lunch)");
}

#[test]
fn a_repeated_clock_time_is_its_second_showing() {
    check(PARLOUR, "2026-10-25 01:00", On, "02:30", "2026-10-25 02:30:00 (on until 02:30)");
    let mut plan = house::plan(PARLOUR);
    let now = house::instant(&plan, "2026-10-25 01:00");
    let (ends, _) = ends(&mut plan, 0, On, Some("02:30"), now, true).expect("a fine moment");
    assert_eq!(ends, Ends::At("2026-10-25T01:30:00Z".parse().expect("an instant")));
}

#[test]
fn a_moment_over_36_h_off_is_refused_and_its_instant_named() {
    let north = house::place("69.65 N, 18.96 E", "Europe/Oslo") + JETTY;
    let refused = set(&north, "2026-06-10 20:00", On, Some("sunrise"), true);
    assert!(refused.starts_with("422 `sunrise` comes next at 2026-07-2"), "{refused}");
    assert!(refused.ends_with("+02:00, over 36 h from now; give that instant if it is meant"), "{refused}");
    let never = house::place("50 N, 0 E", "+00:00") + JETTY;
    check(
        &never,
        "2026-06-10 20:00",
        On,
        "evening sun at 80 deg",
        "422 `evening sun at 80 deg` does not come within 400 days",
    );
}

#[test]
fn an_instant_no_clock_here_will_show_is_refused() {
    for until in ["9999-12-31T23:59:59-23:59", "2200-01-01T00:00:00+01:00"] {
        let expected = format!("422 `{until}` is over a century off; `cancelled` holds until it is cancelled");
        check(JETTY, "2026-11-24 20:00", On, until, &expected);
    }
    check(
        JETTY,
        "2026-11-24 20:00",
        On,
        "2026-11-24T23:59:60+01:00",
        "422 `2026-11-24T23:59:60+01:00` names a leap second, which no clock here shows; give a second from 00 to 59",
    );
}

#[test]
fn an_instant_holds_then_and_is_refused_if_past() {
    check(PARLOUR, "2026-11-24 20:00", On, "2026-11-24T23:30:00+01:00", "2026-11-24 23:30:00 (on until 23:30)");
    check(
        PARLOUR,
        "2026-11-24 20:00",
        Off,
        "2026-12-31T11:00:00Z",
        "2026-12-31 12:00:00 (off until 12:00 on 2026-12-31)",
    );
    check(
        PARLOUR,
        "2026-11-24 20:00",
        On,
        "2026-11-24T20:00:00+01:00",
        "422 2026-11-24T20:00:00+01:00 is past; it is 2026-11-24T20:00:00+01:00",
    );
}

#[test]
fn cancelled_is_for_ever() {
    check(PARLOUR, "2026-11-24 20:00", Off, "cancelled", "never (off until cancelled)");
}

#[test]
fn nonsense_is_refused_with_what_would_do() {
    let refused = set(PARLOUR, "2026-11-24 20:00", On, Some("bedtme"), true);
    assert!(refused.starts_with("422 `bedtme` is not a mark"), "{refused}");
    assert!(refused.contains("nearest: bedtime") && refused.contains("a duration such as 45 min"), "{refused}");
}

#[test]
fn without_a_trusted_clock_only_what_needs_no_time_of_day_is_taken() {
    let set = |until| set(PARLOUR, "2026-11-24 20:00", On, until, false);
    assert_eq!(set(None), "after 43200 s, 2026-11-25 08:00:00 (on for 12 h, as the clock is not trusted)");
    assert_eq!(set(Some("45 min")), "after 2700 s, 2026-11-24 20:45:00 (on for 45 min)");
    assert_eq!(set(Some("cancelled")), "never (on until cancelled)");
    for until in ["23:30", "sunrise", "2026-11-24T23:30:00+01:00"] {
        let expected = format!(
            "409 `{until}` needs the time of day, and the clock is not trusted; give a duration such as 2 h, or `cancelled`"
        );
        assert_eq!(set(Some(until)), expected);
    }
}

#[track_caller]
fn hand(lines: &str, now: &str, expected: &str) {
    let mut plan = house::plan(lines);
    let now = house::instant(&plan, now);
    let at = hand_ends(&mut plan, 0, now);
    assert_eq!(when(&plan, Ends::At(at)), expected);
}

#[test]
fn a_hand_holds_until_the_next_switching_sunrise_or_24_h() {
    hand(PARLOUR, "2026-11-24 14:00", "2026-11-24 16:00:00");
    hand(PARLOUR, "2026-11-24 20:00", "2026-11-24 22:45:00");
    hand(r#"{ from = "11:00", until = "12:00" }"#, "2026-11-24 20:00", "2026-11-25 08:59:07");
    let north = house::place("78.22 N, 15.65 E", "Europe/Oslo") + JETTY;
    hand(&north, "2026-06-20 20:00", "2026-06-21 20:00:00");
}

#[test]
fn an_override_is_the_same_whatever_was_asked_before() {
    let mut plan = house::plan(PARLOUR);
    let now = house::instant(&plan, "2026-11-24 14:00");
    let first = ends(&mut plan, 0, Off, None, now, true);
    plan.next(0, now + TimeDelta::days(100));
    plan.wanted(0, now - TimeDelta::days(100));
    assert_eq!(ends(&mut plan, 0, Off, None, now, true), first);
}
