//! Deadlines in order, so that a step looks only at what is due.

use std::collections::BTreeSet;

/// One deadline at most for each of many things, which are known by number.
#[derive(Debug)]
pub(super) struct Timers<T> {
    in_order: BTreeSet<(T, u32)>,
    by_thing: Vec<Option<T>>,
}

impl<T: Copy + Ord> Timers<T> {
    /// For `count` things, none of which waits for anything.
    pub fn new(count: usize) -> Timers<T> {
        Timers { in_order: BTreeSet::new(), by_thing: vec![None; count] }
    }

    /// Replaces the deadline of one thing.
    pub fn set(&mut self, thing: u32, at: Option<T>) {
        let slot = &mut self.by_thing[thing as usize];
        if *slot == at {
            return;
        }
        if let Some(old) = slot.take() {
            self.in_order.remove(&(old, thing));
        }
        if let Some(at) = at {
            self.in_order.insert((at, thing));
        }
        *slot = at;
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
        let mut timers = Timers::new(3);
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
