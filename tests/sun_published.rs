//! Published worked examples, through the public interface. Those that need the Sun's place itself are in
//! `src/pure/sun/track.rs`.

use chrono::{DateTime, NaiveDate, Utc};
use lampward::pure::sun::{Crossing, Sun};

const GOLDEN: (f64, f64) = (39.742476, -105.1786);

#[track_caller]
fn check_time(ours: DateTime<Utc>, published: &str, within_s: f64) {
    let published: DateTime<Utc> = published.parse().unwrap();
    let error_s = (ours - published).as_seconds_f64();
    assert!(error_s.abs() <= within_s, "{ours} is {error_s} s from {published}");
}

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn at(crossing: Crossing) -> DateTime<Utc> {
    crossing.at().expect("a crossing")
}

/// Reda and Andreas, NREL/TP-560-34302, worked example: 2003-10-17 12:30:30, UTC − 7 h, 820 mbar, 11 °C; zenith angle
/// 50.11162°. Refraction by the report's own formula (its equation 42).
#[test]
fn the_altitude_at_golden_is_that_of_the_nrel_report() {
    let airless = Sun::new(GOLDEN.0, GOLDEN.1).altitude_deg("2003-10-17T19:30:30Z".parse().unwrap());
    let refraction = 820.0 / 1010.0 * 283.0 / (273.0 + 11.0) * 1.02
        / (60.0 * (airless + 10.3 / (airless + 5.11)).to_radians().tan());
    let zenith = 90.0 - airless - refraction;
    assert!((zenith - 50.11162).abs() < 0.00005, "{zenith}");
}

/// The same report's sunrise, 06:12:43 local, is geocentric (06:12:43.47 by DE440). Topocentric, as here, DE440 through
/// Skyfield 1.55 gives 06:12:44.25.
#[test]
fn sunrise_at_golden_is_that_of_the_nrel_report_with_parallax() {
    let rise = at(Sun::new(GOLDEN.0, GOLDEN.1).day(date("2003-10-17")).rise(-50.0 / 60.0));
    check_time(rise, "2003-10-17T13:12:44.25Z", 0.05);
    check_time(rise, "2003-10-17T13:12:43.47Z", 1.0);
}

/// Not the report's sunset, 17:20:19: it takes the Sun's place from the wrong day and is 88 s late. DE440 through
/// Skyfield 1.55 gives 17:18:50.95.
#[test]
fn sunset_at_golden_is_that_of_the_ephemeris_and_not_the_misprint() {
    let set = at(Sun::new(GOLDEN.0, GOLDEN.1).day(date("2003-10-17")).set(-50.0 / 60.0));
    check_time(set, "2003-10-18T00:18:50.95Z", 0.05);
}

/// Meeus, Astronomical Algorithms (2nd ed.), example 28.a: the equation of time on 1992-10-13 at 0h is +13m42.6s. At the
/// longitude whose mean noon is that much after 0h, the Sun passes the meridian at 0h. Meeus' mean Sun runs by dynamical
/// time, ours by UT: 0.16 s in 1992.
#[test]
fn the_equation_of_time_is_that_of_meeus_example_28a() {
    let equation_s = 13.0 * 60.0 + 42.6;
    let transit = Sun::new(0.0, 180.0 - equation_s / 240.0).day(date("1992-10-13")).noon().transit;
    check_time(transit, "1992-10-13T00:00:00Z", 0.3);
}
