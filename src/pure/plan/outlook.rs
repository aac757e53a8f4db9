//! What is odd about the rules, found by planning the coming two years: rules that never or seldom light a lamp, lamps
//! that burn by day, limits that always decide.
//!
//! Counts are of single rules, before any merging, except where a lamp is lit all day: there all of its rules count
//! together.

use std::collections::BTreeMap;
use std::ops::Range;

use chrono::{DateTime, Months, NaiveDate, TimeDelta, Utc};

use super::almanac::{earlier, later, next};
use super::frame::Frame;
use super::occasion::{Occasion, Outcome};
use super::reckon::{Origin, Reckoned};
use super::spans::{self, Piece};
use super::{Plan, words};
use crate::pure::config::{Fault, PhraseFault, Place, RuleSpots, Spots};
use crate::pure::local_time::local_of;
use crate::pure::moment::{Altitude, Base, Clamp, ClampSide, ClockTime, Half, Moment};
use crate::pure::sun::Crossing;

/// How far the outlook goes (design: rule 5).
const MONTHS: Months = Months::new(24);
/// Shorter days than this, as there are near the polar night, are bridged by lead and lag, 2 h each at most.
const SHORT_DAY: TimeDelta = TimeDelta::hours(4);

/// The dates that [`never`] looks at in all: two years of 200 rules that never happen, 0.2 s in a debug build.
const MOST_LOOKS: usize = 146_200;

/// What a warning is about. The words are for programs, and stay.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// The place is that of the example.
    ExamplePlace,
    /// A rule lights nothing on any date.
    Never,
    /// A rule lights nothing on some of the dates on which it is to.
    NotEveryTime,
    /// A limit decides every time.
    LimitAlways,
    /// A clock time is skipped when clocks go forward.
    ClockGap,
    /// Two rules of a channel light it at the same time.
    Overlap,
    /// A lamp burns from sunrise to sunset.
    AllDay,
}

impl Kind {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Kind::ExamplePlace => "example place",
            Kind::Never => "never",
            Kind::NotEveryTime => "not every time",
            Kind::LimitAlways => "limit always decides",
            Kind::ClockGap => "skipped clock time",
            Kind::Overlap => "overlap",
            Kind::AllDay => "lit all day",
        }
    }
}

/// On how many dates, and on which first and last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Times {
    /// How many.
    pub count: usize,
    /// The first.
    pub first: NaiveDate,
    /// The last.
    pub last: NaiveDate,
}

/// Something that a person should look at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Warning {
    /// What it is about.
    pub kind: Kind,
    /// The channel's name and the rule, counted from 1; `None` where it is about none of them.
    pub rule: Option<(String, usize)>,
    /// The dates that it is about.
    pub times: Option<Times>,
    /// Where, what, and what comes of it.
    pub fault: Fault,
}

/// A warning before its place is looked up.
struct Draft {
    kind: Kind,
    rule: Option<(String, usize)>,
    times: Option<Times>,
    words: PhraseFault,
}

/// Everything odd from local date `first` on for two years, in the order of the file. `example` is the place that a
/// household starts from. `spots` are those of the file that is planned.
pub fn outlook(plan: &mut Plan, first: NaiveDate, spots: &Spots, example: &Place) -> Vec<Warning> {
    let mut drafts = Vec::new();
    if plan.config.place.position == example.position {
        let name = &plan.config.place.name;
        let message = if *name == example.name {
            format!("the place is still that of the example, {name}")
        } else {
            format!("the position is still that of the example, {}", example.name)
        };
        let words = PhraseFault::new(spots.position.clone(), message);
        let words = words.expected(format!("until yours stands here, lamps go by the Sun over {}", example.name));
        drafts.push(Draft { kind: Kind::ExamplePlace, rule: None, times: None, words });
    }
    let span = Span::new(first);
    let daylight = plan.daylight(span);
    each_channel(plan, spots, |plan, channel, rules| {
        drafts.extend(Look::at(plan, channel, span).drafts(rules, &daylight))
    });
    placed(spots, drafts)
}

