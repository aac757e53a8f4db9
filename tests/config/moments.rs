//! Moments and the other phrases, as the command line and overrides read them too.

use std::sync::Arc;

use chrono::NaiveTime;
use lampward::pure::config::{
    duration_words, parse_duration, parse_moment, parse_position, parse_zone, weekdays_words,
};
use lampward::pure::moment::NamedTime;

fn names() -> Vec<Arc<NamedTime>> {
    let named = |name: &str| Arc::new(NamedTime { name: name.to_owned(), by_weekday: [NaiveTime::MIN; 7] });
    vec![named("bedtime"), named("half-seven")]
}

/// A phrase and its normal form.
#[track_caller]
fn check(phrase: &str, normal: &str) {
    match parse_moment(phrase, &names()) {
        Ok(moment) => assert_eq!(moment.to_string(), normal),
        Err(fault) => panic!("{phrase}: {fault}"),
    }
}

/// A phrase with its offending words marked, and what is said in one line.
#[track_caller]
fn check_refused(marked: &str, said: &str) {
    let phrase = marked.replace(['«', '»'], "");
    let fault = parse_moment(&phrase, &names()).expect_err("refused");
    assert_eq!(fault.to_string(), said);
    let start = marked.find('«').expect("a mark");
    let end = marked.find('»').expect("its end") - '«'.len_utf8();
    assert_eq!(fault.at, start..end, "{phrase}");
}

const A_MARK: &str = "sunset, sunrise, dusk, dawn, …, a clock time such as 22:45, or a name from [times]";

#[test]
fn every_mark_is_read_and_printed_in_its_own_words() {
    for mark in [
        "sunset",
        "sunrise",
        "dusk",
        "dawn",
        "nautical dusk",
        "nautical dawn",
        "astronomical dusk",
        "astronomical dawn",
        "solar noon",
        "solar midnight",
        "evening sun at -4 deg",
        "morning sun at 6.5 deg",
        "evening sun at 0 deg",
    ] {
        check(mark, mark);
        check(&format!("20 min before {mark}"), &format!("20 min before {mark}"));
        check(&format!("1 s after {mark}, not after 23:00"), &format!("1 s after {mark}, not after 23:00"));
    }
}

#[test]
fn clock_times_and_names_are_read_with_any_number_of_clamps() {
    check("22:45", "22:45");
    check("00:05", "00:05");
    check("midnight", "midnight");
    check("00:00", "midnight");
    check("bedtime", "bedtime");
    check("half-seven, not before 07:00, not after midnight", "half-seven, not before 07:00, not after midnight");
    check(
        "sunset, not before 16:00, not after bedtime, not before 15:00",
        "sunset, not before 16:00, not after bedtime, not before 15:00",
    );
}

#[test]
fn durations_take_any_number_of_each_unit_and_are_printed_with_the_largest_first() {
    check("120 min before sunset", "2 h before sunset");
    check("90 s after dawn", "1 min 30 s after dawn");
    check("1 h 20 min before dusk", "1 h 20 min before dusk");
    check("1 h 1 s before dusk", "1 h 1 s before dusk");
    check("0 min before dusk", "dusk");
    check("24 h after dusk", "24 h after dusk");
    let said = |phrase: &str| parse_duration(phrase).map(duration_words).map_err(|fault| fault.to_string());
    assert_eq!(said("45 min"), Ok("45 min".to_owned()));
    assert_eq!(said("0 s"), Ok("0 min".to_owned()));
    assert_eq!(said("  2 h   90 min "), Ok("3 h 30 min".to_owned()));
    assert_eq!(
        said("30 min 2 h"),
        Err("`h` is named twice or too late; expected hours, then min, then s, each once".to_owned())
    );
    assert_eq!(said("9000 h"), Err("a duration of more than 366 days; expected at most 8784 h".to_owned()));
    assert_eq!(
        said(""),
        Err("nothing is written where a duration belongs; expected a duration such as 20 min or 1 h 30 min".to_owned())
    );
}

#[test]
fn blanks_do_not_matter_and_case_does() {
    check("  20  min\tbefore   sunset ,not before 16:00", "20 min before sunset, not before 16:00");
    check_refused("«Sunset»", &format!("`Sunset` is not a mark; expected {A_MARK}; nearest: sunset"));
}

