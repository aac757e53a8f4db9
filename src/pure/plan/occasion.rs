//! One rule on one date: lit from one instant until another, or not, and why not (sentences 4 and 5).

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

use super::almanac::Almanac;
use super::frame::Outline;
use super::reckon::{Reckoned, Terms};
use crate::pure::config::{Channel, Config, Rule};

/// What one rule asks for on one date.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Occasion {
    /// The rule, by its place in [`Channel::lit`].
    pub rule: usize,
    /// D: the date whose night or day the span lives in (sentence 2).
    pub d: NaiveDate,
    /// The date by which days, season, except and absence go: D or D+1 (sentence 4).
    pub date: NaiveDate,
    /// Lit, or why not.
    pub outcome: Outcome,
}

/// What comes of an occasion.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// A lit span.
    Lit {
        /// On.
        from: Reckoned,
        /// Off.
        until: Reckoned,
    },
    /// `until` is not after `from`: bedtime before sunset.
    NotAfter {
        /// When it would have gone on.
        from: Reckoned,
        /// When it would have gone off.
        until: Reckoned,
    },
    /// Shorter than `at_least`.
    TooShort {
        /// When it would have gone on.
        from: Reckoned,
        /// When it would have gone off.
        until: Reckoned,
    },
    /// The Sun stays above the altitude of the mark that starts it.
    NoStart {
        /// When it would have gone off.
        until: Reckoned,
    },
}

impl Occasion {
    /// The lit span, as instants.
    pub fn span(&self) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
        match self.outcome {
            Outcome::Lit { from, until } => Some((from.at, until.at)),
            Outcome::NotAfter { .. } | Outcome::TooShort { .. } | Outcome::NoStart { .. } => None,
        }
    }

    /// When it is over, lit or not.
    pub(super) fn over_at(&self) -> DateTime<Utc> {
        match self.outcome {
            Outcome::Lit { until, .. } | Outcome::TooShort { until, .. } | Outcome::NoStart { until } => until.at,
            Outcome::NotAfter { from, until } => from.at.max(until.at),
        }
    }

    /// When it starts to matter, lit or not.
    pub(super) fn begins_at(&self) -> DateTime<Utc> {
        match self.outcome {
            Outcome::Lit { from, .. } | Outcome::TooShort { from, .. } => from.at,
            Outcome::NotAfter { from, until } => from.at.min(until.at),
            Outcome::NoStart { until } => until.at,
        }
    }
}

/// What a rule asks for on the date D; `None` where it does not apply.
pub(super) fn occasion(
    days: &mut Almanac,
    config: &Config,
    channel: &Channel,
    (place, rule, outline): (usize, &Rule, &Outline),
    d: NaiveDate,
) -> Option<Occasion> {
    if !days.local_day(d).exists {
        return None;
    }
    let date = if outline.dated_next { days.date_after(d) } else { d };
    if !rule.applies_on(date) {
        return None;
    }
    let absence = &config.absence;
    let away = channel.absence && absence.dates.iter().any(|dates| dates.include(date));
    let absent = away.then_some((channel.name.as_str(), date, absence.vary));
    let terms = Terms { frame: outline.frame, d, shifts: &config.shifts, absent };
    let until = terms.until(days, &rule.until, &rule.from);
    let outcome = match terms.from(days, &rule.from) {
        Err(_) => Outcome::NoStart { until },
        Ok(from) if until.at <= from.at => Outcome::NotAfter { from, until },
        Ok(from) if until.at - from.at < rule.at_least.max(TimeDelta::zero()) => Outcome::TooShort { from, until },
        Ok(from) => Outcome::Lit { from, until },
    };
    Some(Occasion { rule: place, d, date, outcome })
}