/// As [`outlook`], but only the rules that light nothing on any date: a rule that lights a lamp tonight costs one look.
/// In a file full of rules that never happen the last are left out, so that no lamp waits for the words.
pub fn never(plan: &mut Plan, first: NaiveDate, spots: &Spots) -> Vec<Warning> {
    let span = Span::new(first);
    let mut drafts = Vec::new();
    let mut looks = MOST_LOOKS;
    each_channel(plan, spots, |plan, channel, rules| {
        let look = |(rule, at)| plan.dark(channel, rule, span, at, &mut looks);
        let dark: Vec<Option<Draft>> = rules.iter().enumerate().map(look).collect();
        let all = dark.iter().all(Option::is_some);
        drafts.extend(dark.into_iter().flatten().map(|draft| if all { draft.and_the_lamp() } else { draft }));
    });
    placed(spots, drafts)
}

fn each_channel(plan: &mut Plan, spots: &Spots, mut look: impl FnMut(&mut Plan, usize, &[RuleSpots])) {
    let mut rest = spots.rules.as_slice();
    for channel in 0..plan.config.channels.len() {
        let (rules, others) = rest.split_at(plan.config.channels[channel].lit.len().min(rest.len()));
        look(plan, channel, rules);
        rest = others;
    }
}

fn placed(spots: &Spots, drafts: Vec<Draft>) -> Vec<Warning> {
    let (words, drafts): (Vec<_>, Vec<_>) =
        drafts.into_iter().map(|Draft { kind, rule, times, words }| (words, (kind, rule, times))).unzip();
    let faults = spots.faults(&words);
    faults.into_iter().zip(drafts).map(|(fault, (kind, rule, times))| Warning { kind, rule, times, fault }).collect()
}

/// The local dates looked at, both included.
#[derive(Clone, Copy)]
struct Span {
    first: NaiveDate,
    last: NaiveDate,
}

impl Span {
    fn new(first: NaiveDate) -> Span {
        Span { first, last: first.checked_add_months(MONTHS).map_or(NaiveDate::MAX, |end| earlier(end, 1)) }
    }

    fn holds(&self, date: NaiveDate) -> bool {
        self.first <= date && date <= self.last
    }
}

impl Draft {
    fn and_the_lamp(mut self) -> Draft {
        if let Some((channel, _)) = &self.rule {
            self.words.message.push_str(&format!(": {channel} is never lit"));
        }
        self
    }
}

impl Times {
    fn count(times: &mut Option<Times>, date: NaiveDate) {
        match times {
            Some(times) if times.last == date => {}
            Some(times) => {
                times.count += 1;
                times.last = date;
            }
            None => *times = Some(Times { count: 1, first: date, last: date }),
        }
    }
}

/// `on 214 of 522 nights, first 2027-04-20, last 2028-08-22`; `on 2027-03-28`.
fn on(times: &Times, of: Option<usize>, unit: &str) -> String {
    let Times { count, first, last } = times;
    let count = match of {
        Some(of) => format!("{count} of {of} {unit}s"),
        None => format!("{count} {unit}s"),
    };
    match times.count {
        1 => format!("on {first}"),
        2 => format!("on {first} and {last}"),
        _ => format!("on {count}, first {first}, last {last}"),
    }
}

impl Plan {
    fn named(&self, channel: usize, rule: usize) -> Option<(String, usize)> {
        Some((self.config.channels[channel].name.to_string(), rule + 1))
    }

    /// The rule, if it lights nothing on any date; each date costs one of `looks`.
    fn dark(&mut self, channel: usize, rule: usize, span: Span, at: &RuleSpots, looks: &mut usize) -> Option<Draft> {
        let mut d = span.first;
        let mut dark = None;
        while d <= span.last {
            *looks = looks.checked_sub(1)?;
            if let Some(occasion) = self.occasion(channel, rule, d) {
                if occasion.span().is_some() {
                    return None;
                }
                dark.get_or_insert(occasion);
            }
            if d == NaiveDate::MAX {
                break;
            }
            d = next(d);
        }
        Some(self.never(channel, rule, span, dark.as_ref(), at))
    }

