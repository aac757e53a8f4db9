//! A serial line. Positions: NMEA writes degrees and minutes; the decimals here were worked out by hand (minutes / 60).

use crate::receiver::Receiver;
use crate::{check_failure, check_pulled, found, json};

/// The receiver speaks so, and when the time is up `locate` fails with these words.
#[track_caller]
fn check_wrong(receiver: &[&str], words: &[&str]) {
    let receiver = Receiver::start(receiver);
    check_failure(&["--serial", receiver.device(), "--wait", "5 s"], words);
}

/// The receiver speaks so, and `locate` does not wait for the time to be up.
#[track_caller]
fn check_hopeless(receiver: &[&str], words: &[&str]) {
    let receiver = Receiver::start(receiver);
    check_failure(&["--serial", receiver.device(), "--wait", "10 min"], words);
}

#[track_caller]
fn check_place(receiver: &[&str], position: &str) -> serde_json::Value {
    let receiver = Receiver::start(receiver);
    let answer = json(&["--serial", receiver.device(), "--wait", "1 min"]);
    assert_eq!(answer["position"], position);
    assert_eq!(answer["fixes"], 10);
    answer
}

#[test]
fn the_place_is_right_to_five_decimals() {
    // 48.1234 / 60 = 0.802057; 18.2468 / 60 = 0.304113.
    let answer = check_place(&["5448.1234,S,06818.2468,W"], "54.80206 S, 68.30411 W");
    assert_eq!((&answer["latitude_deg"], &answer["longitude_deg"]), (&(-54.80206).into(), &(-68.30411).into()));
    // The fixes are alike; the position is rounded to about a metre.
    assert!(answer["spread_m"].as_f64().is_some_and(|spread| spread < 1.0), "{answer}");
}

#[test]
fn fixes_before_there_is_a_good_one_are_waited_out() {
    check_place(&["--no-fix-for", "5"], "59.7412 N, 5.2097 E");
}

#[test]
fn a_stray_fix_moves_nothing_and_the_date_line_is_no_seam() {
    // Every tenth fix is far off: 0.06 minutes of longitude are 0.001 degrees, 111 m on the equator. It has to leave the last
    // ten before they count as settled; or the time is up, and the median of the ten stands.
    let mut fixes = vec!["0000.0000,N,17959.9940,E", "0000.0000,N,17959.9940,W", "0000.0000,N,17959.9940,W"];
    fixes.extend(["0000.0000,N,17959.9946,W"; 7]);
    // 59.9946 / 60 = 0.99991.
    check_place(&fixes, "0 N, 179.99991 W");
}

#[test]
fn a_person_reads_place_zones_and_clock() {
    let receiver = Receiver::start(&["--ahead", "3600"]);
    let said = found(&["--serial", receiver.device()]);
    let (place, clock) = said.split_once("\nthis computer's clock is ").expect("the clock is spoken of");
    // Distances by geopy 2.5 `great_circle`; 60 and 0 minutes less 4 minutes for each of 5.2097 degrees.
    assert_eq!(
        place,
        "position  59.7412 N, 5.2097 E\n          the median of 10 fixes, none further off than 0 m\n\n\
         time zones that suit the Sun there, the nearest town first:\n  \
         Europe/Oslo    UTC+01:00  310 km away  39 min ahead of the Sun  this machine's own\n  \
         Europe/London  UTC+00:00  974 km away  21 min behind the Sun\n"
    );
    assert!(clock.starts_with("behind the satellites' by "), "{clock}");
}

#[test]
fn the_clock_of_a_program_s_answer_is_the_computer_s_less_the_satellites() {
    let answer = check_place(&["--ahead", "-7200"], "59.7412 N, 5.2097 E");
    let ahead_s = answer["clock"]["ahead_s"].as_f64().expect("a number");
    // What the line and a busy machine delay comes on top.
    assert!((7199.0..7300.0).contains(&ahead_s), "{ahead_s}");
}

#[test]
fn without_a_good_fix_the_view_of_the_sky_is_blamed() {
    let words = ["no position from /dev/pts/", " within 5 s: ", "no good fix", "free view of the sky", "--wait"];
    check_wrong(&["--says", "none"], &words);
    check_wrong(&["--says", "poor"], &words);
    check_wrong(&["--says", "simulated"], &words);
}

#[test]
fn a_wrong_speed_is_named_as_what_it_most_often_is() {
    check_hopeless(&["--says", "garbage"], &["at 9600 baud: ", "no NMEA 0183", "the speed is wrong", "--baud"]);
}

#[test]
fn wrong_checksums_are_counted() {
    check_hopeless(&["--says", "checksums"], &["40 sentences, and not one with the right checksum"]);
}

#[test]
fn another_instrument_is_told_from_a_receiver() {
    check_wrong(&["--says", "depth"], &["speaks NMEA 0183, but neither RMC nor GGA"]);
}

#[test]
fn a_silent_line_is_told_from_a_receiver_without_a_fix() {
    check_wrong(&["--says", "nothing"], &["the line says nothing"]);
}

#[test]
fn a_receiver_that_is_unplugged_is_missed_at_once() {
    let receiver = Receiver::start(&["--says", "none"]);
    let device = receiver.device().to_owned();
    check_pulled(&["--serial", &device, "--wait", "2 min"], receiver, &["the line has ended", "unplugged"]);
}

#[test]
fn what_is_no_serial_line_is_refused() {
    check_failure(&["--serial", "zone.tab"], &["cannot read zone.tab: it is no serial line"]);
    check_failure(&["--serial", "nothing"], &["cannot read nothing: no such file or directory", "/dev/ttyUSB0"]);
}
