//! Deadlines in order, so that a step looks only at what is due.

use std::collections::BTreeSet;
use std::marker::PhantomData;
use std::num::NonZeroU64;

use chrono::{DateTime, Utc};

use super::up::Up;

/// A time as a number: the later the greater.
type Key = NonZeroU64;

/// A time that something can wait for.
pub(super) trait Deadline: Copy {
    /// Never earlier than the time itself.
    fn key(self) -> Key;
    /// The last key that is reached at this time.
    fn reached(self) -> Key {
        self.key()
    }

    /// The first time at which a key is reached.
    fn of_key(key: Key) -> Self;
}

impl Deadline for Up {
    fn key(self) -> Key {
        Key::from(self)
    }

    fn of_key(key: Key) -> Up {
        Up::from(key)
    }
}

/// In microseconds: of all years that a `DateTime` can have.
impl Deadline for DateTime<Utc> {
    fn key(self) -> Key {
        let up = i64::from(!self.timestamp_subsec_nanos().is_multiple_of(1_000));
        key_of_us(self.timestamp_micros().saturating_add(up))
    }

    fn reached(self) -> Key {
        key_of_us(self.timestamp_micros())
    }

    fn of_key(key: Key) -> DateTime<Utc> {
        DateTime::from_timestamp_micros((key.get() ^ SIGN) as i64).unwrap_or(DateTime::<Utc>::MAX_UTC)
    }
}

const SIGN: u64 = 1 << 63;

fn key_of_us(us: i64) -> Key {
    Key::new(us as u64 ^ SIGN).unwrap_or(Key::MIN)
}

/// One deadline at most for each of many things, which are known by number.
#[derive(Debug)]
pub(super) struct Timers<T> {
    deadlines: Deadlines,
    time: PhantomData<T>,
}

/// What the timers of every kind of time have in common.
#[derive(Debug)]
struct Deadlines {
    in_order: BTreeSet<(Key, u32)>,
    by_thing: Vec<Option<Key>>,
}

impl<T: Deadline> Timers<T> {
    /// For so many things, none of which waits for anything.
    pub fn of(count: usize) -> Timers<T> {
        let deadlines = Deadlines { in_order: BTreeSet::new(), by_thing: vec![None; count] };
        Timers { deadlines, time: PhantomData }
    }

    /// Replaces the deadline of one thing.
    pub fn set(&mut self, thing: u32, at: Option<T>) {
        self.deadlines.set(thing, at.map(T::key));
    }

    /// The earliest deadline.
    pub fn first(&self) -> Option<T> {
        self.deadlines.in_order.first().map(|(at, _)| T::of_key(*at))
    }

    /// The things whose deadlines are reached by then, earliest first; they stay.
    pub fn due_by(&self, at: T) -> impl Iterator<Item = u32> {
        let reached = at.reached();
        self.deadlines.in_order.iter().take_while(move |(due, _)| *due <= reached).map(|(_, thing)| *thing)
    }

    /// Takes out one thing whose deadline is reached.
    pub fn pop_due(&mut self, now: T) -> Option<u32> {
        let (at, thing) = *self.deadlines.in_order.first()?;
        (at <= now.reached()).then(|| {
            self.deadlines.set(thing, None);
            thing
        })
    }
}

impl Deadlines {
    fn set(&mut self, thing: u32, at: Option<Key>) {
        let before = std::mem::replace(&mut self.by_thing[thing as usize], at);
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
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    #[test]
    fn what_is_due_comes_out_once_and_in_order() {
        let up = |seconds| Up::from(Duration::from_secs(seconds));
        let mut timers = Timers::of(3);
        timers.set(0, Some(up(30)));
        timers.set(1, Some(up(10)));
        timers.set(2, Some(up(20)));
        timers.set(2, Some(up(40)));
        assert_eq!(timers.first(), Some(up(10)));
        assert_eq!(timers.due_by(up(30)).collect::<Vec<_>>(), [1, 0]);
        assert_eq!(timers.pop_due(up(35)), Some(1));
        assert_eq!(timers.pop_due(up(35)), Some(0));
        assert_eq!(timers.pop_due(up(35)), None);
        timers.set(2, None);
        assert_eq!(timers.first(), None);
    }

    #[test]
    fn nothing_is_due_before_its_time_and_all_is_when_its_deadline_says() {
        let at = |seconds: i64, ns: u32| DateTime::from_timestamp(seconds, ns).expect("a date");
        let many = [DateTime::<Utc>::MIN_UTC, at(-1, 999_999_000), at(0, 0), at(0, 1), at(1, 1_000), at(1, 1_001)];
        let mut before = None;
        for due in many {
            let mut timers = Timers::of(1);
            timers.set(0, Some(due));
            let said = timers.first().expect("a deadline");
            assert!(said >= due && said - due < chrono::TimeDelta::microseconds(1), "{due}: {said}");
            assert!(before < Some(said), "in the same order");
            before = Some(said);
            if due > DateTime::<Utc>::MIN_UTC {
                assert_eq!(timers.pop_due(due - chrono::TimeDelta::nanoseconds(1)), None, "{due}");
            }
            assert_eq!(timers.pop_due(said), Some(0), "{due}");
        }
        let mut timers = Timers::of(1);
        timers.set(0, Some(DateTime::<Utc>::MAX_UTC));
        assert_eq!(timers.pop_due(at(4_000_000_000, 0)), None);
    }
}