    fn never(&self, channel: usize, rule: usize, span: Span, dark: Option<&Occasion>, at: &RuleSpots) -> Draft {
        let name = &self.config.channels[channel].name;
        let message = format!("rule {} of {name} never happens in the two years from {}", rule + 1, span.first);
        let why = match dark {
            Some(occasion) => self.why(channel, occasion),
            None => "no date fits its days, season and exceptions".to_owned(),
        };
        let words = PhraseFault::new(at.whole.clone(), message).expected(why);
        Draft { kind: Kind::Never, rule: self.named(channel, rule), times: None, words }
    }

    /// `on 2027-04-20, 22:45 is before sunset 22:46`.
    fn why(&self, channel: usize, occasion: &Occasion) -> String {
        let rule = &self.config.channels[channel].lit[occasion.rule];
        let why = words::unlit(self.days.zone(), rule, occasion).unwrap_or_default();
        format!("on {}, {why}", occasion.date)
    }

    /// From sunrise to sunset of each date, leaving out short days; from midnight to midnight where the Sun does not set.
    fn daylight(&mut self, span: Span) -> Vec<(NaiveDate, Range<DateTime<Utc>>)> {
        let mut found = Vec::new();
        let mut date = span.first;
        while date <= span.last {
            let solar = self.days.local_day(date).solar;
            let rise = match self.days.crossing(solar, Half::Morning, Altitude::Horizon) {
                Crossing::At(at) => Some(at),
                Crossing::Above => Some(self.days.midnight_after(earlier(solar, 1))),
                Crossing::Below => None,
            };
            let set = match self.days.crossing(solar, Half::Evening, Altitude::Horizon) {
                Crossing::At(at) => Some(at),
                Crossing::Above => Some(self.days.midnight_after(solar)),
                Crossing::Below => None,
            };
            if let (Some(rise), Some(set)) = (rise, set)
                && set - rise >= SHORT_DAY
            {
                found.push((date, rise..set));
            }
            if date == NaiveDate::MAX {
                break;
            }
            date = next(date);
        }
        found
    }

    /// The clock time that the moment was meant to have, if clocks skip it, and what they show instead.
    fn skipped(&mut self, moment: &Moment, reckoned: &Reckoned) -> Option<(String, String, NaiveDate)> {
        let (at, clock) = match (reckoned.clamp, &moment.base, reckoned.origin) {
            (Some(clamp), ..) => (reckoned.at, &moment.clamps.get(usize::from(clamp))?.clock),
            (None, Base::Clock(clock), Origin::Own(at)) => (at, clock),
            _ => return None,
        };
        let date = self.days.local_date(at);
        if self.days.changes_on(date) {
            let shown = local_of(self.days.zone(), at).time();
            let meant = match clock {
                ClockTime::At(clock) => *clock == shown,
                ClockTime::Named(name) => name.by_weekday.contains(&shown),
            };
            return (!meant).then(|| (clock_word(clock), shown.format("%H:%M").to_string(), date));
        }
        None
    }
}

/// What two years say of one rule.
#[derive(Default)]
struct Seen {
    asked: usize,
    dark: Option<Times>,
    first_dark: Option<Occasion>,
    /// How often each limit decided: of `from`, of `until`.
    decided: [Vec<usize>; 2],
    /// Clock times that are skipped, with what is shown instead: of `from`, of `until`.
    skipped: [BTreeMap<(String, String), Option<Times>>; 2],
}

/// One channel over two years.
struct Look<'p> {
    plan: &'p Plan,
    channel: usize,
    span: Span,
    rules: Vec<Seen>,
    /// A few dates more at both ends, so that each date has all that reaches into it.
    pieces: Vec<Piece>,
}

