//! A person has a channel's plugs blink.

use super::House;
use super::house::{JETTY, PARLOUR, SHED};
use crate::pure::keeper::{Input, Start};
use crate::pure::power::Power;

/// Lit and confirmed for half an hour.
fn lit(parts: &[&str]) -> House {
    let mut house = House::at("17:00", parts).obedient(&["yard/3", "house/1"]);
    house.until("18:30");
    house.hush();
    house
}

#[test]
fn a_lamp_goes_off_and_on_twice_and_is_then_as_wanted() {
    let mut house = lit(&[JETTY]);
    house.try_channel("jetty");
    house.pass(60);
    house.expect(&[
        "18:30:00 try of jetty begun",
        "18:30:00 listen",
        "18:30:00 yard/3/order off",
        "18:30:01 yard/3/order on",
        "18:30:02 yard/3/order off",
        "18:30:03 yard/3/order on",
        "18:30:04 yard/3/order off",
        "18:30:05 listen",
        "18:30:05 yard/3/order on",
        "18:30:05 switched yard/3 on: lit from 18:00 until 23:00, after a try",
        "18:30:05 try of jetty over, all well",
        "18:30:05 answer: tried; yard/3 answered all 5 commands, after 0.00 s, back to on confirmed",
    ]);
    assert_eq!(house.state("jetty"), "confirmed, says on");
}

#[test]
fn a_lamp_that_is_to_be_off_stays_off_after_it() {
    let mut house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    house.pass(600);
    house.hush();
    house.try_channel("jetty");
    house.pass(600);
    house.expect(&[
        "17:10:00 try of jetty begun",
        "17:10:00 listen",
        "17:10:00 yard/3/order off",
        "17:10:01 yard/3/order on",
        "17:10:02 yard/3/order off",
        "17:10:03 yard/3/order on",
        "17:10:04 yard/3/order off",
        "17:10:05 listen",
        "17:10:05 try of jetty over, all well",
        "17:10:05 answer: tried; yard/3 answered all 5 commands, after 0.00 s, back to off confirmed",
    ]);
    assert_eq!(house.state("jetty"), "confirmed, says off");
}

#[test]
fn a_plug_that_stays_silent_is_not_waited_for_longer_than_3_s_a_step_and_nothing_is_missed_by_it() {
    let mut house = House::at("17:00", &[JETTY]);
    house.report("yard/3", "off");
    house.pass(1200);
    house.hush();
    house.try_channel("jetty");
    house.pass(20);
    house.expect(&[
        "17:20:00 try of jetty begun",
        "17:20:00 listen",
        "17:20:00 yard/3/order off",
        "17:20:03 yard/3/order on",
        "17:20:06 yard/3/order off",
        "17:20:09 yard/3/order on",
        "17:20:12 yard/3/order off",
        "17:20:15 listen",
        "17:20:15 yard/3/order off",
        "17:20:18 try of jetty over",
        "17:20:18 answer: tried; yard/3 did not answer: nothing came on yard/3/report, back to off unanswered",
        "17:20:20 yard/3/order off",
    ]);
    house.pass(90);
    assert_eq!(house.lines_with("missed"), [] as [&str; 0]);
}

#[test]
fn a_plug_that_stays_silent_after_a_try_counts_as_missed_2_min_after_it_and_not_before() {
    let mut house = lit(&[PARLOUR]);
    house.obedient.clear();
    house.try_channel("parlour");
    house.pass(134);
    assert_eq!(house.lines_with("missed"), [] as [&str; 0]);
    house.pass(1);
    assert_eq!(house.lines_with("missed"), ["18:32:15 missed house/1 on: plug silent"]);
}

#[test]
fn no_report_of_a_plug_that_is_being_tried_is_a_hand() {
    for (after_s, said) in [(0, "off"), (2, "off"), (4, "on"), (13, "off"), (17, "off")] {
        let mut house = lit(&[JETTY]);
        house.obedient.clear();
        house.try_channel("jetty");
        house.pass(after_s);
        house.report("yard/3", said);
        house.obedient.insert("yard/3".to_string());
        house.pass(600);
        assert_eq!(house.lines_with("by hand"), [] as [&str; 0], "{said} after {after_s} s");
        assert_eq!(house.state("jetty"), "confirmed, says on", "{said} after {after_s} s");
    }
}

