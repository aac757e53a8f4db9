//! One channel: what it is wanted to be, and what passes when that changes.

use std::ops::Range;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use smallvec::SmallVec;
use smol_str::SmolStr;

use super::plug::MISSED_AFTER;
use super::tend::Cause;
use super::up::Up;
use super::{Ends, Keeper, Override, Switching};
use crate::pure::entry::{EntryKind, missed};
use crate::pure::power::Power;

/// How long an override whose end is an instant holds at most while the clock is not trusted.
pub(super) const UNTRUSTED_AT_MOST: Duration = Duration::from_secs(12 * 3600);
/// Switchings jumped over by the clock are recorded no further back.
const JUMP_AT_MOST: TimeDelta = TimeDelta::days(7);

/// What is known of one channel.
#[derive(Debug)]
pub(super) struct Channel {
    /// Its plugs, as a range of numbers.
    pub first_plug: u32,
    pub plugs: u32,
    /// What plan or override want; `None` while the clock is not trusted and no override stands.
    pub wanted: Option<Power>,
    /// The plan's next switching; it has been followed up to there. `None` while the clock is not trusted too.
    pub next: Option<DateTime<Utc>>,
    /// A person's word.
    pub standing: Option<Box<Standing>>,
}

/// An override while it stands.
#[derive(Clone, Debug)]
pub(super) struct Standing {
    pub word: Override,
    /// When it was set or restored, by the clock that never jumps.
    pub set_at: Duration,
    /// When it ends by that clock: a duration, or the most that an instant holds while the clock is not trusted.
    pub ends_up: Option<Duration>,
    /// Restored while the clock was not trusted: once it is, the instant written down may end it sooner.
    pub instant_counts: bool,
}

impl Channel {
    /// The numbers of its plugs.
    pub fn range(&self) -> Range<u32> {
        self.first_plug..self.first_plug + self.plugs
    }
}

/// A planned switching that has fallen due and that no override stands against.
struct Due {
    switching: Switching,
    cause: Cause,
}

/// What the wall clock has done since the step before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Jump {
    /// It went on as the other clock did: if that was long, the machine was asleep or we were held up.
    Together,
    /// It was set.
    Set,
    /// It runs fast, in a demonstration.
    Fast,
}

impl Keeper {
    /// Works out anew what every channel is wanted to be.
    pub(super) fn look_at_all(&mut self) {
        for channel in 0..self.channels.len() as u32 {
            self.look(channel);
        }
    }

    /// Works out anew what a channel is wanted to be: ends what is over, follows the plan, and has its plugs tended.
    pub(super) fn look(&mut self, channel: u32) {
        let before = self.targets(channel);
        let ended = self.end_what_is_over(channel);
        let due = if self.trusted { self.follow_plan(channel, ended.as_ref()) } else { None };
        self.work_out_wanted(channel);
        match due {
            Some(due) => {
                if due.cause.missed {
                    self.record_lost(channel, std::slice::from_ref(&due.switching), missed::NOT_RUNNING);
                }
                for plug in self.channels[channel as usize].range() {
                    self.begin(plug, due.cause.clone());
                }
            }
            None => self.begin_changed(channel, &before),
        }
        self.tend_channel(channel);
        self.set_channel_timers(channel);
    }

    /// What the plugs of a channel are to be.
    pub(super) fn targets(&self, channel: u32) -> SmallVec<[Option<Power>; 8]> {
        self.channels[channel as usize].range().map(|plug| self.target(plug)).collect()
    }

    /// Begins a case for each plug of a channel that is to be something else than before.
    pub(super) fn begin_changed(&mut self, channel: u32, before: &[Option<Power>]) {
        let range = self.channels[channel as usize].range();
        if range.clone().map(|plug| self.target(plug)).eq(before.iter().copied()) {
            return;
        }
        let because = self.because(channel);
        for (plug, before) in range.zip(before) {
            let target = self.target(plug);
            if target != *before {
                match target {
                    Some(_) => self.begin(plug, Cause::unplanned(because.clone(), self.now.up)),
                    None => self.abandon(plug, Some(missed::CLOCK)),
                }
            }
        }
    }

    pub(super) fn tend_channel(&mut self, channel: u32) {
        for plug in self.channels[channel as usize].range() {
            self.tend(plug);
        }
    }

    /// Ends hands and override whose time is over; the instant at which the override was over, if one was.
    pub(super) fn end_what_is_over(&mut self, channel: u32) -> Option<(Override, DateTime<Utc>)> {
        let now = self.now;
        if self.trusted {
            for plug in self.channels[channel as usize].range() {
                if self.plugs[plug as usize].hand.as_ref().is_some_and(|hand| hand.until <= now.wall) {
                    self.end_hand(plug, "its time is over");
                }
            }
        }
        let standing = self.channels[channel as usize].standing.as_ref()?;
        let by_up = standing.ends_up.is_some_and(|at| at <= now.up);
        let at = match standing.word.ends {
            Ends::At(at) if self.trusted => (at <= now.wall).then_some(at),
            _ => by_up.then_some(now.wall),
        }?;
        let word = standing.word.clone();
        self.end_override(channel, "its time is over");
        Some((word, at))
    }