impl<'p> Look<'p> {
    fn at(plan: &'p mut Plan, channel: usize, span: Span) -> Look<'p> {
        let mut rules = Vec::new();
        let mut pieces = Vec::new();
        let config = plan.config.clone();
        for (place, rule) in config.channels[channel].lit.iter().enumerate() {
            let counts = |moment: &Moment| vec![0; moment.clamps.len()];
            let mut seen = Seen { decided: [counts(&rule.from), counts(&rule.until)], ..Seen::default() };
            let (mut d, end) = (earlier(span.first, 2), later(span.last, 1));
            while d <= end {
                if let Some(occasion) = plan.occasion(channel, place, d) {
                    if let Some((from, until)) = occasion.span() {
                        pieces.push(Piece { from, until, rule: place, d });
                    }
                    if span.holds(d) {
                        seen.take(plan, [&rule.from, &rule.until], &occasion);
                    }
                }
                if d == NaiveDate::MAX {
                    break;
                }
                d = next(d);
            }
            rules.push(seen);
        }
        pieces.sort_by_key(|piece| (piece.from, piece.rule));
        Look { plan, channel, span, rules, pieces }
    }

    fn drafts(&self, at: &[RuleSpots], daylight: &[(NaiveDate, Range<DateTime<Utc>>)]) -> Vec<Draft> {
        let mut drafts = Vec::new();
        let never = |seen: &Seen| seen.dark.map_or(0, |dark| dark.count) == seen.asked;
        let all_never = self.rules.iter().all(never);
        let overlaps = self.overlaps();
        let all_day = self.all_day(daylight);
        for (rule, (seen, at)) in self.rules.iter().zip(at).enumerate() {
            if never(seen) {
                let draft = self.plan.never(self.channel, rule, self.span, seen.first_dark.as_ref(), at);
                drafts.push(if all_never { draft.and_the_lamp() } else { draft });
            } else if let (Some(times), Some(dark)) = (&seen.dark, &seen.first_dark) {
                let message =
                    format!("{} does not happen {}", self.words(rule), on(times, Some(seen.asked), self.unit(rule)));
                let why = self.plan.why(self.channel, dark);
                drafts.push(self.draft(Kind::NotEveryTime, rule, Some(*times), &at.whole, message, why));
            }
            let of = &self.plan.config.channels[self.channel].lit[rule];
            for (edge, (moment, at)) in [(&of.from, &at.from), (&of.until, &at.until)].into_iter().enumerate() {
                self.limits(rule, moment, &seen.decided[edge], at, &mut drafts);
                for ((written, shown), times) in &seen.skipped[edge] {
                    let Some(times) = times else { continue };
                    let message = format!(
                        "{written} in {} is skipped by the clock change {}",
                        self.words(rule),
                        on(times, None, "day")
                    );
                    let then = format!("{shown} is meant then");
                    drafts.push(self.draft(Kind::ClockGap, rule, Some(*times), at, message, then));
                }
            }
            for ((_, other), times) in overlaps.range((rule, 0)..(rule + 1, 0)) {
                let Some(times) = times else { continue };
                let name = &self.plan.config.channels[self.channel].name;
                let message = format!(
                    "rules {} and {} of {name} overlap {}",
                    other + 1,
                    rule + 1,
                    on(times, None, self.unit(rule))
                );
                let then = "the lamp is lit once for both, and not switched in between".to_owned();
                drafts.push(self.draft(Kind::Overlap, rule, Some(*times), &at.whole, message, then));
            }
            if let Some((_, times)) = all_day.filter(|(first, _)| *first == rule) {
                let name = &self.plan.config.channels[self.channel].name;
                let message = format!("{name} is lit all day {}", on(&times, None, "day"));
                let then = "it burns from sunrise to sunset, when it gives no light to see by".to_owned();
                drafts.push(self.draft(Kind::AllDay, rule, Some(times), &at.whole, message, then));
            }
        }
        drafts
    }

    fn draft(
        &self,
        kind: Kind,
        rule: usize,
        times: Option<Times>,
        at: &Range<usize>,
        what: String,
        then: String,
    ) -> Draft {
        let words = PhraseFault::new(at.clone(), what).expected(then);
        Draft { kind, rule: self.plan.named(self.channel, rule), times, words }
    }

    /// `rule 2 of parlour`.
    fn words(&self, rule: usize) -> String {
        format!("rule {} of {}", rule + 1, self.plan.config.channels[self.channel].name)
    }

    /// What its dates are called.
    fn unit(&self, rule: usize) -> &'static str {
        match self.plan.known(self.channel).outlines[rule].frame {
            Frame::Night => "night",
            Frame::Day | Frame::Clocks => "day",
        }
    }

