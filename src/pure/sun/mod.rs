//! Where the Sun stands, and when it passes an altitude: place and date → instants in UTC. Knows nothing of lamps.
//!
//! - **Altitude** is that of the Sun's centre: apparent (nutation, aberration and light time are in), topocentric
//!   (seen from the surface of the WGS 84 ellipsoid at height 0, geodetic latitude), without refraction.
//! - **Time** is UTC, taken as UT1: what a turning Earth shows. Leap seconds do not enter.
//! - **Arithmetic** is the same to the last bit on every machine: sines and the like are `series`' own or the crate `libm`'s,
//!   never the C library's, which differs from board to board.
//! - **Dates** are local mean solar dates: date D at longitude L (degrees, east positive) has its mean noon at
//!   D 12:00 UTC − L/15 h, whatever time zone the clocks there keep.
//!
//! # Turns and halves
//!
//! The Sun turns three times about a mean noon: lowest in the midnight before, highest at noon, lowest in the
//! midnight after. Each [`Turn`] is the true extreme of altitude within 6 h, by the sundial, of its meridian transit; a
//! rise lies between the first two and a set between the last two, so that each half has one crossing or none, and the
//! halves of consecutive days join without gap.
//!
//! Within about 4′ of a pole, the Sun climbs in spring faster than the turning Earth can lower it, and has no extreme
//! in those 12 h. The highest and lowest place within them is then at their end, 6 h from the transit, which is also
//! the limit that the true extreme tends to on the way to the pole: a day there has a rising half of 24 h and an empty
//! setting half, or the reverse.

mod crossing;
mod delta_t;
mod nutation;
mod series;
mod track;
mod vsop87;

use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};

pub use crossing::SolarDay;
use track::Track;

const SECONDS_A_DAY: f64 = 86_400.0;
/// 2000-01-01 12:00 in Unix time, s.
const J2000_UNIX: i64 = 946_728_000;

/// The Sun over one place, prepared once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sun {
    longitude_deg: f64,
    ground: Ground,
}

/// Where the ground is, and which way is up. Lengths in equatorial radii.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Ground {
    /// Of the geodetic latitude: which way is up.
    sin_latitude: f64,
    cos_latitude: f64,
    /// The place's distance from the equator's plane and from the axis.
    from_equator: f64,
    from_axis: f64,
    /// The place's distance from the centre, measured along "up".
    along_up: f64,
}

/// The Sun turning over: its meridian transit, and the true extreme of its altitude near it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Turn {
    /// Passes the meridian.
    pub transit: DateTime<Utc>,
    /// Stands highest (noon) or lowest (midnight): seconds from the transit at the equator, some minutes at 80°, and up
    /// to 6 h beside a pole.
    pub extreme: DateTime<Utc>,
    /// Altitude at `extreme`, degrees.
    pub altitude_deg: f64,
}

/// Whether and when the Sun passes an altitude in one half of a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Crossing {
    /// It passes it then, to better than 1 ms of the model.
    At(DateTime<Utc>),
    /// It stays above, or no more than touches it, all that half.
    Above,
    /// It stays below, or no more than touches it, all that half.
    Below,
}

impl Crossing {
    /// The instant, where there is one.
    pub fn at(self) -> Option<DateTime<Utc>> {
        match self {
            Crossing::At(at) => Some(at),
            Crossing::Above | Crossing::Below => None,
        }
    }
}

impl Sun {
    /// WGS 84 degrees, north and east positive. A latitude beyond a pole counts as the pole, a longitude beyond ±180°
    /// as its equal within.
    pub fn new(latitude_deg: f64, longitude_deg: f64) -> Sun {
        let longitude_deg = if longitude_deg.abs() <= 180.0 {
            longitude_deg
        } else {
            (longitude_deg + 180.0).rem_euclid(360.0) - 180.0
        };
        Sun { longitude_deg, ground: Ground::at(latitude_deg.clamp(-90.0, 90.0)) }
    }

    /// Altitude of the Sun's centre, degrees: apparent, topocentric, without refraction.
    pub fn altitude_deg(&self, at: DateTime<Utc>) -> f64 {
        let since_j2000 = (at.timestamp() - J2000_UNIX) as f64 + f64::from(at.timestamp_subsec_nanos()) * 1e-9;
        let track = Track::about(since_j2000 / SECONDS_A_DAY, self.longitude_deg);
        SolarDay::new(self, 0, 0.0, track).altitude_at_deg(0.0)
    }

    /// The Sun's day about the mean noon of a local mean solar date. Meant for 1900 to 2199; outside, the theory loses
    /// accuracy slowly.
    pub fn day(&self, date: NaiveDate) -> SolarDay {
        let noon_unix = date.and_time(NaiveTime::MIN).and_utc().timestamp() + 43_200;
        let offset_s = -self.longitude_deg * 240.0;
        let since_j2000 = ((noon_unix - J2000_UNIX) as f64 + offset_s) / SECONDS_A_DAY;
        SolarDay::new(self, noon_unix, offset_s, Track::about(since_j2000, self.longitude_deg))
    }

    /// The local mean solar date whose mean noon is nearest to `at`.
    pub fn solar_date(&self, at: DateTime<Utc>) -> NaiveDate {
        let shift = TimeDelta::nanoseconds(libm::round(self.longitude_deg * 240e9) as i64);
        at.checked_add_signed(shift).unwrap_or(at).date_naive()
    }
}

impl Ground {
    /// WGS 84: flattening 1/298.257223563.
    fn at(latitude_deg: f64) -> Ground {
        const FLATTENING: f64 = 1.0 / 298.257_223_563;
        const POLAR: f64 = (1.0 - FLATTENING) * (1.0 - FLATTENING);
        let (sin, cos) = libm::sincos(latitude_deg.to_radians());
        let along_up = (cos * cos + POLAR * sin * sin).sqrt();
        Ground {
            sin_latitude: sin,
            cos_latitude: cos,
            from_equator: POLAR * sin / along_up,
            from_axis: cos / along_up,
            along_up,
        }
    }
}
