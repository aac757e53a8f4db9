//! What plugs say: live, retained, garbled, gone and back.

use super::House;
use super::house::{JETTY, PARLOUR};
use crate::pure::keeper::Input;

fn lit(parts: &[&str]) -> House {
    let mut house = House::at("17:00", parts).obedient(&["yard/3", "house/1"]);
    house.until("18:30");
    house.hush();
    house
}

#[test]
fn a_retained_report_is_no_answer() {
    let mut house = House::at("19:00", &[PARLOUR]);
    house.retained("house/1", "on");
    house.pass(4);
    assert_eq!(house.state("parlour"), "untold, says on");
    house.expect(&["19:00:00 house/1/ask"]);
    house.pass(1);
    house.expect(&["19:00:05 house/1/order on"]);
    house.retained("house/1", "on");
    assert_eq!(house.state("parlour"), "unanswered, says on");
}

#[test]
fn a_retained_report_is_worth_nothing_against_a_live_one() {
    let mut house = lit(&[JETTY]);
    house.retained("yard/3", "off");
    assert_eq!(house.state("jetty"), "confirmed, says on");
    house.expect(&[]);
}

#[test]
fn after_a_start_a_plug_is_asked_and_told_only_what_differs() {
    let mut house = House::at("19:00", &[PARLOUR]);
    house.report("house/1", "on");
    house.pass(60);
    house.expect(&["19:00:00 house/1/ask"]);
    assert_eq!(house.state("parlour"), "confirmed, says on");
}

#[test]
fn after_the_link_was_down_a_plug_is_asked_and_corrected() {
    let mut house = lit(&[PARLOUR]);
    house.input(Input::LinkDown);
    house.pass(60);
    house.input(Input::LinkUp);
    house.report("house/1", "off");
    house.expect(&[
        "18:31:00 house/1/ask",
        "18:31:00 house/1/order on",
        "18:31:00 switched house/1 on: lit from 18:00 until 23:00",
    ]);
}

#[test]
fn a_plug_that_does_not_answer_is_told_without_an_answer() {
    let mut house = lit(&[PARLOUR]);
    house.input(Input::LinkDown);
    house.pass(60);
    house.input(Input::LinkUp);
    house.pass(10);
    house.expect(&["18:31:00 house/1/ask", "18:31:05 house/1/order on"]);
}

#[test]
fn plugs_that_can_be_asked_are_asked_every_ten_minutes() {
    let mut house = House::at("18:30", &[PARLOUR]);
    house.report("house/1", "on");
    house.pass(1800);
    house.expect(&["18:30:00 house/1/ask", "18:40:00 house/1/ask", "18:50:00 house/1/ask", "19:00:00 house/1/ask"]);
}

#[test]
fn the_same_report_twice_changes_nothing() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "on");
    house.report("yard/3", "on");
    house.expect(&[]);
}

#[test]
fn a_garbled_report_is_said_once_until_one_is_understood() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "maybe\n");
    house.report("yard/3", "perhaps");
    house.expect(&["18:30:00 yard/3 garbled `maybe\\n`"]);
    house.report("yard/3", "on");
    house.report("yard/3", "perhaps");
    house.expect(&["18:30:00 yard/3 garbled `perhaps`"]);
    assert_eq!(house.state("jetty"), "confirmed, says on");
}

#[test]
fn a_plug_that_is_gone_is_told_once_at_each_switching_and_missed() {
    let mut house = House::at("17:00", &[JETTY]);
    house.report("yard/3", "off");
    house.alive("yard/3", "gone");
    house.until("17:59");
    house.hush();
    house.until("18:30");
    house.expect(&["18:00:00 yard/3/order on", "18:02:00 missed yard/3 on: plug gone, due 18:00:00"]);
    house.until("23:30");
    house.expect(&["23:00:00 yard/3/order off", "23:02:00 missed yard/3 off: plug gone, due 23:00:00"]);
}

#[test]
fn a_plug_whose_last_will_comes_after_its_first_word_is_told_once_more() {
    let mut house = House::at("17:00", &[JETTY]);
    house.report("yard/3", "off");
    house.until("17:59");
    house.hush();
    // It boots right at the switching and does not hear the command.
    house.until("18:00:03");
    house.report("yard/3", "off");
    house.alive("yard/3", "here");
    house.alive("yard/3", "gone");
    house.until("18:00:04");
    house.obedient.insert("yard/3".to_string());
    house.until("18:30");
    house.expect(&[
        "18:00:00 yard/3/order on",
        "18:00:03 yard/3 is gone",
        "18:00:05 yard/3/order on",
        "18:00:05 yard/3 is back",
        "18:00:05 switched yard/3 on: 18:00, due 18:00:00",
    ]);
}

