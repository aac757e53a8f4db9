//! What is to be listened to, and what the broker has been asked for.

use std::collections::HashSet;
use std::sync::Arc;

use smol_str::SmolStr;

use super::filter::{is_valid, sound};

/// Topics, or filters with wildcards: in order, each once, and only what a broker takes. Clones share them: a house of 10,000
/// plugs has twice as many.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Wanted(Arc<[SmolStr]>);

impl Wanted {
    pub fn topics(topics: Vec<SmolStr>) -> Wanted {
        Wanted::of(topics, sound)
    }

    pub fn filters(filters: Vec<SmolStr>) -> Wanted {
        Wanted::of(filters, is_valid)
    }

    fn of(texts: Vec<SmolStr>, fits: fn(&str) -> bool) -> Wanted {
        // Most are short, and short ones take no room besides their own.
        let mut texts: Vec<SmolStr> = texts.into_iter().filter(|text| fits(text)).collect();
        texts.sort_unstable();
        texts.dedup();
        Wanted(texts.into())
    }

    pub fn iter(&self) -> impl Iterator<Item = &SmolStr> {
        self.0.iter()
    }

    fn contains(&self, text: &str) -> bool {
        self.0.binary_search_by(|known| known.as_str().cmp(text)).is_ok()
    }
}

/// What one connection listens to.
#[derive(Clone, Debug, Default)]
pub struct Listening {
    topics: Wanted,
    filters: Wanted,
    /// What the broker does not let us have.
    refused: HashSet<SmolStr>,
}

impl Listening {
    /// All of it has been asked for, or will be.
    pub fn to(topics: Wanted, filters: Wanted) -> Listening {
        Listening { topics, filters, refused: HashSet::new() }
    }

    /// Whether the broker has been asked for it, or will be, and has not refused.
    pub fn contains(&self, topic: &str) -> bool {
        (self.topics.contains(topic) || self.filters.contains(topic)) && !self.refused.contains(topic)
    }

    /// The broker does not let us have it.
    pub fn refuse(&mut self, topic: SmolStr) {
        self.refused.insert(topic);
    }

    /// Each once: topics first.
    pub fn iter(&self) -> impl Iterator<Item = &SmolStr> {
        let besides = self.filters.iter().filter(|filter| !self.topics.contains(filter));
        self.topics.iter().chain(besides).filter(|topic| !self.refused.contains(*topic))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn listening(topics: &[&str], filters: &[&str]) -> Listening {
        let texts = |texts: &[&str]| texts.iter().map(SmolStr::new).collect();
        Listening::to(Wanted::topics(texts(topics)), Wanted::filters(texts(filters)))
    }

    #[track_caller]
    fn check(listening: &Listening, expected: &[&str]) {
        let all: Vec<&str> = listening.iter().map(SmolStr::as_str).collect();
        assert_eq!(all, expected);
        assert!(expected.iter().all(|topic| listening.contains(topic)));
    }

    #[test]
    fn each_is_there_once_and_what_no_broker_takes_is_not() {
        let all = listening(&["b", "a", "b", "", "c/+", "d\0"], &["x/#", "a", "x/#", "y#"]);
        check(&all, &["a", "b", "x/#"]);
        assert!(!all.contains("c/+") && !all.contains(""));
    }

    #[test]
    fn what_the_broker_refused_is_not_listened_to() {
        let mut all = listening(&["a", "b"], &["x/#"]);
        all.refuse("a".into());
        all.refuse("x/#".into());
        check(&all, &["b"]);
        assert!(!all.contains("a") && !all.contains("x/#"));
    }
}
