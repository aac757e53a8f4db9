//! The time zone of the house, as the file gives it. How local times become instants is in `local_time.rs`.

use chrono::FixedOffset;
use chrono_tz::Tz;

/// A zone and what to do with its clock changes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Zone {
    /// Where the offsets come from.
    pub rules: ZoneRules,
    /// Whether they are followed.
    pub clock_change: ClockChange,
}

/// `time_zone` of the file.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ZoneRules {
    /// An IANA zone.
    Named(Tz),
    /// A fixed offset such as `+01:00`.
    Fixed(FixedOffset),
}

/// `clock_change` of the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClockChange {
    /// Clocks change as the zone says.
    Auto,
    /// The smaller UTC offset in force in the year planned, all year.
    AlwaysStandard,
    /// The larger, all year.
    AlwaysSummer,
}
