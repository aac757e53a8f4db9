//! Where a span lives, to which date it belongs, and on which date its clock times fall (sentences 2 to 4).

use chrono::{Datelike, NaiveDate, NaiveTime, TimeDelta, Timelike};

use super::almanac::Almanac;
use crate::pure::config::{Dates, DayOfYear, Rule, Season, Shifts};
use crate::pure::local_time::Edge;
use crate::pure::moment::{Base, ClockTime, Half, Mark, Moment, NamedTime};

/// Where a span lives (sentence 3).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Frame {
    /// From the solar noon of D to the next.
    Night,
    /// From the solar midnight before the noon of D to the one after.
    Day,
    /// Between two clock times.
    Clocks,
}

impl Frame {
    pub fn of(from: &Moment, until: &Moment) -> Frame {
        use Half::{Evening, Morning};
        let has = |mark| from.mark() == Some(mark) || until.mark() == Some(mark);
        match (from.half(), until.half()) {
            (Some(Evening), _) | (_, Some(Morning)) => Frame::Night,
            (Some(Morning), _) | (_, Some(Evening)) => Frame::Day,
            (None, None) if has(Mark::SolarMidnight) => Frame::Night,
            (None, None) if has(Mark::SolarNoon) => Frame::Day,
            (None, None) => Frame::Clocks,
        }
    }

    /// Hours from 00:00 of D within which every span of the frame lies before anything moves it. A zone whose noon is
    /// 5 h from the Sun's is a fault of the file; summer time and the Sun's own unevenness add 1.3 h.
    fn hours(self) -> (i64, i64) {
        match self {
            Frame::Night => (12 - 7, 36 + 7),
            Frame::Day => (-7, 36),
            // An evening name after midnight is D+1's, and its `until` comes within a day.
            Frame::Clocks => (0, 36 + 24),
        }
    }
}

/// What there is to know of a rule before any date is looked at.
#[derive(Clone, Copy, Debug)]
pub(super) struct Outline {
    pub frame: Frame,
    /// Whether days, season, except and absence go by D+1 (sentence 4).
    pub dated_next: bool,
    /// A span of date D can touch local dates from D − `forward` …
    pub forward: u64,
    /// … to D + `back`.
    pub back: u64,
}

impl Outline {
    pub fn of(rule: &Rule, shifts: &Shifts, vary: TimeDelta) -> Outline {
        let frame = Frame::of(&rule.from, &rule.until);
        let early = match &rule.from.base {
            Base::Sun { mark: Mark::Passing { half: Half::Morning, .. } | Mark::SolarMidnight, .. } => true,
            Base::Sun { mark: Mark::Passing { half: Half::Evening, .. } | Mark::SolarNoon, .. } => false,
            Base::Clock(clock) => !clock.is_from_noon_on(),
        };
        let reach = reach(&rule.from).max(reach(&rule.until)) + shifts.lead.max(shifts.lag) + vary.abs();
        let slack = reach.num_hours() + 1;
        let (least, most) = frame.hours();
        Outline {
            frame,
            dated_next: frame == Frame::Night && early,
            back: ((most + slack) / 24) as u64,
            forward: (24 - least + slack).max(0) as u64 / 24,
        }
    }
}

/// How far offset and clamps can move a moment. A clamp means the nearest showing of its clock time: 12 h, and an hour
/// for a clock change.
fn reach(moment: &Moment) -> TimeDelta {
    let offset = match &moment.base {
        Base::Sun { offset, .. } => offset.abs(),
        Base::Clock(_) => TimeDelta::zero(),
    };
    let clamp = if moment.clamps.is_empty() { TimeDelta::zero() } else { TimeDelta::hours(13) };
    // Four weeks is more than any file may ask for, and keeps the sum of days small whatever comes.
    (offset + clamp).min(TimeDelta::days(28))
}

impl Moment {
    /// The Sun's mark that it hangs on.
    pub(super) fn mark(&self) -> Option<Mark> {
        match self.base {
            Base::Sun { mark, .. } => Some(mark),
            Base::Clock(_) => None,
        }
    }

