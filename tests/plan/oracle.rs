//! A second planner: slow, obvious, and sharing no code with the first. It goes from the Sun to the calendar rather than
//! the other way, finds clock times by trying every UTC offset, and merges nothing: a lamp is lit at an instant if any
//! span of any date covers it. From the first it takes only the file and the Sun.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Datelike, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Timelike, Utc};
use jiff::tz::{TimeZone, TimeZoneDatabase};
use lampward::pure::config::{Config, Dates, Rule};
use lampward::pure::moment::{Altitude, Base, ClampSide, ClockTime, Half, Mark, Moment, NamedTime};
use lampward::pure::sun::{Crossing, Sun};
use lampward::pure::zone::{ClockChange, Zone, ZoneRules};

/// A lit span of one rule and one date, before any merging.
pub type Span = (DateTime<Utc>, DateTime<Utc>);

/// Clocks, by trying.
pub struct Clocks {
    zone: Zone,
    rules: TimeZone,
    /// Every offset of a year, looked up once.
    years: RefCell<BTreeMap<i32, BTreeSet<TimeDelta>>>,
}

impl Clocks {
    pub fn new(zone: Zone) -> Clocks {
        let rules = match zone.rules {
            ZoneRules::Named(tz) => TimeZoneDatabase::bundled().get(tz.name()).expect("a zone"),
            ZoneRules::Fixed(offset) => {
                TimeZone::fixed(jiff::tz::Offset::from_seconds(offset.local_minus_utc()).expect("an offset"))
            }
        };
        Clocks { zone, rules, years: RefCell::default() }
    }

    fn zones_offset(&self, at: DateTime<Utc>) -> TimeDelta {
        let at = jiff::Timestamp::from_second(at.timestamp()).expect("in range");
        TimeDelta::seconds(self.rules.to_offset(at).seconds().into())
    }

    /// Every offset of a year that lasts for a day, smallest first.
    fn offsets(&self, year: i32) -> BTreeSet<TimeDelta> {
        let look = || {
            let begin = NaiveDate::from_ymd_opt(year, 1, 1).expect("a date");
            let days = begin.iter_days().take_while(|day| day.year() == year);
            days.map(|day| self.zones_offset(day.and_time(hms(12, 0)).and_utc())).collect()
        };
        self.years.borrow_mut().entry(year).or_insert_with(look).clone()
    }

    /// The one offset of a year, where clocks never change.
    fn still(&self, year: i32) -> Option<TimeDelta> {
        match self.zone.clock_change {
            ClockChange::Auto => None,
            ClockChange::AlwaysStandard => self.offsets(year).first().copied(),
            ClockChange::AlwaysSummer => self.offsets(year).last().copied(),
        }
    }

    /// What clocks show.
    pub fn show(&self, at: DateTime<Utc>) -> NaiveDateTime {
        let by_the_zone = at.naive_utc() + self.zones_offset(at);
        self.still(by_the_zone.year()).map_or(by_the_zone, |offset| at.naive_utc() + offset)
    }

    /// When clocks show a time: first or last of the showings; the end of the gap if they never do (sentence 9).
    fn instant(&self, local: NaiveDateTime, last: bool) -> DateTime<Utc> {
        if let Some(offset) = self.still(local.year()) {
            return (local - offset).and_utc();
        }
        let shown = (-14 * 4..=14 * 4).rev().map(|quarters| (local - TimeDelta::minutes(15 * quarters)).and_utc());
        let shown: Vec<_> = shown.filter(|at| self.show(*at) == local).collect();
        if let Some(at) = if last { shown.iter().max() } else { shown.iter().min() } {
            return *at;
        }
        let minutes = (-14 * 60..=14 * 60).map(|minute| (local + TimeDelta::minutes(minute)).and_utc());
        minutes.into_iter().find(|at| self.show(*at) > local).expect("gaps end")
    }

    /// Whether clocks show any part of a date.
    fn has(&self, date: NaiveDate) -> bool {
        self.show(self.instant(date.and_time(hms(12, 0)), false)).date() == date
    }
}

fn hms(hour: u32, minute: u32) -> NaiveTime {
    NaiveTime::from_hms_opt(hour, minute, 0).expect("a clock time")
}

/// Half a day of the Sun, by its turns.
struct Turns {
    /// Solar date of the noon.
    date: NaiveDate,
    /// The local date D whose 12:00 is nearest to that noon.
    d: NaiveDate,
}

pub struct Oracle<'a> {
    config: &'a Config,
    clocks: Clocks,
    sun: Sun,
}

