//! What the keeper knows, as status and page show it.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use smol_str::SmolStr;

use super::channel::Standing;
use super::types::{Delivery, Ends, Hand, Now, Override};
use super::{Keeper, MISSES_SHOWN};
use crate::pure::power::Power;

/// What the keeper knows, for status and page.
#[derive(Clone, Debug, PartialEq)]
pub struct Snapshot {
    /// The wall clock of the step.
    pub now: DateTime<Utc>,
    /// Whether the clock is trusted.
    pub trusted: bool,
    /// Whether the link is up.
    pub link_up: bool,
    /// In the order of the file. What has not changed is shared with the snapshot before.
    pub channels: Vec<Arc<ChannelView>>,
    /// Misses of the last 24 h, oldest first.
    pub missed: Vec<Miss>,
}

/// One channel of a [`Snapshot`]. Its name is in the file, at the same place.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelView {
    /// `None` while the clock is not trusted and no override stands.
    pub wanted: Option<Power>,
    /// Why.
    pub because: SmolStr,
    /// The next change of wanted.
    pub next: Option<Arc<Switching>>,
    /// A person's word.
    pub overridden: Option<Box<Override>>,
    /// Its plugs, in the order of the file.
    pub plugs: Vec<PlugView>,
}

/// One change of one channel at one instant, with its reason.
#[derive(Clone, Debug, PartialEq)]
pub struct Switching {
    /// When.
    pub at: DateTime<Utc>,
    /// To what.
    pub wanted: Power,
    /// Why: "sunset", "bedtime", "sunset 15:44 less 20 min, held back to 16:00".
    pub because: SmolStr,
}

/// One plug of a [`ChannelView`]. Its name is in the file, at the same place.
#[derive(Clone, Debug, PartialEq)]
pub struct PlugView {
    /// What it last reported; `None` is unknown.
    pub said: Option<Power>,
    /// How far the last command has got.
    pub delivery: Delivery,
    /// Since when `delivery` stands.
    pub since: DateTime<Utc>,
    /// The hand that holds it.
    pub hand: Option<Box<Hand>>,
    /// It said that it is gone, and nothing since.
    pub gone: bool,
}

/// A switching that was missed.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Miss {
    /// When it was due.
    pub at: DateTime<Utc>,
    /// Which channel.
    pub channel: String,
    /// Which plug.
    pub plug: String,
    /// What was wanted.
    pub wanted: Power,
    /// `broker unreachable`, `plug gone`, `plug silent`, `plug disagrees`, `lampward not running` or
    /// `clock not trusted`.
    pub because: String,
}

/// What was last shown of a channel.
#[derive(Debug)]
pub(super) struct Shown {
    view: Arc<ChannelView>,
    /// While nothing happens to the channel it stays as it is from `since` and before `until`.
    since: DateTime<Utc>,
    until: DateTime<Utc>,
}

fn put(given: &mut Vec<Arc<ChannelView>>, at: usize, view: Arc<ChannelView>) {
    match given.get_mut(at) {
        Some(place) => *place = view,
        None => given.push(view),
    }
}

/// Nothing of so many channels has been shown yet.
pub(super) fn nothing(channels: usize) -> Vec<Option<Shown>> {
    (0..channels).map(|_| None).collect()
}

impl Keeper {
    /// What is known now.
    pub fn snapshot(&mut self, now: Now) -> Snapshot {
        let (trusted, link_up) = (self.trusted, self.link.is_some());
        let mut snapshot = Snapshot { now: now.wall, trusted, link_up, channels: Vec::new(), missed: Vec::new() };
        self.renew(&mut snapshot, now);
        snapshot
    }

    /// Makes what was known before into what is known now. Works out only what has changed: a burst of reports in a large
    /// house is shown several times. What nobody else has is written over in its place, or a large house would need room for two.
    pub fn renew(&mut self, snapshot: &mut Snapshot, now: Now) {
        let channels = &mut snapshot.channels;
        channels.truncate(self.channels.len());
        channels.reserve_exact(self.channels.len() - channels.len());
        for channel in 0..self.channels.len() {
            self.show(channels, channel, now);
        }
        let shown = self.misses.iter().filter(|(found, _)| *found + MISSES_SHOWN >= now.up);
        snapshot.missed = shown.map(|(_, miss)| miss.clone()).collect();
        (snapshot.now, snapshot.trusted, snapshot.link_up) = (now.wall, self.trusted, self.link.is_some());
    }