    /// Whether it hangs on an evening or a morning mark.
    pub(super) fn half(&self) -> Option<Half> {
        match self.mark() {
            Some(Mark::Passing { half, .. }) => Some(half),
            _ => None,
        }
    }
}

/// Names of `[times]` and their dates (sentence 4).
impl NamedTime {
    /// Every value is before 12:00: it takes the value of the date on which it falls. Any other name takes D's.
    pub(super) fn is_morning(&self) -> bool {
        self.by_weekday.iter().all(|clock| clock.hour() < 12)
    }

    /// Its value on a date.
    pub(super) fn on(&self, date: NaiveDate) -> NaiveTime {
        self.by_weekday[date.weekday().num_days_from_monday() as usize]
    }
}

impl ClockTime {
    /// "From 12:00 on": an evening name is, whatever its value.
    fn is_from_noon_on(&self) -> bool {
        match self {
            ClockTime::At(clock) => clock.hour() >= 12,
            ClockTime::Named(name) => !name.is_morning(),
        }
    }
}

/// On which date a clock time of a span of date D falls, and what it says there (sentences 3 and 4).
///
/// `from` is where the span's own `from` fell, for an `until` between two clock times.
pub(super) fn place_clock(
    days: &mut Almanac,
    clock: &ClockTime,
    frame: Frame,
    edge: Edge,
    d: NaiveDate,
    from: Option<(NaiveDate, NaiveTime)>,
) -> (NaiveDate, NaiveTime) {
    let d1 = days.date_after(d);
    if let (Frame::Clocks, Edge::Until, Some((date, start))) = (frame, edge, from) {
        return first_after(days, clock, d, date, start);
    }
    match clock {
        ClockTime::Named(name) if !name.is_morning() => {
            let value = name.on(d);
            (if value.hour() >= 12 { d } else { d1 }, value)
        }
        ClockTime::Named(name) => match (frame, edge) {
            (Frame::Night, _) => (d1, name.on(d1)),
            (Frame::Day, Edge::Until) if name.on(d).hour() < 3 => (d1, name.on(d1)),
            (Frame::Day | Frame::Clocks, _) => (d, name.on(d)),
        },
        ClockTime::At(clock) => {
            let next = match (frame, edge) {
                (Frame::Night, _) => clock.hour() < 12,
                (Frame::Day, Edge::Until) => clock.hour() < 3,
                (Frame::Day, Edge::From) | (Frame::Clocks, _) => false,
            };
            (if next { d1 } else { d }, *clock)
        }
    }
}

/// Between two clock times, `until` is on the date of `from` if it is later there, else on the next.
fn first_after(
    days: &mut Almanac,
    clock: &ClockTime,
    d: NaiveDate,
    date: NaiveDate,
    start: NaiveTime,
) -> (NaiveDate, NaiveTime) {
    let on = |date| match clock {
        ClockTime::At(clock) => *clock,
        ClockTime::Named(name) if name.is_morning() => name.on(date),
        ClockTime::Named(name) => name.on(d),
    };
    if on(date) > start {
        return (date, on(date));
    }
    let next = days.date_after(date);
    (next, on(next))
}

impl Rule {
    /// Whether it is asked for on a date: weekday, season, exceptions (sentence 4).
    pub(super) fn applies_on(&self, date: NaiveDate) -> bool {
        self.days[date.weekday().num_days_from_monday() as usize]
            && self.season.is_none_or(|season| season.includes(date))
            && !self.except.iter().any(|dates| dates.include(date))
    }
}

impl Season {
    /// Both days included, wrapping over New Year.
    pub(super) fn includes(&self, date: NaiveDate) -> bool {
        let day = DayOfYear { month: date.month(), day: date.day() };
        if self.first <= self.last {
            self.first <= day && day <= self.last
        } else {
            self.first <= day || day <= self.last
        }
    }
}

impl Dates {
    /// Both ends included.
    pub(super) fn include(&self, date: NaiveDate) -> bool {
        match *self {
            Dates::EveryYear(day) => (day.month, day.day) == (date.month(), date.day()),
            Dates::Range(first, last) => first <= date && date <= last,
        }
    }
}
