//! Where an instant stands in the picture: a column for each night, from noon to noon by the clocks of the house.

use chrono::{DateTime, Datelike, FixedOffset, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Utc};

use crate::pure::local_time::{Edge, instant_of, offset_at};
use crate::pure::zone::Zone;

/// Seconds from noon to noon by the clock, whatever clocks do meanwhile.
pub(super) const COLUMN_S: i64 = 86_400;

/// One calendar year of one zone. The first column is the night of 31 December before, of which only the morning is in
/// the year; the last is that of 31 December, of which only the evening is.
#[derive(Debug)]
pub(super) struct Grid {
    /// The year.
    pub year: i32,
    /// 00:00 of 1 January, by the clocks of the house.
    pub from: DateTime<Utc>,
    /// 00:00 of the next 1 January.
    pub until: DateTime<Utc>,
    first_noon: NaiveDateTime,
    /// One for each time without a clock change, in order; together they cover the year.
    steady: Vec<Steady>,
    /// 00:00 of the first of each month, and of the next January.
    month_edges: Vec<DateTime<Utc>>,
}

/// A time without a clock change.
#[derive(Clone, Copy, Debug)]
struct Steady {
    from: DateTime<Utc>,
    until: DateTime<Utc>,
    offset: FixedOffset,
}

/// Part of one column.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Cell {
    /// Counted from 0.
    pub column: i64,
    /// Seconds by the clock after noon.
    pub top_s: i64,
    /// More than `top_s`, 86,400 at most.
    pub bottom_s: i64,
}

impl Grid {
    pub fn new(zone: &Zone, year: i32) -> Grid {
        let first_of = |year, month| NaiveDate::from_ymd_opt(year, month, 1).unwrap_or(NaiveDate::MAX);
        let begin = |date| instant_of(zone, date, NaiveTime::MIN, Edge::From);
        let mut month_edges: Vec<_> = (1..=12).map(|month| begin(first_of(year, month))).collect();
        month_edges.push(begin(first_of(year + 1, 1)));
        let (from, until) = (month_edges[0], month_edges[12]);
        let first_noon = first_of(year, 1).and_time(NaiveTime::MIN) - TimeDelta::hours(12);
        Grid { year, from, until, first_noon, steady: steady(zone, from, until), month_edges }
    }

    /// Of how many columns the picture is.
    pub fn columns(&self) -> i64 {
        let next_year = NaiveDate::from_ymd_opt(self.year + 1, 1, 1).unwrap_or(NaiveDate::MAX);
        self.column_of(next_year)
    }

    /// The column of the night that begins on a date.
    pub fn column_of(&self, date: NaiveDate) -> i64 {
        (date - self.first_noon.date()).num_days()
    }

    /// Begin and end of each month.
    pub fn months(&self) -> impl Iterator<Item = (DateTime<Utc>, DateTime<Utc>)> {
        self.month_edges.windows(2).map(|edges| (edges[0], edges[1]))
    }

    /// The first of each month.
    pub fn month_starts(&self) -> impl Iterator<Item = NaiveDate> {
        (1..=12).filter_map(|month| NaiveDate::from_ymd_opt(self.year, month, 1))
    }

    /// The dates on which clocks change, by the clocks after it, with the offsets before and after.
    pub fn clock_changes(&self) -> impl Iterator<Item = (NaiveDate, FixedOffset, FixedOffset)> {
        let pairs = self.steady.windows(2);
        pairs.map(|pair| (pair[1].from.with_timezone(&pair[1].offset).date_naive(), pair[0].offset, pair[1].offset))
    }

    /// Column and seconds after its noon; `None` outside the year.
    pub fn point(&self, at: DateTime<Utc>) -> Option<(i64, i64, FixedOffset)> {
        let piece = self.steady.iter().find(|piece| piece.from <= at && at < piece.until)?;
        let s = self.clock_s(at, piece.offset);
        Some((s.div_euclid(COLUMN_S), s.rem_euclid(COLUMN_S), piece.offset))
    }

    /// The parts of columns that stretches of time fill, in order, disjoint. What the clock skips stays empty; what it
    /// shows twice is filled if either showing is.
    pub fn cells(&self, stretches: impl IntoIterator<Item = (DateTime<Utc>, DateTime<Utc>)>) -> Vec<Cell> {
        let mut cells = Vec::new();
        for (from, until) in stretches {
            for piece in &self.steady {
                let (from, until) = (from.max(piece.from), until.min(piece.until));
                if from >= until {
                    continue;
                }
                let (mut top, end) = (self.clock_s(from, piece.offset), self.clock_s(until, piece.offset));
                while top < end {
                    let column = top.div_euclid(COLUMN_S);
                    let bottom = end.min((column + 1) * COLUMN_S);
                    let noon = column * COLUMN_S;
                    cells.push(Cell { column, top_s: top - noon, bottom_s: bottom - noon });
                    top = bottom;
                }
            }
        }
        cells.sort();
        cells.dedup_by(|later, earlier| {
            let touch = later.column == earlier.column && later.top_s <= earlier.bottom_s;
            if touch {
                earlier.bottom_s = earlier.bottom_s.max(later.bottom_s);
            }
            touch
        });
        cells
    }

    /// Seconds by the clock since the noon of the first column.
    fn clock_s(&self, at: DateTime<Utc>, offset: FixedOffset) -> i64 {
        (at.with_timezone(&offset).naive_local() - self.first_noon).num_seconds()
    }
}

/// The times without a clock change between two instants. Looked for day by day: no zone changes twice in one.
fn steady(zone: &Zone, from: DateTime<Utc>, until: DateTime<Utc>) -> Vec<Steady> {
    let offset = |at| offset_at(zone, at);
    let mut found = Vec::new();
    let mut current = Steady { from, until, offset: offset(from) };
    let mut begin = from;
    while begin < until {
        let end = (begin + TimeDelta::days(1)).min(until);
        if offset(end - TimeDelta::seconds(1)) != current.offset {
            let (mut before, mut after) = (begin, end - TimeDelta::seconds(1));
            while after - before > TimeDelta::seconds(1) {
                let middle = before + TimeDelta::seconds((after - before).num_seconds() / 2);
                if offset(middle) == current.offset { before = middle } else { after = middle }
            }
            found.push(Steady { until: after, ..current });
            current = Steady { from: after, until, offset: offset(after) };
        }
        begin = end;
    }
    found.push(current);
    found
}

/// `28 Mar`.
pub(super) fn day_words(date: NaiveDate) -> String {
    format!("{} {}", date.day(), date.format("%b"))
}
