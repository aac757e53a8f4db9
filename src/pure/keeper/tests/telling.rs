//! Switchings, repetitions and misses.

use std::sync::Arc;
use std::time::Duration;

use chrono::TimeDelta;

use super::House;
use super::house::{JETTY, PARLOUR, SHED, instant};
use crate::pure::keeper::{Input, Start};
use crate::pure::power::Power;

/// A quiet evening: off since the start, known to be off.
fn quiet(parts: &[&str]) -> House {
    let mut house = House::at("17:00", parts).obedient(&["yard/3", "house/1"]);
    house.pass(60);
    house.hush();
    house
}

#[test]
fn a_lamp_goes_on_and_off_at_its_times() {
    let mut house = quiet(&[JETTY]);
    house.until("23:59");
    house.expect(&[
        "18:00:00 yard/3/order on",
        "18:00:00 switched yard/3 on: 18:00, due 18:00:00",
        "23:00:00 yard/3/order off",
        "23:00:00 switched yard/3 off: 23:00, due 23:00:00",
    ]);
}

#[test]
fn what_was_prepared_for_comes_no_sooner_and_no_different() {
    let evening = |prepares: bool| {
        let mut house = quiet(&[JETTY, PARLOUR, SHED]);
        let mut seen = Vec::new();
        for time in ["17:59", "18:00", "20:00", "22:59", "23:30"] {
            if prepares {
                house.keeper.prepare();
            }
            seen.push(house.snapshot());
            if prepares {
                house.keeper.prepare();
            }
            house.until(time);
        }
        (house.told.clone(), house.lines_with(""), seen)
    };
    let (told, done, seen) = evening(true);
    assert!(told[0].ends_with("lit from 18:00 until 23:00"), "{told:?}");
    assert_eq!(evening(false), (told, done, seen));
}

#[test]
fn what_somebody_still_looks_at_stays_as_it_was_and_what_nobody_has_is_written_over() {
    let mut house = House::at("17:59", &[JETTY, PARLOUR]).obedient(&["yard/3"]);
    let now = house.now();
    let mut given = house.keeper.snapshot(now);
    let looked_at = given.clone();
    let (was, place) = (given.channels[0].clone(), Arc::as_ptr(&given.channels[0]));
    house.until("18:01");
    let now = house.now();
    house.keeper.renew(&mut given, now);
    assert_eq!(looked_at.channels[0], was);
    assert_ne!(given.channels[0], was);
    assert_ne!(Arc::as_ptr(&given.channels[0]), place);

    drop((looked_at, was));
    let place = Arc::as_ptr(&given.channels[0]);
    house.until("23:01");
    let now = house.now();
    house.keeper.renew(&mut given, now);
    assert_eq!((given.channels[0].wanted, Arc::as_ptr(&given.channels[0])), (Some(Power::Off), place));
}

/// So many lamps by the same rules.
fn street(lamps: usize) -> Vec<String> {
    let lamp = |nth: usize| JETTY.replace("jetty", &format!("jetty-{nth}")).replace("yard/3", &format!("yard/{nth}"));
    (0..lamps).map(lamp).collect()
}

/// Steps while one is due at once, and what was told in each.
fn told_by_turns(house: &mut House, order: &str) -> Vec<usize> {
    let mut turns = Vec::new();
    while house.wake_at.is_some_and(|at| at <= house.wall) || house.rest_until <= house.up + Duration::from_millis(1) {
        house.up += Duration::from_millis(1);
        house.wall += TimeDelta::milliseconds(1);
        house.input(Input::Tick);
        turns.push(house.lines_with(order).len());
    }
    turns
}

#[test]
fn of_many_lamps_the_first_are_told_before_the_last_are_worked_out() {
    let lamps = street(200);
    let mut house = House::at("17:59", &lamps.iter().map(String::as_str).collect::<Vec<_>>());
    told_by_turns(&mut house, "/order");
    // What the broker and the plugs answer takes the next step.
    house.acks = false;
    house.wall += TimeDelta::minutes(1);
    house.up += Duration::from_secs(60);
    let turns = told_by_turns(&mut house, "/order on");
    assert!((1..100).contains(&turns[0]), "at once: {turns:?}");
    assert_eq!(turns.iter().sum::<usize>(), 200, "the others at once too, one step after the other: {turns:?}");
}

