//! What is to be listened to, and what the broker has been asked for.

use std::collections::HashSet;
use std::sync::Arc;

use smol_str::SmolStr;

use super::filter::{is_valid, sound};
use super::fold::folded;

/// Topics, or filters with wildcards: in order, each once, and only what a broker takes. Clones share them: a house of 10,000
/// plugs has twice as many.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Wanted {
    texts: Arc<[SmolStr]>,
    /// Fewer filters that hear them too: see [`super::fold`]. The same where there are none.
    folded: Arc<[SmolStr]>,
}

impl Wanted {
    pub fn topics(topics: Vec<SmolStr>) -> Wanted {
        let texts = fit(topics, sound);
        let folded = folded(&texts);
        let folded = if folded.len() < texts.len() { folded.into() } else { Arc::clone(&texts) };
        Wanted { texts, folded }
    }

    pub fn filters(filters: Vec<SmolStr>) -> Wanted {
        let texts = fit(filters, is_valid);
        Wanted { folded: Arc::clone(&texts), texts }
    }

    pub fn iter(&self) -> impl Iterator<Item = &SmolStr> {
        self.texts.iter()
    }

    /// Whether there are fewer filters that hear all of it.
    pub fn folds(&self) -> bool {
        self.folded.len() < self.texts.len()
    }

    /// Whether this is a filter that stands for many topics.
    pub fn is_fold(&self, text: &str) -> bool {
        self.folds() && contains(&self.folded, text) && !contains(&self.texts, text)
    }
}

fn fit(mut texts: Vec<SmolStr>, fits: fn(&str) -> bool) -> Arc<[SmolStr]> {
    // Most are short, and short ones take no room besides their own.
    texts.retain(|text| fits(text));
    texts.sort_unstable();
    texts.dedup();
    texts.into()
}

fn contains(texts: &[SmolStr], text: &str) -> bool {
    texts.binary_search_by(|known| known.as_str().cmp(text)).is_ok()
}

/// What one connection listens to.
#[derive(Clone, Debug, Default)]
pub struct Listening {
    topics: Wanted,
    filters: Wanted,
    /// One filter is asked for where it hears many topics.
    folds: bool,
    /// What the broker does not let us have.
    refused: HashSet<SmolStr>,
}

impl Listening {
    /// All of it has been asked for, or will be: folded or as it is.
    pub fn to(topics: Wanted, filters: Wanted, folds: bool) -> Listening {
        Listening { topics, filters, folds, refused: HashSet::new() }
    }

    fn asked(&self) -> &[SmolStr] {
        if self.folds { &self.topics.folded } else { &self.topics.texts }
    }

    /// Whether the broker has been asked for this, or will be, and has not refused.
    pub fn asks_for(&self, text: &str) -> bool {
        (contains(self.asked(), text) || contains(&self.filters.texts, text)) && !self.refused.contains(text)
    }

    /// Whether a message on this topic is wanted for its own sake.
    pub fn hears(&self, topic: &str) -> bool {
        (contains(&self.topics.texts, topic) || contains(&self.filters.texts, topic)) && !self.refused.contains(topic)
    }

    /// Whether anything is folded.
    pub fn folds(&self) -> bool {
        self.folds && self.topics.folds()
    }

    /// The broker does not let us have it.
    pub fn refuse(&mut self, text: SmolStr) {
        self.refused.insert(text);
    }

    /// What is asked for, each once: topics first.
    pub fn iter(&self) -> impl Iterator<Item = &SmolStr> {
        let besides = self.filters.iter().filter(|filter| !contains(self.asked(), filter));
        self.asked().iter().chain(besides).filter(|text| !self.refused.contains(*text))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn listening(topics: &[&str], filters: &[&str]) -> Listening {
        let texts = |texts: &[&str]| texts.iter().map(SmolStr::new).collect();
        Listening::to(Wanted::topics(texts(topics)), Wanted::filters(texts(filters)), true)
    }

    #[track_caller]
    fn check(listening: &Listening, expected: &[&str]) {
        let all: Vec<&str> = listening.iter().map(SmolStr::as_str).collect();
        assert_eq!(all, expected);
        assert!(expected.iter().all(|text| listening.asks_for(text)));
    }

    #[test]
    fn each_is_there_once_and_what_no_broker_takes_is_not() {
        let all = listening(&["b", "a", "b", "", "c/+", "d\0"], &["x/#", "a", "x/#", "y#"]);
        check(&all, &["a", "b", "x/#"]);
        assert!(!all.asks_for("c/+") && !all.asks_for("") && !all.folds());
        assert!(all.hears("a") && !all.hears("c"));
    }

    #[test]
    fn what_the_broker_refused_is_not_listened_to() {
        let mut all = listening(&["a", "b"], &["x/#"]);
        all.refuse("a".into());
        all.refuse("x/#".into());
        check(&all, &["b"]);
        assert!(!all.asks_for("a") && !all.hears("a") && !all.asks_for("x/#"));
    }

    #[test]
    fn many_topics_are_asked_for_by_one_filter_and_heard_each() {
        let topics: Vec<SmolStr> = (0..300).map(|n| smol_str::format_smolstr!("yard/{n:03}/report")).collect();
        let all = |folds| Listening::to(Wanted::topics(topics.clone()), Wanted::default(), folds);
        let (folded, each) = (all(true), all(false));
        check(&folded, &["yard/+/report"]);
        assert!(folded.folds() && !each.folds());
        assert!(folded.topics.is_fold("yard/+/report") && !folded.topics.is_fold("yard/003/report"));
        check(&each, &topics.iter().map(SmolStr::as_str).collect::<Vec<_>>());
        for listening in [folded, each] {
            assert!(topics.iter().all(|topic| listening.hears(topic)));
            assert!(!listening.hears("yard/300/report") && !listening.hears("yard/+/report"));
        }
    }
}