#[test]
fn a_plug_that_reports_changes_alone_is_asked_and_answers_by_that() {
    let mut house = lit(&[PARLOUR]);
    house.obedient.clear();
    house.try_channel("parlour");
    for said in ["off", "on", "off", "on", "off"] {
        house.pass(1);
        assert_eq!(house.lines_with("/ask").len(), 1);
        if house.told.len() == 5 {
            house.obedient.insert("house/1".to_string());
        }
        house.report("house/1", said);
    }
    let lines = house.lines_with("answer");
    let expected = "house/1 answered all 5 commands, after 1.00 s, but only when asked, back to on confirmed";
    assert!(lines.len() == 1 && lines[0].ends_with(expected), "{lines:?}");
}

#[test]
fn a_switching_that_falls_due_in_a_try_is_followed_right_after_it() {
    let mut house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    house.until("17:59");
    house.pass(57);
    house.hush();
    house.try_channel("jetty");
    house.pass(60);
    house.expect(&[
        "17:59:57 try of jetty begun",
        "17:59:57 listen",
        "17:59:57 yard/3/order off",
        "17:59:58 yard/3/order on",
        "17:59:59 yard/3/order off",
        "18:00:00 yard/3/order on",
        "18:00:01 yard/3/order off",
        "18:00:02 listen",
        "18:00:02 yard/3/order on",
        "18:00:02 switched yard/3 on: 18:00, due 18:00:00",
        "18:00:02 try of jetty over, all well",
        "18:00:02 answer: tried; yard/3 answered all 5 commands, after 0.00 s, back to on confirmed",
    ]);
}

#[test]
fn an_override_ends_a_try_at_once() {
    let mut house = lit(&[JETTY]);
    house.try_channel("jetty");
    house.pass(1);
    house.hush();
    house.set("jetty", Power::Off, None);
    house.pass(600);
    house.expect(&[
        "18:30:01 keep",
        "18:30:01 listen",
        "18:30:01 try of jetty over",
        "18:30:01 answer: tried (an override was set); yard/3 answered all 2 commands, after 0.00 s, back to on unanswered",
        "18:30:01 override set jetty off: off until 23:00, the planned switch-off",
        "18:30:01 answer: done, jetty off",
        "18:30:01 yard/3/order off",
        "18:30:01 switched yard/3 off: off until 23:00, the planned switch-off",
    ]);
    let mut house = lit(&[JETTY]);
    house.try_channel("jetty");
    house.pass(1);
    house.hush();
    house.cancel("jetty");
    house.pass(60);
    assert_eq!(house.state("jetty"), "confirmed, says on");
}

#[test]
fn a_hand_on_the_plug_holds_after_a_try() {
    let mut house = lit(&[JETTY]);
    house.report("yard/3", "off");
    house.pass(60);
    house.hush();
    house.try_channel("jetty");
    house.pass(60);
    let lines = house.lines_with("answer");
    assert!(lines[0].ends_with("back to off confirmed"), "{lines:?}");
    assert_eq!(house.state("jetty"), "confirmed, says off, by hand");
}

#[test]
fn a_broker_that_goes_away_ends_a_try_and_the_lamp_is_as_wanted_once_it_is_back() {
    let mut house = lit(&[JETTY]);
    house.try_channel("jetty");
    house.pass(2);
    house.hush();
    house.input(Input::LinkDown);
    assert_eq!(house.state("jetty"), "untold, says off");
    house.pass(30);
    house.input(Input::LinkUp);
    house.pass(60);
    house.expect(&[
        "18:30:02 listen",
        "18:30:02 try of jetty over",
        "18:30:02 answer: tried (the broker went away); yard/3 answered all 3 commands, after 0.00 s, back to on unanswered",
        "18:30:32 yard/3/order on",
        "18:30:32 switched yard/3 on: lit from 18:00 until 23:00, after a try",
    ]);
}

#[test]
fn a_kill_in_the_middle_of_a_try_leaves_the_lamp_as_wanted() {
    let mut house = lit(&[JETTY]);
    house.try_channel("jetty");
    house.pass(4);
    let mut house = house.restart(5, &[JETTY], Start { trusted: true, ..Start::default() });
    house.input(Input::LinkUp);
    house.pass(10);
    assert_eq!(house.state("jetty"), "confirmed, says on");
}

#[test]
fn a_stop_in_the_middle_of_a_try_tells_the_lamp_what_is_wanted() {
    let mut house = lit(&[JETTY]);
    house.try_channel("jetty");
    house.pass(4);
    house.hush();
    house.input(Input::Stop);
    house.expect(&[
        "18:30:04 listen",
        "18:30:04 try of jetty over",
        "18:30:04 answer: tried (lampward was stopped); yard/3 answered all 5 commands, after 0.00 s, back to on unanswered",
        "18:30:04 yard/3/order on",
        "18:30:04 switched yard/3 on: lit from 18:00 until 23:00, after a try",
    ]);
}

