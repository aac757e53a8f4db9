//! A person's word: durable before it is answered, and when it is over.

use super::House;
use super::house::{JETTY, PARLOUR};
use crate::pure::keeper::{Input, Order, OrderId};
use crate::pure::power::Power;

fn evening(parts: &[&str]) -> House {
    let mut house = House::at("17:00", parts).obedient(&["yard/3", "house/1"]);
    house.until("19:00");
    house.hush();
    house
}

#[test]
fn an_override_is_on_disk_before_it_is_answered_and_before_a_lamp_is_told() {
    let mut house = evening(&[JETTY]);
    house.set("jetty", Power::Off, Some("cancelled"));
    house.expect(&[
        "19:00:00 keep",
        "19:00:00 override set jetty off: off until cancelled",
        "19:00:00 answer: done, jetty off",
        "19:00:00 yard/3/order off",
        "19:00:00 switched yard/3 off: off until cancelled",
    ]);
    assert_eq!(house.kept.overrides.len(), 1);
}

#[test]
fn an_override_that_cannot_be_kept_is_not_done() {
    let mut house = evening(&[JETTY]);
    house.disk_full = true;
    house.set("jetty", Power::Off, Some("cancelled"));
    house.pass(60);
    house.expect(&["19:00:00 keep in vain", "19:00:00 answer: not kept: no space left on device"]);
    assert_eq!(house.snapshot().channels[0].overridden, None);
}

#[test]
fn cancelling_works_on_a_full_disk_and_says_that_it_will_not_survive() {
    let mut house = evening(&[JETTY]);
    house.set("jetty", Power::Off, Some("cancelled"));
    house.disk_full = true;
    house.pass(60);
    house.hush();
    house.cancel("jetty");
    house.expect(&[
        "19:01:00 override over jetty off: cancelled",
        "19:01:00 yard/3/order on",
        "19:01:00 switched yard/3 on: lit from 18:00 until 23:00",
        "19:01:00 keep in vain",
        "19:01:00 answer: done but not kept, jetty free: no space left on device",
    ]);
    // When there is space again it is made good.
    house.disk_full = false;
    house.pass(601);
    house.expect(&["19:11:00 keep"]);
    assert!(house.kept.overrides.is_empty());
}

#[test]
fn cancelling_what_is_not_set_is_no_fault() {
    let mut house = evening(&[JETTY]);
    house.cancel("jetty");
    house.expect(&["19:00:00 answer: done, jetty free"]);
}

#[test]
fn one_unknown_name_refuses_all() {
    let mut house = evening(&[JETTY, PARLOUR]);
    let channels = Some(vec!["jetty".to_string(), "attic".to_string()]);
    house.input(Input::Order(OrderId(1), Order::Set { channels, wanted: Power::Off, until: None }));
    house.expect(&["19:00:00 answer: no channel attic"]);
}

#[test]
fn without_names_every_channel_is_meant() {
    let mut house = evening(&[JETTY, PARLOUR]);
    house.set("all", Power::Off, Some("1 h"));
    assert_eq!(house.lines_with("answer"), ["19:00:00 answer: done, jetty off, parlour off"]);
}

#[test]
fn a_duration_is_over_after_its_time_whatever_the_wall_clock_does() {
    let mut house = evening(&[JETTY]);
    house.set("jetty", Power::Off, Some("30 min"));
    house.pass(600);
    house.set_clock("2026-11-24T20:10:00Z", true);
    house.pass(1199);
    house.hush();
    house.pass(2);
    house.expect(&[
        "20:30:00 override over jetty off: its time is over",
        "20:30:00 yard/3/order on",
        "20:30:00 switched yard/3 on: lit from 18:00 until 23:00",
        "20:30:00 keep",
    ]);
}

