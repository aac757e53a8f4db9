//! From the Sun's way over a day to the instants at which it turns and crosses.

use std::f64::consts::{PI, TAU};

use chrono::{DateTime, Utc};

use super::series::sin_cos_turns;
use super::track::Track;
use super::{Crossing, Ground, SECONDS_A_DAY, Sun, Turn};

/// One local mean solar day of one place, prepared once; any number of altitudes then costs little. Positions within
/// it are in days from the mean noon.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SolarDay {
    ground: Ground,
    track: Track,
    /// The mean noon: Unix seconds, and the rest that the longitude makes.
    noon_unix: i64,
    offset_s: f64,
    /// About when the Sun passes the meridian, for a first guess.
    transit: f64,
}

/// The two kinds of turn.
#[derive(Clone, Copy, PartialEq)]
enum Way {
    Highest,
    Lowest,
}

/// A turn, as positions within the day.
#[derive(Clone, Copy)]
struct Extreme {
    transit: f64,
    at: f64,
    altitude_deg: f64,
}

/// Days about a transit in which its extreme is, except close to a pole.
const REACH: f64 = 0.2;

impl SolarDay {
    pub(super) fn new(sun: &Sun, noon_unix: i64, offset_s: f64, track: Track) -> SolarDay {
        let mut day = SolarDay { ground: sun.ground, track, noon_unix, offset_s, transit: 0.0 };
        day.transit = -day.hour_angle(0.0) / TAU;
        day
    }

    /// The lowest turn before noon.
    pub fn midnight_before(&self) -> Turn {
        self.turn(self.lowest(-0.5))
    }

    /// The highest turn.
    pub fn noon(&self) -> Turn {
        self.turn(self.highest())
    }

    /// The lowest turn after noon.
    pub fn midnight_after(&self) -> Turn {
        self.turn(self.lowest(0.5))
    }

    /// When the Sun's centre passes an altitude (degrees) upwards, between the midnight before and noon.
    pub fn rise(&self, altitude_deg: f64) -> Crossing {
        self.crossing(altitude_deg, -1.0)
    }

    /// When the Sun's centre passes an altitude (degrees) downwards, between noon and the midnight after.
    pub fn set(&self, altitude_deg: f64) -> Crossing {
        self.crossing(altitude_deg, 1.0)
    }

    /// Altitude in degrees, at a position within the day: from what is up and what is level, so that it is as good at
    /// the zenith and the nadir as elsewhere. There the sine hardly changes, and would turn the 3e-10 that the track's
    /// vector may be too long or too short into seconds of arc.
    pub(super) fn altitude_at_deg(&self, at: f64) -> f64 {
        let Track { x, y, z, sidereal, turning, parallax } = &self.track;
        let ground = &self.ground;
        let (sin, cos) = sin_cos_turns(sidereal + turning * at);
        let (x0, y0, z0) = (value(x, at), value(y, at), value(z, at));
        let toward_meridian = x0 * cos + y0 * sin - parallax * ground.from_axis;
        let toward_west = x0 * sin - y0 * cos;
        let toward_pole = z0 - parallax * ground.from_equator;
        let up = ground.sin_latitude * toward_pole + ground.cos_latitude * toward_meridian;
        let north = ground.cos_latitude * toward_pole - ground.sin_latitude * toward_meridian;
        libm::atan2(up, (north * north + toward_west * toward_west).sqrt()).to_degrees()
    }

    fn highest(&self) -> Extreme {
        self.extreme(0.0, Way::Highest)
    }

    fn lowest(&self, near: f64) -> Extreme {
        self.extreme(near, Way::Lowest)
    }

    /// `side` is −1 for the rising half, +1 for the setting one.
    fn crossing(&self, altitude_deg: f64, side: f64) -> Crossing {
        let altitude_deg = altitude_deg.clamp(-90.0, 90.0);
        let wanted = libm::sin(altitude_deg.to_radians());
        if let Some(at) = self.clear_crossing(wanted, side) {
            return Crossing::At(self.instant(at));
        }
        let (low, high) = (self.lowest(0.5 * side), self.highest());
        if low.altitude_deg >= altitude_deg {
            Crossing::Above
        } else if high.altitude_deg <= altitude_deg {
            Crossing::Below
        } else {
            Crossing::At(self.instant(self.between(low.at, high.at, wanted)))
        }
    }