#[test]
fn a_stop_in_the_middle_of_a_try_leaves_out_no_lamp_of_a_long_row() {
    let plugs: Vec<String> = (0..100).map(|nth| format!("\"row/{nth}\"")).collect();
    let row = JETTY.replace("plug  = \"yard/3\"", &format!("plugs = [{}]", plugs.join(", ")));
    let mut house = lit(&[&row]);
    house.try_channel("jetty");
    house.pass(4);
    house.hush();
    house.input(Input::Stop);
    assert_eq!(house.lines_with("/order on").len(), 100);
}

#[test]
fn a_reload_ends_a_try() {
    let mut house = lit(&[JETTY]);
    house.try_channel("jetty");
    house.pass(4);
    house.input(Input::Reload(super::house::file(&[JETTY, SHED])));
    house.pass(60);
    let lines = house.lines_with("answer");
    assert!(lines[0].contains("tried (the file was read again)"), "{lines:?}");
    assert_eq!(house.state("jetty"), "confirmed, says on");
}

#[test]
fn one_channel_is_tried_at_a_time_and_only_one_that_there_is() {
    let mut house = lit(&[JETTY, PARLOUR]);
    house.try_channel("jetty");
    house.hush();
    house.try_channel("jetty");
    house.try_channel("parlour");
    house.try_channel("jety");
    let busy = "18:30:00 answer: `jetty` is being tried; it takes half a minute at most, try again then";
    house.expect(&[busy, busy, "18:30:00 answer: no channel jety"]);
    house.pass(60);
    house.hush();
    house.try_channel("parlour");
    assert_eq!(house.lines_with("/order"), ["18:31:00 house/1/order off"]);
}

#[test]
fn without_a_broker_nothing_is_tried() {
    let mut house = lit(&[JETTY]);
    house.input(Input::LinkDown);
    house.try_channel("jetty");
    house.pass(30);
    house.expect(&[
        "18:30:00 answer: the broker can't be reached, so no plug can be told anything; GET /status says why",
    ]);
}

#[test]
fn a_plug_without_a_report_blinks_and_the_broker_answers_for_it() {
    let mut house = lit(&[SHED]);
    house.try_channel("shed");
    house.pass(60);
    let lines = house.lines_with("");
    assert!(lines.contains(&"18:30:04 shed/1/order off".to_string()), "{lines:?}");
    assert!(lines.contains(&"18:30:05 answer: tried; shed/1 can't answer, for its kind `mute` has no `report`; the broker took 5 of 5 commands: look whether the lamp blinked, back to on accepted".to_string()), "{lines:?}");
}

#[test]
fn while_the_clock_is_not_trusted_a_lamp_is_left_as_it_was_found() {
    for found in ["on", "off"] {
        let mut house = House::start("17:00", &[JETTY], Start::default()).obedient(&["yard/3"]);
        house.input(Input::LinkUp);
        house.report("yard/3", found);
        house.pass(60);
        house.hush();
        house.try_channel("jetty");
        house.pass(600);
        let lines = house.lines_with("");
        let answer = "answered all 5 commands, after 0.00 s, back to";
        assert!(lines.iter().any(|line| line.contains(answer)), "{lines:?}");
        assert!(!lines.iter().any(|line| line.contains("missed")), "{lines:?}");
        assert!(house.state("jetty").ends_with(&format!("says {found}")), "found {found}: {}", house.state("jetty"));
    }
    let mut house = House::start("17:00", &[JETTY], Start::default()).obedient(&["yard/3"]);
    house.input(Input::LinkUp);
    house.try_channel("jetty");
    house.pass(600);
    assert_eq!(house.state("jetty"), "confirmed, says off", "of an unknown plug");
}

#[test]
fn while_the_clock_is_not_trusted_a_silent_plug_is_told_no_more_after_a_try() {
    let mut house = House::start("17:00", &[JETTY], Start::default());
    house.input(Input::LinkUp);
    house.pass(60);
    house.hush();
    house.try_channel("jetty");
    house.pass(3600);
    let lines = house.lines_with("");
    assert_eq!(lines.iter().filter(|line| line.contains("/order")).count(), 5, "{lines:?}");
    assert!(!lines.iter().any(|line| line.contains("missed")), "{lines:?}");
}

#[test]
fn trust_that_is_gained_or_lost_in_a_try_changes_nothing_but_its_end() {
    let mut house = House::start("18:30", &[JETTY], Start::default()).obedient(&["yard/3"]);
    house.input(Input::LinkUp);
    house.report("yard/3", "off");
    house.try_channel("jetty");
    house.pass(2);
    house.input(Input::Clock { trusted: true });
    house.pass(60);
    assert_eq!(house.state("jetty"), "confirmed, says on");
    house.try_channel("jetty");
    house.pass(2);
    house.input(Input::Clock { trusted: false });
    house.pass(60);
    assert!(house.state("jetty").ends_with("says on"), "as it was found");
}