#[test]
fn a_planned_switching_under_an_override_is_on_record_as_overridden() {
    let mut house = evening(&[JETTY]);
    house.set("jetty", Power::On, Some("cancelled"));
    house.hush();
    house.until("23:30");
    house.expect(&["23:00:00 overridden jetty off: 23:00, due 23:00:00"]);
}

#[test]
fn an_override_that_ends_with_the_planned_switching_leaves_the_switching_on_record() {
    let mut house = evening(&[JETTY]);
    house.set("jetty", Power::On, Some("2026-11-24T23:00:00Z"));
    house.hush();
    house.until("23:30");
    house.expect(&[
        "23:00:00 override over jetty on: its time is over",
        "23:00:00 yard/3/order off",
        "23:00:00 switched yard/3 off: 23:00, due 23:00:00",
        "23:00:00 keep",
    ]);
}

#[test]
fn a_switching_that_a_person_overrides_before_it_was_confirmed_is_overridden() {
    // At the instant itself too: it has been sent by then.
    for at in ["23:00:00", "23:00:30"] {
        let mut house = evening(&[JETTY]);
        house.until("22:59");
        house.obedient.clear();
        house.until(at);
        house.hush();
        house.set("jetty", Power::On, Some("1 h"));
        let expected = format!("{at} overridden yard/3 off: 23:00, due 23:00:00");
        assert_eq!(house.lines_with("overridden"), [expected]);
    }
}

#[test]
fn an_order_that_comes_before_the_last_is_durable_waits_for_it() {
    let mut house = evening(&[JETTY]);
    let set = |until: &str| Order::Set { channels: None, wanted: Power::Off, until: Some(until.to_string()) };
    let now = house.now();
    let first = house.keeper.step(now, Input::Order(OrderId(1), set("1 h")));
    assert_eq!(first.outputs.len(), 1, "one keep");
    let second = house.keeper.step(now, Input::Order(OrderId(2), Order::Cancel { channels: None }));
    assert!(second.outputs.is_empty());
    house.input(Input::Kept(Ok(())));
    let answers = house.lines_with("answer");
    assert_eq!(answers, ["19:00:00 answer: done, jetty off", "19:00:00 answer: done, jetty free"]);
}

#[test]
fn the_next_change_shown_is_the_end_of_the_override() {
    let mut house = evening(&[JETTY]);
    house.set("jetty", Power::Off, Some("2026-11-24T20:00:00Z"));
    let next = house.snapshot().channels[0].next.clone().expect("a change");
    assert_eq!((next.at.to_rfc3339().as_str(), next.wanted), ("2026-11-24T20:00:00+00:00", Power::On));
}

#[test]
fn the_next_change_shown_skips_the_end_of_an_override_that_changes_nothing() {
    let mut house = evening(&[JETTY]);
    house.set("jetty", Power::On, Some("2026-11-24T20:00:00Z"));
    let next = house.snapshot().channels[0].next.clone().expect("a change");
    assert_eq!((next.at.to_rfc3339().as_str(), next.wanted), ("2026-11-24T23:00:00+00:00", Power::Off));
}

#[test]
fn nothing_is_ahead_of_an_override_until_cancelled() {
    let mut house = evening(&[JETTY]);
    house.set("jetty", Power::On, Some("cancelled"));
    assert_eq!(house.snapshot().channels[0].next, None);
}

#[test]
fn a_glance_shows_what_the_whole_picture_shows() {
    let mut house = House::at("17:00", &[JETTY, PARLOUR]).obedient(&["yard/3", "house/1"]);
    house.until("19:00");
    house.set("parlour", Power::Off, Some("2 h"));
    house.pass(60);
    house.report("yard/3", "off");
    house.pass(60);
    let (now, whole) = (house.now(), house.snapshot());
    for (place, channel) in whole.channels.into_iter().enumerate() {
        let overridden = channel.overridden.as_deref().cloned();
        assert_eq!(house.keeper.glance(place, now), (overridden, channel.plugs.clone()));
    }
}
