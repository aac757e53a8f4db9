//! Lit spans of one channel: merging, and the switchings that are left (sentence 6).

use chrono::{DateTime, NaiveDate, Utc};

use crate::pure::power::Power;

/// One lit span before merging, and where it comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Piece {
    pub from: DateTime<Utc>,
    pub until: DateTime<Utc>,
    pub rule: usize,
    pub d: NaiveDate,
}

impl Piece {
    /// Lit at its first instant, dark at its last.
    pub fn covers(&self, at: DateTime<Utc>) -> bool {
        self.from <= at && at < self.until
    }
}

/// Touching and overlapping pieces as one; `pieces` are in order of `from`.
pub(super) fn merge(pieces: &[Piece]) -> Vec<(DateTime<Utc>, DateTime<Utc>)> {
    let mut merged: Vec<(DateTime<Utc>, DateTime<Utc>)> = Vec::new();
    for piece in pieces {
        match merged.last_mut() {
            Some((_, until)) if piece.from <= *until => *until = piece.until.max(*until),
            _ => merged.push((piece.from, piece.until)),
        }
    }
    merged
}

/// The switchings in `(after, until]`. `pieces` hold at least every piece that touches that time.
pub(super) fn changes(pieces: &[Piece], after: DateTime<Utc>, until: DateTime<Utc>) -> Vec<(DateTime<Utc>, Power)> {
    let edges = merge(pieces).into_iter().flat_map(|(on, off)| [(on, Power::On), (off, Power::Off)]);
    edges.filter(|(at, _)| after < *at && *at <= until).collect()
}
