//! A moment: a phrase that names an instant of a day, such as `20 min before sunset, not before 16:00`.

mod text;

use std::sync::Arc;

use chrono::{NaiveTime, TimeDelta};

pub(crate) use text::parse_clock;
pub use text::{WORDS, clock_words, parse_moment};

/// A moment as written: a mark with its offset, or a clock time, then clamps in the order written.
#[derive(Clone, Debug, PartialEq)]
pub struct Moment {
    /// The instant before clamping.
    pub base: Base,
    /// `not before` / `not after`, in the order written.
    pub clamps: Vec<Clamp>,
}

/// What a moment hangs on.
#[derive(Clone, Debug, PartialEq)]
pub enum Base {
    /// An event of the Sun, moved by an offset: negative for `before`, zero where none is written.
    Sun {
        /// The event.
        mark: Mark,
        /// Whole seconds; negative is earlier.
        offset: TimeDelta,
    },
    /// A clock time of the place.
    Clock(ClockTime),
}

/// An event of the Sun.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mark {
    /// The highest point of the day: the upper transit.
    SolarNoon,
    /// The lowest point of the night: the lower transit.
    SolarMidnight,
    /// The Sun passing an altitude on the way down (evening) or up (morning).
    Passing {
        /// Which way.
        half: Half,
        /// At which altitude.
        altitude: Altitude,
    },
}

/// Evening marks are the Sun's on the way down, morning marks on the way up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Half {
    /// On the way down.
    Evening,
    /// On the way up.
    Morning,
}

/// The altitude of the Sun's centre that a mark waits for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Altitude {
    /// Sunrise and sunset: −50′ exactly, plus the place's `horizon`.
    Horizon,
    /// Dusk and dawn: −6°.
    Civil,
    /// −12°.
    Nautical,
    /// −18°.
    Astronomical,
    /// `evening sun at -4 deg`, in degrees.
    Degrees(f64),
}

impl Altitude {
    /// Degrees of the Sun's centre, topocentric, without refraction. `horizon_deg` is `[place] horizon`; it raises
    /// sunrise and sunset alone.
    pub fn degrees(self, horizon_deg: f64) -> f64 {
        match self {
            Altitude::Horizon => -50.0 / 60.0 + horizon_deg,
            Altitude::Civil => -6.0,
            Altitude::Nautical => -12.0,
            Altitude::Astronomical => -18.0,
            Altitude::Degrees(degrees) => degrees,
        }
    }
}

/// A clock time, said outright or by a name from `[times]`.
#[derive(Clone, Debug, PartialEq)]
pub enum ClockTime {
    /// `22:45`; `midnight` is 00:00.
    At(NaiveTime),
    /// `bedtime`: resolved when the file was read, so it can't dangle.
    Named(Arc<NamedTime>),
}

/// One name of `[times]`, with a clock time for each weekday.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NamedTime {
    /// As written in the file.
    pub name: String,
    /// Monday first.
    pub by_weekday: [NaiveTime; 7],
}

/// `not before 16:00`.
#[derive(Clone, Debug, PartialEq)]
pub struct Clamp {
    /// Which way it holds.
    pub side: ClampSide,
    /// The clock time; the occurrence nearest to the instant it clamps is meant.
    pub clock: ClockTime,
}

/// The two ways a clamp can hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClampSide {
    /// `not before`: an earlier instant is held back to it.
    NotBefore,
    /// `not after`: a later instant is brought forward to it.
    NotAfter,
}
