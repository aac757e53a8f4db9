//! Deadlines in order, so that a step looks only at what is due.

use std::collections::{BTreeMap, BTreeSet};

/// One deadline at most for each of many things, which are known by number.
#[derive(Debug)]
pub(super) struct Timers<T> {
    in_order: BTreeSet<(T, u32)>,
    by_thing: Slots<T>,
}

/// The deadline of each.
#[derive(Debug)]
enum Slots<T> {
    Dense(Vec<Option<T>>),
    Sparse(BTreeMap<u32, T>),
}

impl<T: Copy + Ord> Timers<T> {
    /// For `count` things, most of which will wait for something.
    pub fn for_most(count: usize) -> Timers<T> {
        Timers { in_order: BTreeSet::new(), by_thing: Slots::Dense(vec![None; count]) }
    }

    /// For any number of things, few of which wait for something most of the time.
    pub fn for_few() -> Timers<T> {
        Timers { in_order: BTreeSet::new(), by_thing: Slots::Sparse(BTreeMap::new()) }
    }

    /// Replaces the deadline of one thing.
    pub fn set(&mut self, thing: u32, at: Option<T>) {
        let before = match (&mut self.by_thing, at) {
            (Slots::Dense(slots), _) => std::mem::replace(&mut slots[thing as usize], at),
            (Slots::Sparse(slots), Some(at)) => slots.insert(thing, at),
            (Slots::Sparse(slots), None) => slots.remove(&thing),
        };
        if before == at {
            return;
        }
        if let Some(before) = before {
            self.in_order.remove(&(before, thing));
        }
        if let Some(at) = at {
            self.in_order.insert((at, thing));
        }
    }

    /// The earliest deadline.
    pub fn first(&self) -> Option<T> {
        self.in_order.first().map(|(at, _)| *at)
    }

    /// The things whose deadlines are reached by then, earliest first; they stay.
    pub fn due_by(&self, at: T) -> impl Iterator<Item = u32> {
        self.in_order.iter().take_while(move |(due, _)| *due <= at).map(|(_, thing)| *thing)
    }

    /// Takes out one thing whose deadline is reached.
    pub fn pop_due(&mut self, now: T) -> Option<u32> {
        let (at, thing) = *self.in_order.first()?;
        (at <= now).then(|| {
            self.set(thing, None);
            thing
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_due_comes_out_once_and_in_order() {
        for mut timers in [Timers::for_most(3), Timers::for_few()] {
            timers.set(0, Some(30));
            timers.set(1, Some(10));
            timers.set(2, Some(20));
            timers.set(2, Some(40));
            assert_eq!(timers.first(), Some(10));
            assert_eq!(timers.due_by(30).collect::<Vec<_>>(), [1, 0]);
            assert_eq!(timers.pop_due(35), Some(1));
            assert_eq!(timers.pop_due(35), Some(0));
            assert_eq!(timers.pop_due(35), None);
            timers.set(2, None);
            assert_eq!(timers.first(), None);
        }
    }
}
