//! The wall clock is not trusted, becomes trusted, or is set.

use super::House;
use super::house::{JETTY, PARLOUR, file, instant};
use crate::pure::keeper::{Down, Input, Start};
use crate::pure::power::Power;

/// Started without a trusted clock.
fn untrusted(time: &str, parts: &[&str]) -> House {
    let mut house = House::start(time, parts, Start::default()).obedient(&["yard/3", "house/1"]);
    house.input(Input::LinkUp);
    house
}

#[test]
fn without_trust_nothing_is_switched_and_nothing_is_wanted() {
    let mut house = untrusted("17:59", &[JETTY]);
    house.until("23:30");
    house.expect(&[]);
    assert_eq!(house.snapshot().channels[0].wanted, None);
    assert_eq!(house.snapshot().channels[0].because, "clock not trusted");
}

#[test]
fn without_trust_a_plug_is_left_as_it_is() {
    let mut house = untrusted("19:00", &[JETTY]);
    house.report("yard/3", "on");
    house.report("yard/3", "off");
    house.pass(3600);
    house.expect(&[]);
}

#[test]
fn once_trusted_what_fell_due_meanwhile_is_missed_and_made_up() {
    // The board woke up believing it was noon; it was 17:50, and ten minutes pass before it learns that.
    let mut house = untrusted("12:00", &[JETTY]);
    house.pass(1800);
    house.expect(&[]);
    house.set_clock("18:20", true);
    house.expect(&[
        "18:20:00 missed yard/3 on: clock not trusted, due 18:00:00",
        "18:20:00 jetty missed 1: clock not trusted",
        "18:20:00 yard/3/order on",
        "18:20:00 late yard/3 on: 18:00, due 18:00:00, 1200 s late",
    ]);
}

#[test]
fn what_fell_due_before_the_start_and_what_fell_due_without_trust_are_told_apart() {
    let down = Some(Down { last_life: instant("17:00"), config: file(&[JETTY]), first_run: None, recent: Vec::new() });
    let mut house = House::start("12:00", &[JETTY], Start { down, ..Start::default() }).obedient(&["yard/3"]);
    house.input(Input::LinkUp);
    house.pass(3600);
    house.set_clock("23:30", true);
    assert_eq!(
        house.lines_with("missed yard"),
        [
            "23:30:00 missed yard/3 on: lampward not running, due 18:00:00",
            "23:30:00 missed yard/3 off: clock not trusted, due 23:00:00",
        ]
    );
}

#[test]
fn what_fell_due_without_trust_is_found_by_the_file_that_held_then() {
    let mut house = untrusted("12:00", &[JETTY]);
    house.pass(3600);
    house.input(Input::Reload(file(&[&JETTY.replace("18:00", "21:00")])));
    house.pass(3600);
    house.hush();
    // The two hours were those from 17:30 until 19:30.
    house.set_clock("19:30", true);
    house.expect(&[
        "19:30:00 missed yard/3 on: clock not trusted, due 18:00:00",
        "19:30:00 jetty missed 1: clock not trusted",
        "19:30:00 yard/3/order off",
        "19:30:00 switched yard/3 off: not before 21:00",
    ]);
}

#[test]
fn what_fell_due_without_trust_is_overridden_only_while_the_override_stood() {
    // Between 17:30 and 19:30; the override came at 18:30.
    let mut house = untrusted("12:00", &[JETTY]);
    house.pass(3600);
    house.set("jetty", Power::Off, Some("cancelled"));
    house.pass(3600);
    house.hush();
    house.set_clock("19:30", true);
    assert_eq!(house.lines_with("due"), ["19:30:00 missed yard/3 on: clock not trusted, due 18:00:00"]);
    // Between 22:30 and 23:30; it came at 22:30.
    let mut house = untrusted("12:00", &[JETTY]);
    house.set("jetty", Power::Off, Some("cancelled"));
    house.pass(3600);
    house.hush();
    house.set_clock("23:30", true);
    assert_eq!(house.lines_with("due"), ["23:30:00 overridden jetty off: 23:00, due 23:00:00"]);
}

#[test]
fn a_clock_set_forward_is_followed_at_once() {
    let mut house = House::at("12:00", &[JETTY]).obedient(&["yard/3"]);
    house.until("17:00");
    house.hush();
    house.set_clock("18:30", true);
    house.expect(&["18:30:00 yard/3/order on", "18:30:00 late yard/3 on: 18:00, due 18:00:00, 1800 s late"]);
}

#[test]
fn a_clock_set_back_is_followed_at_once_and_the_switching_comes_again() {
    let mut house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    house.until("18:30");
    house.hush();
    house.set_clock("17:30", true);
    house.expect(&["17:30:00 yard/3/order off", "17:30:00 switched yard/3 off: not before 18:00"]);
    house.until("18:01");
    house.expect(&["18:00:00 yard/3/order on", "18:00:00 switched yard/3 on: 18:00, due 18:00:00"]);
}

#[test]
fn what_was_done_before_the_clock_went_back_is_not_missed_when_it_goes_forward_again() {
    let mut house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    house.until("23:30");
    house.set_clock("12:00", true);
    house.pass(60);
    house.hush();
    house.set_clock("23:32", true);
    house.expect(&[]);
    house.set_clock("20:00", true);
    house.hush();
    house.set_clock("23:40", true);
    house.expect(&["23:40:00 yard/3/order off", "23:40:00 switched yard/3 off: not before 18:00"]);
}

