//! What the last forms did, kept until the browser comes back to read it: in bounded room.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

/// So many are kept.
const KEPT: usize = 32;

/// What a form did, in words.
#[derive(Clone, Debug, PartialEq)]
pub struct Words {
    /// The lamp that it is about, where it is about one.
    pub channel: Option<String>,
    /// Whether it was done.
    pub done: bool,
    /// A sentence.
    pub text: String,
}

/// The newest of them, each under an id that only the browser concerned is told.
#[derive(Clone, Debug, Default)]
pub struct Said(Arc<Mutex<VecDeque<(String, Words)>>>);

impl Said {
    /// Keeps words; gives their id.
    pub fn keep(&self, words: Words) -> String {
        let id = format!("{:016x}", fastrand::u64(..));
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.push_back((id.clone(), words));
        if kept.len() > KEPT {
            kept.pop_front();
        }
        id
    }

    /// The words of an id, where they are still kept.
    pub fn find(&self, id: &str) -> Option<Words> {
        let kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        kept.iter().find(|(known, _)| known == id).map(|(_, words)| words.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_newest_words_are_kept_and_no_more() {
        let said = Said::default();
        let words = |number: usize| Words { channel: None, done: true, text: number.to_string() };
        let ids: Vec<String> = (0..=KEPT).map(|number| said.keep(words(number))).collect();
        assert_eq!(said.find(&ids[0]), None);
        assert_eq!(said.find(&ids[1]), Some(words(1)));
        assert_eq!(said.find(&ids[KEPT]), Some(words(KEPT)));
        assert_eq!(said.find("nothing"), None);
    }
}