#[test]
fn a_broker_that_comes_back_has_many_lamps_told_one_part_after_the_other() {
    let lamps = street(200);
    let mut house = House::start(
        "17:00",
        &lamps.iter().map(String::as_str).collect::<Vec<_>>(),
        Start { trusted: true, ..Start::default() },
    );
    house.acks = false;
    house.input(Input::LinkUp);
    let first = house.lines_with("/order off").len();
    let turns = told_by_turns(&mut house, "/order off");
    assert!((1..100).contains(&first) && turns.iter().all(|told| *told < 100), "{first}, then {turns:?}");
    assert_eq!(first + turns.iter().sum::<usize>(), 200, "each once: {first}, then {turns:?}");
    // Gone again before it was their turn: they are told after the next return, and not twice.
    house.input(Input::LinkDown);
    house.input(Input::LinkUp);
    house.input(Input::LinkDown);
    house.hush();
    house.input(Input::LinkUp);
    let first = house.lines_with("/order off").len();
    let turns = told_by_turns(&mut house, "/order off");
    assert_eq!(first + turns.iter().sum::<usize>(), 200, "each once: {first}, then {turns:?}");
}

#[test]
fn a_silent_plug_is_told_again_and_missed_after_two_minutes() {
    let mut house = quiet(&[JETTY]);
    house.obedient.clear();
    house.until("18:03");
    house.expect(&[
        "18:00:00 yard/3/order on",
        "18:00:05 yard/3/order on",
        "18:00:10 yard/3/order on",
        "18:00:20 yard/3/order on",
        "18:00:40 yard/3/order on",
        "18:01:40 yard/3/order on",
        "18:02:00 missed yard/3 on: plug silent, due 18:00:00",
        "18:02:40 yard/3/order on",
    ]);
    assert_eq!(house.state("jetty"), "missed, says off");
}

#[test]
fn a_missed_lamp_that_comes_right_after_all_is_late_and_not_missed_twice() {
    let mut house = quiet(&[JETTY]);
    house.obedient.clear();
    house.until("18:10:10");
    assert_eq!(house.lines_with("missed").len(), 1);
    house.report("yard/3", "on");
    house.expect(&["18:10:10 late yard/3 on: 18:00, due 18:00:00, 610 s late"]);
    house.until("22:59");
    house.expect(&[]);
    assert_eq!(house.state("jetty"), "confirmed, says on");
}

#[test]
fn a_plug_that_can_be_asked_is_asked_with_each_repetition() {
    let mut house = quiet(&[PARLOUR]);
    house.obedient.clear();
    house.until("18:00:12");
    // The question at 18:00:00 is the one of every ten minutes.
    let mut lines = house.lines_with("house/1");
    lines.retain(|line| line.starts_with("18:00") && line != "18:00:00 house/1/ask");
    assert_eq!(
        lines,
        [
            "18:00:00 house/1/order on",
            "18:00:05 house/1/order on",
            "18:00:05 house/1/ask",
            "18:00:10 house/1/order on",
            "18:00:10 house/1/ask",
        ]
    );
}

#[test]
fn a_plug_without_reports_is_accepted_when_the_broker_has_taken_the_command() {
    let mut house = quiet(&[SHED]);
    house.until("18:30");
    house.expect(&[
        "18:00:00 shed/1/order on",
        "18:00:00 switched shed/1 on: 18:00; taken by the broker, not confirmed by the plug, due 18:00:00",
    ]);
    assert_eq!(house.state("shed"), "accepted, says nothing");
}

#[test]
fn a_plug_without_reports_whose_commands_the_broker_does_not_take_is_missed() {
    let mut house = quiet(&[SHED]);
    house.acks = false;
    house.until("18:02");
    let lines = house.lines_with("missed");
    assert_eq!(lines, ["18:02:00 missed shed/1 on: broker unreachable, due 18:00:00"]);
}

#[test]
fn a_plug_that_says_nothing_new_is_left_alone_after_three_silences() {
    let mut house = House::at("19:00", &[JETTY]);
    house.retained("yard/3", "on");
    house.pass(3600);
    house.expect(&[
        "19:00:00 yard/3/order on",
        "19:00:05 yard/3/order on",
        "19:00:10 yard/3/order on",
        "19:00:20 switched yard/3 on: lit from 18:00 until 23:00; taken by the broker, not confirmed by the plug",
    ]);
    assert_eq!(house.state("jetty"), "accepted, says on");
}