#[test]
fn a_clock_that_goes_back_without_a_word_is_noticed() {
    let mut house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    house.until("18:30");
    house.hush();
    house.wall = instant("17:30");
    house.input(Input::Tick);
    assert_eq!(house.lines_with("order"), ["17:30:00 yard/3/order off"]);
}

#[test]
fn after_a_clock_step_plugs_that_can_be_asked_are_asked() {
    let mut house = House::at("19:00", &[PARLOUR]);
    house.report("house/1", "on");
    house.hush();
    house.set_clock("19:30", true);
    house.expect(&["19:30:00 house/1/ask"]);
}

#[test]
fn a_night_slept_through_is_missed_and_made_up() {
    let mut house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    house.pass(60);
    house.hush();
    house.shift(std::time::Duration::from_secs(6 * 3600 + 1800));
    house.input(Input::Clock { trusted: true });
    house.expect(&[
        "23:31:00 missed yard/3 on: lampward not running, due 18:00:00",
        "23:31:00 jetty missed 1: lampward not running",
        "23:31:00 missed yard/3 off: lampward not running, due 23:00:00",
        "23:31:00 jetty missed 1: lampward not running",
        "23:31:00 yard/3/order off",
        "23:31:00 late yard/3 off: 23:00, due 23:00:00, 1860 s late",
    ]);
}

#[test]
fn a_switching_under_way_when_trust_is_lost_is_missed() {
    let mut house = House::at("17:00", &[JETTY]);
    house.report("yard/3", "off");
    house.until("18:00:30");
    house.hush();
    house.set_clock("12:00", false);
    house.expect(&["12:00:00 missed yard/3 on: clock not trusted, due 18:00:00"]);
    house.pass(3600);
    house.expect(&[]);
}

#[test]
fn an_override_without_trust_puts_plugs_back_to_what_they_said() {
    let mut house = untrusted("12:00", &[JETTY]);
    house.report("yard/3", "on");
    house.set("jetty", Power::Off, Some("30 min"));
    assert_eq!(house.lines_with("order"), ["12:00:00 yard/3/order off"]);
    house.pass(1800);
    assert_eq!(house.lines_with("order"), ["12:30:00 yard/3/order on"]);
    // Once put back it is left as it is.
    house.report("yard/3", "off");
    house.pass(3600);
    assert!(house.lines_with("order").is_empty());
}

#[test]
fn an_override_without_trust_puts_a_plug_off_that_had_said_nothing() {
    let mut house = untrusted("12:00", &[JETTY]);
    house.set("jetty", Power::On, Some("cancelled"));
    house.pass(60);
    house.hush();
    house.cancel("jetty");
    assert_eq!(house.lines_with("order"), ["12:01:00 yard/3/order off"]);
}

#[test]
fn without_trust_for_the_evening_is_twelve_hours() {
    let mut house = untrusted("12:00", &[JETTY]);
    house.set("jetty", Power::On, None);
    house.pass(12 * 3600 - 1);
    house.hush();
    house.pass(1);
    assert_eq!(house.lines_with("override over").len(), 1);
}

#[test]
fn without_trust_an_instant_is_refused() {
    let mut house = untrusted("12:00", &[JETTY]);
    house.set("jetty", Power::On, Some("2026-11-24T20:00:00Z"));
    house.expect(&["12:00:00 answer: clock not trusted"]);
}

#[test]
fn an_instant_holds_twelve_hours_at_most_once_trust_is_lost() {
    let mut house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    house.set("jetty", Power::On, Some("2026-11-24T20:00:00Z"));
    house.pass(60);
    house.set_clock("2026-11-30T12:00:00Z", false);
    house.pass(12 * 3600 - 1);
    assert!(house.lines_with("override over").is_empty());
    house.pass(1);
    // Put back to what it said when the override was set, the plan having had it off.
    assert_eq!(house.lines_with("order"), ["00:00:00 yard/3/order off"]);
}

#[test]
fn an_instant_counts_again_once_the_clock_is_trusted() {
    let mut house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    house.set("jetty", Power::On, Some("2026-11-24T20:00:00Z"));
    house.set_clock("12:00", false);
    house.pass(60);
    house.hush();
    house.set_clock("21:00", true);
    assert_eq!(house.lines_with("override over"), ["21:00:00 override over jetty on: its time is over"]);
}

#[test]
fn signs_of_life_are_made_only_while_the_clock_is_trusted() {
    let mut house = untrusted("12:00", &[]);
    let step = house.keeper.step(house.now(), Input::Tick);
    assert!(step.outputs.is_empty());
    house.shift(std::time::Duration::from_secs(3600));
    assert!(house.keeper.step(house.now(), Input::Tick).outputs.is_empty());
    let step = house.keeper.step(house.now(), Input::Clock { trusted: true });
    assert_eq!(step.outputs, [crate::pure::keeper::Output::Alive]);
    assert_eq!(step.rest, std::time::Duration::from_secs(600));
}

#[test]
fn a_duration_set_by_a_trusted_clock_ends_at_its_instant_once_the_clock_is_trusted_after_a_restart() {
    let mut house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    house.set("jetty", Power::Off, Some("2 h"));
    let mut house = house.restart(60, &[JETTY], Start::default());
    house.input(Input::LinkUp);
    house.pass(600);
    house.hush();
    house.set_clock("18:30", true);
    house.until("20:00");
    assert_eq!(house.lines_with("over jetty"), ["19:00:00 override over jetty off: its time is over"]);
}
