//! What has happened since the start, counted.

use crate::pure::entry::{Entry, EntryKind};

/// Upper bounds of the buckets of lateness, in seconds; beyond the last lies the rest.
pub const BOUNDS_S: [f64; 9] = [1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 120.0, 600.0, 3600.0];

/// Counts since the start.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tally {
    /// Entries of each kind, in the order of [`EntryKind::ALL`].
    kinds: [u64; EntryKind::ALL.len()],
    /// Switchings by lateness: one for each of [`BOUNDS_S`], and one for the rest; not cumulative.
    pub late: [u64; BOUNDS_S.len() + 1],
    /// All lateness together, in seconds.
    pub late_sum_s: f64,
    /// Entries that could not be written and were let go.
    pub lost: u64,
}

impl Tally {
    /// Counts one entry.
    pub fn count(&mut self, entry: &Entry) {
        self.kinds[place(entry.kind)] += 1;
        if !matches!(entry.kind, EntryKind::Switched | EntryKind::Late) {
            return;
        }
        // In time: what lies between the instant and its confirmation is the plug's answer.
        let Some(late) = entry.late.or(entry.due.map(|due| entry.at - due)) else { return };
        let late_s = (late.num_milliseconds() as f64 / 1000.0).max(0.0);
        let bucket = BOUNDS_S.iter().position(|bound| late_s <= *bound).unwrap_or(BOUNDS_S.len());
        self.late[bucket] += 1;
        self.late_sum_s += late_s;
    }

    /// How many entries of a kind there were.
    pub fn of(&self, kind: EntryKind) -> u64 {
        self.kinds[place(kind)]
    }
}

fn place(kind: EntryKind) -> usize {
    EntryKind::ALL.iter().position(|known| *known == kind).expect("every kind is listed")
}
