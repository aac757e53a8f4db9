//! What people ask for: overrides, made durable before anyone is answered.

use std::collections::{BTreeSet, HashMap, VecDeque};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};

use super::channel::{Standing, UNTRUSTED_AT_MOST};
use super::{Answer, Ends, KEEP_AGAIN, Keeper, Keepsake, Now, Order, OrderId, Output, Override};
use crate::pure::entry::EntryKind;
use crate::pure::overrides::{self, Refusal};
use crate::pure::power::Power;

/// What is being made durable, and what waits for it.
#[derive(Debug, Default)]
pub(super) struct Keeping {
    /// Overrides or hands have changed since they were last handed over.
    pub needed: bool,
    /// Handed over, outcome not yet known.
    under_way: bool,
    /// The order that waits for the outcome.
    waiting: Option<Waiting>,
    /// Orders that came meanwhile.
    later: VecDeque<(OrderId, Order)>,
    /// After a failure, when to try again.
    again_at: Option<Duration>,
}

impl Keeping {
    /// When to look again.
    pub fn again_at(&self) -> Option<Duration> {
        if self.under_way { None } else { self.again_at }
    }
}

#[derive(Debug)]
enum Waiting {
    /// Nothing is done before it is durable.
    Set(OrderId, Vec<(String, Override)>),
    /// Done already, because a lamp is let go in any case.
    Cancel(OrderId, Vec<String>),
}

impl Keeper {
    pub(super) fn order(&mut self, id: OrderId, order: Order) {
        if self.keeping.under_way || self.keeping.waiting.is_some() {
            self.keeping.later.push_back((id, order));
            return;
        }
        match order {
            Order::Set { channels, wanted, until } => self.set(id, channels, wanted, until.as_deref()),
            Order::Cancel { channels } => self.cancel(id, channels),
            Order::Try { channel } => self.begin_try(id, channel),
        }
    }

    pub(super) fn answer(&mut self, id: OrderId, answer: Answer) {
        self.outputs.push(Output::Answer(id, answer));
    }

    /// The channels meant, in the order of the file; or the first name that is none.
    fn meant(&self, names: Option<Vec<String>>) -> Result<Vec<u32>, String> {
        let all = 0..self.channels.len() as u32;
        let Some(names) = names else { return Ok(all.collect()) };
        let mut asked: BTreeSet<&str> = names.iter().map(String::as_str).collect();
        let meant = all.filter(|channel| asked.remove(self.channel_name(*channel).as_str())).collect();
        let unknown = names.iter().find(|name| asked.contains(name.as_str()));
        unknown.map_or(Ok(meant), |name| Err(name.clone()))
    }

    fn set(&mut self, id: OrderId, names: Option<Vec<String>>, wanted: Power, until: Option<&str>) {
        let channels = match self.meant(names) {
            Ok(channels) => channels,
            Err(unknown) => return self.answer(id, Answer::UnknownChannel(unknown)),
        };
        let mut words = Vec::with_capacity(channels.len());
        for channel in channels {
            let (now, trusted) = (self.now.wall, self.trusted);
            match overrides::ends(&mut self.plan, channel as usize, wanted, until, now, trusted) {
                Ok((ends, because)) => {
                    let before = self.said_before(channel);
                    let word = Override { wanted, ends, because, since: now, by_trusted_clock: trusted, before };
                    words.push((self.channel_name(channel).to_string(), word));
                }
                Err(Refusal::Unprocessable(why)) => return self.answer(id, Answer::Refused(why)),
                Err(Refusal::ClockNotTrusted(why)) => return self.answer(id, Answer::ClockNotTrusted(why)),
            }
        }
        self.keeping.waiting = Some(Waiting::Set(id, words));
        self.keeping.needed = true;
    }

    /// What the plugs of a channel say now; or said before the override that stands, if that holds them already and
    /// its end would put them back.
    fn said_before(&self, channel: u32) -> Vec<(String, Option<Power>)> {
        let state = &self.channels[channel as usize];
        match &state.standing {
            Some(standing) if !self.trusted => standing.word.before.clone(),
            _ => {
                let said = |plug: u32| self.plugs[plug as usize].put_back.or(self.plugs[plug as usize].said);
                state.range().map(|plug| (self.plug_name(plug).to_string(), said(plug))).collect()
            }
        }
    }

