//! The Sun behind the lamps: when it is up, and the lines of sunset, dusk and the darker twilights.

use std::fmt::Write as _;

use chrono::{DateTime, FixedOffset, NaiveDate, TimeDelta, Utc};

use super::grid::Grid;
use super::ribbon::{COLUMN_TENTHS, HEIGHT_TENTHS, number, tenths};
use crate::pure::config::Place;
use crate::pure::moment::Altitude;
use crate::pure::sun::{Crossing, SolarDay, Sun};

/// The altitudes that have a line, and the class of it in the picture.
pub(super) const LINES: [(&str, Altitude); 4] = [
    ("horizon", Altitude::Horizon),
    ("civil", Altitude::Civil),
    ("nautical", Altitude::Nautical),
    ("astronomical", Altitude::Astronomical),
];

/// What the Sun does in one year.
#[derive(Debug)]
pub(super) struct Sky {
    /// When it is up, merged, in order.
    pub up: Vec<(DateTime<Utc>, DateTime<Utc>)>,
    /// Path data for each of [`LINES`]; empty where the Sun never passes that altitude.
    pub lines: [String; 4],
    /// First and last date on which it never rises, for each such time in the year.
    pub stays_down: Vec<(NaiveDate, NaiveDate)>,
    /// The same for days on which it never sets.
    pub stays_up: Vec<(NaiveDate, NaiveDate)>,
}

impl Sky {
    pub fn new(place: &Place, grid: &Grid) -> Sky {
        let sun = Sun::new(place.position.latitude_deg, place.position.longitude_deg);
        // A day more at either end than the year can touch.
        let (first, last) =
            (sun.solar_date(grid.from - TimeDelta::days(2)), sun.solar_date(grid.until + TimeDelta::days(2)));
        let days: Vec<_> =
            first.iter_days().take_while(|date| *date <= last).map(|date| (date, sun.day(date))).collect();
        let horizon = Altitude::Horizon.degrees(place.horizon_deg);
        let lines = LINES.map(|(_, altitude)| {
            let altitude = altitude.degrees(place.horizon_deg);
            let mut path = String::new();
            line(&mut path, grid, days.iter().map(|(_, day)| day.rise(altitude)));
            line(&mut path, grid, days.iter().map(|(_, day)| day.set(altitude)));
            path
        });
        let both = |day: &SolarDay, crossing| day.rise(horizon) == crossing && day.set(horizon) == crossing;
        let whole_days = |crossing| {
            let in_year = days.iter().filter(|(date, _)| chrono::Datelike::year(date) == grid.year);
            stretches_of_dates(in_year.filter(|(_, day)| both(day, crossing)).map(|(date, _)| *date))
        };
        let (stays_down, stays_up) = (whole_days(Crossing::Below), whole_days(Crossing::Above));
        Sky { up: up(horizon, days.iter().map(|(_, day)| day)), lines, stays_down, stays_up }
    }
}

/// When the Sun is above the horizon of a place; at either end it reaches up to two days beyond what is asked.
pub fn sun_up(place: &Place, from: DateTime<Utc>, until: DateTime<Utc>) -> Vec<(DateTime<Utc>, DateTime<Utc>)> {
    let sun = Sun::new(place.position.latitude_deg, place.position.longitude_deg);
    let (first, last) = (sun.solar_date(from - TimeDelta::days(1)), sun.solar_date(until + TimeDelta::days(1)));
    let days: Vec<_> = first.iter_days().take_while(|date| *date <= last).map(|date| sun.day(date)).collect();
    up(Altitude::Horizon.degrees(place.horizon_deg), days.iter())
}

/// When the Sun is above an altitude.
fn up<'a>(altitude: f64, days: impl Iterator<Item = &'a SolarDay>) -> Vec<(DateTime<Utc>, DateTime<Utc>)> {
    let mut found: Vec<(DateTime<Utc>, DateTime<Utc>)> = Vec::new();
    for day in days {
        let [before, noon, after] = [day.midnight_before(), day.noon(), day.midnight_after()].map(|turn| turn.extreme);
        let morning = match day.rise(altitude) {
            Crossing::At(rise) => Some((rise, noon)),
            Crossing::Above => Some((before, noon)),
            Crossing::Below => None,
        };
        let evening = match day.set(altitude) {
            Crossing::At(set) => Some((noon, set)),
            Crossing::Above => Some((noon, after)),
            Crossing::Below => None,
        };
        for (from, until) in morning.into_iter().chain(evening) {
            match found.last_mut() {
                // Halves join; a second covers what rounding leaves.
                Some(last) if from - last.1 <= TimeDelta::seconds(1) => last.1 = last.1.max(until),
                _ => found.push((from, until)),
            }
        }
    }
    found
}

/// Adds the line through the crossings of one half, day by day. It breaks where there is none and where it leaves the
/// picture at noon, and steps between two columns where clocks change. Days that go on in one direction make one stroke.
fn line(path: &mut String, grid: &Grid, crossings: impl Iterator<Item = Crossing>) {
    let mut last: Option<(i64, i64, FixedOffset)> = None;
    // The direction of the stroke that is not yet written, and its days.
    let (mut direction, mut days) = (0, 0);
    let stroke = |path: &mut String, direction: i64, days: &mut i64| {
        let days = std::mem::take(days);
        if days > 0 {
            let _ = write!(path, "l{} {}", number(days * COLUMN_TENTHS), number(days * direction));
        }
    };
    for crossing in crossings {
        let point = crossing.at().and_then(|at| grid.point(at));
        let Some((column, s, offset)) = point else {
            stroke(path, direction, &mut days);
            last = None;
            continue;
        };
        let y = tenths(s);
        match last {
            Some((last_column, last_y, last_offset))
                if column == last_column + 1 && (y - last_y).abs() < HEIGHT_TENTHS / 2 =>
            {
                if offset != last_offset || y - last_y != direction {
                    stroke(path, direction, &mut days);
                }
                if offset == last_offset {
                    direction = y - last_y;
                    days += 1;
                } else {
                    let _ = write!(path, "h1v{}h1", number(y - last_y));
                }
            }
            _ => {
                stroke(path, direction, &mut days);
                let _ = write!(path, "M{} {}", number(column * COLUMN_TENTHS + COLUMN_TENTHS / 2), number(y));
            }
        }
        last = Some((column, y, offset));
    }
    stroke(path, direction, &mut days);
}

/// Runs of consecutive dates: first and last of each.
fn stretches_of_dates(dates: impl Iterator<Item = NaiveDate>) -> Vec<(NaiveDate, NaiveDate)> {
    let mut found: Vec<(NaiveDate, NaiveDate)> = Vec::new();
    for date in dates {
        match found.last_mut() {
            Some((_, last)) if last.succ_opt() == Some(date) => *last = date,
            _ => found.push((date, date)),
        }
    }
    found
}