    fn limits(&self, rule: usize, moment: &Moment, decided: &[usize], at: &Range<usize>, drafts: &mut Vec<Draft>) {
        let asked = self.rules[rule].asked;
        for (Clamp { side, clock }, _) in moment.clamps.iter().zip(decided).filter(|(_, n)| asked > 0 && **n == asked) {
            let (side, comes) = match side {
                ClampSide::NotBefore => ("not before", "earlier"),
                ClampSide::NotAfter => ("not after", "later"),
            };
            let clock = clock_word(clock);
            let message = format!("`{side} {clock}` decides every time in {}", self.words(rule));
            let then = format!("what it limits always comes {comes}, so this is always {clock}");
            drafts.push(self.draft(Kind::LimitAlways, rule, None, at, message, then));
        }
    }

    /// Pairs of rules that light the lamp at the same time: (the later in the file, the other), and when.
    fn overlaps(&self) -> BTreeMap<(usize, usize), Option<Times>> {
        let mut found = BTreeMap::new();
        let mut furthest: Option<&Piece> = None;
        for piece in &self.pieces {
            if let Some(other) = furthest
                && piece.from < other.until
                && piece.rule != other.rule
                && self.span.holds(piece.d)
            {
                let pair = (piece.rule.max(other.rule), piece.rule.min(other.rule));
                Times::count(found.entry(pair).or_insert(None), self.date(piece));
            }
            if furthest.is_none_or(|other| piece.until > other.until) {
                furthest = Some(piece);
            }
        }
        found
    }

    /// The date by which its weekday goes.
    fn date(&self, piece: &Piece) -> NaiveDate {
        let outline = &self.plan.known(self.channel).outlines[piece.rule];
        if outline.dated_next { next(piece.d) } else { piece.d }
    }

    /// When the lamp burns from sunrise to sunset, and the rule that lights it at noon of the first such day.
    fn all_day(&self, daylight: &[(NaiveDate, Range<DateTime<Utc>>)]) -> Option<(usize, Times)> {
        let merged = spans::merge(&self.pieces);
        let mut times = None;
        let mut first = None;
        for (date, day) in daylight {
            let place = merged.partition_point(|(from, _)| *from <= day.start);
            let covered = place > 0 && merged[place - 1].1 >= day.end;
            if covered {
                Times::count(&mut times, *date);
                first.get_or_insert(day.start + (day.end - day.start) / 2);
            }
        }
        let rule = self.pieces.iter().find(|piece| first.is_some_and(|noon| piece.covers(noon)))?.rule;
        Some((rule, times?))
    }
}

impl Seen {
    fn take(&mut self, plan: &mut Plan, moments: [&Moment; 2], occasion: &Occasion) {
        self.asked += 1;
        let reckoned = match &occasion.outcome {
            Outcome::Lit { from, until } | Outcome::NotAfter { from, until } | Outcome::TooShort { from, until } => {
                [Some(from), Some(until)]
            }
            Outcome::NoStart { until } => [None, Some(until)],
        };
        if occasion.span().is_none() {
            Times::count(&mut self.dark, occasion.date);
            self.first_dark.get_or_insert(*occasion);
        }
        for (edge, reckoned) in reckoned.into_iter().enumerate() {
            let Some(reckoned) = reckoned else { continue };
            if let Some(count) = reckoned.clamp.and_then(|clamp| self.decided[edge].get_mut(usize::from(clamp))) {
                *count += 1;
            }
            if let Some((written, shown, date)) = plan.skipped(moments[edge], reckoned) {
                Times::count(self.skipped[edge].entry((written, shown)).or_default(), date);
            }
        }
    }
}

/// As it is written: `22:45`, `bedtime`.
fn clock_word(clock: &ClockTime) -> String {
    match clock {
        ClockTime::At(clock) => clock.format("%H:%M").to_string(),
        ClockTime::Named(name) => name.name.clone(),
    }
}
