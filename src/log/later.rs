//! What is said of a burst once it is over: while a thousand lamps are being told, their lines would take the machine's time.

use std::collections::VecDeque;
use std::time::Duration;

use crate::pure::entry::{Entry, EntryKind, Note};
use crate::room;

/// A burst is over when nothing was told or switched for so long.
const QUIET: Duration = Duration::from_millis(20);

/// After so long lines are said though it goes on.
const LONGEST: Duration = Duration::from_millis(500);

/// So many are no burst yet: nothing that a small house does waits.
const FEW: u32 = 16;

/// So many are said at once after it: whatever else comes has its turn in between.
const PORTION: usize = 64;

/// What there is to say.
#[derive(Debug, PartialEq)]
pub enum Line {
    /// As the daybook has it.
    Entry(Entry),
    /// What it has not.
    Note(Note),
}

/// Lines in the order in which they came.
#[derive(Debug, Default)]
pub struct Later {
    waiting: VecDeque<Line>,
    /// When the first of those came.
    first: Duration,
    /// When something was told or switched last.
    last: Duration,
    /// When it is looked whether that was the last of the burst. Not put off by each line: setting a timer costs as much as one.
    look_at: Duration,
    /// How much was, without a rest in between.
    count: u32,
}

impl Later {
    /// Takes a line in, at an instant by the clock that is never set; true if it is to be said now, with all before it.
    pub fn take_in(&mut self, up: Duration, line: Line) -> bool {
        let switches = match &line {
            Line::Entry(entry) => entry.kind == EntryKind::Switched,
            Line::Note(note) => matches!(note, Note::Told { again: 0, .. }),
        };
        if !switches && matches!(line, Line::Note(Note::Told { .. })) && !self.waiting.is_empty() {
            // Told again, which few want to read.
            self.waiting.push_back(line);
            return false;
        }
        if !switches {
            // In order.
            self.waiting.push_back(line);
            return true;
        }
        if up >= self.last + QUIET {
            self.count = 0;
        }
        (self.last, self.count) = (up, self.count.saturating_add(1));
        if self.waiting.is_empty() {
            if self.count <= FEW {
                self.waiting.push_back(line);
                return true;
            }
            self.first = up;
            self.look_at = up + QUIET;
            self.waiting.reserve_exact(room::apart::<Line>());
        }
        self.waiting.push_back(line);
        false
    }

    /// When to ask for what is due.
    pub fn look_at(&self) -> Option<Duration> {
        (!self.waiting.is_empty()).then_some(self.look_at)
    }

    /// How many are to be said by now; the rest of it may be asked for at once.
    pub fn due(&mut self, up: Duration) -> usize {
        if self.look_at().is_none_or(|at| up < at) {
            return 0;
        }
        self.look_at = (self.last + QUIET).min(self.first + LONGEST);
        if up < self.look_at { 0 } else { PORTION }
    }

    /// The oldest that waits.
    pub fn next(&mut self) -> Option<Line> {
        let line = self.waiting.pop_front();
        if self.waiting.is_empty() && self.waiting.capacity() > FEW as usize {
            // With the room that a burst took.
            self.waiting = VecDeque::new();
        }
        line
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pure::power::Power;

    fn line(n: usize, kind: EntryKind) -> Line {
        Line::Entry(Entry {
            at: chrono::DateTime::UNIX_EPOCH,
            kind,
            channel: smol_str::format_smolstr!("{n}"),
            plug: None,
            wanted: None,
            because: "".into(),
            due: None,
            late: None,
        })
    }

    fn switched(n: usize) -> Line {
        line(n, EntryKind::Switched)
    }

    fn told(n: usize) -> Line {
        let (channel, plug) = (smol_str::format_smolstr!("{n}"), "yard/3".into());
        Line::Note(Note::Told { channel, plug, wanted: Power::On, because: "".into(), again: 0 })
    }

    fn take_in(later: &mut Later, up: Duration, line: Line) -> Vec<Line> {
        if later.take_in(up, line) { rest(later) } else { Vec::new() }
    }

    fn due(later: &mut Later, up: Duration) -> Vec<Line> {
        let count = later.due(up);
        (0..count).map_while(|_| later.next()).collect()
    }

    fn rest(later: &mut Later) -> Vec<Line> {
        std::iter::from_fn(|| later.next()).collect()
    }

    fn numbers(lines: &[Line]) -> Vec<usize> {
        let channel = |line: &Line| match line {
            Line::Entry(Entry { channel, .. }) | Line::Note(Note::Told { channel, .. }) => channel.clone(),
            other => panic!("{other:?}"),
        };
        lines.iter().map(|line| channel(line).parse().expect("a number")).collect()
    }

    fn ms(ms: u64) -> Duration {
        Duration::from_millis(ms)
    }

    #[test]
    fn what_a_small_house_does_is_said_at_once() {
        let mut later = Later::default();
        for burst in 0..3 {
            for n in 0..8 {
                let at = ms(100 * burst);
                assert_eq!(numbers(&take_in(&mut later, at, told(n))), [n]);
                assert_eq!(numbers(&take_in(&mut later, at, switched(n))), [n]);
                assert_eq!(later.look_at(), None);
            }
        }
    }

    #[test]
    fn a_burst_is_told_of_in_order_and_in_portions_when_it_is_over() {
        let mut later = Later::default();
        let mut said = Vec::new();
        for n in 0..200 {
            let line = if n < 100 { told(n) } else { switched(n) };
            said.extend(take_in(&mut later, ms(n as u64), line));
        }
        assert_eq!(numbers(&said), (0..FEW as usize).collect::<Vec<_>>());
        assert_eq!(later.look_at(), Some(ms(36)), "20 ms after the first that waits");
        assert_eq!(due(&mut later, ms(218)), []);
        assert_eq!(later.look_at(), Some(ms(219)), "20 ms after the last");
        while later.look_at().is_some() {
            let portion = due(&mut later, ms(219));
            assert!((1..=PORTION).contains(&portion.len()));
            said.extend(portion);
        }
        assert_eq!(numbers(&said), (0..200).collect::<Vec<_>>());
    }

    #[test]
    fn nothing_waits_for_the_end_of_a_burst_without_end() {
        let mut later = Later::default();
        let (mut said, mut longest) = (Vec::new(), 0);
        for n in 0..10_000 {
            said.extend(take_in(&mut later, ms(n as u64), switched(n)));
            said.extend(due(&mut later, ms(n as u64)));
            longest = longest.max(n + 1 - said.len());
        }
        assert!((500..=500 + PORTION).contains(&longest), "{longest} lines, one a millisecond");
        said.extend(rest(&mut later));
        assert_eq!(numbers(&said), (0..10_000).collect::<Vec<_>>());
    }

    #[test]
    fn what_is_no_switching_is_said_at_once_and_after_what_came_before() {
        let mut later = Later::default();
        let mut said: Vec<Line> = (0..30).flat_map(|n| take_in(&mut later, ms(1), switched(n))).collect();
        assert!(later.look_at().is_some());
        said.extend(take_in(&mut later, ms(2), line(30, EntryKind::Missed)));
        assert_eq!(numbers(&said), (0..=30).collect::<Vec<_>>());
        assert_eq!(later.look_at(), None);
    }
}
