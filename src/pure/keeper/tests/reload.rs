//! The file is read again.

use super::House;
use super::house::{JETTY, PARLOUR, file};
use crate::pure::keeper::{Input, Start};
use crate::pure::power::Power;

fn lit(parts: &[&str]) -> House {
    let mut house = House::at("17:00", parts).obedient(&["yard/3", "house/1"]);
    house.until("19:00");
    house.hush();
    house
}

#[test]
fn new_times_hold_at_once() {
    let mut house = lit(&[JETTY]);
    house.input(Input::Reload(file(&[&JETTY.replace("18:00", "20:00")])));
    house.expect(&["19:00:00 yard/3/order off", "19:00:00 switched yard/3 off: not before 20:00"]);
    house.until("21:00");
    house.expect(&["20:00:00 yard/3/order on", "20:00:00 switched yard/3 on: 20:00, due 20:00:00"]);
}

#[test]
fn a_file_that_changes_nothing_for_a_lamp_leaves_it_alone() {
    let mut house = lit(&[JETTY]);
    house.input(Input::Reload(file(&[JETTY])));
    house.pass(60);
    house.expect(&[]);
    assert_eq!(house.state("jetty"), "confirmed, says on");
}

#[test]
fn plugs_that_can_be_asked_are_asked() {
    let mut house = lit(&[PARLOUR]);
    house.input(Input::Reload(file(&[PARLOUR])));
    house.expect(&["19:00:00 house/1/ask"]);
}

#[test]
fn a_new_channel_is_listened_to_before_it_is_spoken_to() {
    let mut house = lit(&[JETTY]);
    house.input(Input::Reload(file(&[JETTY, PARLOUR])));
    house.expect(&["19:00:00 listen", "19:00:00 house/1/ask"]);
    assert_eq!(house.keeper.topics(), ["house/1/alive", "house/1/report", "yard/3/alive", "yard/3/report"]);
}

#[test]
fn overrides_and_hands_of_channels_that_stay_are_kept() {
    let mut house = lit(&[JETTY, PARLOUR]);
    house.set("jetty", Power::Off, Some("cancelled"));
    house.report("house/1", "off");
    house.pass(60);
    house.hush();
    house.input(Input::Reload(file(&[PARLOUR, JETTY])));
    house.pass(60);
    house.expect(&["19:01:00 house/1/ask"]);
    assert_eq!(house.state("jetty"), "confirmed, says off");
    assert_eq!(house.state("parlour"), "confirmed, says off, by hand");
}

#[test]
fn a_channel_that_goes_leaves_its_plugs_as_they_are_and_takes_its_override_with_it() {
    let mut house = lit(&[JETTY, PARLOUR]);
    house.set("parlour", Power::Off, Some("cancelled"));
    house.hush();
    house.input(Input::Reload(file(&[JETTY])));
    house.pass(60);
    house.expect(&[
        "19:00:00 override over parlour off: no longer in the file",
        "19:00:00 parlour is no longer in the file",
        "19:00:00 listen",
        "19:00:00 keep",
    ]);
    assert!(house.kept.overrides.is_empty());
}

#[test]
fn a_plug_that_is_spoken_to_in_another_way_now_is_told_anew() {
    let mut house = lit(&[PARLOUR]);
    house.input(Input::Reload(file(&[&PARLOUR.replace("order", "command")])));
    house.expect(&["19:00:00 house/1/ask"]);
    house.pass(5);
    house.expect(&["19:00:05 house/1/command on"]);
}

#[test]
fn what_fell_due_without_trust_on_a_channel_that_is_gone_by_now_is_on_record_too() {
    let mut house = House::start("17:00", &[JETTY, PARLOUR], Start::default());
    house.until("18:30");
    house.input(Input::Reload(file(&[PARLOUR])));
    house.hush();
    house.until("19:00");
    house.input(Input::Clock { trusted: true });
    let lost = house.lines_with("yard/3");
    assert_eq!(lost, ["19:00:00 missed yard/3 on: clock not trusted, due 18:00:00"]);
}

#[test]
fn a_switching_that_is_dropped_before_the_plug_could_answer_names_what_was_in_its_way() {
    let mut house = House::at("17:00", &[JETTY, PARLOUR]);
    house.until("17:59");
    house.input(Input::LinkDown);
    house.until("18:00:03");
    house.input(Input::LinkUp);
    house.pass(1);
    house.hush();
    house.input(Input::Reload(file(&[PARLOUR])));
    assert_eq!(house.lines_with("yard/3"), ["18:00:04 missed yard/3 on: broker unreachable, due 18:00:00"]);

    let mut house = House::at("17:00", &[JETTY, PARLOUR]);
    house.until("18:00:04");
    house.hush();
    house.input(Input::Reload(file(&[PARLOUR])));
    assert_eq!(house.lines_with("yard/3"), ["18:00:04 missed yard/3 on: plug silent, due 18:00:00"]);
}