impl<'a> Oracle<'a> {
    pub fn new(config: &'a Config) -> Oracle<'a> {
        let place = &config.place;
        let sun = Sun::new(place.position.latitude_deg, place.position.longitude_deg);
        Oracle { config, clocks: Clocks::new(place.zone), sun }
    }

    /// Every span that starts within `days` of an instant, for one channel.
    pub fn spans(&self, channel: usize, about: DateTime<Utc>, days: i64) -> Vec<Span> {
        let mut spans = Vec::new();
        for day in -days..=days {
            let date = self.sun.solar_date(about + TimeDelta::days(day));
            let noon = self.noon(date);
            let today = self.clocks.show(noon).date();
            let near = [today.pred_opt(), Some(today), today.succ_opt()].into_iter().flatten();
            let distance = |d: &NaiveDate| (self.clocks.instant(d.and_time(hms(12, 0)), false) - noon).abs();
            let d = near.filter(|d| self.clocks.has(*d)).min_by_key(distance).expect("three dates");
            for rule in self.config.channels[channel].lit.iter() {
                spans.extend(self.span(channel, rule, &Turns { date, d }));
            }
        }
        spans
    }

    fn noon(&self, date: NaiveDate) -> DateTime<Utc> {
        self.sun.day(date).noon().transit
    }

    fn midnight_after(&self, date: NaiveDate) -> DateTime<Utc> {
        self.sun.day(date).midnight_after().transit
    }

    /// The next date that there is.
    fn after(&self, date: NaiveDate) -> NaiveDate {
        let mut next = date.succ_opt().expect("a date");
        while !self.clocks.has(next) {
            next = next.succ_opt().expect("a date");
        }
        next
    }

    fn span(&self, channel: usize, rule: &Rule, turns: &Turns) -> Option<Span> {
        let of = |moment: &Moment| match &moment.base {
            Base::Sun { mark: Mark::Passing { half: Half::Evening, .. }, .. } => 'e',
            Base::Sun { mark: Mark::Passing { half: Half::Morning, .. }, .. } => 'm',
            Base::Sun { mark: Mark::SolarNoon, .. } => 'n',
            Base::Sun { mark: Mark::SolarMidnight, .. } => 's',
            Base::Clock(_) => 'c',
        };
        let (from, until) = (of(&rule.from), of(&rule.until));
        // Sentence 3.
        let lives = if from == 'e' || until == 'm' {
            "night"
        } else if from == 'm' || until == 'e' {
            "day"
        } else if from == 's' || until == 's' {
            "night"
        } else if from == 'n' || until == 'n' {
            "day"
        } else {
            "clocks"
        };
        // Sentence 4.
        let d1 = self.after(turns.d);
        let late_clock = |moment: &Moment| match &moment.base {
            Base::Clock(ClockTime::At(clock)) => clock.hour() >= 12,
            Base::Clock(ClockTime::Named(name)) => !morning_name(name),
            Base::Sun { .. } => false,
        };
        let date = match (lives, from) {
            ("day" | "clocks", _) | ("night", 'e' | 'n') => turns.d,
            ("night", 'c') if late_clock(&rule.from) => turns.d,
            _ => d1,
        };
        let weekday = date.weekday().num_days_from_monday() as usize;
        if !rule.days[weekday] || rule.except.iter().any(|dates| within(dates, date)) {
            return None;
        }
        if let Some(season) = rule.season {
            // Walk from the first day of the season until its last, and see whether the date is met.
            let mut day = date;
            while (day.month(), day.day()) != (season.first.month, season.first.day)
                && !(season.first.month == 2 && season.first.day == 29 && (day.month(), day.day()) == (3, 1))
            {
                day = day.pred_opt().expect("a date");
            }
            let ends = |day: NaiveDate| {
                let (month, last) = (season.last.month, season.last.day);
                (day.month(), day.day()) == (month, last)
                    || month == 2 && last == 29 && (day.month(), day.day()) == (2, 28) && !day.leap_year()
            };
            while day != date {
                if ends(day) {
                    return None;
                }
                day = day.succ_opt().expect("a date");
            }
        }
        let absence = &self.config.absence;
        let of_channel = &self.config.channels[channel];
        let away = of_channel.absence && absence.dates.iter().any(|dates| within(dates, date));
        let away = away.then_some((of_channel.name.as_str(), date));
        let (on, clock) = self.instant(&rule.from, lives, turns, false, None, away)?;
        let (off, _) = self.instant(&rule.until, lives, turns, true, clock, away)?;
        (off > on && off - on >= rule.at_least).then_some((on, off))
    }

    /// Sentence 7, in its order. Also gives where a clock time fell.
    fn instant(
        &self,
        moment: &Moment,
        lives: &str,
        turns: &Turns,
        until: bool,
        start: Option<NaiveDateTime>,
        away: Option<(&str, NaiveDate)>,
    ) -> Option<(DateTime<Utc>, Option<NaiveDateTime>)> {
        let mut fell = None;
        let mut own = true;
        let mut at = match &moment.base {
            Base::Clock(clock) => {
                let local = self.placed(clock, lives, turns, until, start);
                fell = Some(local);
                self.clocks.instant(local, until)
            }
            Base::Sun { mark, offset } => {
                let (at, takes_offset, stands) = self.mark(*mark, lives, turns, until, moment)?;
                own = !stands;
                if takes_offset { at + *offset } else { at }
            }
        };
        if own {
            if let Base::Sun { mark: Mark::Passing { half, .. }, .. } = moment.base {
                if half == Half::Evening && !until {
                    at -= self.config.shifts.lead;
                }
                if half == Half::Morning && until {
                    at += self.config.shifts.lag;
                }
            }
            if let Some((channel, date)) = away {
                at += absent(channel, date, moment, self.config.absence.vary);
            }
        }
        for clamp in &moment.clamps {
            let bound = self.nearest(&clamp.clock, turns.d, at, until);
            at = match clamp.side {
                ClampSide::NotBefore => at.max(bound),
                ClampSide::NotAfter => at.min(bound),
            };
        }
        let ns = i64::from(at.timestamp_subsec_nanos());
        let at = at - TimeDelta::nanoseconds(ns) + TimeDelta::seconds(i64::from(ns >= 500_000_000));
        Some((at, fell))
    }

    /// Date and time that a clock time means (sentences 3 and 4).
    fn placed(
        &self,
        clock: &ClockTime,
        lives: &str,
        turns: &Turns,
        until: bool,
        start: Option<NaiveDateTime>,
    ) -> NaiveDateTime {
        let (d, d1) = (turns.d, self.after(turns.d));
        let value = |date| match clock {
            ClockTime::At(clock) => *clock,
            ClockTime::Named(name) if morning_name(name) => value_on(name, date),
            ClockTime::Named(name) => value_on(name, d),
        };
        if let ("clocks", true, Some(start)) = (lives, until, start) {
            let today = start.date();
            let same = today.and_time(value(today));
            return if same > start { same } else { self.after(today).and_time(value(self.after(today))) };
        }
        let next = match clock {
            ClockTime::Named(name) if !morning_name(name) => value(d) < hms(12, 0),
            _ if lives == "night" => value(d1) < hms(12, 0),
            _ if lives == "day" && until => value(d) < hms(3, 0),
            _ => false,
        };
        let date = if next { d1 } else { d };
        date.and_time(value(date))
    }

    /// The mark, or what stands for it (sentence 10): the instant, whether it takes the offset, whether it stands in.
    fn mark(
        &self,
        mark: Mark,
        lives: &str,
        turns: &Turns,
        until: bool,
        moment: &Moment,
    ) -> Option<(DateTime<Utc>, bool, bool)> {
        let s = turns.date;
        let (before, after) = (s.pred_opt().expect("a date"), s.succ_opt().expect("a date"));
        let Mark::Passing { half, altitude } = mark else {
            let night = lives == "night";
            let at = match (mark, until) {
                (Mark::SolarNoon, true) if night => self.noon(after),
                (Mark::SolarNoon, _) => self.noon(s),
                (_, false) if !night => self.midnight_after(before),
                _ => self.midnight_after(s),
            };
            return Some((at, true, false));
        };
        let degrees = match altitude {
            Altitude::Horizon => -50.0 / 60.0 + self.config.place.horizon_deg,
            Altitude::Civil => -6.0,
            Altitude::Nautical => -12.0,
            Altitude::Astronomical => -18.0,
            Altitude::Degrees(degrees) => degrees,
        };
        let evening = half == Half::Evening;
        let crossing = match (lives, evening) {
            (_, true) => self.sun.day(s).set(degrees),
            ("night", false) => self.sun.day(after).rise(degrees),
            (_, false) => self.sun.day(s).rise(degrees),
        };
        let above = match crossing {
            Crossing::At(at) => return Some((at, true, false)),
            Crossing::Above => true,
            Crossing::Below => false,
        };
        let (opening, closing) = (self.noon(s), self.noon(after));
        let (at, takes_offset) = match (lives, evening, until, above) {
            ("night", true, false, true) => {
                let clamp = moment.clamps.iter().find(|clamp| clamp.side == ClampSide::NotAfter)?;
                (self.nearest(&clamp.clock, turns.d, self.midnight_after(s), until), false)
            }
            ("night", true, false, false) => (opening, false),
            ("night", false, true, true) => (self.midnight_after(s), false),
            ("night", false, true, false) => (closing, false),
            ("night", false, false, true) => (self.midnight_after(s), false),
            ("night", false, false, false) => (closing, true),
            ("night", true, true, true) => (self.midnight_after(s), false),
            ("night", true, true, false) => (opening, true),
            (_, false, false, false) => (opening, true),
            (_, false, false, true) => (self.midnight_after(before), false),
            (_, true, true, false) => (opening, false),
            (_, true, true, true) => (self.midnight_after(s), false),
            other => panic!("no such case: {other:?}"),
        };
        Some((at, takes_offset, true))
    }

    /// The showing nearest to an instant, of four days each way.
    fn nearest(&self, clock: &ClockTime, d: NaiveDate, at: DateTime<Utc>, until: bool) -> DateTime<Utc> {
        let today = self.clocks.show(at).date();
        let dates = (-4..=4).filter_map(|day| today.checked_add_signed(TimeDelta::days(day)));
        let showings = dates.map(|date| {
            let value = match clock {
                ClockTime::At(clock) => *clock,
                ClockTime::Named(name) if morning_name(name) => value_on(name, date),
                ClockTime::Named(name) => value_on(name, d),
            };
            self.clocks.instant(date.and_time(value), until)
        });
        showings.min_by_key(|showing| (*showing - at).abs()).expect("nine days")
    }
}

fn morning_name(name: &NamedTime) -> bool {
    name.by_weekday.iter().all(|value| *value < hms(12, 0))
}

fn value_on(name: &NamedTime, date: NaiveDate) -> NaiveTime {
    name.by_weekday[date.weekday().number_from_monday() as usize - 1]
}

fn within(dates: &Dates, date: NaiveDate) -> bool {
    match dates {
        Dates::EveryYear(day) => day.month == date.month() && day.day == date.day(),
        Dates::Range(first, last) => first.iter_days().take(4000).take_while(|day| day <= last).any(|day| day == date),
    }
}

/// Absence by the recipe of docs/rules.md.
pub fn absent(channel: &str, date: NaiveDate, moment: &Moment, vary: TimeDelta) -> TimeDelta {
    let text = format!("{channel}/{}/{}", date.format("%Y-%m-%d"), spelled(moment));
    let mut hash = 14_695_981_039_346_656_037_u64;
    for byte in text.into_bytes() {
        hash ^= u64::from(byte);
        hash = hash.wrapping_mul(1_099_511_628_211);
    }
    let mut z = hash.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^= z >> 31;
    let choices = 2 * vary.num_seconds() as u128 + 1;
    TimeDelta::seconds((u128::from(z) * choices / (1_u128 << 64)) as i64 - vary.num_seconds())
}

fn spelled(moment: &Moment) -> String {
    let clock = |clock: &ClockTime| match clock {
        ClockTime::At(at) => format!("clock {:02}:{:02}:00", at.hour(), at.minute()),
        ClockTime::Named(name) => format!("time {}", name.name),
    };
    let mut text = match &moment.base {
        Base::Clock(at) => clock(at),
        Base::Sun { mark, offset } => {
            let mark = match mark {
                Mark::SolarNoon => "solar noon".to_owned(),
                Mark::SolarMidnight => "solar midnight".to_owned(),
                Mark::Passing { half, altitude } => {
                    let half = if *half == Half::Evening { "evening" } else { "morning" };
                    let altitude = match altitude {
                        Altitude::Horizon => "horizon".to_owned(),
                        Altitude::Civil => "civil".to_owned(),
                        Altitude::Nautical => "nautical".to_owned(),
                        Altitude::Astronomical => "astronomical".to_owned(),
                        Altitude::Degrees(degrees) => format!("{degrees} deg"),
                    };
                    format!("{half} {altitude}")
                }
            };
            format!("{mark} {} s", offset.num_seconds())
        }
    };
    for clamp in &moment.clamps {
        let side = if clamp.side == ClampSide::NotBefore { "not before" } else { "not after" };
        text += &format!(", {side} {}", clock(&clamp.clock));
    }
    text
}
