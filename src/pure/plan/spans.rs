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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn piece(from: i64, until: i64) -> Piece {
        let at = |s| DateTime::from_timestamp(s, 0).expect("in range");
        Piece { from: at(from), until: at(until), rule: 0, d: NaiveDate::default() }
    }

    #[test]
    fn rule_6_touching_pieces_are_one_and_a_second_apart_they_are_two() {
        let merged = |pieces: &[Piece]| merge(pieces).len();
        assert_eq!(merged(&[piece(0, 10), piece(10, 20)]), 1);
        assert_eq!(merged(&[piece(0, 10), piece(11, 20)]), 2);
        assert_eq!(merged(&[piece(0, 30), piece(5, 10), piece(29, 40)]), 1);
    }

    proptest! {
        #[test]
        fn rule_6_merging_twice_is_merging_once(edges in prop::collection::vec((0_i64..300, 1_i64..60), 0..12)) {
            let mut pieces: Vec<Piece> = edges.into_iter().map(|(from, length)| piece(from, from + length)).collect();
            pieces.sort_by_key(|piece| piece.from);
            let once = merge(&pieces);
            let again: Vec<Piece> =
                once.iter().map(|(from, until)| Piece { from: *from, until: *until, ..pieces[0] }).collect();
            prop_assert_eq!(merge(&again), once.clone());
            // Lit at the same seconds as before.
            for s in 0..400 {
                let at = DateTime::from_timestamp(s, 0).expect("in range");
                let lit = once.iter().any(|(from, until)| *from <= at && at < *until);
                prop_assert_eq!(lit, pieces.iter().any(|piece| piece.covers(at)));
            }
        }
    }
}
