//! What a plug says, and whether a hand was on it.

use std::time::Duration;

use smol_str::SmolStr;

use super::plug::{ECHO, HEARTBEAT, LATE, PerhapsHand, READING, SETTLING};
use super::{Delivery, Ends, Hand, Keeper, Subject};
use crate::pure::config::ByHand;
use crate::pure::entry::{EntryKind, Note};
use crate::pure::overrides;
use crate::pure::plug_kind::{read_alive, read_report, shown};
use crate::pure::power::Power;

impl Keeper {
    /// A message on a topic that is listened to.
    pub(super) fn message(&mut self, topic: &str, payload: &[u8], retained: bool) {
        let speakers = self.listeners.on(topic, &self.config, &self.plugs);
        if speakers.is_empty() {
            self.overheard(topic, payload, retained);
        }
        for speaker in speakers {
            match speaker.of {
                Subject::Report => self.report(speaker.plug, payload, retained),
                Subject::Alive => self.alive(speaker.plug, payload, retained),
            }
        }
    }

    fn report(&mut self, plug: u32, payload: &[u8], retained: bool) {
        let kind = self.kind(plug);
        let Some(report) = &kind.report else { return };
        match read_report(report, payload) {
            None => {
                if !retained {
                    self.garbled_in_try(plug, &report.topic.of(self.plug_name(plug)), payload);
                }
                self.garbled(plug, payload);
            }
            Some(said) if retained => self.last_known(plug, said),
            Some(said) => self.heard(plug, said),
        }
    }

    fn garbled(&mut self, plug: u32, payload: &[u8]) {
        if !std::mem::replace(&mut self.plugs[plug as usize].garbled, true) {
            let (channel, plug) = self.names(plug);
            self.say(Note::Garbled { channel, plug, payload: shown(payload) });
        }
    }

    /// A retained report: what the plug said at some time. Worth nothing against a live one.
    fn last_known(&mut self, plug: u32, said: Power) {
        let state = &mut self.plugs[plug as usize];
        if state.heard.is_none() {
            state.said = Some(said);
            self.tend(plug);
        }
    }

    /// A live report.
    fn heard(&mut self, plug: u32, said: Power) {
        let up = self.now.up;
        let target = self.target(plug);
        let was_confirmed = target.is_some_and(|target| self.plugs[plug as usize].proves(target) && said != target);
        let may_be_hand = was_confirmed && !self.is_blinking(plug) && self.may_be_hand(plug);
        self.heard_in_try(plug, said);
        if self.plugs[plug as usize].gone {
            self.back(plug);
        }
        let state = &mut self.plugs[plug as usize];
        state.garbled = false;
        state.said = Some(said);
        state.heard = Some(up.into());
        state.asked = None;
        if let Some(told) = &mut state.told {
            told.answered = Some(said);
            told.nothing_new = false;
        }
        if Some(said) == target {
            state.perhaps_hand = None;
        } else if may_be_hand && state.perhaps_hand.is_none() {
            state.perhaps_hand = Some(Box::new(PerhapsHand::new(self.now)));
            if self.kind(plug).alive.is_none() {
                self.hand(plug);
            }
        }
        self.tend(plug);
    }

    /// Whether a contradicting report now could be a hand, as far as time and settings go.
    fn may_be_hand(&self, plug: u32) -> bool {
        let up = self.now.up;
        let state = &self.plugs[plug as usize];
        let channel = state.channel as usize;
        self.trusted
            && self.config.channels[channel].by_hand == ByHand::Leave
            && self.channels[channel].wanted.is_some()
            && state.delivery == Delivery::Confirmed
            && state.told.as_ref().is_none_or(|told| up >= told.last + ECHO)
            && state.back.is_none_or(|back| up >= back + SETTLING)
            && self.went_on.is_none_or(|went_on| up >= went_on + SETTLING)
            && self.link.is_some_and(|link| up >= link + SETTLING)
    }

