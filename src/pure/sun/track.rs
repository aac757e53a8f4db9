//! The Sun's way over one day, seen from the Earth's centre.

use std::f64::consts::{PI, TAU};

use super::SECONDS_A_DAY;
use super::delta_t::delta_t_s;
use super::nutation::nutation;
use super::series::{Block, blocks, blocks_for, sum};
use super::vsop87;

/// Polynomials in days from one instant, good for 19 h either way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Track {
    /// Direction of the Sun on the equator and equinox of date: unit vector, coefficients of rising powers.
    pub x: [f64; 4],
    pub y: [f64; 4],
    pub z: [f64; 4],
    /// Local apparent sidereal time, turns, and its change in a day.
    pub sidereal: f64,
    pub turning: f64,
    /// Equatorial radius of the Earth over the Sun's distance.
    pub parallax: f64,
}

static LONGITUDE_0: [Block; blocks_for(vsop87::LONGITUDE_0.len())] = blocks(&vsop87::LONGITUDE_0);
static LONGITUDE_1: [Block; blocks_for(vsop87::LONGITUDE_1.len())] = blocks(&vsop87::LONGITUDE_1);
static LONGITUDE_2: [Block; blocks_for(vsop87::LONGITUDE_2.len())] = blocks(&vsop87::LONGITUDE_2);
static LATITUDE_0: [Block; blocks_for(vsop87::LATITUDE_0.len())] = blocks(&vsop87::LATITUDE_0);
static DISTANCE_0: [Block; blocks_for(vsop87::DISTANCE_0.len())] = blocks(&vsop87::DISTANCE_0);
static DISTANCE_1: [Block; blocks_for(vsop87::DISTANCE_1.len())] = blocks(&vsop87::DISTANCE_1);

const ARCSEC: f64 = TAU / 1_296_000.0;
/// Light's way over one au, in days: IAU 2012 au over the speed of light.
const LIGHT_TIME: f64 = 499.004_783_84 / SECONDS_A_DAY;
/// Equatorial radius of the Earth (WGS 84) in au.
const EARTH_RADIUS: f64 = 6_378.137 / 149_597_870.7;

impl Track {
    /// About an instant, in days of UT since 2000-01-01 12:00.
    pub fn about(since_j2000: f64, longitude_deg: f64) -> Track {
        let days = since_j2000 + delta_t_s(since_j2000) / SECONDS_A_DAY;
        let centuries = days / 36_525.0;
        let millennia = centuries / 10.0;

        let [distance, receding] = distance(days, millennia);
        let mut longitude = longitude(days, millennia);
        let latitude = sum(&LATITUDE_0, days);

        // Light left the Sun some 8 min before, and arrives as aimed by the moving Earth: both together show the Sun
        // where the Earth's place of that earlier time puts it.
        let delay = LIGHT_TIME * distance;
        longitude[0] -= delay * longitude[1];
        longitude[1] -= 2.0 * delay * longitude[2] + LIGHT_TIME * receding * longitude[1];

        let nutation = nutation(days);
        // From VSOP87's equinox (Lieske's precession, IAU 1976) to that of IAU 2006: fitted to DE440 through Skyfield
        // 1.55 over 1900 to 2199, where it leaves at most 0.011″ of the full series. The fit agrees with what is
        // published: −0.090″ (FK5) and −0.300″ a century (IAU 2006).
        let equinox = -ARCSEC * (0.072_34 + centuries * (0.278_82 + centuries * 0.012_19));
        longitude[0] += PI + equinox + nutation.longitude[0];
        longitude[1] += nutation.longitude[1];

        // Mean obliquity and sidereal time: IAU 2006 (IERS Conventions 2010, eq. 5.40, 5.15 and 5.32).
        let mean_obliquity =
            ARCSEC * (84_381.406 - centuries * (46.836_769 + centuries * (0.000_183_1 - centuries * 0.002_003_4)));
        let obliquity = [mean_obliquity + nutation.obliquity[0], nutation.obliquity[1]];
        let (sin_obliquity, cos_obliquity) = libm::sincos(obliquity[0]);
        let earth_turns = 0.779_057_273_264 + fraction(since_j2000) + 0.002_737_811_911_354_48 * since_j2000;
        let precession_arcsec = 0.014_506 + centuries * (4_612.156_534 + centuries * 1.391_581_7);
        let equinoxes = cos_obliquity * nutation.longitude[0] + 0.002_64 * ARCSEC * nutation.sin_node;
        let sidereal = earth_turns + precession_arcsec / 1_296_000.0 + equinoxes / TAU + longitude_deg / 360.0;

        // On the ecliptic the Sun is at (cos λ, sin λ, −B); B is never above 6e-6 rad.
        let (along, across) = unit_circle(&longitude);
        let beside = [-latitude[0], -latitude[1], -latitude[2], 0.0];
        let tilt = obliquity[1];
        let mut y = [0.0; 4];
        let mut z = [0.0; 4];
        for power in 0..4 {
            y[power] = cos_obliquity * across[power] - sin_obliquity * beside[power];
            z[power] = sin_obliquity * across[power] + cos_obliquity * beside[power];
        }
        // The axis nods over the day: turn (y, z) by tilt × days.
        let (y_before, z_before) = (y, z);
        for power in 0..2 {
            y[power + 1] -= tilt * z_before[power];
            z[power + 1] += tilt * y_before[power];
        }

        Track {
            x: along,
            y,
            z,
            sidereal: fraction(sidereal),
            turning: 1.002_737_811_911_354_6
                + cos_obliquity * nutation.longitude[1] / TAU
                + 4_612.156_534 / (1_296_000.0 * 36_525.0),
            parallax: EARTH_RADIUS / distance,
        }
    }
}

