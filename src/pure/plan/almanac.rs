//! What the days of one place look like, each worked out once and shared by every channel: turns and crossings of the
//! Sun by solar date, noon and UTC offset by local date.

use chrono::{DateTime, Datelike, Days, FixedOffset, NaiveDate, NaiveTime, Utc};

use crate::pure::config::Place;
use crate::pure::local_time::{self, Edge};
use crate::pure::moment::{Altitude, Half};
use crate::pure::sun::{Crossing, SolarDay, Sun};
use crate::pure::zone::Zone;

/// Days kept of each kind: more than the 400 that anyone looks ahead, about 1 MB when full.
const KEPT: usize = 1024;

/// So many of them stand together.
const MONTH: usize = 32;

/// Sun and clocks of one place.
#[derive(Debug)]
pub(super) struct Almanac {
    sun: Sun,
    zone: Zone,
    horizon_deg: f64,
    solar: Kept<Box<SunDay>>,
    local: Kept<LocalDay>,
}

/// A day of the Sun, with the crossings asked for so far.
#[derive(Debug)]
struct SunDay {
    day: SolarDay,
    noon: DateTime<Utc>,
    midnight_after: DateTime<Utc>,
    /// Altitudes by their bits: they come from the file and do not change.
    crossings: Vec<(Half, u64, Crossing)>,
}

/// A date of the local calendar.
#[derive(Clone, Copy, Debug)]
pub(super) struct LocalDay {
    /// False for a date that the zone left out.
    pub exists: bool,
    /// The solar date whose noon is the solar noon of this date (sentence 2).
    pub solar: NaiveDate,
    /// The UTC offset, where clocks do not change on this date.
    still: Option<FixedOffset>,
}

impl Almanac {
    pub fn new(place: &Place) -> Almanac {
        Almanac {
            sun: Sun::new(place.position.latitude_deg, place.position.longitude_deg),
            zone: place.zone,
            horizon_deg: place.horizon_deg,
            solar: Kept::new(),
            local: Kept::new(),
        }
    }

    pub fn zone(&self) -> &Zone {
        &self.zone
    }

    /// The upper transit of a solar date.
    pub fn noon(&mut self, solar: NaiveDate) -> DateTime<Utc> {
        self.sun_day(solar).noon
    }

    /// The lower transit between a solar date and the next. Always taken from the earlier date, so that it is the same
    /// instant for the day that it closes and the day that it opens.
    pub fn midnight_after(&mut self, solar: NaiveDate) -> DateTime<Utc> {
        self.sun_day(solar).midnight_after
    }

    /// Evening: downward between noon and the midnight after. Morning: upward between the midnight before and noon.
    pub fn crossing(&mut self, solar: NaiveDate, half: Half, altitude: Altitude) -> Crossing {
        let altitude_deg = altitude.degrees(self.horizon_deg);
        let key = (half, altitude_deg.to_bits());
        let entry = self.sun_day(solar);
        if let Some((_, _, known)) = entry.crossings.iter().find(|(half, bits, _)| (*half, *bits) == key) {
            return *known;
        }
        let crossing = match half {
            Half::Evening => entry.day.set(altitude_deg),
            Half::Morning => entry.day.rise(altitude_deg),
        };
        entry.crossings.push((half, key.1, crossing));
        crossing
    }

    /// The solar date whose mean noon is nearest to an instant.
    pub fn solar_date(&self, at: DateTime<Utc>) -> NaiveDate {
        self.sun.solar_date(at)
    }

    /// The local date at an instant.
    pub fn local_date(&mut self, at: DateTime<Utc>) -> NaiveDate {
        let date = at.date_naive();
        for date in [date, next(date), earlier(date, 1)] {
            if let Some(offset) = self.local_day(date).still
                && (at.naive_utc() + offset).date() == date
            {
                return date;
            }
        }
        local_time::local_of(&self.zone, at).date_naive()
    }