#[test]
fn a_plug_that_answers_on_another_topic_is_found_there() {
    let mut house = lit(&[JETTY]);
    house.obedient.clear();
    house.try_channel("jetty");
    house.message("yard/3/state", "OFF", true);
    for said in ["OFF", "ON", "OFF", "ON", "OFF"] {
        house.message("yard/3/order", &said.to_lowercase(), false);
        house.message("yard/3/state", said, false);
        house.message("yard/3/heat", "21.5", false);
        house.pass(3);
    }
    house.pass(5);
    let lines = house.lines_with("answer");
    let expected = r#"did not answer: nothing came on yard/3/report, back to on unanswered; report = { topic = "{plug}/state", on = "ON", off = "OFF" }"#;
    assert!(lines.len() == 1 && lines[0].ends_with(expected), "{lines:?}");
}

#[test]
fn a_plug_that_was_off_and_falls_silent_answered_so_many_of_the_four_that_change_it() {
    let mut house = House::at("17:00", &[JETTY]).obedient(&["yard/3"]);
    house.pass(600);
    house.hush();
    house.obedient.clear();
    house.try_channel("jetty");
    house.pass(3);
    house.report("yard/3", "on");
    house.pass(60);
    let lines = house.lines_with("answer:");
    assert!(lines[0].contains("yard/3 answered 1 of 4"), "{lines:?}");
}