    /// The crossing, where it is plain from the place at noon that there is one: Newton's method from the hour angle
    /// that the noon's declination gives.
    fn clear_crossing(&self, wanted: f64, side: f64) -> Option<f64> {
        /// More than declination, parallax and the shape of the track can move an extreme within a day.
        const ROOM: f64 = 0.01;
        /// Cosine of the hour angle: beyond, the Sun turns too soon for an unguarded Newton.
        const STEEP: f64 = 0.98;
        let sin_declination = self.track.z[0];
        let middle = self.ground.sin_latitude * sin_declination;
        let swing = self.ground.cos_latitude * (1.0 - sin_declination * sin_declination).sqrt();
        let above = wanted - middle;
        if above.abs() > STEEP * swing || above.abs() > swing - ROOM {
            return None;
        }
        let mut at = self.transit + side * libm::acos(above / swing) / TAU;
        for _ in 0..8 {
            let (sin_altitude, slope) = self.sin_altitude(at);
            let step = (wanted - sin_altitude) / slope;
            at += step;
            // The error left is about 16 step² + 5e-5 step: below 0.1 ms.
            if step.abs() < 3e-6 {
                let from_transit = (at - self.transit) * side;
                return (0.02..0.48).contains(&from_transit).then_some(at);
            }
        }
        None
    }

    /// The crossing between a lowest and a highest place, in whichever order they come: Newton's method, held between
    /// the two by bisection.
    fn between(&self, mut low: f64, mut high: f64, wanted: f64) -> f64 {
        let mut at = 0.5 * (low + high);
        for _ in 0..60 {
            let (sin_altitude, slope) = self.sin_altitude(at);
            if sin_altitude < wanted {
                low = at;
            } else {
                high = at;
            }
            let newton = at + (wanted - sin_altitude) / slope;
            let inside = (newton - low) * (newton - high) < 0.0;
            let next = if inside { newton } else { 0.5 * (low + high) };
            let step = next - at;
            at = next;
            if step.abs() < 1e-11 {
                break;
            }
        }
        at
    }

    /// The highest or lowest place within 6 h of true solar time of the transit near `near`.
    fn extreme(&self, near: f64, way: Way) -> Extreme {
        let (sign, hour_angle) = if way == Way::Highest { (1.0, 0.0) } else { (-1.0, PI) };
        let transit = self.passing(near, hour_angle);
        let within = |from: f64, to: f64| {
            let (rises, falls) = (sign * self.slopes(from).0 > 0.0, sign * self.slopes(to).0 < 0.0);
            (rises && falls).then(|| self.top(from, to, transit, sign))
        };
        let at = within(transit - REACH, transit + REACH).unwrap_or_else(|| {
            // Close to a pole. The ends are found alike from either side, so that neighbouring turns share them.
            let from = self.passing(transit - 0.25, hour_angle - PI / 2.0);
            let to = self.passing(transit + 0.25, hour_angle + PI / 2.0);
            let higher_end = |&left: &f64, &right: &f64| {
                (sign * self.sin_altitude(left).0).total_cmp(&(sign * self.sin_altitude(right).0))
            };
            within(from, to).unwrap_or_else(|| [from, to].into_iter().max_by(higher_end).unwrap_or(transit))
        });
        Extreme { transit, at, altitude_deg: self.altitude_at_deg(at) }
    }

    /// Where the altitude, times `sign`, is highest between two places before and after that: Newton's method on its
    /// slope, held by bisection.
    fn top(&self, mut from: f64, mut to: f64, guess: f64, sign: f64) -> f64 {
        let mut at = guess;
        for _ in 0..60 {
            let (slope, curve) = self.slopes(at);
            if sign * slope > 0.0 {
                from = at;
            } else {
                to = at;
            }
            let newton = at - slope / curve;
            let next = if newton > from && newton < to { newton } else { 0.5 * (from + to) };
            let step = next - at;
            at = next;
            if step.abs() < 1e-10 {
                break;
            }
        }
        at
    }

