//! What the daemon's loop has to say, in order, and no more than can be read.

use std::time::Duration;

use super::flaps::Flaps;
use super::later::{Later, Line};
use crate::pure::entry::{Entry, Note};

/// Says it at once, once a burst is over, or once a minute. All times are by the clock that is never set.
#[derive(Debug, Default)]
pub struct Voice {
    flaps: Flaps,
    later: Later,
}

impl Voice {
    /// As the daybook has it.
    pub fn entry(&mut self, up: Duration, entry: Entry) {
        self.take_in(up, Line::Entry(entry));
    }

    /// What it has not.
    pub fn note(&mut self, up: Duration, note: Note) {
        self.take_in(up, Line::Note(note));
    }

    fn take_in(&mut self, up: Duration, line: Line) {
        if self.later.take_in(up, line) {
            self.rest(up);
        }
    }

    /// When something that waits may be said.
    pub fn look_at(&self) -> Option<Duration> {
        [self.flaps.look_at(), self.later.look_at()].into_iter().flatten().min()
    }

    /// Says what has waited long enough; where that is much, a part of it.
    pub fn look(&mut self, up: Duration) {
        let due = self.later.due(up);
        self.say(up, due);
        if self.flaps.look_at().is_some_and(|at| up >= at) {
            self.flaps.look(up);
        }
    }

    /// Says what waits for the end of a burst.
    pub fn rest(&mut self, up: Duration) {
        self.say(up, usize::MAX);
    }

    /// Says so many at most.
    fn say(&mut self, up: Duration, at_most: usize) {
        for _ in 0..at_most {
            match self.later.next() {
                Some(Line::Entry(entry)) => super::entry(&entry),
                Some(Line::Note(note)) => self.flaps.note(up, &note),
                None => return,
            }
        }
    }
}
