//! A moment outside of any span, as the `until` of an override gives it: without lead, lag, absence or stand-ins.

use chrono::{DateTime, NaiveDate, SubsecRound, Timelike, Utc};

use super::almanac::{Almanac, earlier, next};
use super::reckon::clamp;
use super::{LOOKS_AHEAD, Plan};
use crate::pure::local_time::Edge;
use crate::pure::moment::{Base, ClockTime, Mark, Moment};

impl Plan {
    /// The first time after an instant that a moment comes, if it does within 400 days.
    pub(in crate::pure) fn next_moment(&mut self, moment: &Moment, after: DateTime<Utc>) -> Option<DateTime<Utc>> {
        // An offset moves a moment by a day at most, a clamp by half a day, and an evening name falls on the next date.
        let mut date = earlier(self.days.local_date(after), 3);
        let limit = after + LOOKS_AHEAD;
        let mut first: Option<DateTime<Utc>> = None;
        while self.days.local_date(first.unwrap_or(limit)) >= earlier(date, 3) {
            if let Some(at) = on(&mut self.days, moment, date).filter(|at| *at > after) {
                first = Some(first.map_or(at, |first| first.min(at)));
            }
            date = next(date);
        }
        first.filter(|first| *first <= limit)
    }

    /// The solar midnight after an instant, and whether a solar noon comes before it.
    pub(in crate::pure) fn next_midnight(&mut self, after: DateTime<Utc>) -> (DateTime<Utc>, bool) {
        let mut solar = earlier(self.days.solar_date(after), 1);
        while self.days.midnight_after(solar) <= after {
            solar = next(solar);
        }
        (self.days.midnight_after(solar), self.days.noon(solar) > after)
    }
}

/// The moment of one date; `None` where the date or the Sun's passing is missing.
fn on(days: &mut Almanac, moment: &Moment, date: NaiveDate) -> Option<DateTime<Utc>> {
    let today = days.local_day(date);
    if !today.exists {
        return None;
    }
    let at = match &moment.base {
        Base::Sun { mark, offset } => {
            let mark = match *mark {
                Mark::SolarNoon => days.noon(today.solar),
                Mark::SolarMidnight => days.midnight_after(today.solar),
                Mark::Passing { half, altitude } => days.crossing(today.solar, half, altitude).at()?,
            };
            mark + *offset
        }
        Base::Clock(ClockTime::At(clock)) => days.instant_of(date, *clock, Edge::Until),
        Base::Clock(ClockTime::Named(name)) => {
            let value = name.on(date);
            // Before 12:00, an evening name belongs to the evening before.
            let late = !name.is_morning() && value.hour() < 12;
            let falls_on = if late { days.date_after(date) } else { date };
            days.instant_of(falls_on, value, Edge::Until)
        }
    };
    let (at, _) = clamp(days, moment, date, Edge::Until, at);
    Some(at.round_subsecs(0))
}