    /// When the hour angle (rad) is reached, near a position.
    fn passing(&self, near: f64, hour_angle: f64) -> f64 {
        let mut at = near;
        // The Sun's hour angle grows by a turn a day to 0.0004: each round leaves so much of the error.
        for _ in 0..4 {
            let ahead = (hour_angle - self.hour_angle(at)) / TAU;
            at += ahead - libm::round(ahead);
        }
        at
    }

    /// The Sun's hour angle, rad.
    fn hour_angle(&self, at: f64) -> f64 {
        let (sin, cos) = sin_cos_turns(self.track.sidereal + self.track.turning * at);
        let (x, y) = (value(&self.track.x, at), value(&self.track.y, at));
        libm::atan2(x * sin - y * cos, x * cos + y * sin)
    }

    /// Sine of the altitude, and its change in a day (parallax left out of that: it is only steered by).
    #[inline]
    fn sin_altitude(&self, at: f64) -> (f64, f64) {
        let Track { x, y, z, sidereal, turning, parallax } = &self.track;
        let ground = &self.ground;
        let spin = TAU * turning;
        let (sin, cos) = sin_cos_turns(sidereal + turning * at);
        let (x0, y0, z0) = (value(x, at), value(y, at), value(z, at));
        let (x1, y1, z1) = (slope(x, at), slope(y, at), slope(z, at));
        let toward_meridian = x0 * cos + y0 * sin;
        let toward_west = x0 * sin - y0 * cos;
        let geocentric = ground.sin_latitude * z0 + ground.cos_latitude * toward_meridian;
        let change = ground.sin_latitude * z1 + ground.cos_latitude * (x1 * cos + y1 * sin - spin * toward_west);
        // From the centre to the ground: the Sun is lower by what the ground is higher, and nearer where it is high.
        let nearer = parallax * (ground.from_equator * z0 + ground.from_axis * toward_meridian);
        let topocentric = (geocentric - parallax * ground.along_up)
            * (1.0 + nearer + 1.5 * nearer * nearer - 0.5 * parallax * parallax);
        (topocentric, change)
    }

    /// First and second change of the sine of the geocentric altitude, per day and per day squared. Its extremes are
    /// the topocentric ones: parallax is a steady function of altitude.
    fn slopes(&self, at: f64) -> (f64, f64) {
        let Track { x, y, z, sidereal, turning, .. } = &self.track;
        let (sin, cos) = sin_cos_turns(sidereal + turning * at);
        let spin = TAU * turning;
        let (x0, y0) = (value(x, at), value(y, at));
        let (x1, y1, z1) = (slope(x, at), slope(y, at), slope(z, at));
        let (x2, y2, z2) = (curve(x, at), curve(y, at), curve(z, at));
        let first = x1 * cos + y1 * sin - spin * (x0 * sin - y0 * cos);
        let second = x2 * cos + y2 * sin - 2.0 * spin * (x1 * sin - y1 * cos) - spin * spin * (x0 * cos + y0 * sin);
        (
            self.ground.sin_latitude * z1 + self.ground.cos_latitude * first,
            self.ground.sin_latitude * z2 + self.ground.cos_latitude * second,
        )
    }

    fn turn(&self, extreme: Extreme) -> Turn {
        Turn {
            transit: self.instant(extreme.transit),
            extreme: self.instant(extreme.at),
            altitude_deg: extreme.altitude_deg,
        }
    }

    fn instant(&self, at: f64) -> DateTime<Utc> {
        let nanos = libm::round((self.offset_s + at * SECONDS_A_DAY) * 1e9) as i64;
        let seconds = self.noon_unix + nanos.div_euclid(1_000_000_000);
        let end = if seconds < 0 { DateTime::<Utc>::MIN_UTC } else { DateTime::<Utc>::MAX_UTC };
        DateTime::from_timestamp(seconds, nanos.rem_euclid(1_000_000_000) as u32).unwrap_or(end)
    }
}

fn value(p: &[f64; 4], at: f64) -> f64 {
    p[0] + at * (p[1] + at * (p[2] + at * p[3]))
}

fn slope(p: &[f64; 4], at: f64) -> f64 {
    p[1] + at * (2.0 * p[2] + at * 3.0 * p[3])
}

fn curve(p: &[f64; 4], at: f64) -> f64 {
    2.0 * p[2] + 6.0 * at * p[3]
}