    /// The override now standing on a channel and its plugs, by its place in the file: what a [`ChannelView`] has of them,
    /// without the words that take long to find. Looks at no other channel.
    ///
    /// # Panics
    /// Where the file has fewer channels.
    pub fn glance(&self, place: usize, now: Now) -> (Option<Override>, Vec<PlugView>) {
        let standing = self.channels[place].standing.as_ref();
        (standing.map(|standing| standing.as_of(now, self.trusted)), self.plug_views(place as u32))
    }

    fn plug_views(&self, channel: u32) -> Vec<PlugView> {
        let plug = |plug: u32| {
            let state = &self.plugs[plug as usize];
            PlugView {
                said: state.said,
                delivery: state.delivery,
                since: state.since,
                hand: state.hand.clone(),
                gone: state.gone,
            }
        };
        self.channels[channel as usize].range().map(plug).collect()
    }

    /// Something has happened to a channel or one of its plugs.
    pub(super) fn changed(&mut self, channel: u32) {
        if let Some(shown) = &mut self.shown[channel as usize] {
            shown.until = shown.since;
        }
    }

    /// Shows the channel at this place of `given`, in which those before it are up to date.
    fn show(&mut self, given: &mut Vec<Arc<ChannelView>>, at: usize, now: Now) {
        if let Some(shown) = &self.shown[at]
            && shown.since <= now.wall
            && now.wall < shown.until
        {
            let view = Arc::clone(&shown.view);
            debug_assert_eq!(*view, self.view(at as u32, now), "something changed it unsaid");
            return put(given, at, view);
        }
        let view = self.view(at as u32, now);
        match self.shown[at].take().filter(|shown| *shown.view == view) {
            Some(same) => put(given, at, same.view),
            // Ours has gone: if the given one was the last beside it, that is free to be written over.
            None => match given.get_mut(at).map(Arc::get_mut) {
                Some(Some(place)) => *place = view,
                _ => put(given, at, Arc::new(view)),
            },
        }
        let until = match (&self.channels[at].standing, self.trusted) {
            // When a duration ends by the wall clock is worked out anew each time.
            (Some(_), _) => now.wall,
            (None, true) => self.plan.words_hold_until(at, now.wall),
            (None, false) => DateTime::<Utc>::MAX_UTC,
        };
        self.shown[at] = Some(Shown { view: Arc::clone(&given[at]), since: now.wall, until });
    }

    fn view(&mut self, channel: u32, now: Now) -> ChannelView {
        let because = self.because(channel);
        let next = self.next_change(channel, now);
        let state = &self.channels[channel as usize];
        ChannelView {
            wanted: state.wanted,
            because,
            next,
            overridden: state.standing.as_ref().map(|standing| Box::new(standing.as_of(now, self.trusted))),
            plugs: self.plug_views(channel),
        }
    }

    /// The next change of wanted, the end of an override included. The end of a hand is none: a hand holds a plug and
    /// not its channel, and says itself when it ends.
    fn next_change(&mut self, channel: u32, now: Now) -> Option<Arc<Switching>> {
        if !self.trusted {
            return None;
        }
        let standing: Option<&Standing> = self.channels[channel as usize].standing.as_deref();
        let Some(standing) = standing else { return self.plan.next(channel as usize, now.wall) };
        let (overridden, ends) = (standing.word.wanted, standing.as_of(now, true).ends);
        let (Ends::At(at) | Ends::After { at, .. }) = ends else { return None };
        let (wanted, _) = self.plan.wanted(channel as usize, at);
        if wanted == overridden {
            self.plan.next(channel as usize, at)
        } else {
            Some(Arc::new(Switching { at, wanted, because: "the override ends".into() }))
        }
    }
}