#[test]
fn a_plug_that_can_be_asked_and_answers_elsewhere_is_told_of_without_our_own_questions() {
    let mut house = lit(&[PARLOUR]);
    house.obedient.clear();
    house.try_channel("parlour");
    for said in ["OFF", "ON", "OFF", "ON", "OFF"] {
        house.message("house/1/ask", said, false);
        house.message("house/1/state", said, false);
        house.pass(3);
    }
    house.pass(5);
    let lines = house.lines_with("answer");
    let found = lines[0].split_once("; report = ").map(|(_, found)| found);
    assert_eq!(found, Some(r#"{ topic = "{plug}/state", on = "ON", off = "OFF" }"#), "{lines:?}");
}

#[test]
fn a_plug_whose_word_is_not_understood_is_told_of_with_what_it_means() {
    let mut house = lit(&[JETTY]);
    house.obedient.clear();
    house.try_channel("jetty");
    for said in ["0", "1", "0", "1", "0"] {
        house.report("yard/3", said);
        house.pass(3);
    }
    house.pass(5);
    let lines = house.lines_with("answer");
    let expected = r#"says `0` on yard/3/report, which means neither on nor off: compare it with `report` of its kind `plain`, back to on unanswered; report = { topic = "{plug}/report", on = "1", off = "0" }"#;
    assert!(lines.len() == 1 && lines[0].ends_with(expected), "{lines:?}");
}

#[test]
fn a_plug_that_does_the_contrary_is_told_of() {
    let mut house = lit(&[JETTY]);
    house.obedient.clear();
    house.try_channel("jetty");
    for _ in 0..20 {
        house.report("yard/3", "off");
        house.pass(1);
    }
    let lines = house.lines_with("answer");
    let expected = "yard/3 answered 3 of 5 commands, after 0.00 s; said off when it was told on, back to on unanswered";
    assert!(lines.len() == 1 && lines[0].ends_with(expected), "{lines:?}");
}

#[test]
fn a_plug_that_is_tried_is_shown_unanswered_before_the_broker_has_taken_its_command() {
    let mut house = lit(&[JETTY]);
    (house.acks, house.obedient) = (false, Default::default());
    assert_eq!(house.state("jetty"), "confirmed, says on");
    house.try_channel("jetty");
    assert_eq!(house.state("jetty"), "unanswered, says on");
}

#[test]
fn a_report_before_a_slow_pace_lets_a_plug_have_its_command_is_no_answer_to_it() {
    let two = JETTY.replace("plug  = \"yard/3\"", "plugs = [\"yard/3\", \"yard/4\"]");
    let mut house = House::at("17:00", &[&format!("[broker]\npace = \"2 s\"\n{two}")]).obedient(&["yard/3", "yard/4"]);
    house.until("18:30");
    house.hush();
    house.try_channel("jetty");
    house.report("yard/4", "off");
    house.report("yard/4", "on");
    house.pass(60);
    let answer = house.lines_with("answer: tried");
    assert_eq!(answer.len(), 1);
    assert!(answer[0].contains("yard/4 answered all 5 commands, after 0.00 s"), "{answer:?}");
}

#[test]
fn all_plugs_of_a_channel_blink_together_and_as_the_pace_allows() {
    let three = JETTY.replace("plug  = \"yard/3\"", "plugs = [\"yard/3\", \"yard/4\", \"yard/5\"]");
    let paced = format!("[broker]\npace = \"500 ms\"\n{three}");
    let mut house = House::at("17:00", &[&paced]).obedient(&["yard/3", "yard/4", "yard/5"]);
    house.pass(600);
    house.hush();
    house.try_channel("jetty");
    house.pass(60);
    let lines = house.lines_with("");
    let first: Vec<&str> = lines.iter().filter(|line| line.contains("/order")).map(String::as_str).take(4).collect();
    assert_eq!(
        first,
        [
            "17:10:00 yard/3/order off",
            "17:10:00 yard/4/order off",
            "17:10:01 yard/5/order off",
            "17:10:02 yard/3/order on"
        ]
    );
    assert!(lines.iter().any(|line| line.contains("yard/5 answered all 5 commands")), "{lines:?}");
}

#[test]
fn a_pace_too_slow_for_the_plugs_ends_a_try_after_half_a_minute() {
    let three = JETTY.replace("plug  = \"yard/3\"", "plugs = [\"yard/3\", \"yard/4\", \"yard/5\"]");
    let paced = format!("[broker]\npace = \"5 s\"\n{three}");
    let mut house = House::at("17:00", &[&paced]).obedient(&["yard/3", "yard/4", "yard/5"]);
    house.pass(600);
    house.hush();
    house.try_channel("jetty");
    house.pass(120);
    let lines = house.lines_with("answer");
    assert!(lines[0].starts_with("17:10:3") && lines[0].contains("it took too long"), "{lines:?}");
    assert_eq!(house.state("jetty"), "confirmed, says off");
}

#[test]
fn the_topics_around_a_plug_are_listened_to_while_it_is_tried_and_no_longer() {
    let mut house = lit(&[JETTY]);
    assert_eq!(house.keeper.filters(), [] as [&str; 0]);
    house.try_channel("jetty");
    assert_eq!(house.keeper.filters(), ["+/yard/3/#", "yard/+", "yard/3/#", "yard/3/+"]);
    house.pass(5);
    assert_eq!(house.keeper.filters(), [] as [&str; 0]);
}

#[test]
fn whatever_comes_in_between_a_tried_lamp_is_as_wanted_in_the_end() {
    let mut random = 0x2545_f491_4f6c_dd1d_u64;
    let mut draw = |below: u64| {
        // xorshift64 (Marsaglia, 2003).
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        random % below
    };
    for case in 0..400 {
        let parts = [JETTY, PARLOUR, SHED];
        let mut house = House::at("17:55", &parts).obedient(&["yard/3", "house/1", "shed/1"]);
        let mut trusted = true;
        for _ in 0..40 {
            house.pass(draw(4));
            match draw(14) {
                0..=4 => house.try_channel(["jetty", "parlour", "shed"][draw(3) as usize]),
                5 => house.input(Input::LinkDown),
                6 => house.input(Input::LinkUp),
                7 => house.report(["yard/3", "house/1"][draw(2) as usize], ["on", "off"][draw(2) as usize]),
                8 => house.retained(["yard/3", "house/1"][draw(2) as usize], ["on", "off"][draw(2) as usize]),
                9 => house.alive(["yard/3", "house/1"][draw(2) as usize], ["here", "gone"][draw(2) as usize]),
                10 => house.set("jetty", Power::On, Some("1 min")),
                11 => {
                    trusted = !trusted;
                    house.input(Input::Clock { trusted });
                }
                12 => house.input(Input::Reload(super::house::file(&parts))),
                _ => {
                    if house.obedient.is_empty() {
                        house.obedient.extend(["yard/3", "house/1", "shed/1"].map(str::to_string));
                    } else {
                        house.obedient.clear();
                    }
                }
            }
        }
        house.obedient.extend(["yard/3", "house/1", "shed/1"].map(str::to_string));
        house.input(Input::LinkUp);
        house.input(Input::Clock { trusted: true });
        house.alive("yard/3", "here");
        house.alive("house/1", "here");
        house.cancel("all");
        house.pass(3600);
        for channel in ["jetty", "parlour"] {
            assert_eq!(house.state(channel), "confirmed, says on", "case {case}, {channel}");
        }
        assert_eq!(house.state("shed"), "accepted, says nothing", "case {case}");
    }
}
