//! The Sun's way over one day, seen from the Earth's centre.

use std::f64::consts::TAU;

use super::SECONDS_A_DAY;
use super::delta_t::delta_t_s;

/// Polynomials in days from one instant, good for 19 h either way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Track {
    /// Direction of the Sun on the equator and equinox of date: unit vector, coefficients of rising powers.
    pub x: [f64; 4],
    pub y: [f64; 4],
    pub z: [f64; 4],
    /// Local apparent sidereal time, rad, and its change in a day.
    pub sidereal: f64,
    pub turning: f64,
    /// Equatorial radius of the Earth over the Sun's distance.
    pub parallax: f64,
}

impl Track {
    /// Days of UT since 2000-01-01 12:00.
    pub fn about(since_j2000: f64, longitude_deg: f64) -> Track {
        let at = |days: f64| direction(since_j2000 + days + delta_t_s(since_j2000) / SECONDS_A_DAY);
        let (before, here, after) = (at(-0.5), at(0.0), at(0.5));
        let quadratic = |axis: usize| {
            let [low, mid, high] = [before.0[axis], here.0[axis], after.0[axis]];
            [mid, high - low, 2.0 * (low + high - 2.0 * mid), 0.0]
        };
        let centuries = since_j2000 / 36_525.0;
        // IAU 2006 sidereal time, as the Earth's rotation angle and accumulated precession.
        let turns = 0.779_057_273_264 + since_j2000.rem_euclid(1.0) + 0.002_737_811_911_354_48 * since_j2000;
        let precession = (0.014506 + centuries * (4612.156534 + centuries * 1.3915817)) / 3600.0;
        let sidereal = turns * TAU + (precession + longitude_deg + here.1).to_radians();
        Track {
            x: quadratic(0),
            y: quadratic(1),
            z: quadratic(2),
            sidereal: sidereal.rem_euclid(TAU),
            turning: TAU * 1.002_737_909_35,
            parallax: 8.794_143_f64 / 3600.0 * TAU / 360.0 / here.2,
        }
    }
}

/// Direction, equation of the equinoxes in degrees, and distance in au. Meeus, Astronomical Algorithms, ch. 25, low
/// accuracy: within 0.01°.
fn direction(since_j2000_tt: f64) -> ([f64; 3], f64, f64) {
    let t = since_j2000_tt / 36_525.0;
    let mean_longitude = 280.46646 + t * (36000.76983 + t * 0.0003032);
    let anomaly = (357.52911 + t * (35999.05029 - t * 0.0001537)).to_radians();
    let eccentricity = 0.016708634 - t * (0.000042037 + t * 0.0000001267);
    let centre = (1.914602 - t * (0.004817 + t * 0.000014)) * anomaly.sin()
        + (0.019993 - t * 0.000101) * (2.0 * anomaly).sin()
        + 0.000289 * (3.0 * anomaly).sin();
    let true_anomaly = anomaly + centre.to_radians();
    let distance = 1.000001018 * (1.0 - eccentricity * eccentricity) / (1.0 + eccentricity * true_anomaly.cos());
    let node = (125.04 - 1934.136 * t).to_radians();
    let nutation = -0.00478 * node.sin();
    let longitude = (mean_longitude + centre - 0.00569 + nutation).to_radians();
    let obliquity = (23.4392911 - t * 0.0130042 + 0.00256 * node.cos()).to_radians();
    let (sin, cos) = longitude.sin_cos();
    ([cos, sin * obliquity.cos(), sin * obliquity.sin()], nutation * obliquity.cos(), distance)
}
