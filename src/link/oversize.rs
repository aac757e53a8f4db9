//! Finds the topic under which the broker keeps a message that is too large to be taken in.
//!
//! The client reads a packet whole and ends the connection at one that is too large, without a word of its topic; a
//! retained one would end each new connection as well. So the topics asked for last are suspected: on the next
//! connection they are asked for one at a time when all others are answered and the link is up. The one at which the
//! connection ends is not listened to for an hour.

use std::collections::{HashMap, HashSet};
use std::time::Duration;

use smol_str::SmolStr;

/// So long a topic is not asked for. After that it is tried again with the next connection that is made for whatever
/// reason, and never breaks one for its own sake.
const SHUNNED: Duration = Duration::from_secs(3600);

/// After so many ends in a row without a culprit every topic is suspected.
const IN_VAIN: u32 = 3;

/// How a topic is to be asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Together with others.
    Sound,
    /// By itself, when all others are answered.
    Suspect,
    /// Not now.
    Shunned,
}

/// What is known of oversize messages from one connection to the next.
#[derive(Debug, Default)]
pub struct Oversize {
    suspects: HashSet<SmolStr>,
    /// Until when, by [`crate::clock::since_boot`].
    shunned: HashMap<SmolStr, Duration>,
    in_vain: u32,
    everything: bool,
}

impl Oversize {
    /// How this topic is to be asked for on a new connection.
    pub fn verdict(&mut self, topic: &str, up: Duration) -> Verdict {
        if let Some(until) = self.shunned.get(topic) {
            if up < *until {
                return Verdict::Shunned;
            }
            self.shunned.remove(topic);
            self.suspects.insert(topic.into());
        }
        if self.everything || self.suspects.contains(topic) { Verdict::Suspect } else { Verdict::Sound }
    }

    /// Whether nothing is suspected or left alone.
    pub fn is_clear(&self) -> bool {
        self.suspects.is_empty() && self.shunned.is_empty() && !self.everything
    }

    /// A connection has ended at a message of so many bytes: while this topic was asked for by itself, or after these
    /// were asked for together.
    pub fn accuse(&mut self, on_trial: Option<SmolStr>, asked_last: Vec<SmolStr>, bytes: usize, up: Duration) {
        let Some(topic) = on_trial else {
            self.in_vain += 1;
            self.everything |= self.in_vain >= IN_VAIN;
            self.suspects.extend(asked_last);
            return;
        };
        tracing::warn!(
            topic = topic.as_str(),
            bytes,
            "the broker keeps a message under this topic that is too large for a report: the topic is not listened to; \
             remove the message (publish an empty one, retained), then restart lampward"
        );
        self.in_vain = 0;
        self.suspects.remove(&topic);
        self.shunned.insert(topic, up + SHUNNED);
    }

    /// Nothing came of asking for this topic by itself.
    pub fn acquit(&mut self, topic: &str) {
        self.suspects.remove(topic);
        if self.suspects.is_empty() {
            self.in_vain = 0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const UP: Duration = Duration::from_secs(100);

    fn topics(names: &[&str]) -> Vec<SmolStr> {
        names.iter().map(|name| SmolStr::new(*name)).collect()
    }

    #[test]
    fn the_topic_at_which_a_connection_ends_is_found_and_left_alone_for_an_hour() {
        let mut oversize = Oversize::default();
        assert_eq!(oversize.verdict("a", UP), Verdict::Sound);
        assert!(oversize.is_clear());
        oversize.accuse(None, topics(&["a", "b"]), 5_000_000, UP);
        assert!(!oversize.is_clear());
        assert_eq!(["a", "b", "c"].map(|topic| oversize.verdict(topic, UP)), {
            use Verdict::{Sound, Suspect};
            [Suspect, Suspect, Sound]
        });
        oversize.acquit("a");
        oversize.accuse(Some("b".into()), topics(&["a", "b"]), 5_000_000, UP);
        assert_eq!(oversize.verdict("a", UP), Verdict::Sound);
        assert!(!oversize.is_clear());
        assert_eq!(oversize.verdict("b", UP + Duration::from_secs(3599)), Verdict::Shunned);
        assert_eq!(oversize.verdict("b", UP + Duration::from_secs(3600)), Verdict::Suspect);
    }

    #[test]
    fn where_the_suspects_are_innocent_everyone_is_suspected() {
        let mut oversize = Oversize::default();
        for _ in 0..3 {
            assert_eq!(oversize.verdict("z", UP), Verdict::Sound);
            oversize.accuse(None, topics(&["a"]), 5_000_000, UP);
        }
        assert_eq!(oversize.verdict("z", UP), Verdict::Suspect);
    }
}