    pub fn local_day(&mut self, date: NaiveDate) -> LocalDay {
        let (sun, zone) = (&self.sun, &self.zone);
        *self.local.get(date, || {
            let noon = NaiveTime::from_hms_opt(12, 0, 0).expect("noon is a clock time");
            let local =
                |date, edge| local_time::local_of(zone, local_time::instant_of(zone, date, NaiveTime::MIN, edge));
            let (begin, end) = (local(date, Edge::From), local(next(date), Edge::Until));
            // Midnight itself may be skipped: then the day begins with the offset that it ends with, and yet changes.
            let whole = begin.naive_local() == date.and_time(NaiveTime::MIN);
            let still = (whole && begin.offset() == end.offset()).then_some(*begin.offset());
            LocalDay {
                exists: local_time::exists(zone, date),
                solar: sun.solar_date(local_time::instant_of(zone, date, noon, Edge::From)),
                still,
            }
        })
    }

    /// Whether clocks change on a date, or its midnight is skipped.
    pub fn changes_on(&mut self, date: NaiveDate) -> bool {
        self.local_day(date).still.is_none()
    }

    /// As [`local_time::instant_of`], without a look into the zone where clocks do not change on that date.
    pub fn instant_of(&mut self, date: NaiveDate, clock: NaiveTime, edge: Edge) -> DateTime<Utc> {
        match self.local_day(date).still {
            Some(offset) => (date.and_time(clock) - offset).and_utc(),
            None => local_time::instant_of(&self.zone, date, clock, edge),
        }
    }

    /// The next date that the zone has.
    pub fn date_after(&mut self, date: NaiveDate) -> NaiveDate {
        let following = next(date);
        if self.local_day(following).exists { following } else { next(following) }
    }

    /// The date so many dates earlier, those that the zone left out not counted.
    pub fn dates_before(&mut self, date: NaiveDate, count: u64) -> NaiveDate {
        (0..count).fold(date, |date, _| {
            let before = earlier(date, 1);
            if self.local_day(before).exists { before } else { earlier(before, 1) }
        })
    }

    fn sun_day(&mut self, solar: NaiveDate) -> &mut SunDay {
        let sun = &self.sun;
        self.solar.get(solar, || {
            let day = sun.day(solar);
            let (noon, midnight_after) = (day.noon().transit, day.midnight_after().transit);
            Box::new(SunDay { day, noon, midnight_after, crossings: Vec::new() })
        })
    }
}

/// The date after; the last that chrono knows, some 262,000 years ahead, is its own.
pub(super) fn next(date: NaiveDate) -> NaiveDate {
    date.succ_opt().unwrap_or(date)
}

/// A date some days later.
pub(super) fn later(date: NaiveDate, days: u64) -> NaiveDate {
    date.checked_add_days(Days::new(days)).unwrap_or(NaiveDate::MAX)
}

/// A date some days earlier.
pub(super) fn earlier(date: NaiveDate, days: u64) -> NaiveDate {
    date.checked_sub_days(Days::new(days)).unwrap_or(NaiveDate::MIN)
}

/// Up to [`KEPT`] days; a newcomer takes the place of the one whose date is a multiple of [`KEPT`] days away.
#[derive(Debug)]
struct Kept<T> {
    /// Those of a month stand together, and have room once one of them is asked for: a daemon looks at few.
    months: Vec<Vec<Option<(NaiveDate, T)>>>,
}

impl<T> Kept<T> {
    fn new() -> Kept<T> {
        Kept { months: Vec::new() }
    }

    fn get(&mut self, date: NaiveDate, make: impl FnOnce() -> T) -> &mut T {
        if self.months.is_empty() {
            self.months.resize_with(KEPT / MONTH, Vec::new);
        }
        let place = date.num_days_from_ce().rem_euclid(KEPT as i32) as usize;
        let month = &mut self.months[place / MONTH];
        if month.is_empty() {
            month.resize_with(MONTH, || None);
        }
        let slot = &mut month[place % MONTH];
        if slot.as_ref().is_none_or(|(kept, _)| *kept != date) {
            *slot = Some((date, make()));
        }
        &mut slot.as_mut().expect("just filled").1
    }
}