#[test]
fn a_plug_that_can_be_asked_is_never_taken_at_its_silence() {
    let mut house = House::at("19:00", &[PARLOUR]);
    house.retained("house/1", "on");
    house.pass(200);
    assert_eq!(house.lines_with("missed"), ["19:02:00 missed house/1 on: plug silent"]);
}

#[test]
fn a_plug_that_says_otherwise_is_missed_because_it_disagrees() {
    let mut house = quiet(&[JETTY]);
    house.obedient.clear();
    house.until("18:00:30");
    house.report("yard/3", "off");
    house.until("18:02");
    assert_eq!(house.lines_with("missed"), ["18:02:00 missed yard/3 on: plug disagrees, due 18:00:00"]);
}

#[test]
fn a_switching_without_a_broker_is_missed_and_made_up_when_it_is_back() {
    let mut house = quiet(&[JETTY]);
    house.until("17:59");
    house.input(Input::LinkDown);
    house.until("18:30");
    house.expect(&["18:02:00 missed yard/3 on: broker unreachable, due 18:00:00"]);
    house.input(Input::LinkUp);
    house.expect(&["18:30:00 yard/3/order on", "18:30:00 late yard/3 on: 18:00, due 18:00:00, 1800 s late"]);
}

#[test]
fn the_two_minutes_run_from_the_switching_whatever_the_link_does() {
    let mut house = quiet(&[JETTY]);
    house.obedient.clear();
    house.until("18:01:57");
    house.input(Input::LinkDown);
    house.pass(1);
    house.input(Input::LinkUp);
    house.until("18:02:30");
    assert_eq!(house.lines_with("missed"), ["18:02:00 missed yard/3 on: plug silent, due 18:00:00"]);
}

/// A silent evening: what happens to the link between 18:00 and 18:02, and the reason of the miss.
#[track_caller]
fn check_reason(happens: &[(&str, Input)], because: &str) {
    let mut house = quiet(&[JETTY]);
    house.obedient.clear();
    for (time, input) in happens {
        house.until(time);
        house.input(input.clone());
    }
    house.until("18:03");
    assert_eq!(house.lines_with("missed"), [format!("18:02:00 missed yard/3 on: {because}, due 18:00:00")]);
}

#[test]
fn a_miss_names_the_first_obstacle_that_lasted() {
    let word = |word: &str| Input::Message {
        topic: "yard/3/alive".to_string(),
        payload: word.as_bytes().to_vec(),
        retained: false,
    };
    check_reason(&[("17:59", Input::LinkDown), ("18:01:30", Input::LinkUp)], "broker unreachable");
    check_reason(&[("18:01", Input::LinkDown)], "plug silent");
    check_reason(&[("18:00:04", Input::LinkDown), ("18:01:30", Input::LinkUp)], "broker unreachable");
    check_reason(&[("17:59", word("gone")), ("18:01:30", word("here"))], "plug gone");
    check_reason(&[("17:59", word("gone")), ("18:01:30", Input::LinkDown)], "plug gone");
    check_reason(&[("18:01", word("gone"))], "plug silent");
}

#[test]
fn a_moment_without_broker_or_plug_is_no_reason_for_a_miss() {
    check_reason(&[("17:59", Input::LinkDown), ("18:00:04", Input::LinkUp)], "plug silent");
}

#[test]
fn a_switching_overtaken_by_the_next_names_the_first_obstacle_too() {
    let short = JETTY.replace("\"23:00\" }", "\"18:01\", at_least = \"1 min\" }");
    let mut house = quiet(&[&short]);
    house.obedient.clear();
    house.until("17:59");
    house.input(Input::LinkDown);
    house.until("18:00:57");
    house.input(Input::LinkUp);
    house.until("18:01");
    assert_eq!(house.lines_with("missed"), ["18:01:00 missed yard/3 on: broker unreachable, due 18:00:00"]);
}

#[test]
fn a_miss_that_was_not_planned_is_shown_with_the_time_that_the_daybook_has_for_it() {
    let mut house = quiet(&[PARLOUR]);
    house.obedient.clear();
    house.until("17:30");
    house.set("parlour", Power::On, Some("2 h"));
    house.until("17:33");
    assert_eq!(house.lines_with("missed"), ["17:32:00 missed house/1 on: plug silent"]);
    let missed = house.snapshot().missed;
    assert_eq!(missed.iter().map(|miss| miss.at).collect::<Vec<_>>(), [instant("17:32")]);
}

