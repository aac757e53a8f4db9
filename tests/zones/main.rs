//! Local times against two independent zone libraries, for every zone with clock changes, every gap and every repeat
//! from 2024 to 2037: Python's zoneinfo with the tzdata package of the same release (`changes.py` made `changes.txt`), and
//! chrono-tz, whose own release is older, with the differences listed.

use std::collections::{BTreeSet, HashMap};

use chrono::{DateTime, FixedOffset, NaiveDate, NaiveDateTime, Offset, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;
use lampward::pure::local_time::{Edge, ZONE_RULES, exists, instant_of, local_of, offset_at, offsets_in};
use lampward::pure::zone::{ClockChange, Zone, ZoneRules};

const CHANGES: &str = include_str!("changes.txt");
const SAME_RELEASE: &str = "2026f";

/// Where the release of chrono-tz differs from ours between 2024 and 2037.
const OLDER_RELEASE: &str = "2025b";
const DIFFER: [&str; 15] = [
    "Africa/Casablanca",
    "Africa/El_Aaiun",
    "America/Edmonton",
    "America/Havana",
    "America/Inuvik",
    "America/Rainy_River",
    "America/Vancouver",
    "America/Winnipeg",
    "America/Yellowknife",
    "Canada/Central",
    "Canada/Mountain",
    "Canada/Pacific",
    "Cuba",
    "Europe/Chisinau",
    "Europe/Tiraspol",
];

/// One clock change, as Python's zoneinfo has it.
struct Change {
    at: DateTime<Utc>,
    before: TimeDelta,
    after: TimeDelta,
}

fn reference() -> HashMap<Tz, Vec<Change>> {
    let mut zones = HashMap::new();
    let mut names: Vec<Tz> = Vec::new();
    for line in CHANGES.lines().filter(|line| !line.starts_with('#')) {
        let words: Vec<&str> = line.split(' ').collect();
        let Ok(at) = words[0].parse::<DateTime<Utc>>() else {
            names = words.iter().filter_map(|name| name.parse().ok()).collect();
            continue;
        };
        let seconds = |word: &str| TimeDelta::seconds(word.parse().expect("seconds"));
        for name in &names {
            let change = Change { at, before: seconds(words[1]), after: seconds(words[2]) };
            zones.entry(*name).or_insert_with(Vec::new).push(change);
        }
    }
    zones
}

fn auto(tz: Tz) -> Zone {
    Zone { rules: ZoneRules::Named(tz), clock_change: ClockChange::Auto }
}

#[track_caller]
fn check(zone: &Zone, local: NaiveDateTime, edge: Edge, expected: DateTime<Utc>) {
    assert_eq!(instant_of(zone, local.date(), local.time(), edge), expected, "{zone:?} {local} {edge:?}");
}

#[test]
fn rule_9_agrees_with_pythons_zoneinfo_at_every_gap_and_every_repeat() {
    assert_eq!(ZONE_RULES, SAME_RELEASE, "changes.txt is of another release: run changes.py with the tzdata of ours");
    let zones = reference();
    let (mut gaps, mut repeats) = (0, 0);
    for (tz, changes) in &zones {
        let zone = auto(*tz);
        for Change { at, before, after } in changes {
            let (old, new) = (at.naive_utc() + *before, at.naive_utc() + *after);
            let second = TimeDelta::seconds(1);
            let (first, last) = (old.min(new), old.max(new));
            let within = [first, first + second, first + (last - first) / 2, last - second];
            for (edge, offset) in [(Edge::From, before), (Edge::Until, after)] {
                check(&zone, first - second, edge, (first - second - *before).and_utc());
                check(&zone, last, edge, (last - *after).and_utc());
                for local in within {
                    let expected = if after > before { *at } else { (local - *offset).and_utc() };
                    check(&zone, local, edge, expected);
                }
            }
            assert_eq!(local_of(&zone, *at - second).naive_local(), old - second, "{tz}");
            assert_eq!(local_of(&zone, *at).naive_local(), new, "{tz}");
            if after > before { gaps += 1 } else { repeats += 1 }
        }
        // And no change where there is none: the offset is that of the last change, every ten days.
        let mut changes = changes.iter().peekable();
        let first = changes.peek().expect("a change").before;
        let mut offset = first;
        for day in (0..5113).step_by(10) {
            let at = DateTime::from_timestamp(1_704_067_200 + day * 86_400, 0).expect("in range");
            while let Some(change) = changes.next_if(|change| change.at <= at) {
                offset = change.after;
            }
            assert_eq!(i64::from(offset_at(&zone, at).local_minus_utc()), offset.num_seconds(), "{tz} {at}");
        }
    }
    println!("{ZONE_RULES}: {} zones with clock changes, {gaps} gaps, {repeats} repeats", zones.len());
    assert!(zones.len() > 150 && gaps > 1500 && repeats > 1500, "the loop saw next to nothing");
}

#[test]
fn zones_without_clock_changes_have_none() {
    let changing = reference();
    let listed: Vec<&str> = CHANGES.lines().filter(|l| !l.starts_with('#')).flat_map(|line| line.split(' ')).collect();
    assert!(listed.len() > 500);
    for tz in chrono_tz::TZ_VARIANTS.into_iter().filter(|tz| !changing.contains_key(tz)) {
        let day = |day: i64| DateTime::from_timestamp(1_704_067_200 + day * 86_400, 0).expect("in range");
        let offsets: BTreeSet<i32> =
            (0..5113).step_by(5).map(|n| offset_at(&auto(tz), day(n)).local_minus_utc()).collect();
        assert_eq!(offsets.len(), 1, "{tz}");
    }
}

#[test]
fn rule_9_agrees_with_chrono_tz_where_its_older_release_knows_the_same_law() {
    assert_eq!(chrono_tz::IANA_TZDB_VERSION, OLDER_RELEASE, "the list of differences is of another release");
    let (mut differing, changes) = (BTreeSet::new(), reference());
    for tz in chrono_tz::TZ_VARIANTS {
        let theirs = |at: &DateTime<Utc>| tz.offset_from_utc_datetime(&at.naive_utc()).fix();
        let hours = (0..5113 * 24).step_by(24 * 9 + 7);
        let at = hours.map(|hour| DateTime::from_timestamp(1_704_067_200 + hour * 3600, 0).expect("in range"));
        let ours = |at: &DateTime<Utc>| -> FixedOffset { offset_at(&auto(tz), *at) };
        let about = [TimeDelta::seconds(-1), TimeDelta::zero(), TimeDelta::minutes(61)];
        let fine = changes.get(&tz).into_iter().flatten().flat_map(|change| about.map(|by| change.at + by));
        if at.chain(fine).any(|at| ours(&at) != theirs(&at)) {
            differing.insert(tz.name());
        }
    }
    assert_eq!(differing, DIFFER.into_iter().collect());
}

#[test]
fn no_offset_is_in_force_for_so_short_that_always_standard_or_always_summer_would_miss_it() {
    for (tz, changes) in reference() {
        for year in 2024..=2037 {
            let new_year = |year| NaiveDate::from_ymd_opt(year, 1, 1).expect("a date").and_time(Default::default());
            let mut seen = BTreeSet::new();
            let mut offset = changes[0].before;
            for change in &changes {
                if change.at.naive_utc() + change.before <= new_year(year) {
                    offset = change.after;
                } else if change.at.naive_utc() + change.after < new_year(year + 1) {
                    seen.insert(change.after.num_seconds());
                }
            }
            seen.insert(offset.num_seconds());
            let (least, most) = offsets_in(tz, year);
            let ours = (i64::from(least.local_minus_utc()), i64::from(most.local_minus_utc()));
            assert_eq!(Some(ours), seen.first().copied().zip(seen.last().copied()), "{tz} {year}");
        }
    }
}

#[test]
fn a_date_that_a_zone_left_out_does_not_exist() {
    let left_out =
        [("Pacific/Apia", "2011-12-30"), ("Pacific/Fakaofo", "2011-12-30"), ("Pacific/Kiritimati", "1994-12-31")];
    for (zone, left_out) in left_out {
        let zone = auto(zone.parse().expect("a zone"));
        let date: NaiveDate = left_out.parse().expect("a date");
        assert!(!exists(&zone, date), "{zone:?}");
        assert!(exists(&zone, date.pred_opt().expect("a date")) && exists(&zone, date.succ_opt().expect("a date")));
    }
}