#[test]
fn the_word_that_does_not_fit_is_named_with_what_would() {
    check_refused("«sunsett»", &format!("`sunsett` is not a mark; expected {A_MARK}; nearest: sunset"));
    check_refused("«bedtim»", &format!("`bedtim` is not a mark; expected {A_MARK}; nearest: bedtime"));
    check_refused("«»", &format!("nothing is written where a mark belongs; expected {A_MARK}"));
    check_refused(
        "20 min «befor» sunset",
        "`befor` is not `before` or `after`; expected before or after; nearest: before",
    );
    check_refused(
        "20 min before«»",
        "`20 min before` ends where a mark of the Sun belongs; expected sunset, sunrise, dusk, dawn, …",
    );
    check_refused(
        "20 min before «sunsit»",
        "`sunsit` is not a mark of the Sun; expected sunset, sunrise, dusk, dawn, …; nearest: sunset",
    );
    check_refused("20 «mins» before sunset", "`mins` is not h, min or s; expected h, min or s; nearest: min");
    check_refused(
        "«20min» before sunset",
        "`20min` is not a whole number; expected a duration such as 20 min or 1 h 30 min; nearest: 20 min",
    );
    check_refused(
        "«1.5» h before sunset",
        "`1.5` is not a whole number; expected a duration such as 20 min or 1 h 30 min",
    );
    check_refused("nautical «dasn»", "`dasn` is not `dusk` or `dawn`; expected dusk or dawn; nearest: dawn");
    check_refused("solar «moon»", "`moon` is not `noon` or `midnight`; expected noon or midnight; nearest: noon");
    check_refused("evening «son» at -4 deg", "`son` is not `sun`; expected sun; nearest: sun");
    check_refused("evening sun at «four» deg", "`four` is not a number of degrees; expected degrees such as -4 deg");
    check_refused("evening sun at «-95» deg", "an altitude is never beyond 90 deg; expected -90 deg to 90 deg");
    check_refused("evening sun at -4 «degrees»", "`degrees` is not `deg`; expected deg; nearest: deg");
    check_refused("«25 h» before sunset", "an offset of more than 24 h; expected at most 24 h");
}

#[test]
fn a_clock_time_has_two_digits_for_hour_and_minute_and_takes_no_offset() {
    check_refused(
        "«7:15»",
        "`7:15` is not a clock time; expected two digits each, from 00:00 to 23:59; nearest: 07:15",
    );
    check_refused(
        "«24:00»",
        "`24:00` is not a clock time; expected two digits each, from 00:00 to 23:59; nearest: midnight",
    );
    check_refused("«22:60»", "`22:60` is not a clock time; expected two digits each, from 00:00 to 23:59");
    check_refused("«22:45:10»", "`22:45:10` is not a clock time; expected two digits each, from 00:00 to 23:59");
    for time in ["22:45", "bedtime", "midnight"] {
        check_refused(
            &format!("20 min before «{time}»"),
            "a clock time takes no `before` or `after`: write the time itself; expected sunset, sunrise, dusk, dawn, …",
        );
    }
}

#[test]
fn a_clamp_is_a_comma_and_not_before_or_not_after_a_clock_time() {
    let a_clock_time = "a clock time such as 16:00, midnight or a name from [times]";
    check_refused(
        "sunset «not» before 16:00",
        "a comma is missing before `not`; expected nothing more, or a comma and `not before` or `not after`",
    );
    check_refused(
        "sunset «today»",
        "`today` does not belong here; expected nothing more, or a comma and `not before` or `not after`",
    );
    check_refused(
        "sunset, «nor» before 16:00",
        "`nor` is not `not before` or `not after`; expected not before or not after; nearest: not",
    );
    check_refused("sunset, not «until» 16:00", "`until` is not `before` or `after`; expected before or after");
    check_refused("sunset, not before «dusk»", &format!("`dusk` is not a clock time; expected {a_clock_time}"));
    check_refused(
        "sunset, not before«»",
        &format!("`sunset, not before` ends where a clock time belongs; expected {a_clock_time}"),
    );
    check_refused(
        "sunset,«»",
        "`sunset,` ends where `not before` or `not after` belongs; expected not before or not after",
    );
}

