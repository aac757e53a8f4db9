//! Whoever asks gives way to a switching: from just before its time until its commands are on their way, no answer is begun.
//!
//! The loop has a thread of its own, but a processor it must get like anybody else: where a small board has both hands full with
//! answers, and the kernel keeps one of its processors for itself in that very moment, a lamp would wait for a page.

use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use crate::clock;

/// Until when, in nanoseconds of [`clock::since_boot`].
#[derive(Debug, Default)]
pub struct GiveWay(AtomicU64);

impl GiveWay {
    /// For so long from now.
    pub fn give(&self, long: Duration) {
        self.until(clock::since_boot() + long);
    }

    fn until(&self, up: Duration) {
        self.0.store(u64::try_from(up.as_nanos()).unwrap_or(u64::MAX), Ordering::Relaxed);
    }

    /// Returns when nobody is given way any more: at once, as a rule. However closely switchings follow each other, this waits for
    /// one of them alone, so that everybody is answered.
    pub async fn let_pass(&self) {
        if let Some(long) = self.rest(clock::since_boot()) {
            tokio::time::sleep(long).await;
        }
    }

    fn rest(&self, up: Duration) -> Option<Duration> {
        Duration::from_nanos(self.0.load(Ordering::Relaxed)).checked_sub(up).filter(|long| !long.is_zero())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn way_is_given_until_a_time_and_no_longer() {
        let (way, ms) = (GiveWay::default(), Duration::from_millis);
        assert_eq!(way.rest(ms(0)), None, "to nobody at first");
        way.until(ms(1_005));
        assert_eq!(way.rest(ms(1_000)), Some(ms(5)));
        assert_eq!(way.rest(ms(1_005)), None);
        assert_eq!(way.rest(ms(2_000)), None);
    }
}
