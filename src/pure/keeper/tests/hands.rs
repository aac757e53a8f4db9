//! Somebody presses the button on the plug itself.

use std::time::Duration;

use super::House;
use super::house::{JETTY, PARLOUR, file};
use crate::pure::keeper::Input;
use crate::pure::power::Power;

/// Lit and confirmed for half an hour.
fn lit(parts: &[&str]) -> House {
    let mut house = House::at("17:00", parts).obedient(&["yard/3", "house/1"]);
    house.until("18:30");
    house.hush();
    house
}

#[test]
fn a_lamp_put_off_by_hand_stays_off_until_the_plan_goes_on() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "off");
    house.pass(5);
    house.expect(&["18:30:05 by hand yard/3 off: the button on the plug", "18:30:05 keep"]);
    assert_eq!(house.state("jetty"), "confirmed, says off, by hand");
    house.until("23:00");
    house.expect(&[
        "23:00:00 hand over yard/3 off: its time is over",
        "23:00:00 yard/3/order off",
        "23:00:00 switched yard/3 off: 23:00, due 23:00:00",
        "23:00:00 keep",
    ]);
}

#[test]
fn a_plug_that_says_it_is_here_right_after_was_only_rebooting() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "off");
    house.pass(3);
    house.expect(&[]);
    house.alive("yard/3", "here");
    house.expect(&["18:30:03 yard/3/order on", "18:30:03 switched yard/3 on: lit from 18:00 until 23:00"]);
    assert_eq!(house.state("jetty"), "confirmed, says on");
}

#[test]
fn a_plug_that_has_no_word_of_life_is_taken_for_a_hand_at_once() {
    let deaf = PARLOUR.lines().filter(|line| !line.starts_with("alive")).collect::<Vec<_>>().join("\n");
    let mut house = lit(&[&deaf]);
    house.report("house/1", "off");
    house.expect(&["18:30:00 by hand house/1 off: the button on the plug", "18:30:00 keep"]);
}

#[test]
fn a_button_pressed_twice_lets_the_lamp_follow_the_plan_again() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "off");
    house.pass(60);
    house.hush();
    house.report("yard/3", "on");
    house.pass(60);
    house.expect(&[
        "18:31:05 by hand yard/3 on: the button on the plug",
        "18:31:05 hand over yard/3 off: the button on the plug",
        "18:31:05 keep",
    ]);
}

#[test]
fn a_button_pressed_twice_at_once_is_no_hand() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "off");
    house.pass(2);
    house.report("yard/3", "on");
    house.pass(60);
    house.expect(&[]);
}

#[test]
fn a_contradiction_soon_after_a_command_is_no_hand() {
    let mut house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    house.until("18:00:09");
    house.hush();
    house.report("yard/3", "off");
    house.until("18:01");
    house.expect(&["18:00:09 yard/3/order on", "18:00:09 switched yard/3 on: lit from 18:00 until 23:00"]);
}

#[test]
fn a_contradiction_soon_after_the_link_came_back_is_no_hand() {
    let mut house = lit(&[JETTY]);
    house.input(Input::LinkDown);
    house.pass(60);
    house.input(Input::LinkUp);
    house.pass(29);
    house.hush();
    house.report("yard/3", "off");
    assert_eq!(house.lines_with("order"), ["18:31:29 yard/3/order on"]);
}

#[test]
fn a_contradiction_soon_after_the_plug_came_back_is_no_hand() {
    let mut house = lit(&[PARLOUR]);
    house.alive("house/1", "gone");
    house.pass(60);
    house.alive("house/1", "here");
    house.report("house/1", "on");
    house.pass(29);
    house.hush();
    house.report("house/1", "off");
    assert_eq!(house.lines_with("order"), ["18:31:29 house/1/order on"]);
}

#[test]
fn a_retained_report_is_no_hand() {
    let mut house = lit(&[JETTY]);
    house.retained("yard/3", "off");
    house.pass(60);
    house.expect(&[]);
}

#[test]
fn a_hand_is_undone_where_the_file_says_so() {
    let strict = format!("{JETTY}by_hand = \"correct\"\n");
    let mut house = lit(&[&strict]);
    house.report("yard/3", "off");
    house.expect(&["18:30:00 yard/3/order on", "18:30:00 switched yard/3 on: lit from 18:00 until 23:00"]);
}

#[test]
fn a_hand_holds_one_plug_alone() {
    let two = JETTY.replace("plug  = \"yard/3\"", "plugs = [\"yard/3\", \"yard/4\"]");
    let mut house = House::at("17:00", &[&two]).obedient(&["yard/3", "yard/4"]);
    house.until("18:30");
    house.report("yard/4", "off");
    house.pass(60);
    let view = &house.snapshot().channels[0];
    assert!(view.plugs[0].hand.is_none());
    assert_eq!(view.plugs[1].hand.as_ref().map(|hand| hand.wanted), Some(Power::Off));
    assert_eq!(view.wanted, Some(Power::On));
}

#[test]
fn a_hand_under_an_override_ends_no_later_than_the_override() {
    let mut house = lit(&[JETTY]);
    house.set("jetty", Power::Off, Some("2026-11-24T20:00:00Z"));
    house.until("19:00");
    house.hush();
    house.report("yard/3", "on");
    house.until("20:00");
    house.expect(&[
        "19:00:05 by hand yard/3 on: the button on the plug",
        "19:00:05 keep",
        "20:00:00 hand over yard/3 on: its time is over",
        "20:00:00 override over jetty off: its time is over",
        "20:00:00 keep",
    ]);
    assert_eq!(house.state("jetty"), "confirmed, says on");
}