#[test]
fn a_position_is_read_in_degrees_or_in_degrees_and_minutes() {
    let said = |phrase: &str| match parse_position(phrase) {
        Ok(position) => format!("{:.6} {:.6} = {position}", position.latitude_deg, position.longitude_deg),
        Err(fault) => format!("{}..{}: {fault}", fault.at.start, fault.at.end),
    };
    // 44.47′ is 0.741167°, 12.58′ is 0.209667°.
    assert_eq!(said("59.7412 N, 5.2097 E"), "59.741200 5.209700 = 59.7412 N, 5.2097 E");
    assert_eq!(said("59 44.47 N, 5 12.58 E"), "59.741167 5.209667 = 59.74117 N, 5.20967 E");
    assert_eq!(said("33.9 S, 151 30 W"), "-33.900000 -151.500000 = 33.9 S, 151.5 W");
    assert_eq!(said("0 S, 180 W"), "0.000000 -180.000000 = 0 N, 180 W");
    assert_eq!(said("90 N, 0 E"), "90.000000 0.000000 = 90 N, 0 E");
    let example = "59.7412 N, 5.2097 E or 59 44.47 N, 5 12.58 E";
    assert_eq!(said("95 N, 5 E"), "0..2: a latitude of more than 90 degrees; expected 0 to 90 degrees, then N or S");
    assert_eq!(said("90 1 N, 5 E"), "0..4: a latitude of more than 90 degrees; expected 0 to 90 degrees, then N or S");
    assert_eq!(
        said("5 N, 181 E"),
        "5..8: a longitude of more than 180 degrees; expected 0 to 180 degrees, then E or W"
    );
    assert_eq!(said("59.5 30 N, 5 E"), format!("5..7: minutes go with whole degrees; expected {example}"));
    assert_eq!(said("59 60 N, 5 E"), "3..5: minutes of 60 or more; expected less than 60 minutes");
    assert_eq!(said("-59 N, 5 E"), format!("0..3: `-59` is not a latitude; expected {example}"));
    assert_eq!(said("5 E, 5 E"), "2..3: `E` is not `N` or `S`; expected N or S");
    assert_eq!(
        said("5 E, 59 N"),
        "0..9: the longitude comes before the latitude; expected latitude with N or S, comma, longitude with E or W; \
         nearest: 59 N, 5 E"
    );
    assert_eq!(said("59 N 5 E"), "5..6: `5` is not a comma; expected a comma between latitude and longitude");
    assert_eq!(said("59 N, 5 E, 3"), "9..10: `,` does not belong here; expected nothing more");
}

#[test]
fn a_zone_is_an_iana_name_or_an_offset() {
    let said = |phrase: &str| parse_zone(phrase).map_or_else(|fault| fault.to_string(), |zone| zone.to_string());
    for zone in ["Europe/Oslo", "America/Argentina/Buenos_Aires", "UTC", "+01:00", "-03:30", "+14:00", "-12:00"] {
        assert_eq!(said(zone), zone);
    }
    let expected = "expected an IANA zone such as Europe/Oslo, or an offset such as +01:00";
    assert_eq!(said("Europe/Olso"), format!("`Europe/Olso` is not a time zone; {expected}; nearest: Europe/Oslo"));
    assert_eq!(said("europe/oslo"), format!("`europe/oslo` is not a time zone; {expected}; nearest: Europe/Oslo"));
    assert_eq!(said("Oslo"), format!("`Oslo` is not a time zone; {expected}; nearest: Europe/Oslo"));
    assert_eq!(said("new york"), format!("`new york` is not a time zone; {expected}; nearest: America/New_York"));
    assert_eq!(said(""), format!("no time zone is written; {expected}"));
    let expected = "expected an offset from -12:00 to +14:00, such as +01:00";
    for offset in ["+1", "+14:01", "+01:60", "+0100", "-12:30", "+é:00"] {
        assert_eq!(said(offset), format!("`{offset}` is not an offset from UTC; {expected}"));
    }
}

#[test]
fn weekdays_are_said_as_briefly_as_they_are_written() {
    let said = |days: [u8; 7]| weekdays_words(&days.map(|day| day == 1));
    assert_eq!(said([1, 1, 1, 1, 1, 0, 0]), "Mon-Fri");
    assert_eq!(said([0, 0, 0, 0, 1, 1, 0]), "Fri Sat");
    assert_eq!(said([1, 0, 0, 0, 0, 1, 1]), "Sat-Mon");
    assert_eq!(said([1, 0, 1, 0, 1, 0, 0]), "Mon Wed Fri");
    assert_eq!(said([1; 7]), "every day");
}
