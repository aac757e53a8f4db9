//! How long to wait before the next try.

use std::time::Duration;

/// A connection that has lived this long counts as a good one, and the next wait is short again.
pub const GOOD_AFTER: Duration = Duration::from_secs(10);

const SHORTEST: Duration = Duration::from_millis(250);
const LONGEST: Duration = Duration::from_secs(3);
/// Brokers shut out whoever tries a wrong password too often.
const REFUSED: Duration = Duration::from_secs(30);

/// This many connections in a row, cut by the broker before they were good, are no accident.
const SHORT_LIVED: u32 = 5;

/// Waits between tries.
#[derive(Debug, Default)]
pub struct Retry {
    failed: u32,
    cut_short: u32,
}

/// How a connection, or a try for one, ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ended {
    /// There was none.
    Never,
    /// User or password were refused, or the certificate of the broker by us.
    Refused,
    /// After it had been up for so long.
    Lived(Duration),
}

impl Retry {
    /// How long to wait after this end; `jitter` is drawn evenly from 0 to 1 and takes away up to a half.
    pub fn wait(&mut self, ended: Ended, jitter: f64) -> Duration {
        match ended {
            Ended::Refused => return REFUSED.mul_f64(1.0 + jitter.clamp(0.0, 1.0) / 10.0),
            Ended::Lived(life) if life >= GOOD_AFTER => *self = Retry::default(),
            Ended::Lived(_) => self.cut_short += 1,
            Ended::Never => {}
        }
        let wait = SHORTEST.saturating_mul(1 << self.failed.min(10)).min(LONGEST);
        self.failed = self.failed.saturating_add(1);
        wait.mul_f64(1.0 - jitter.clamp(0.0, 1.0) / 2.0)
    }

    /// True at the 5th, 10th, 20th, 40th … connection in a row that was cut soon after it was up: most likely somebody
    /// else uses our client id.
    pub fn suspicious(&self) -> bool {
        self.cut_short.is_multiple_of(SHORT_LIVED) && (self.cut_short / SHORT_LIVED).is_power_of_two()
    }
}

#[cfg(test)]
mod tests {
    use super::Ended::{Lived, Never, Refused};
    use super::*;

    #[track_caller]
    fn check(jitter: f64, ends: &[Ended], expected_ms: &[u128]) {
        let mut retry = Retry::default();
        let waits: Vec<u128> = ends.iter().map(|&ended| retry.wait(ended, jitter).as_millis()).collect();
        assert_eq!(waits, expected_ms);
    }

    const SHORT: Ended = Lived(Duration::from_millis(9_999));
    const GOOD: Ended = Lived(Duration::from_secs(10));

    #[test]
    fn waits_double_up_to_three_seconds() {
        check(0.0, &[Never; 7], &[250, 500, 1000, 2000, 3000, 3000, 3000]);
        check(1.0, &[Never; 6], &[125, 250, 500, 1000, 1500, 1500]);
    }

    #[test]
    fn a_good_connection_makes_the_next_wait_short_and_a_brief_one_does_not() {
        check(0.0, &[Never, Never, SHORT, SHORT, GOOD, Never], &[250, 500, 1000, 2000, 250, 500]);
    }

    #[test]
    fn a_refused_password_is_not_tried_again_soon() {
        check(0.0, &[Refused, Refused, Never], &[30_000, 30_000, 250]);
        check(1.0, &[Refused], &[33_000]);
    }

    #[test]
    fn being_thrown_off_again_and_again_is_suspicious_and_said_ever_more_seldom() {
        let mut retry = Retry::default();
        let said: Vec<u32> = (1..=40)
            .filter(|_| {
                retry.wait(SHORT, 0.5);
                retry.suspicious()
            })
            .collect();
        assert_eq!(said, [5, 10, 20, 40]);
        retry.wait(GOOD, 0.5);
        assert!(!retry.suspicious());
    }

    #[test]
    fn years_of_failures_change_nothing() {
        let mut retry = Retry { failed: u32::MAX, cut_short: 0 };
        assert_eq!(retry.wait(Never, 0.0), Duration::from_secs(3));
    }
}