#[test]
fn a_plug_that_goes_amid_repetitions_is_told_once_more_and_no_oftener() {
    let mut house = House::at("17:00", &[JETTY]);
    house.report("yard/3", "off");
    house.until("17:59");
    house.hush();
    house.until("18:00:12");
    house.alive("yard/3", "gone");
    house.alive("yard/3", "gone");
    house.until("18:30");
    house.alive("yard/3", "gone");
    house.until("18:50");
    house.expect(&[
        "18:00:00 yard/3/order on",
        "18:00:05 yard/3/order on",
        "18:00:10 yard/3/order on",
        "18:00:12 yard/3 is gone",
        "18:00:20 yard/3/order on",
        "18:02:00 missed yard/3 on: plug silent, due 18:00:00",
    ]);
}

#[test]
fn a_gone_plug_that_can_be_asked_is_asked_every_ten_minutes() {
    let mut house = lit(&[PARLOUR]);
    house.alive("house/1", "gone");
    house.alive("house/1", "gone");
    house.until("18:51");
    house.expect(&["18:30:00 house/1 is gone", "18:40:00 house/1/ask", "18:50:00 house/1/ask"]);
}

#[test]
fn a_plug_that_comes_back_is_put_right_at_once() {
    let mut house = House::at("17:00", &[JETTY]);
    house.report("yard/3", "off");
    house.alive("yard/3", "gone");
    house.until("18:30");
    house.hush();
    house.obedient.insert("yard/3".to_string());
    house.alive("yard/3", "here");
    house.expect(&[
        "18:30:00 yard/3 is back",
        "18:30:00 yard/3/order on",
        "18:30:00 late yard/3 on: 18:00, due 18:00:00, 1800 s late",
    ]);
}

#[test]
fn a_plug_that_can_be_asked_and_comes_back_is_asked_first() {
    let mut house = lit(&[PARLOUR]);
    house.alive("house/1", "gone");
    house.pass(60);
    house.alive("house/1", "here");
    house.expect(&["18:30:00 house/1 is gone", "18:31:00 house/1 is back", "18:31:00 house/1/ask"]);
    house.report("house/1", "off");
    assert_eq!(house.lines_with("order"), ["18:31:00 house/1/order on"]);
}

#[test]
fn a_plug_that_comes_back_after_the_link_is_asked_again_at_once() {
    let mut house = lit(&[PARLOUR]);
    house.input(Input::LinkDown);
    house.input(Input::LinkUp);
    house.pass(1);
    for _ in 0..3 {
        house.alive("house/1", "here");
    }
    house.report("house/1", "on");
    house.pass(60);
    house.expect(&["18:30:00 house/1/ask", "18:30:01 house/1/ask"]);
    assert_eq!(house.state("parlour"), "confirmed, says on");
}

#[test]
fn a_plug_said_to_be_gone_that_reports_is_back() {
    let mut house = lit(&[JETTY]);
    house.alive("yard/3", "gone");
    house.pass(60);
    house.report("yard/3", "on");
    house.pass(60);
    house.expect(&["18:30:00 yard/3 is gone", "18:31:00 yard/3 is back"]);
}

#[test]
fn a_retained_word_of_death_is_believed_only_of_a_plug_not_heard_since() {
    let mut house = lit(&[JETTY]);
    house.message("yard/3/alive", "gone", true);
    house.expect(&[]);
    house.input(Input::LinkDown);
    house.input(Input::LinkUp);
    house.obedient.clear();
    house.hush();
    house.input(Input::LinkDown);
    house.input(Input::LinkUp);
    house.message("yard/3/alive", "gone", true);
    house.pass(300);
    house.expect(&["18:30:00 yard/3/order on", "18:30:00 yard/3 is gone"]);
}

#[test]
fn a_plug_that_reboots_to_off_is_put_on_again() {
    let mut house = lit(&[JETTY]);
    house.alive("yard/3", "gone");
    house.pass(40);
    house.alive("yard/3", "here");
    house.report("yard/3", "off");
    house.pass(10);
    assert_eq!(house.state("jetty"), "confirmed, says on");
    assert!(house.lines_with("by hand").is_empty());
}

#[test]
fn a_plug_that_says_all_the_time_that_it_is_here_is_not_told_all_the_time() {
    let mut house = lit(&[JETTY]);
    for _ in 0..100 {
        house.alive("yard/3", "here");
        house.pass(15);
    }
    assert!(house.lines_with("order").len() <= 2);
}

#[test]
fn a_flood_of_contradictions_is_answered_no_faster_than_repetitions_go() {
    let mut house = lit(&[JETTY]);
    house.alive("yard/3", "here");
    house.hush();
    let mut sends = 0;
    for second in 0..60 {
        for _ in 0..20 {
            house.report("yard/3", "off");
        }
        house.pass(1);
        let _ = second;
        sends += house.lines_with("yard/3/order").len();
    }
    assert!(sends <= 6, "{sends} commands within a minute");
}

#[test]
fn messages_on_other_topics_and_for_no_plug_are_let_pass() {
    let mut house = lit(&[JETTY]);
    house.message("yard/4/report", "off", false);
    house.message("", "off", false);
    house.expect(&[]);
}
