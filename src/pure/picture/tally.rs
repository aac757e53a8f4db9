//! Hours lit and energy used, month by month.

use chrono::{DateTime, TimeDelta, Utc};

use super::grid::Grid;
use crate::pure::plan::LitSpan;

/// What one channel comes to.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Tally {
    /// Lit, January first; months by the clocks of the house.
    pub months: Vec<TimeDelta>,
    /// Power drawn when lit.
    pub watts: Option<f64>,
}

impl Tally {
    /// Of spans that are disjoint.
    pub fn new(grid: &Grid, spans: &[LitSpan], watts: Option<f64>) -> Tally {
        let within = |(begin, end): (DateTime<Utc>, DateTime<Utc>)| {
            let parts = spans.iter().map(|span| span.until.min(end) - span.from.max(begin));
            parts.filter(|part| *part > TimeDelta::zero()).sum()
        };
        Tally { months: grid.months().map(within).collect(), watts }
    }

    /// Lit in the whole year.
    pub fn year(&self) -> TimeDelta {
        self.months.iter().sum()
    }

    /// Energy, where the file gives `watts`.
    pub fn kwh(&self, lit: TimeDelta) -> Option<f64> {
        self.watts.map(|watts| watts * hours(lit) / 1_000.0)
    }
}

/// `412`, and `9.5` below ten.
pub(super) fn hours_words(lit: TimeDelta) -> String {
    figure(hours(lit))
}

/// A number of two or three digits that mean something.
pub(super) fn figure(value: f64) -> String {
    match value {
        0.0 => "0".into(),
        small if small < 0.995 => format!("{small:.2}"),
        some if some < 9.95 => format!("{some:.1}"),
        many => format!("{many:.0}"),
    }
}

fn hours(lit: TimeDelta) -> f64 {
    lit.num_seconds() as f64 / 3_600.0
}
