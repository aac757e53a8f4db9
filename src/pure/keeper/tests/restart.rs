//! Lampward is killed and starts anew with what it kept.

use super::House;
use super::house::{JETTY, PARLOUR, file, instant};
use crate::pure::entry::{Entry, EntryKind};
use crate::pure::keeper::{Down, Input, Start};
use crate::pure::power::Power;

/// Started with a trusted clock; the last sign of life is of `last_life`.
fn trusted(last_life: &str, parts: &[&str]) -> Start {
    let down = Some(Down { last_life: instant(last_life), config: file(parts), first_run: None, recent: Vec::new() });
    Start { trusted: true, down, ..Start::default() }
}

fn evening() -> House {
    let mut house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    house.until("19:00");
    house.hush();
    house
}

#[test]
fn a_start_within_a_lit_span_switches_on_at_once() {
    let mut house = House::at("19:00", &[JETTY]).obedient(&["yard/3"]);
    house.expect(&["19:00:00 yard/3/order on"]);
    house.report("yard/3", "on");
    house.expect(&["19:00:00 switched yard/3 on: lit from 18:00 until 23:00"]);
}

#[test]
fn an_override_survives() {
    let mut house = evening();
    house.set("jetty", Power::Off, Some("cancelled"));
    let mut house = house.restart(60, &[JETTY], trusted("19:00", &[JETTY]));
    house.input(Input::LinkUp);
    house.expect(&["19:01:00 yard/3/order off", "19:01:00 switched yard/3 off: off until cancelled"]);
}

#[test]
fn what_fell_due_while_down_is_missed_and_made_up() {
    let house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    let mut house = house.restart(3600 + 1800, &[JETTY], trusted("17:00", &[JETTY]));
    house.input(Input::LinkUp);
    house.expect(&[
        "18:30:00 missed yard/3 on: lampward not running, due 18:00:00",
        "18:30:00 jetty missed 1: lampward not running",
        "18:30:00 yard/3/order on",
        "18:30:00 late yard/3 on: 18:00, due 18:00:00, 1800 s late",
    ]);
}

#[test]
fn put_right_within_two_minutes_of_its_time_it_is_late_and_not_missed() {
    let house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    let mut house = house.restart(3600 + 90, &[JETTY], trusted("17:00", &[JETTY]));
    house.pass(10);
    house.input(Input::LinkUp);
    house.pass(300);
    house.expect(&["18:01:40 yard/3/order on", "18:01:40 late yard/3 on: 18:00, due 18:00:00, 100 s late"]);
}

#[test]
fn not_put_right_within_two_minutes_of_its_time_it_is_missed() {
    let house = House::at("17:00", &[JETTY]);
    let mut house = house.restart(3600 + 90, &[JETTY], trusted("17:00", &[JETTY]));
    house.pass(60);
    house.expect(&["18:02:00 missed yard/3 on: lampward not running, due 18:00:00"]);
}

#[test]
fn what_fell_due_while_down_is_found_by_the_file_that_held_then() {
    let later = JETTY.replace("18:00", "21:00");
    let house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    let mut house = house.restart(3600 * 3, &[&later], trusted("17:00", &[JETTY]));
    house.input(Input::LinkUp);
    house.expect(&[
        "20:00:00 missed yard/3 on: lampward not running, due 18:00:00",
        "20:00:00 jetty missed 1: lampward not running",
        "20:00:00 yard/3/order off",
        "20:00:00 switched yard/3 off: not before 21:00",
    ]);
}

#[test]
fn what_fell_due_while_down_under_an_override_is_overridden() {
    let mut house = evening();
    house.set("jetty", Power::On, Some("2026-11-24T23:30:00Z"));
    let mut house = house.restart(3600 * 5, &[JETTY], trusted("19:00", &[JETTY]));
    house.input(Input::LinkUp);
    house.expect(&[
        "00:00:00 override over jetty on: its time is over",
        "00:00:00 overridden jetty off: 23:00, due 23:00:00",
        "00:00:00 keep",
        "00:00:00 yard/3/order off",
        "00:00:00 switched yard/3 off: not before 18:00",
    ]);
}

#[test]
fn a_duration_goes_on_by_the_wall_clock_and_never_longer_than_the_whole() {
    let mut house = evening();
    house.set("jetty", Power::Off, Some("1 h"));
    // Half of it passes while lampward is down.
    let mut house = house.restart(1800, &[JETTY], trusted("19:00", &[JETTY]));
    house.input(Input::LinkUp);
    house.pass(1799);
    assert!(house.lines_with("over").is_empty());
    house.pass(1);
    assert_eq!(house.lines_with("override over").len(), 1);

    // The wall clock went back meanwhile: an hour more, not two.
    let mut house = evening();
    house.set("jetty", Power::Off, Some("1 h"));
    house.wall -= chrono::TimeDelta::hours(1);
    let mut house = house.restart(0, &[JETTY], trusted("17:00", &[JETTY]));
    house.pass(3599);
    assert!(house.lines_with("over").is_empty());
    house.pass(1);
    assert_eq!(house.lines_with("override over").len(), 1);
}

