//! Lampward is killed and starts anew with what it kept.

use super::House;
use super::house::{JETTY, file, instant};
use crate::pure::keeper::{Down, Input, Start};
use crate::pure::power::Power;

/// Started with a trusted clock; the last sign of life is of `last_life`.
fn trusted(last_life: &str, parts: &[&str]) -> Start {
    let down = Some(Down { last_life: instant(last_life), config: file(parts) });
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
