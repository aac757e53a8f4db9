//! Whose topic a message came on.
//!
//! A house has two topics a plug as a rule, and their texts follow from the file: kept are their hashes alone, and a hit
//! is looked up there.

use std::hash::{BuildHasher, RandomState};

use smallvec::SmallVec;
use smol_str::SmolStr;

use super::plug::Plug;
use crate::pure::config::{Config, Topic};

/// Who speaks on which topic.
#[derive(Debug)]
pub(super) struct Listeners {
    hasher: RandomState,
    /// By the hash of the topic, in order.
    speakers: Box<[(u32, Speaker)]>,
}

/// Who speaks on a topic, and of what.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Speaker {
    pub plug: u32,
    pub of: Subject,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Subject {
    Report,
    Alive,
}

impl Listeners {
    /// Every report and word of life of every plug.
    pub fn of(config: &Config, plugs: &[Plug]) -> Listeners {
        let hasher = RandomState::new();
        let mut speakers = Vec::with_capacity(2 * plugs.len());
        for (index, plug) in plugs.iter().enumerate() {
            for of in [Subject::Report, Subject::Alive] {
                let speaker = Speaker { plug: index as u32, of };
                if let Some(topic) = topic(config, plug, of) {
                    speakers.push((short(hasher.hash_one(topic.as_str())), speaker));
                }
            }
        }
        speakers.sort_unstable();
        Listeners { hasher, speakers: speakers.into() }
    }

    /// Those who speak on a topic.
    pub fn on(&self, topic: &str, config: &Config, plugs: &[Plug]) -> SmallVec<[Speaker; 2]> {
        let hash = short(self.hasher.hash_one(topic));
        let first = self.speakers.partition_point(|(of, _)| *of < hash);
        let alike = self.speakers[first..].iter().take_while(|(of, _)| *of == hash).map(|(_, speaker)| *speaker);
        let theirs = |speaker: &Speaker| {
            let plug = &plugs[speaker.plug as usize];
            template(config, plug, speaker.of).is_some_and(|of| of.is(topic, name(config, plug)))
        };
        alike.filter(theirs).collect()
    }

    /// Every topic once, in order.
    pub fn topics(&self, config: &Config, plugs: &[Plug]) -> Vec<SmolStr> {
        let topic = |speaker: &Speaker| topic(config, &plugs[speaker.plug as usize], speaker.of).map(SmolStr::from);
        let mut topics = Vec::with_capacity(self.speakers.len());
        topics.extend(self.speakers.iter().filter_map(|(_, speaker)| topic(speaker)));
        topics.sort_unstable();
        topics.dedup();
        topics
    }
}

/// Half of it tells a house's topics apart well enough.
fn short(hash: u64) -> u32 {
    hash as u32
}

fn topic(config: &Config, plug: &Plug, of: Subject) -> Option<String> {
    Some(template(config, plug, of)?.of(name(config, plug)))
}

fn template<'a>(config: &'a Config, plug: &Plug, of: Subject) -> Option<&'a Topic> {
    let kind = &config.channels[plug.channel as usize].kind;
    match of {
        Subject::Report => kind.report.as_ref().map(|report| &report.topic),
        Subject::Alive => kind.alive.as_ref().map(|alive| &alive.topic),
    }
}

fn name<'a>(config: &'a Config, plug: &Plug) -> &'a str {
    &config.channels[plug.channel as usize].plugs[plug.nth as usize]
}
