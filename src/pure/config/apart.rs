//! A copy that shares nothing with the original.
//!
//! Reading a file takes many times the memory that what it says takes, and what is kept of it lies in between. A thread
//! of its own reads it, and what is kept is copied out of that thread's memory, which then goes back to the system as a
//! whole.

use std::collections::HashMap;
use std::sync::Arc;

use smol_str::SmolStr;

use super::{Channel, Config, PlugKind, Rule};
use crate::pure::moment::{Base, Clamp, ClockTime, Moment, NamedTime};

/// What has been copied: things that were shared are shared again.
#[derive(Default)]
struct Copied {
    times: HashMap<*const NamedTime, Arc<NamedTime>>,
    kinds: HashMap<*const PlugKind, Arc<PlugKind>>,
    rules: HashMap<*const Rule, Arc<[Rule]>>,
}

impl Config {
    /// Equal, and holds on to no memory of this one.
    pub fn apart(&self) -> Config {
        let mut copied = Copied::default();
        let times = self.times.iter().map(|time| copied.time(time)).collect();
        let mut channels = Vec::with_capacity(self.channels.len());
        channels.extend(self.channels.iter().map(|channel| Channel {
            name: text(&channel.name),
            label: text(&channel.label),
            kind: copied.kind(&channel.kind),
            plugs: channel.plugs.iter().map(text).collect(),
            lit: copied.rules(&channel.lit),
            ..*channel
        }));
        Config {
            place: self.place.clone(),
            times,
            broker: self.broker.clone(),
            web: self.web.clone(),
            channels,
            absence: self.absence.clone(),
            ..*self
        }
    }
}

impl Copied {
    fn time(&mut self, time: &Arc<NamedTime>) -> Arc<NamedTime> {
        self.times.entry(Arc::as_ptr(time)).or_insert_with(|| Arc::new((**time).clone())).clone()
    }

    fn kind(&mut self, kind: &Arc<PlugKind>) -> Arc<PlugKind> {
        self.kinds.entry(Arc::as_ptr(kind)).or_insert_with(|| Arc::new((**kind).clone())).clone()
    }

    fn rules(&mut self, rules: &Arc<[Rule]>) -> Arc<[Rule]> {
        if let Some(known) = self.rules.get(&rules.as_ptr()) {
            return known.clone();
        }
        let copy: Arc<[Rule]> = rules.iter().map(|rule| self.rule(rule)).collect();
        if !rules.is_empty() {
            self.rules.insert(rules.as_ptr(), copy.clone());
        }
        copy
    }

    fn rule(&mut self, rule: &Rule) -> Rule {
        let (from, until) = (self.moment(&rule.from), self.moment(&rule.until));
        Rule { from, until, except: rule.except.clone(), ..*rule }
    }

    fn moment(&mut self, moment: &Moment) -> Moment {
        let base = match &moment.base {
            Base::Sun { mark, offset } => Base::Sun { mark: *mark, offset: *offset },
            Base::Clock(clock) => Base::Clock(self.clock(clock)),
        };
        let clamp = |clamp: &Clamp| Clamp { side: clamp.side, clock: self.clock(&clamp.clock) };
        Moment { base, clamps: moment.clamps.iter().map(clamp).collect() }
    }

    fn clock(&mut self, clock: &ClockTime) -> ClockTime {
        match clock {
            ClockTime::At(time) => ClockTime::At(*time),
            ClockTime::Named(named) => ClockTime::Named(self.time(named)),
        }
    }
}

/// A clone of a long one would share its text.
fn text(text: &SmolStr) -> SmolStr {
    SmolStr::new(text.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pure::config::read;

    #[test]
    fn a_copy_says_the_same_and_shares_nothing() {
        let text = include_str!("../../../config/one-of-each.toml");
        let config = read("one-of-each.toml", text.as_bytes()).expect("a good file").config;
        let copy = config.apart();
        assert_eq!(copy, config);
        for (one, other) in copy.channels.iter().zip(&config.channels) {
            assert!(!Arc::ptr_eq(&one.kind, &other.kind) && !Arc::ptr_eq(&one.lit, &other.lit));
        }
        assert!(copy.times.iter().zip(&config.times).all(|(one, other)| !Arc::ptr_eq(one, other)));
        let held = |config: &Config| config.times.iter().map(Arc::strong_count).collect::<Vec<_>>();
        assert_eq!(held(&copy), held(&config), "what was shared is shared again, and with nobody else");
    }
}
