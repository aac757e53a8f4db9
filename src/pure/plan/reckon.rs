//! From a moment and a date to an instant, and how it came about (sentences 7 to 11).

use chrono::{DateTime, NaiveDate, NaiveTime, SubsecRound, TimeDelta, Utc};

use super::absence;
use super::almanac::{Almanac, earlier, next};
use super::frame::{Frame, place_clock};
use crate::pure::config::Shifts;
use crate::pure::local_time::Edge;
use crate::pure::moment::{Altitude, Base, ClampSide, ClockTime, Half, Mark, Moment};
use crate::pure::sun::Crossing;

/// A moment of one date, reckoned. Small, and without words: they are made when somebody asks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reckoned {
    /// The outcome, in whole seconds.
    pub at: DateTime<Utc>,
    /// What it started from.
    pub origin: Origin,
    /// Lead (negative) or lag (positive) as far as it was applied.
    pub shift: TimeDelta,
    /// How far absence moved it.
    pub absence: TimeDelta,
    /// The clamp that decided, by its place in [`Moment::clamps`].
    pub clamp: Option<u8>,
}

/// What a reckoned moment started from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Origin {
    /// The mark of the Sun, or the clock time, as it is.
    Own(DateTime<Utc>),
    /// The Sun does not pass the altitude: a turn of the Sun instead (sentence 10).
    StandIn {
        /// That turn.
        turn: Turning,
        /// Its instant.
        at: DateTime<Utc>,
        /// Whether the moment's offset was added to it.
        with_offset: bool,
    },
    /// The Sun does not pass the altitude, and the start happens at its `not after` all the same.
    Clamped,
}

/// A turn of the Sun that stands in for a mark.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turning {
    /// The Sun stays below: it comes no nearer than at noon.
    Noon,
    /// It stays above: it comes no nearer than at midnight.
    Midnight,
}

/// A start that does not happen: the Sun stays above the altitude all night.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct NoStart;

/// Everything that a moment is reckoned with, besides itself.
pub(super) struct Terms<'a> {
    pub frame: Frame,
    /// D.
    pub d: NaiveDate,
    pub shifts: &'a Shifts,
    /// Channel, date and vary, where the date is an absent one.
    pub absent: Option<(&'a str, NaiveDate, TimeDelta)>,
}

/// What the mark or clock time comes to before offset and shifts.
enum Found {
    Own(DateTime<Utc>),
    StandIn { turn: Turning, at: DateTime<Utc>, with_offset: bool },
    NoStart,
}