/// What is over a whole number, from 0 to 1.
fn fraction(turns: f64) -> f64 {
    turns - libm::floor(turns)
}

/// The Earth's heliocentric longitude about an instant, rad.
fn longitude(days: f64, millennia: f64) -> [f64; 3] {
    let steady = sum(&LONGITUDE_0, days);
    let growing = sum(&LONGITUDE_1, days);
    let squared = sum(&LONGITUDE_2, days);
    let mut longitude = [0.0; 3];
    for power in 0..3 {
        longitude[power] = steady[power] + millennia * (growing[power] + millennia * squared[power]);
    }
    longitude[0] += 1.753_470_456_73 + millennia * (6_283.319_667_474_91 + millennia * 0.000_529_188_7);
    longitude[1] += (6_283.319_667_474_91 + 2.0 * millennia * 0.000_529_188_7) / 365_250.0;
    longitude
}

/// The Earth's distance from the Sun about an instant: au, and au a day.
fn distance(days: f64, millennia: f64) -> [f64; 2] {
    let (steady, growing) = (sum(&DISTANCE_0, days), sum(&DISTANCE_1, days));
    [1.000_139_887_99 + steady[0] + millennia * growing[0], steady[1] + millennia * growing[1]]
}

/// Cosine and sine of an angle that is itself a polynomial, as polynomials. Left out are fourth powers: 3e-10 rad
/// after 12 h for the Sun's longitude.
fn unit_circle(angle: &[f64; 3]) -> ([f64; 4], [f64; 4]) {
    let (sin, cos) = libm::sincos(angle[0]);
    let [_, first, second] = *angle;
    let sine_of_rest = [0.0, first, second, -first * first * first / 6.0];
    let cosine_of_rest = [1.0, 0.0, -first * first / 2.0, -first * second];
    let mut cosine = [0.0; 4];
    let mut sine = [0.0; 4];
    for power in 0..4 {
        cosine[power] = cos * cosine_of_rest[power] - sin * sine_of_rest[power];
        sine[power] = sin * cosine_of_rest[power] + cos * sine_of_rest[power];
    }
    (cosine, sine)
}

#[cfg(test)]
mod tests {
    use chrono::{DateTime, Utc};

    use super::*;
    use crate::pure::sun::J2000_UNIX;