    fn cancel(&mut self, id: OrderId, names: Option<Vec<String>>) {
        let channels = match self.meant(names) {
            Ok(channels) => channels,
            Err(unknown) => return self.answer(id, Answer::UnknownChannel(unknown)),
        };
        for &channel in &channels {
            self.stop_try_of(channel, "an override was cancelled");
            let before = self.targets(channel);
            self.end_override(channel, "cancelled");
            for plug in self.channels[channel as usize].range() {
                self.end_hand(plug, "cancelled");
            }
            self.work_out_wanted(channel);
            self.begin_changed(channel, &before);
            self.tend_channel(channel);
            self.set_channel_timers(channel);
        }
        if self.keeping.needed {
            let names = channels.iter().map(|channel| self.channel_name(*channel).to_string()).collect();
            self.keeping.waiting = Some(Waiting::Cancel(id, names));
        } else {
            let standing = channels.iter().map(|channel| (self.channel_name(*channel).to_string(), None)).collect();
            self.answer(id, Answer::Done(standing));
        }
    }

    /// Hands over what must survive a restart, if it has changed.
    pub(super) fn keep_if_needed(&mut self) {
        if self.keeping.again_at.is_some_and(|at| at <= self.now.up) {
            self.keeping.needed = true;
        }
        if self.keeping.needed && !self.keeping.under_way {
            self.keeping.needed = false;
            self.keeping.again_at = None;
            self.keeping.under_way = true;
            let keepsake = self.keepsake();
            self.outputs.push(Output::Keep(keepsake));
        }
    }

    /// What must survive a restart, an override included that is done as soon as it is durable.
    fn keepsake(&self) -> Keepsake {
        let mut keepsake = Keepsake::default();
        let coming: HashMap<&str, &Override> = match &self.keeping.waiting {
            Some(Waiting::Set(_, words)) => words.iter().map(|(name, word)| (name.as_str(), word)).collect(),
            _ => HashMap::new(),
        };
        for (index, channel) in self.channels.iter().enumerate() {
            let name = self.channel_name(index as u32);
            if let Some(word) = coming.get(name.as_str()) {
                keepsake.overrides.push((name.to_string(), (*word).clone()));
                continue;
            }
            if let Some(standing) = &channel.standing {
                keepsake.overrides.push((name.to_string(), standing.as_of(self.now, self.trusted)));
            }
            for plug in channel.range() {
                if let Some(hand) = &self.plugs[plug as usize].hand {
                    keepsake.hands.push((self.plug_name(plug).to_string(), (**hand).clone()));
                }
            }
        }
        keepsake
    }

    /// What came of making it durable.
    pub(super) fn kept(&mut self, outcome: Result<(), String>) {
        self.keeping.under_way = false;
        if outcome.is_err() {
            self.keeping.again_at = Some(self.now.up + KEEP_AGAIN);
        }
        match (self.keeping.waiting.take(), outcome) {
            (None, _) => {}
            (Some(Waiting::Set(id, words)), Ok(())) => self.carry_out(id, words),
            (Some(Waiting::Set(id, _)), Err(why)) => self.answer(id, Answer::NotKept(why)),
            (Some(Waiting::Cancel(id, names)), Ok(())) => {
                let standing = self.standing_on(names);
                self.answer(id, Answer::Done(standing));
            }
            (Some(Waiting::Cancel(id, names)), Err(why)) => {
                let standing = self.standing_on(names);
                self.answer(id, Answer::DoneNotKept(standing, why));
            }
        }
        while self.keeping.waiting.is_none() && !self.keeping.needed {
            let Some((id, order)) = self.keeping.later.pop_front() else { break };
            self.order(id, order);
        }
    }

    /// The overrides on channels that are still there.
    fn standing_on(&self, names: Vec<String>) -> Vec<(String, Option<Override>)> {
        let channels = self.channels_by_name();
        let standing = |name: &str| self.channels[*channels.get(name)? as usize].standing.as_ref();
        let word = |name: &str| standing(name).map(|standing| standing.as_of(self.now, self.trusted));
        names.iter().map(|name| (name.clone(), word(name))).collect()
    }

    fn channels_by_name(&self) -> HashMap<String, u32> {
        (0..self.channels.len() as u32).map(|channel| (self.channel_name(channel).to_string(), channel)).collect()
    }

