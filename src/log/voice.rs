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
        let lines = self.later.take_in(up, Line::Entry(entry));
        self.say(up, lines);
    }

    /// What it has not.
    pub fn note(&mut self, up: Duration, note: Note) {
        let lines = self.later.take_in(up, Line::Note(note));
        self.say(up, lines);
    }

    /// When something that waits may be said.
    pub fn look_at(&self) -> Option<Duration> {
        [self.flaps.look_at(), self.later.look_at()].into_iter().flatten().min()
    }

    /// Says what has waited long enough; where that is much, a part of it.
    pub fn look(&mut self, up: Duration) {
        let lines = self.later.due(up);
        self.say(up, lines);
        if self.flaps.look_at().is_some_and(|at| up >= at) {
            self.flaps.look(up);
        }
    }

    /// Says what waits for the end of a burst.
    pub fn rest(&mut self, up: Duration) {
        let lines = self.later.rest();
        self.say(up, lines);
    }

    fn say(&mut self, up: Duration, lines: Vec<Line>) {
        for line in lines {
            match line {
                Line::Entry(entry) => super::entry(&entry),
                Line::Note(note) => self.flaps.note(up, &note),
            }
        }
    }
}
