//! Where a house stands, from what a receiver of satellites' signals says: lines in, a settled position out.

pub mod clock;
mod gpsd;
mod nmea;
mod settle;
pub mod zones;

use chrono::{DateTime, Utc};

use crate::pure::config::Position;

pub use gpsd::{Gpsd, WATCH};
pub use nmea::Nmea;
pub use settle::{ENOUGH, FEWEST, Settled, Settling};

/// What one line says.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Word {
    /// A position of a fix good enough to go by.
    pub position: Option<Position>,
    /// The time by the satellites, of a valid fix.
    pub time: Option<DateTime<Utc>>,
}

/// Makes sense of what comes from a receiver, line by line.
pub trait Listener {
    /// Takes in one line, without its end.
    fn hear(&mut self, line: &[u8]) -> Word;

    /// Why there is no use in listening any longer; complete, for people.
    fn hopeless(&self) -> Option<String>;

    /// How far it has got, while there is no fix: a few words for people.
    fn status(&self) -> String;

    /// Why there was no fix within the time, and what to do; complete, for people.
    fn no_fix(&self) -> String;

    /// Nothing more has come for some while: what that means, if anything sound had come before; complete, for people.
    fn silent(&self) -> Option<String>;

    /// The line has ended: what that means; complete, for people.
    fn ended(&self) -> String;
}

/// A position on Earth, or `None`: receivers say odd things while they start.
fn position(latitude_deg: f64, longitude_deg: f64) -> Option<Position> {
    let on_earth = (-90.0..=90.0).contains(&latitude_deg) && (-180.0..=180.0).contains(&longitude_deg);
    on_earth.then_some(Position { latitude_deg, longitude_deg })
}