    /// Takes an override away, and with it the hands that were laid on under it.
    pub(super) fn end_override(&mut self, channel: u32, because: &str) {
        let Some(standing) = self.channels[channel as usize].standing.take() else { return };
        let over = self.entry(EntryKind::OverrideOver, channel, None, Some(standing.word.wanted), because);
        self.record(over);
        for plug in self.channels[channel as usize].range() {
            self.end_hand(plug, "the override is over");
        }
        if !self.trusted {
            for (name, said) in &standing.word.before {
                let plug = self.channels[channel as usize].range().find(|plug| self.plug_name(*plug) == name);
                if let Some(plug) = plug {
                    self.plugs[plug as usize].put_back = Some(said.unwrap_or(Power::Off));
                }
            }
        }
        self.keeping.needed = true;
    }

    /// Ends the hand on a plug, if there is one.
    pub(super) fn end_hand(&mut self, plug: u32, because: &str) {
        let state = &mut self.plugs[plug as usize];
        state.perhaps_hand = None;
        let channel = state.channel;
        if let Some(hand) = state.hand.take() {
            let over = self.entry(EntryKind::HandOver, channel, Some(plug), Some(hand.wanted), because);
            self.record(over);
            self.keeping.needed = true;
        }
    }

    /// Takes in every planned switching since the plan was last followed; the one that is to be carried out, if any.
    fn follow_plan(&mut self, channel: u32, ended: Option<&(Override, DateTime<Utc>)>) -> Option<Due> {
        let now = self.now.wall;
        let first = self.channels[channel as usize].next.filter(|next| *next <= now)?;
        let jump = self.jump();
        let real = if jump == Jump::Set { self.since_clock_was_set() } else { JUMP_AT_MOST };
        let after = first.max(now - real.min(JUMP_AT_MOST)) - TimeDelta::milliseconds(1);
        let due = self.plan.switchings(channel as usize, after, now);
        self.take_up_plan(channel);
        for plug in self.channels[channel as usize].range() {
            self.end_hand(plug, "the plan goes on");
        }

        let stands = self.channels[channel as usize].standing.is_some();
        let overridden = |at: DateTime<Utc>| stands || ended.is_some_and(|(_, end)| at < *end);
        let (against, mut open): (Vec<Switching>, Vec<Switching>) =
            due.into_iter().partition(|switching| overridden(switching.at));
        for switching in &against {
            self.record_overridden(channel, switching);
        }
        let last = open.pop();
        self.record_lost(channel, &open, if jump == Jump::Set { missed::CLOCK } else { missed::NOT_RUNNING });
        let switching = last?;
        let lag = now - switching.at;
        let behind = jump != Jump::Fast && lag > TimeDelta::from_std(MISSED_AFTER).expect("2 min fit");
        let missed = behind && jump == Jump::Together;
        let cause = Cause {
            due: Some(switching.at),
            lag: if behind { lag } else { TimeDelta::zero() },
            late: behind,
            missed,
            ..Cause::unplanned(switching.because.clone(), self.now.up)
        };
        Some(Due { switching, cause })
    }

    /// How long the wall clock had run since it was set before this time. Only so much of what it jumps over now was
    /// time that passed; a clock that was put back a week and is put right an hour later has missed an hour.
    fn since_clock_was_set(&self) -> TimeDelta {
        TimeDelta::from_std(self.now.up - self.clock_ran_since).unwrap_or(TimeDelta::MAX)
    }

    /// Whether the wall clock has gone on as the other did.
    pub(super) fn goes_on(&self) -> bool {
        !self.stepping && self.jump() == Jump::Together
    }

    fn jump(&self) -> Jump {
        let wall = self.now.wall - self.before.wall;
        let up = TimeDelta::from_std(self.now.up - self.before.up).unwrap_or(TimeDelta::MAX);
        if (wall - up).abs() < TimeDelta::from_std(MISSED_AFTER).expect("2 min fit") {
            Jump::Together
        } else if self.stepping {
            Jump::Set
        } else {
            Jump::Fast
        }
    }

    /// What plan and override make of a channel now.
    pub(super) fn work_out_wanted(&mut self, channel: u32) {
        let wanted = match &self.channels[channel as usize].standing {
            Some(standing) => Some(standing.word.wanted),
            None if self.trusted => Some(self.plan.power(channel as usize, self.now.wall)),
            None => None,
        };
        self.channels[channel as usize].wanted = wanted;
    }

    /// Why a channel is wanted as it is.
    pub(super) fn because(&mut self, channel: u32) -> SmolStr {
        match &self.channels[channel as usize].standing {
            Some(standing) => standing.word.because.as_str().into(),
            None if self.trusted => self.plan.wanted(channel as usize, self.now.wall).1,
            None => SmolStr::new_static(missed::CLOCK),
        }
    }

    /// Takes the plan up from the wall clock of now.
    pub(super) fn take_up_plan(&mut self, channel: u32) {
        let next = if self.trusted { self.plan.next_change(channel as usize, self.now.wall) } else { None };
        self.channels[channel as usize].next = next.map(|(at, _)| at);
    }

    pub(super) fn set_channel_timers(&mut self, channel: u32) {
        let state = &self.channels[channel as usize];
        let standing = state.standing.as_ref();
        let override_end = standing.and_then(|standing| match standing.word.ends {
            Ends::At(at) => Some(at),
            _ => None,
        });
        let hands = state.range().filter_map(|plug| self.plugs[plug as usize].hand.as_ref()).map(|hand| hand.until);
        let wall = hands.chain(state.next).chain(override_end).min();
        let up = standing.and_then(|standing| standing.ends_up);
        self.changed(channel);
        self.wall_timers.set(channel, if self.trusted { wall } else { None });
        self.channel_timers.set(channel, up.map(Up::from));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_channel_takes_little_room() {
        assert!(size_of::<Channel>() <= 48, "{} bytes a channel", size_of::<Channel>());
    }
}
