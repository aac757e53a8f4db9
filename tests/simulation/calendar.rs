//! When each lamp changes by the rules of each file, worked out beforehand from what people would say of them.

use std::collections::HashMap;
use std::ops::RangeInclusive;
use std::sync::{Arc, LazyLock};

use chrono::NaiveDate;
use lampward::pure::sun::Sun;

use super::house::{self, EDITIONS, LATITUDE, LONGITUDE, Lamp, Rule, ZONES, Zone};
use super::world::{DAY, HOUR, MINUTE, SECOND};

/// All that any clock here may show.
const YEARS: RangeInclusive<i32> = 2024..=2038;

/// All seeds have the same Sun.
static NIGHT: LazyLock<Arc<Changes>> = LazyLock::new(|| Arc::new(Changes::of_the_night(YEARS)));

/// The changes of every lamp by every file.
pub struct Calendar {
    by_lamp: Vec<[Option<Arc<Changes>>; EDITIONS]>,
    /// The place of each lamp in each file.
    places: Vec<[Option<usize>; EDITIONS]>,
}

impl Calendar {
    pub fn new(lamps: &[Lamp]) -> Calendar {
        let mut known: HashMap<(Zone, Rule), Arc<Changes>> = HashMap::new();
        let mut of = |zone: Zone, rule: Rule| match rule {
            Rule::Night => Arc::clone(&NIGHT),
            rule => {
                Arc::clone(known.entry((zone, rule)).or_insert_with(|| Arc::new(Changes::of_clocks(zone, rule, YEARS))))
            }
        };
        let by_lamp =
            lamps.iter().map(|lamp| std::array::from_fn(|file| Some(of(ZONES[file], lamp.rules[file]?)))).collect();
        let mut counts = [0; EDITIONS];
        let mut place = |lamp: &Lamp, file: usize| {
            lamp.rules[file]?;
            counts[file] += 1;
            Some(counts[file] - 1)
        };
        let places = lamps.iter().map(|lamp| std::array::from_fn(|file| place(lamp, file))).collect();
        Calendar { by_lamp, places }
    }

    /// The changes of a lamp; `None` where the file does not have it.
    pub fn of(&self, lamp: usize, edition: usize) -> Option<&Changes> {
        self.by_lamp[lamp][edition].as_deref()
    }

    /// The place of a lamp among the channels of a file.
    pub fn place(&self, lamp: usize, edition: usize) -> Option<usize> {
        self.places[lamp][edition]
    }

    /// Sunset and sunrise.
    pub fn night(&self) -> &Changes {
        &NIGHT
    }
}

/// The times at which a rule changes, to the second, over all years that any clock here may show.
pub struct Changes {
    lit_before: bool,
    at_ms: Vec<i64>,
}

impl Changes {
    /// Whether the lamp should be lit.
    pub fn lit(&self, at_ms: i64) -> bool {
        self.lit_before ^ (self.at_ms.partition_point(|change| *change <= at_ms) % 2 == 1)
    }

    /// Whether nothing changes after the one and until the other.
    pub fn steady(&self, from_ms: i64, until_ms: i64) -> bool {
        self.next(from_ms).is_none_or(|change| change > until_ms)
    }

    /// The first change after a time.
    pub fn next(&self, after_ms: i64) -> Option<i64> {
        self.at_ms.get(self.at_ms.partition_point(|change| *change <= after_ms)).copied()
    }

    /// The changes after `from` and no later than `until`.
    pub fn between(&self, from_ms: i64, until_ms: i64) -> &[i64] {
        let place = |at: i64| self.at_ms.partition_point(|change| *change <= at);
        let from = place(from_ms);
        &self.at_ms[from..place(until_ms).max(from)]
    }

    /// Halves the time between two looks at the Sun until the change is known; once for all seeds, for all have the
    /// same Sun.
    pub fn of_the_night(years: RangeInclusive<i32>) -> Changes {
        let sun = Sun::new(LATITUDE, LONGITUDE);
        let lit_at = |ms: i64| house::lit(&sun, Zone::Oslo, Rule::Night, ms);
        let (begin, end) = (new_year(*years.start()), new_year(*years.end() + 1));
        let mut at_ms = Vec::new();
        // No night or day here is shorter than five hours.
        let step = 3 * HOUR;
        let (mut at, mut before) = (begin, lit_at(begin));
        while at < end {
            let after = lit_at(at + step);
            if after != before {
                let (mut low, mut high) = (at, at + step);
                while high - low > 400 {
                    let middle = (low + high) / 2;
                    if lit_at(middle) == before { low = middle } else { high = middle }
                }
                at_ms.push((high + SECOND / 2).div_euclid(SECOND) * SECOND);
            }
            (at, before) = (at + step, after);
        }
        Changes { lit_before: lit_at(begin), at_ms }
    }

    /// Tries every minute named by the rule, by either offset of the zone.
    pub fn of_clocks(zone: Zone, rule: Rule, years: RangeInclusive<i32>) -> Changes {
        let Rule::Clock { from, until, .. } = rule else { panic!("{rule:?} goes by the Sun") };
        let sun = Sun::new(LATITUDE, LONGITUDE);
        let lit_at = |ms: i64| house::lit(&sun, zone, rule, ms);
        let (begin, end) = (new_year(*years.start()), new_year(*years.end() + 1));
        let mut at_ms = Vec::new();
        for day in 0..(end - begin) / DAY {
            for minute in [from, until] {
                for offset_h in zone.offsets_h() {
                    let at = begin + day * DAY + i64::from(minute) * MINUTE - offset_h * HOUR;
                    if lit_at(at - 1) != lit_at(at) {
                        at_ms.push(at);
                    }
                }
            }
        }
        at_ms.sort_unstable();
        at_ms.dedup();
        let first = at_ms.first().expect("a rule lights its lamp at some time");
        Changes { lit_before: lit_at(first - 1), at_ms }
    }
}

fn new_year(year: i32) -> i64 {
    NaiveDate::from_ymd_opt(year, 1, 1)
        .expect("a year")
        .and_hms_opt(0, 0, 0)
        .expect("midnight")
        .and_utc()
        .timestamp_millis()
}