#[test]
fn a_hand_under_an_override_ends_with_it_whatever_the_wall_clock_shows() {
    let mut house = lit(&[JETTY]);
    house.set("jetty", Power::Off, Some("30 min"));
    house.pass(600);
    house.report("yard/3", "on");
    house.pass(60);
    assert_eq!(house.state("jetty"), "confirmed, says on, by hand");
    // The clock goes back an hour, so that the hand's instant is far off.
    house.set_clock("18:30", true);
    house.pass(1140);
    assert_eq!(house.state("jetty"), "confirmed, says on");
}

#[test]
fn a_contradiction_just_before_the_link_went_down_is_no_hand() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "off");
    house.pass(2);
    house.input(Input::LinkDown);
    house.pass(60);
    house.expect(&[]);
    house.input(Input::LinkUp);
    assert_eq!(house.lines_with("order"), ["18:31:02 yard/3/order on"]);
}

#[test]
fn a_hand_is_ended_by_an_override() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "off");
    house.pass(60);
    house.hush();
    house.set("jetty", Power::On, Some("20 min"));
    assert_eq!(house.lines_with("order"), ["18:31:00 yard/3/order on"]);
    assert!(house.kept.hands.is_empty());
    assert_eq!(house.kept.overrides.len(), 1);
}

#[test]
fn a_hand_is_ended_by_cancelling() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "off");
    house.pass(60);
    house.hush();
    house.cancel("jetty");
    house.expect(&[
        "18:31:00 hand over yard/3 off: cancelled",
        "18:31:00 yard/3/order on",
        "18:31:00 switched yard/3 on: lit from 18:00 until 23:00",
        "18:31:00 keep",
        "18:31:00 answer: done, jetty free",
    ]);
}

#[test]
fn a_lamp_put_off_by_hand_and_rebooting_to_on_is_put_off_again() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "off");
    house.pass(600);
    house.hush();
    house.alive("yard/3", "gone");
    house.pass(60);
    house.alive("yard/3", "here");
    house.report("yard/3", "on");
    house.pass(20);
    assert_eq!(house.lines_with("order").last().map(String::as_str), Some("18:41:05 yard/3/order off"));
    assert_eq!(house.state("jetty"), "confirmed, says off, by hand");
}

#[test]
fn nobody_presses_a_button_while_the_clock_is_not_trusted() {
    let mut house = lit(&[JETTY]);
    house.set("jetty", Power::On, Some("cancelled"));
    house.pass(60);
    house.set_clock("12:00", false);
    house.pass(60);
    house.hush();
    house.report("yard/3", "off");
    assert_eq!(house.lines_with("order"), ["12:01:00 yard/3/order on"]);
}

#[test]
fn a_plug_that_waits_for_its_turn_since_the_link_came_back_was_not_switched_by_hand() {
    let two = JETTY.replace("plug  = \"yard/3\"", "plugs = [\"yard/1\", \"yard/3\"]");
    let paced = format!("[broker]\npace = \"40 s\"\n{two}");
    let mut house = House::at("17:00", &[&paced]).obedient(&["yard/1", "yard/3"]);
    house.until("18:30");
    house.input(Input::LinkDown);
    house.input(Input::LinkUp);
    house.pass(35);
    house.hush();
    // It lost its mains while nobody listened, and says so only now.
    house.report("yard/3", "off");
    house.pass(60);
    house.expect(&["18:30:40 yard/3/order on", "18:30:40 switched yard/3 on: lit from 18:00 until 23:00"]);
}

#[test]
fn a_contradiction_soon_after_lampward_stood_still_is_no_hand() {
    let deaf = PARLOUR.lines().filter(|line| !line.starts_with("alive")).collect::<Vec<_>>().join("\n");
    let mut house = lit(&[&deaf]);
    house.obedient.clear();
    // It does so, but its report gets lost with its connection while all of lampward stands still.
    house.set("parlour", Power::Off, None);
    house.shift(Duration::from_secs(12));
    house.cancel("parlour");
    // What it had said before, and what it says once it is back. It has never heard of the command in between.
    house.report("house/1", "on");
    assert_eq!(house.state("parlour"), "confirmed, says on");
    house.pass(11);
    house.hush();
    house.report("house/1", "off");
    house.report("house/1", "on");
    house.expect(&["18:30:23 house/1/order on", "18:30:23 switched house/1 on: lit from 18:00 until 23:00"]);
    // Half a minute later it is believed again.
    house.pass(20);
    house.report("house/1", "off");
    house.expect(&["18:30:43 by hand house/1 off: the button on the plug", "18:30:43 keep"]);
}

#[test]
fn a_word_of_life_that_waits_unread_while_lampward_stands_still_is_read_before_a_hand_is_supposed() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "off");
    // It reboots, and says so while all of lampward stands still: over the end of the wait for that word.
    house.pass(3);
    house.shift(Duration::from_millis(2_300));
    house.input(Input::Tick);
    house.alive("yard/3", "here");
    house.expect(&["18:30:05 yard/3/order on", "18:30:05 switched yard/3 on: lit from 18:00 until 23:00"]);
    // Where none was waiting it was a hand.
    house.pass(60);
    house.hush();
    house.report("yard/3", "off");
    house.shift(Duration::from_secs(9));
    house.input(Input::Tick);
    house.expect(&[]);
    house.pass(1);
    house.expect(&["18:31:15 by hand yard/3 off: the button on the plug", "18:31:15 keep"]);
}

#[test]
fn a_hand_ends_with_a_switching_that_a_new_file_brings_sooner() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "off");
    house.pass(60);
    house.hush();
    house.input(Input::Reload(file(&[&JETTY.replace("23:00", "20:00")])));
    house.until("20:30");
    assert_eq!(house.lines_with("hand over"), ["20:00:00 hand over yard/3 off: the plan goes on"]);
}