    /// Overrides that are durable now begin to hold.
    fn carry_out(&mut self, id: OrderId, words: Vec<(String, Override)>) {
        let mut done = Vec::with_capacity(words.len());
        let mut concerned = Vec::with_capacity(words.len());
        let needed = self.keeping.needed;
        let channels = self.channels_by_name();
        for (name, word) in words {
            let Some(&channel) = channels.get(&name) else { continue };
            self.stop_try_of(channel, "an override was set");
            let before = self.targets(channel);
            for plug in self.channels[channel as usize].range() {
                self.end_hand(plug, "an override was set");
                self.plugs[plug as usize].put_back = None;
            }
            let set = self.entry(EntryKind::OverrideSet, channel, None, Some(word.wanted), &word.because);
            self.record(set);
            done.push((name, Some(word.clone())));
            self.channels[channel as usize].standing = Some(Box::new(Standing::begin(word, self.now)));
            concerned.push((channel, before));
        }
        // The hands that ended were left out of what is durable already.
        self.keeping.needed = needed;
        self.answer(id, Answer::Done(done));
        for (channel, before) in concerned {
            self.work_out_wanted(channel);
            self.begin_changed(channel, &before);
            self.tend_channel(channel);
            self.set_channel_timers(channel);
        }
    }

    /// Takes up what a former run left: what is over by now is dropped.
    pub(super) fn restore(&mut self, keepsake: Keepsake) {
        let kept = keepsake.clone();
        let channels = self.channels_by_name();
        for (name, word) in keepsake.overrides {
            let Some(&channel) = channels.get(&name) else { continue };
            let standing = Standing::restore(word, self.now, self.trusted);
            self.channels[channel as usize].standing = Some(Box::new(standing));
        }
        let plugs: HashMap<String, u32> =
            (0..self.plugs.len() as u32).map(|plug| (self.plug_name(plug).to_string(), plug)).collect();
        for (name, hand) in keepsake.hands {
            let Some(&plug) = plugs.get(&name) else { continue };
            self.plugs[plug as usize].hand = Some(Box::new(hand));
        }
        if self.keepsake() != kept {
            self.keeping.needed = true;
        }
    }
}

impl Standing {
    /// An override set now.
    fn begin(word: Override, now: Now) -> Standing {
        let ends_up = match word.ends {
            Ends::After { whole, .. } => Some(now.up + whole),
            Ends::At(_) | Ends::Cancelled => None,
        };
        Standing { word, set_at: now.up, ends_up, instant_counts: false }
    }

    /// An override from a former run: a duration by the wall clock where that can be relied on, and never more than
    /// the whole.
    fn restore(word: Override, now: Now, trusted: bool) -> Standing {
        let ends_up = match word.ends {
            Ends::After { whole, at } if trusted && word.by_trusted_clock => Some(now.up + whole.min(left(at, now))),
            Ends::After { whole, .. } => Some(now.up + whole),
            Ends::At(_) if !trusted => Some(now.up + UNTRUSTED_AT_MOST),
            Ends::At(_) | Ends::Cancelled => None,
        };
        let instant_counts = !trusted && word.by_trusted_clock;
        Standing { word, set_at: now.up, ends_up, instant_counts }
    }

    /// The clock has become trusted: instants count again.
    pub(super) fn trust_gained(&mut self, now: Now) {
        match self.word.ends {
            Ends::At(_) => self.ends_up = None,
            Ends::After { at, .. } if self.instant_counts => {
                self.ends_up = self.ends_up.map(|end| end.min(now.up + left(at, now)));
            }
            Ends::After { .. } | Ends::Cancelled => {}
        }
        self.instant_counts = false;
    }

    /// The clock is trusted no longer: an instant holds for a while by the other clock.
    pub(super) fn trust_lost(&mut self, now: Now) {
        if let Ends::At(_) = self.word.ends {
            self.ends_up = Some(now.up + UNTRUSTED_AT_MOST);
        }
    }

    /// The override as people see it now: what is left of a duration, and where the wall clock should then be.
    pub(super) fn as_of(&self, now: Now, trusted: bool) -> Override {
        let mut word = self.word.clone();
        if let (Ends::After { whole, at }, Some(ends_up)) = (&mut word.ends, self.ends_up) {
            *whole = ends_up.saturating_sub(now.up);
            if trusted || !word.by_trusted_clock {
                *at = later(now.wall, *whole);
                word.by_trusted_clock = trusted;
            }
        }
        word
    }
}

fn left(at: DateTime<Utc>, now: Now) -> Duration {
    (at - now.wall).to_std().unwrap_or(Duration::ZERO)
}

fn later(wall: DateTime<Utc>, by: Duration) -> DateTime<Utc> {
    TimeDelta::from_std(by).ok().and_then(|by| wall.checked_add_signed(by)).unwrap_or(DateTime::<Utc>::MAX_UTC)
}
