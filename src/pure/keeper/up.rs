//! A time by the clock that never jumps, in half the room of a `Duration`: a house has several for each plug.

use std::num::NonZeroU64;
use std::ops::Add;
use std::time::Duration;

/// In whole nanoseconds, up to 584 years.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Up(
    // One more than the nanoseconds: so none of them takes no room besides.
    NonZeroU64,
);

impl From<Duration> for Up {
    fn from(up: Duration) -> Up {
        let ns = u64::try_from(up.as_nanos()).unwrap_or(u64::MAX);
        Up(NonZeroU64::MIN.saturating_add(ns))
    }
}

impl From<Up> for Duration {
    fn from(Up(ns): Up) -> Duration {
        Duration::from_nanos(ns.get() - 1)
    }
}

impl From<Up> for NonZeroU64 {
    fn from(Up(ns): Up) -> NonZeroU64 {
        ns
    }
}

impl From<NonZeroU64> for Up {
    fn from(ns: NonZeroU64) -> Up {
        Up(ns)
    }
}

impl Add<Duration> for Up {
    type Output = Duration;

    fn add(self, after: Duration) -> Duration {
        Duration::from(self) + after
    }
}

impl PartialEq<Duration> for Up {
    fn eq(&self, other: &Duration) -> bool {
        Duration::from(*self) == *other
    }
}

impl PartialOrd<Duration> for Up {
    fn partial_cmp(&self, other: &Duration) -> Option<std::cmp::Ordering> {
        Some(Duration::from(*self).cmp(other))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_comes_back_as_it_was_and_none_takes_no_room() {
        let times = [Duration::ZERO, Duration::from_nanos(1), Duration::new(3_000_000_000, 999_999_999)];
        for up in times {
            assert_eq!(Duration::from(Up::from(up)), up);
        }
        assert!(times.is_sorted_by_key(|up| Up::from(*up)), "in the same order");
        assert!(Up::from(Duration::MAX) > Duration::from_secs(584 * 31_536_000), "the last one there is");
        assert_eq!(size_of::<Option<Up>>(), 8);
    }
}