#[test]
fn what_waited_in_a_dead_link_is_decided_anew() {
    let mut house = quiet(&[JETTY]);
    house.obedient.clear();
    house.until("22:59:59");
    house.input(Input::LinkDown);
    house.until("23:30");
    house.hush();
    house.input(Input::LinkUp);
    assert_eq!(house.lines_with("order"), ["23:30:00 yard/3/order off"]);
}

#[test]
fn a_switching_overtaken_by_the_next_before_it_was_confirmed_is_missed() {
    let short = JETTY.replace("\"23:00\" }", "\"18:01\", at_least = \"1 min\" }");
    let mut house = quiet(&[&short]);
    house.obedient.clear();
    house.until("18:01");
    let lines = house.lines_with(":");
    assert!(lines.contains(&"18:01:00 missed yard/3 on: plug silent, due 18:00:00".to_string()), "{lines:?}");
}

#[test]
fn a_report_under_way_before_the_command_proves_nothing() {
    // On is sent at 22:59:59 and its answer gets lost; the plan turns to off; the last word is still off.
    let mut house = quiet(&[PARLOUR]);
    house.obedient.clear();
    house.until("18:00:01");
    house.report("house/1", "off");
    house.set("parlour", crate::pure::power::Power::Off, None);
    assert_eq!(house.lines_with("order off"), ["18:00:01 house/1/order off"]);
}

#[test]
fn a_plug_that_changes_its_mind_has_time_to_answer_before_it_is_told_again() {
    let mut house = quiet(&[JETTY]);
    house.until("18:00:09");
    house.obedient.clear();
    house.hush();
    house.report("yard/3", "off");
    house.until("18:00:30");
    assert_eq!(
        house.lines_with("order"),
        ["18:00:09 yard/3/order on", "18:00:14 yard/3/order on", "18:00:20 yard/3/order on"]
    );
}

#[test]
fn every_switching_of_a_plug_that_cannot_be_asked_is_told_even_if_it_said_so_already() {
    // Its last report may have been lost since, and nobody will ask it.
    let mut house = quiet(&[JETTY]);
    house.until("18:30");
    house.pass(60);
    house.report("yard/3", "off");
    house.pass(10);
    house.hush();
    house.until("23:00");
    assert_eq!(house.lines_with("yard/3/order"), ["23:00:00 yard/3/order off"]);
}

#[test]
fn commands_are_paced() {
    let three = [
        "[broker]\npace = \"200 ms\"\n".replace("200 ms", "1 s"),
        JETTY.replace("plug  = \"yard/3\"", "plugs = [\"yard/1\", \"yard/2\", \"yard/3\"]"),
    ];
    let mut house = House::at("17:00", &[&three[0], &three[1]]).obedient(&["yard/1", "yard/2", "yard/3"]);
    house.pass(60);
    house.hush();
    house.until("18:01");
    assert_eq!(
        house.lines_with("order"),
        ["18:00:00 yard/1/order on", "18:00:01 yard/2/order on", "18:00:02 yard/3/order on"]
    );
}

#[test]
fn a_house_at_rest_sleeps() {
    let mut house = House::at("17:00", &[JETTY, SHED]).obedient(&["yard/3"]);
    house.pass(60);
    let before = house.steps;
    house.pass(3600 * 24);
    // A sign of life every 10 min is 144, two switchings with their answers a handful more.
    assert!(house.steps - before <= 144 + 12, "{} steps a day", house.steps - before);
}

#[test]
fn each_send_is_said_with_its_reason_and_its_number() {
    let mut house = quiet(&[JETTY]);
    house.obedient.clear();
    house.until("18:00:12");
    let line = |again: u32| format!("jetty yard/3 on, again {again}: lit from 18:00 until 23:00");
    assert_eq!(house.told, [line(0), line(1), line(2)]);
}

#[test]
fn misses_are_shown_for_a_day() {
    let mut house = quiet(&[PARLOUR]);
    house.obedient.clear();
    let shown = |house: &mut House| {
        let missed = house.snapshot().missed;
        missed.iter().map(|miss| miss.at.format("%d %H:%M").to_string()).collect::<Vec<_>>()
    };
    house.until("23:05");
    assert_eq!(shown(&mut house), ["24 18:00", "24 23:00"]);
    house.until("18:01");
    assert_eq!(shown(&mut house), ["24 18:00", "24 23:00"]);
    house.until("18:05");
    assert_eq!(shown(&mut house), ["24 23:00", "25 18:00"]);
}