impl Terms<'_> {
    /// The start of the span.
    pub fn from(&self, days: &mut Almanac, moment: &Moment) -> Result<Reckoned, NoStart> {
        self.reckon(days, moment, Edge::From, None)
    }

    /// The end of the span, which always has an instant; `from` is its start as the rule has it.
    pub fn until(&self, days: &mut Almanac, moment: &Moment, from: &Moment) -> Reckoned {
        let start = match &from.base {
            Base::Clock(clock) if self.frame == Frame::Clocks => {
                Some(place_clock(days, clock, self.frame, Edge::From, self.d, None))
            }
            _ => None,
        };
        self.reckon(days, moment, Edge::Until, start).expect("only a start can fail to happen")
    }

    /// The order of working (sentence 7): mark, offset, lead or lag, absence, clamps, rounding.
    fn reckon(
        &self,
        days: &mut Almanac,
        moment: &Moment,
        edge: Edge,
        start: Option<(NaiveDate, NaiveTime)>,
    ) -> Result<Reckoned, NoStart> {
        let (found, offset) = match &moment.base {
            Base::Sun { mark, offset } => (self.mark(days, *mark, edge), *offset),
            Base::Clock(clock) => {
                let (date, value) = place_clock(days, clock, self.frame, edge, self.d, start);
                (Found::Own(days.instant_of(date, value, edge)), TimeDelta::zero())
            }
        };
        let mut reckoned = Reckoned {
            at: DateTime::UNIX_EPOCH,
            origin: Origin::Clamped,
            shift: TimeDelta::zero(),
            absence: TimeDelta::zero(),
            clamp: None,
        };
        match found {
            Found::Own(at) => {
                reckoned.origin = Origin::Own(at);
                reckoned.shift = self.shift(moment, edge);
                if let Some((channel, date, vary)) = self.absent {
                    reckoned.absence = absence::shift(channel, date, moment, vary);
                }
                reckoned.at = at + offset + reckoned.shift + reckoned.absence;
            }
            Found::StandIn { turn, at, with_offset } => {
                reckoned.origin = Origin::StandIn { turn, at, with_offset };
                reckoned.at = if with_offset { at + offset } else { at };
            }
            Found::NoStart => {
                let clamp = moment.clamps.iter().position(|clamp| clamp.side == ClampSide::NotAfter).ok_or(NoStart)?;
                let solar = days.local_day(self.d).solar;
                let midnight = days.midnight_after(solar);
                reckoned.clamp = u8::try_from(clamp).ok();
                reckoned.at = nearest(days, &moment.clamps[clamp].clock, self.d, edge, midnight);
            }
        }
        let (at, decided) = clamp(days, moment, self.d, edge, reckoned.at);
        reckoned.clamp = decided.or(reckoned.clamp);
        reckoned.at = at.round_subsecs(0);
        Ok(reckoned)
    }

    /// Lead moves evening marks that start a span earlier, lag morning marks that end one later (sentence 8).
    fn shift(&self, moment: &Moment, edge: Edge) -> TimeDelta {
        match (edge, moment.half()) {
            (Edge::From, Some(Half::Evening)) => -self.shifts.lead,
            (Edge::Until, Some(Half::Morning)) => self.shifts.lag,
            _ => TimeDelta::zero(),
        }
    }

    fn mark(&self, days: &mut Almanac, mark: Mark, edge: Edge) -> Found {
        let solar = days.local_day(self.d).solar;
        match (self.frame, mark) {
            (_, Mark::Passing { half, altitude }) => self.passing(days, solar, half, altitude, edge),
            (Frame::Night, Mark::SolarNoon) => Found::Own(match edge {
                Edge::From => days.noon(solar),
                Edge::Until => days.noon(next(solar)),
            }),
            (Frame::Night, Mark::SolarMidnight) => Found::Own(days.midnight_after(solar)),
            (Frame::Day | Frame::Clocks, Mark::SolarNoon) => Found::Own(days.noon(solar)),
            (Frame::Day | Frame::Clocks, Mark::SolarMidnight) => Found::Own(match edge {
                Edge::From => days.midnight_after(earlier(solar, 1)),
                Edge::Until => days.midnight_after(solar),
            }),
        }
    }

    /// A passing of an altitude, or what stands in for it (sentence 10).
    fn passing(&self, days: &mut Almanac, solar: NaiveDate, half: Half, altitude: Altitude, edge: Edge) -> Found {
        use Crossing::{Above, At, Below};
        let night = self.frame == Frame::Night;
        let of = if night && half == Half::Morning { next(solar) } else { solar };
        let noon = |at, with_offset| Found::StandIn { turn: Turning::Noon, at, with_offset };
        let midnight = |at| Found::StandIn { turn: Turning::Midnight, at, with_offset: false };
        match (days.crossing(of, half, altitude), half, edge) {
            (At(at), _, _) => Found::Own(at),
            (Above, Half::Evening, Edge::From) => Found::NoStart,
            // The noon that opens the night; the moment's offset only where the mark ends the span.
            (Below, Half::Evening, _) => noon(days.noon(of), night && edge == Edge::Until),
            // The midnight within the night, or the one that closes the day.
            (Above, Half::Evening, Edge::Until) => midnight(days.midnight_after(of)),
            // The noon that closes the night, or the day's own; the offset only where the mark starts the span.
            (Below, Half::Morning, _) => noon(days.noon(of), edge == Edge::From),
            // The midnight within the night, or the one that opens the day.
            (Above, Half::Morning, _) => midnight(days.midnight_after(earlier(of, 1))),
        }
    }
}

/// The clamps of a moment, each on what the ones before it left; and which of them decided, if any.
pub(super) fn clamp(
    days: &mut Almanac,
    moment: &Moment,
    d: NaiveDate,
    edge: Edge,
    mut at: DateTime<Utc>,
) -> (DateTime<Utc>, Option<u8>) {
    let mut decided = None;
    for (place, clamp) in moment.clamps.iter().enumerate() {
        let bound = nearest(days, &clamp.clock, d, edge, at);
        let holds = match clamp.side {
            ClampSide::NotBefore => at < bound,
            ClampSide::NotAfter => at > bound,
        };
        if holds {
            at = bound;
            decided = u8::try_from(place).ok();
        }
    }
    (at, decided)
}

/// The showing of a clock time nearest to an instant; of two equally near, the earlier. A morning name has the value of
/// the date on which it falls, an evening name that of D.
fn nearest(days: &mut Almanac, clock: &ClockTime, d: NaiveDate, edge: Edge, to: DateTime<Utc>) -> DateTime<Utc> {
    let about = days.local_date(to);
    let mut best: Option<DateTime<Utc>> = None;
    for date in [earlier(about, 1), about, next(about)] {
        let value = match clock {
            ClockTime::At(clock) => *clock,
            ClockTime::Named(name) if name.is_morning() => name.on(date),
            ClockTime::Named(name) => name.on(d),
        };
        let at = days.instant_of(date, value, edge);
        if best.is_none_or(|best| (at - to).abs() < (best - to).abs()) {
            best = Some(at);
        }
    }
    best.expect("three were tried")
}