    /// The wait for a word of life is over: none came, so it was a hand. Unless nobody could have read it: where this step is
    /// late itself, what has come meanwhile still waits in the connection.
    pub(super) fn decide_hand(&mut self, plug: u32) {
        let up = self.now.up;
        let Some(perhaps) = &mut self.plugs[plug as usize].perhaps_hand else { return };
        if up >= perhaps.decide_at + LATE && !perhaps.put_off {
            (perhaps.decide_at, perhaps.put_off) = (up + READING, true);
        } else if up >= perhaps.decide_at {
            if self.trusted {
                self.hand(plug);
            }
            self.plugs[plug as usize].perhaps_hand = None;
        }
    }

    /// Somebody pressed the button: the plug is left so for a while, or follows its channel again if that is what
    /// the button made it.
    fn hand(&mut self, plug: u32) {
        let state = &mut self.plugs[plug as usize];
        let (Some(perhaps), Some(said)) = (state.perhaps_hand.take(), state.said) else { return };
        let channel = state.channel;
        let by_hand = self.entry(EntryKind::ByHand, channel, Some(plug), Some(said), "the button on the plug");
        self.record(by_hand);
        self.keeping.needed = true;
        if self.channels[channel as usize].wanted == Some(said) {
            self.end_hand(plug, "the button on the plug");
            return;
        }
        let mut until = overrides::hand_ends(&mut self.plan, channel as usize, self.now.wall);
        let standing = self.channels[channel as usize].standing.as_ref();
        match standing.map(|standing| standing.as_of(self.now, self.trusted).ends) {
            Some(Ends::At(at) | Ends::After { at, .. }) => until = until.min(at),
            Some(Ends::Cancelled) | None => {}
        }
        self.plugs[plug as usize].hand = Some(Box::new(Hand { wanted: said, until, since: perhaps.since }));
        self.set_channel_timers(channel);
    }

    fn alive(&mut self, plug: u32, payload: &[u8], retained: bool) {
        let kind = self.kind(plug);
        let Some(alive) = &kind.alive else { return };
        let word = read_alive(alive, payload);
        let state = &mut self.plugs[plug as usize];
        if retained {
            // What was so once. Only a plug that has not been heard on this link can be gone by it.
            if word == Some(false) && state.heard.is_none() {
                self.gone(plug);
            }
            return;
        }
        let rebooted = state.perhaps_hand.take().is_some();
        if word == Some(true) && state.asked.map(Duration::from) == self.link {
            // Asked when the link came up, before it was there to hear it: its answer need not be waited for.
            state.asked = None;
        }
        match word {
            Some(true) if state.gone => {
                self.back(plug);
                self.doubt(plug);
            }
            Some(true) => {
                // Back before anyone noticed that it was gone. A plug that says so all the time only repeats itself.
                state.heartbeat = state.heartbeat.saturating_add(1);
                if state.heartbeat < HEARTBEAT || rebooted {
                    state.back = Some(self.now.up.into());
                    self.doubt(plug);
                }
            }
            Some(false) => {
                if let Some(told) = state.told.as_mut().filter(|_| !state.gone) {
                    told.once_more = told.settled.is_none();
                }
                self.gone(plug);
            }
            None => {}
        }
        self.tend(plug);
    }

    fn gone(&mut self, plug: u32) {
        self.note_obstacle(plug);
        let state = &mut self.plugs[plug as usize];
        state.heartbeat = 0;
        if !std::mem::replace(&mut state.gone, true) {
            let (channel, name) = self.names(plug);
            self.say(Note::PlugGone { channel, plug: name });
        }
        self.tend(plug);
    }

    fn back(&mut self, plug: u32) {
        self.note_obstacle(plug);
        let up = self.now.up;
        let state = &mut self.plugs[plug as usize];
        state.gone = false;
        state.back = Some(up.into());
        state.begin_series(up);
        let (channel, plug) = self.names(plug);
        self.say(Note::PlugBack { channel, plug });
    }

    fn names(&self, plug: u32) -> (SmolStr, SmolStr) {
        let channel = self.plugs[plug as usize].channel;
        (self.channel_name(channel).clone(), self.plug_name(plug).clone())
    }
}