#[test]
fn a_duration_goes_on_whole_while_the_clock_is_not_trusted() {
    let mut house = evening();
    house.set("jetty", Power::Off, Some("1 h"));
    let mut house = house.restart(86_400 * 30, &[JETTY], Start::default());
    house.input(Input::LinkUp);
    house.pass(3599);
    assert!(house.lines_with("over").is_empty());
    house.pass(1);
    // It had said on when the override was set, and is put back to that.
    assert_eq!(house.lines_with("order"), ["20:00:00 yard/3/order on"]);
}

#[test]
fn a_duration_set_without_trust_keeps_its_length_after_a_restart() {
    let mut house = House::start("12:00", &[JETTY], Start::default());
    house.set("jetty", Power::On, Some("1 h"));
    house.wall = instant("2026-11-25T12:00:00Z");
    let mut house = house.restart(0, &[JETTY], Start { trusted: true, ..Start::default() });
    house.pass(3599);
    assert!(house.lines_with("over").is_empty());
    house.pass(1);
    assert_eq!(house.lines_with("override over").len(), 1);
}

#[test]
fn a_hand_survives_and_ends_at_its_time() {
    let mut house = evening();
    house.report("yard/3", "off");
    house.pass(60);
    let mut house = house.restart(60, &[JETTY], trusted("19:01", &[JETTY]));
    house.input(Input::LinkUp);
    assert_eq!(house.lines_with("order"), ["19:02:00 yard/3/order off"]);
    assert_eq!(house.state("jetty"), "confirmed, says off, by hand");
    house.until("23:01");
    assert_eq!(house.lines_with("hand over").len(), 1);
}

#[test]
fn overrides_of_channels_that_are_no_longer_in_the_file_are_dropped() {
    let mut house = evening();
    house.set("jetty", Power::Off, Some("cancelled"));
    let house = house.restart(60, &[super::house::PARLOUR], trusted("19:00", &[JETTY]));
    assert!(house.kept.overrides.is_empty());
}

#[test]
fn a_switching_that_waited_to_be_confirmed_when_lampward_was_killed_is_not_lost() {
    let mut house = House::at("17:59", &[JETTY]);
    house.until("18:00:30");
    // Another lamp's entry, made at 18:00:20, is the last sign of life.
    let mut house = house.restart(300, &[JETTY], trusted("18:00:20", &[JETTY]));
    house.hush();
    house.input(Input::LinkUp);
    house.report("yard/3", "on");
    house.expect(&["18:05:30 yard/3/order on", "18:05:30 late yard/3 on: 18:00, due 18:00:00, 330 s late"]);
}

#[test]
fn a_switching_that_was_settled_before_lampward_was_killed_is_not_missed() {
    let settled = Entry {
        at: instant("18:00:01"),
        kind: EntryKind::Switched,
        channel: "jetty".into(),
        plug: Some("yard/3".into()),
        wanted: Some(Power::On),
        because: "18:00".into(),
        due: Some(instant("18:00")),
        late: None,
    };
    let down = Down { last_life: instant("18:00:20"), config: file(&[JETTY]), first_run: None, recent: vec![settled] };
    let mut house = House::start("18:05", &[JETTY], Start { trusted: true, down: Some(down), ..Start::default() });
    house.input(Input::LinkUp);
    house.report("yard/3", "on");
    house.expect(&["18:05:00 yard/3/order on", "18:05:00 switched yard/3 on: lit from 18:00 until 23:00"]);
}

#[test]
fn nothing_was_due_before_the_first_run_of_all() {
    let killed = |first_run: &str| {
        let first_run = Some(instant(first_run));
        let down = Down { last_life: instant("18:01"), config: file(&[JETTY]), first_run, recent: Vec::new() };
        let mut house =
            House::start("18:01:20", &[JETTY], Start { trusted: true, down: Some(down), ..Start::default() });
        house.input(Input::LinkUp);
        house.report("yard/3", "on");
        house.lines_with("yard/3 on")
    };
    // Half a minute after 18:00: the lamp is lit since then, and not late.
    assert_eq!(killed("18:00:30"), ["18:01:20 switched yard/3 on: lit from 18:00 until 23:00"]);
    // An hour before, the switching of 18:00 was due, and nobody knows that it was made.
    let late = ["18:01:20 late yard/3 on: 18:00, due 18:00:00, 80 s late"];
    assert_eq!(killed("17:00"), late);
    // Of a time to come: the clock was wrong then, and it says nothing.
    assert_eq!(killed("23:00"), late);
}

#[test]
fn what_fell_due_under_an_override_while_down_is_on_record_though_the_channel_is_gone() {
    let mut house = evening();
    house.set("jetty", Power::Off, Some("cancelled"));
    let mut house = house.restart(5 * 3600, &[PARLOUR], trusted("19:00", &[JETTY, PARLOUR]));
    assert_eq!(house.lines_with("jetty"), ["00:00:00 overridden jetty off: 23:00, due 23:00:00"]);
}