    /// The track about an instant of dynamical time.
    fn about_tt(at: &str) -> Track {
        let at: DateTime<Utc> = at.parse().expect("an instant");
        let days = (at.timestamp() - J2000_UNIX) as f64 / SECONDS_A_DAY;
        Track::about(days - delta_t_s(days) / SECONDS_A_DAY, 0.0)
    }

    #[track_caller]
    fn check_within(ours: f64, published: f64, tolerance: f64) {
        assert!((ours - published).abs() <= tolerance, "{ours} is not {published}");
    }

    /// Meeus, Astronomical Algorithms (2nd ed.), example 25.b, as commonly quoted: 13h13m30.749s, -7d47'01.74", 0.99760775.
    /// Skyfield with DE440 gives 13h13m30.752s, -7d47'01.72" and 0.9976085.
    #[test]
    fn the_apparent_place_is_that_of_meeus_example_25b() {
        let track = about_tt("1992-10-13T00:00:00Z");
        let right_ascension_deg = track.y[0].atan2(track.x[0]).to_degrees().rem_euclid(360.0);
        let hours = |h: f64, min: f64, s: f64| 15.0 * (h + min / 60.0 + s / 3600.0);
        check_within(right_ascension_deg, hours(13.0, 13.0, 30.749), 0.1 / 3600.0);
        check_within(track.z[0].asin().to_degrees(), -(7.0 + 47.0 / 60.0 + 1.74 / 3600.0), 0.1 / 3600.0);
        check_within(EARTH_RADIUS / track.parallax, 0.997_608, 1e-5);
    }

    /// Meeus, example 25.a: the low-accuracy formula's 198.38083 and -7.78507, which is within 0.01 deg as it promises.
    #[test]
    fn the_apparent_place_is_within_a_hundredth_of_a_degree_of_meeus_example_25a() {
        let track = about_tt("1992-10-13T00:00:00Z");
        check_within(track.y[0].atan2(track.x[0]).to_degrees().rem_euclid(360.0), 198.380_83, 0.01);
        check_within(track.z[0].asin().to_degrees(), -7.785_07, 0.01);
    }

    /// Seconds from `at` until the Sun's apparent longitude is `longitude_deg`.
    fn until_longitude_s(at: &Track, longitude_deg: f64) -> f64 {
        let (sin, cos) = longitude_deg.to_radians().sin_cos();
        // True obliquity is near enough to bring the direction back to the ecliptic.
        let across = |y: f64, z: f64| y.hypot(z).copysign(y);
        let (x, y) = (at.x[0], across(at.y[0], at.z[0]));
        let ahead = (sin * x - cos * y).atan2(cos * x + sin * y);
        ahead / (TAU / 365.2422) * SECONDS_A_DAY
    }

    /// Meeus, example 27.a: the June solstice of 1962 at 21h24m42s dynamical time.
    #[test]
    fn the_june_solstice_of_1962_is_at_the_minute_of_meeus_example_27a() {
        check_within(until_longitude_s(&about_tt("1962-06-21T21:24:42Z"), 90.0), 0.0, 60.0);
    }

    /// Equinoxes and solstices as printed by the almanac offices (The Astronomical Almanac and USNO's table of the Earth's
    /// seasons), to the minute of UT; from memory.
    #[test]
    fn the_seasons_begin_at_the_minutes_that_the_almanac_prints() {
        for (at, longitude_deg) in [
            ("2024-03-20T03:06:00Z", 0.0),
            ("2024-06-20T20:51:00Z", 90.0),
            ("2024-09-22T12:44:00Z", 180.0),
            ("2025-03-20T09:01:00Z", 0.0),
            ("2025-06-21T02:42:00Z", 90.0),
            ("2025-09-22T18:19:00Z", 180.0),
            ("2025-12-21T15:03:00Z", 270.0),
        ] {
            let utc: DateTime<Utc> = at.parse().expect("an instant");
            let track = Track::about((utc.timestamp() - J2000_UNIX) as f64 / SECONDS_A_DAY, 0.0);
            // Half a minute of rounding, and a fifth of that for the Sun's uneven pace.
            check_within(until_longitude_s(&track, longitude_deg), 0.0, 40.0);
        }
    }
}
