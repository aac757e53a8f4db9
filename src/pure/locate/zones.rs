//! Time zones that would do for a place: their standard time near the place's mean solar time, the nearest town first.

use chrono::{FixedOffset, TimeDelta};
use chrono_tz::TZ_VARIANTS;

use super::settle::distance_m;
use crate::pure::config::{DOUBTFUL, Position, ahead_of_sun_s, known_zone, offsets};
use crate::pure::zone::ZoneRules;

/// Regions of the names that people use; the rest are offsets and old aliases.
const REGIONS: [&str; 9] =
    ["Africa", "America", "Antarctica", "Asia", "Atlantic", "Australia", "Europe", "Indian", "Pacific"];

/// A zone and where the tz database puts it on the map.
#[derive(Clone, Debug, PartialEq)]
pub struct Town {
    /// The zone.
    pub rules: ZoneRules,
    /// Its principal town.
    pub position: Position,
}

/// A zone that would do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NearZone {
    /// The zone.
    pub rules: ZoneRules,
    /// Its standard time.
    pub standard: FixedOffset,
    /// How far that is ahead of the place's mean solar time; behind is negative.
    pub ahead: TimeDelta,
    /// How far its principal town is; `None` without a table of towns.
    pub town_km: Option<f64>,
}

/// Whether a zone's standard time is within `most` of the place's mean solar time.
pub fn within(rules: ZoneRules, position: Position, most: TimeDelta) -> bool {
    ahead_of_sun_s(rules, position).abs() <= most.as_seconds_f64()
}

/// Up to `count` zones whose standard time is within 3 h of the place's mean solar time: those of the nearest towns, the
/// nearest first; without towns, those nearest to solar time.
pub fn nearest(position: Position, towns: &[Town], count: usize) -> Vec<NearZone> {
    if towns.is_empty() {
        let known = TZ_VARIANTS
            .iter()
            .filter(|zone| zone.name().split_once('/').is_some_and(|(region, _)| REGIONS.contains(&region)));
        let mut all: Vec<NearZone> = known.filter_map(|zone| near(ZoneRules::Named(*zone), position, None)).collect();
        all.sort_by_key(|zone| zone.ahead.abs());
        all.truncate(count);
        return all;
    }
    let mut by_distance: Vec<(f64, &Town)> =
        towns.iter().map(|town| (distance_m(position, town.position) / 1000.0, town)).collect();
    by_distance.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut found: Vec<NearZone> = Vec::new();
    for (km, town) in by_distance {
        if found.len() == count {
            break;
        }
        if found.iter().all(|zone| zone.rules != town.rules) {
            found.extend(near(town.rules, position, Some(km)));
        }
    }
    found
}

/// What is to be said of a zone; `None` if its standard time is too far from the Sun's.
pub fn near(rules: ZoneRules, position: Position, town_km: Option<f64>) -> Option<NearZone> {
    let standard = FixedOffset::east_opt(offsets(rules).0)?;
    let ahead = TimeDelta::seconds(ahead_of_sun_s(rules, position).round() as i64);
    within(rules, position, DOUBTFUL).then_some(NearZone { rules, standard, ahead, town_km })
}

/// Reads `zone.tab` or `zone1970.tab` of the tz database: country codes, position of the principal town in ISO 6709, zone.
/// Lines that are anything else are passed over.
pub fn towns(table: &str) -> Vec<Town> {
    let town = |line: &str| {
        let mut columns = line.split('\t').skip(1);
        let (position, name) = (columns.next()?, columns.next()?);
        Some(Town { position: iso_6709(position)?, rules: known_zone(name.trim())? })
    };
    table.lines().filter(|line| !line.starts_with('#')).filter_map(town).collect()
}

/// `+5955+01045` or `+515030-0000731`.
fn iso_6709(text: &str) -> Option<Position> {
    let split = text.get(1..)?.find(['+', '-'])? + 1;
    let degrees = |text: &str, whole: usize| {
        let sign = if text.starts_with('-') { -1.0 } else { 1.0 };
        let digits = text.get(1..)?;
        let known = digits.bytes().all(|b| b.is_ascii_digit()) && [whole + 2, whole + 4].contains(&digits.len());
        let part = |from: usize, to: usize| digits.get(from..to).map_or(Some(0.0), |part| part.parse::<f64>().ok());
        known.then_some(())?;
        Some(sign * (part(0, whole)? + part(whole, whole + 2)? / 60.0 + part(whole + 2, whole + 4)? / 3600.0))
    };
    Some(Position { latitude_deg: degrees(&text[..split], 2)?, longitude_deg: degrees(&text[split..], 3)? })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pure::config::parse_position;

    /// Lines as `zone.tab` of the tz database has them.
    const TABLE: &str = "# a comment\nNO\t+5955+01045\tEurope/Oslo\nGB\t+513030-0000731\tEurope/London\n\
                         DK\t+5540+01235\tEurope/Copenhagen\nAU\t-3352+15113\tAustralia/Sydney\tNew South Wales\n\
                         CN\t+3114+12128\tAsia/Shanghai\nCN\t+4348+08735\tAsia/Urumqi\nXX\t+12\tnowhere\n";

    #[track_caller]
    fn check(position: &str, expected: &[&str]) {
        let position = parse_position(position).expect("a position");
        let said = |zone: &NearZone| {
            let minutes = (zone.ahead.as_seconds_f64() / 60.0).round();
            format!("{} {} {minutes} min {:.0} km", zone.rules, zone.standard, zone.town_km.unwrap_or(-1.0))
        };
        let found: Vec<String> = nearest(position, &towns(TABLE), 3).iter().map(said).collect();
        assert_eq!(found, expected);
    }

    // Minutes ahead: 60 min less 4 min for each degree east of Greenwich. Distances: geopy 2.5 `great_circle`, from the
    // positions above.
    #[test]
    fn the_nearest_towns_come_first_and_zones_far_from_the_sun_not_at_all() {
        let oslo = "Europe/Oslo +01:00 39 min 310 km";
        check(
            "59.7412 N, 5.2097 E",
            &[oslo, "Europe/Copenhagen +01:00 39 min 630 km", "Europe/London +00:00 -21 min 974 km"],
        );
        // Shanghai's clocks are 2 h 10 min ahead of the Sun in the far west of their reach.
        check("43.8 N, 87.5833 E", &["Asia/Urumqi +06:00 10 min 0 km", "Asia/Shanghai +08:00 130 min 3269 km"]);
    }

    #[test]
    fn without_a_table_the_zones_nearest_to_solar_time_are_told() {
        let position = parse_position("59.7412 N, 15 E").expect("a position");
        let found = nearest(position, &[], 4);
        assert_eq!(found.len(), 4);
        assert!(found.iter().all(|zone| zone.standard.local_minus_utc() == 3600 && zone.town_km.is_none()));
    }
}
