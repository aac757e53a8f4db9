//! Wanted against said: what to publish, what to record and when to look again. A state machine without I/O.
//!
//! - `types.rs`, `view.rs`: what goes in and what comes out.
//! - `channel.rs`: what a channel is wanted to be, and what passes when that changes.
//! - `plug.rs`, `tend.rs`: how far the last command has got, and whether to repeat it.
//! - `listeners.rs`: whose topic that is.
//! - `hear.rs`: what a plug says, and whether a hand was on it.
//! - `orders.rs`: overrides, durable before they are answered.
//! - `lost_time.rs`: what fell due while nobody could send it.
//! - `reload.rs`: another file, the same plugs.
//! - `trying.rs`, `tried.rs`, `overheard.rs`: a person wants to see which plugs these are.

mod channel;
mod hear;
mod listeners;
mod lost_time;
mod orders;
mod overheard;
mod plug;
mod reload;
mod tend;
#[cfg(test)]
mod tests;
mod timers;
mod tried;
mod trying;
mod types;
mod up;
mod view;

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use smol_str::SmolStr;

use self::channel::Channel;
use self::listeners::{Listeners, Subject};
use self::lost_time::Before;
use self::orders::Keeping;
use self::plug::Plug;
use self::timers::Timers;
pub use self::tried::*;
use self::trying::Trying;
pub use self::types::*;
use self::up::Up;
pub use self::view::*;
use super::config::{Config, PlugKind};
use super::entry::{Entry, EntryKind, Note};
use super::plan::Plan;
use super::power::Power;

/// How often a sign of life is due.
const ALIVE_EVERY: Duration = Duration::from_secs(600);
/// How soon what could not be made durable is tried again.
const KEEP_AGAIN: Duration = Duration::from_secs(600);
/// How long misses are shown.
const MISSES_SHOWN: Duration = Duration::from_secs(24 * 3600);
/// No more channels than these are prepared for: it shall not take long itself.
const PREPARED: usize = 64;

/// Room for so many outputs is kept from one step to the next: most have no more.
const REUSED: usize = 8;
/// The longest rest: whatever might be overlooked is looked at again.
const LONGEST_REST: Duration = Duration::from_secs(3600);
/// The shortest, so that no mistake of ours can keep a processor busy.
const SHORTEST_REST: Duration = Duration::from_millis(1);
/// So many planned switchings are worked out at once; the rest are due in the next step, which comes without a rest. So the
/// first commands of a large house are on their way while the last are worked out. Where the clock has jumped all of them are
/// worked out in one step, the only one that sees the jump. A step does so twice, before and after what else happens, and
/// lamps of one plug each are all told in it.
const AT_ONCE: usize = TOLD_AT_ONCE / 2;
/// So many commands come of one step; further plugs wait until nothing else is due. Where a broker comes back a whole house is
/// told anew, and nobody needs room for all of that at a time. Questions are not counted.
const TOLD_AT_ONCE: usize = 30;
/// A step that comes so late after its time: the whole program, or its machine, stood still. What was waiting by then may be
/// older than a command that is sent now, and plugs may have gone and come back.
const STOOD_STILL: Duration = Duration::from_secs(5);
/// A wall clock that goes back by less was only trimmed.
const TRIM: TimeDelta = TimeDelta::seconds(1);

/// Decides what every plug is told. See [`Keeper::step`].
#[derive(Debug)]
pub struct Keeper {
    config: Arc<Config>,
    plan: Plan,
    /// Of this step.
    now: Now,
    /// Of the step before.
    before: Now,
    trusted: bool,
    /// Whether this step is about the clock having been set.
    stepping: bool,
    /// When the wall clock was set before this step, or the start.
    clock_ran_since: Duration,
    clock_set: Duration,
    /// When trust was lost, or the start without it.
    untrusted_since: Duration,
    /// Files that held for a while since then, and until when.
    files_while_untrusted: Vec<(Duration, Arc<Config>)>,
    /// What fell due before the start, until the clock is trusted and it can be worked out.
    before_start: Option<Before>,
    /// When the link came up.
    link: Option<Duration>,
    /// When the last step wanted the next one at the latest.
    due: Duration,
    /// When it went on after it had stood still.
    went_on: Option<Duration>,
    channels: Vec<Channel>,
    plugs: Vec<Plug>,
    /// Who speaks on which topic.
    listeners: Listeners,
    /// Plan, overrides and hands, by the wall clock.
    wall_timers: Timers<DateTime<Utc>>,
    /// Overrides that run by the clock that never jumps.
    channel_timers: Timers<Up>,
    plug_timers: Timers<Up>,
    next_alive: Option<Duration>,
    next_ticket: u64,
    /// Plugs that wait for their turn, as commands are paced or there were many in one step.
    queue: VecDeque<u32>,
    /// How many may still be told in this step.
    may_tell: usize,
    next_send: Duration,
    /// As the file had it at the start: changes to `[broker]` wait for a restart.
    pace: Duration,
    keeping: Keeping,
    /// A channel that is being tried.
    trying: Option<Box<Trying>>,
    /// What was last shown of each channel.
    shown: Vec<Option<view::Shown>>,
    /// Misses of the last day and when each was found.
    misses: VecDeque<(Duration, Miss)>,
    outputs: Vec<Output>,
}

impl Keeper {
    /// A keeper with what was found at the start, and what follows at once. The link is down until it is said to be up.
    pub fn new(now: Now, config: Arc<Config>, start: Start) -> (Keeper, Step) {
        let (channels, plugs) = reload::empty_house(&config, now);
        let mut keeper = Keeper {
            plan: Plan::new(Arc::clone(&config)),
            pace: config.broker.pace,
            now,
            before: now,
            trusted: start.trusted,
            stepping: false,
            clock_ran_since: now.up,
            clock_set: now.up,
            untrusted_since: now.up,
            files_while_untrusted: Vec::new(),
            before_start: None,
            link: None,
            due: Duration::MAX,
            went_on: None,
            listeners: Listeners::of(&config, &plugs),
            wall_timers: Timers::of(channels.len()),
            channel_timers: Timers::of(channels.len()),
            plug_timers: Timers::of(plugs.len()),
            shown: view::nothing(channels.len()),
            channels,
            plugs,
            config,
            next_alive: None,
            next_ticket: 0,
            queue: VecDeque::new(),
            may_tell: TOLD_AT_ONCE,
            next_send: Duration::ZERO,
            keeping: Keeping::default(),
            trying: None,
            misses: VecDeque::new(),
            outputs: Vec::new(),
        };
        keeper.before_start = start.down.map(|down| Before::new(down, &start.keepsake));
        keeper.restore(start.keepsake);
        if keeper.trusted {
            keeper.trust_gained();
        } else {
            keeper.look_at_all();
        }
        let step = keeper.finish();
        (keeper, step)
    }

    /// Takes in one thing that happened and says everything that follows from it.
    pub fn step(&mut self, now: Now, input: Input) -> Step {
        self.before = std::mem::replace(&mut self.now, now);
        // There is no step after the last.
        let stops = matches!(input, Input::Stop);
        self.may_tell = if stops { usize::MAX } else { TOLD_AT_ONCE };
        self.stepping = matches!(input, Input::Clock { .. });
        if now.up >= self.due.saturating_add(STOOD_STILL) {
            self.went_on = Some(now.up);
        }
        if let Input::Clock { trusted } = input {
            self.clock(trusted);
        } else if self.trusted && now.wall + TRIM < self.before.wall {
            self.clock(true);
        }
        // What else happens finds nothing left undone that was due before it.
        let waits = matches!(input, Input::Tick | Input::Acked(_) | Input::Message { .. });
        self.pass_time(if waits && self.goes_on() { AT_ONCE } else { usize::MAX });
        match input {
            Input::Tick | Input::Clock { .. } => {}
            Input::LinkUp => self.link_up(),
            Input::LinkDown => self.link_down(),
            Input::Acked(ticket) => self.acked(ticket),
            Input::Message { topic, payload, retained } => self.message(&topic, &payload, retained),
            Input::Order(id, order) => self.order(id, order),
            Input::Kept(outcome) => self.kept(outcome),
            Input::Reload(config) => self.reload(config),
            Input::Stop => self.stop(),
        }
        self.pass_time(AT_ONCE);
        // What happens now goes before what waited.
        if !stops {
            self.send_queued();
        }
        self.finish()
    }

    /// Takes back the outputs of a step, for the room of the next.
    pub fn reuse(&mut self, mut outputs: Vec<Output>) {
        if self.outputs.capacity() == 0 && outputs.capacity() <= REUSED {
            outputs.clear();
            self.outputs = outputs;
        }
    }

    /// Works out beforehand what is planned for the coming `Step::wake_at`, so that no lamp waits for that. Changes nothing
    /// but how long the step at that time takes.
    pub fn prepare(&mut self) {
        let Some(at) = self.wall_timers.first().filter(|_| self.trusted) else { return };
        for channel in self.wall_timers.due_by(at).take(PREPARED) {
            self.plan.prepare(channel as usize, at);
        }
    }

    /// The topics to listen to: exact, without wildcards, each once.
    pub fn topics(&self) -> Vec<SmolStr> {
        self.listeners.topics(&self.config, &self.plugs)
    }

    /// What else to listen to while a channel is tried, with wildcards; none otherwise.
    pub fn filters(&self) -> Vec<SmolStr> {
        self.trying.iter().flat_map(|trying| trying.filters()).map(SmolStr::new).collect()
    }

    /// Whatever is due by now; of planned switchings only so many.
    fn pass_time(&mut self, mut at_most: usize) {
        if self.trusted {
            while at_most > 0
                && let Some(channel) = self.wall_timers.pop_due(self.now.wall)
            {
                self.look(channel);
                at_most -= 1;
            }
        }
        while let Some(channel) = self.channel_timers.pop_due(self.now.up.into()) {
            self.look(channel);
        }
        while let Some(plug) = self.plug_timers.pop_due(self.now.up.into()) {
            self.plug_is_due(plug);
        }
        if !self.pace.is_zero() {
            self.send_queued();
        }
        self.pass_try();
        if self.next_alive.is_some_and(|at| at <= self.now.up) {
            self.sign_of_life();
        }
    }

    fn sign_of_life(&mut self) {
        self.outputs.push(Output::Alive);
        self.next_alive = Some(self.now.up + ALIVE_EVERY);
    }

    /// What is to be done, and when to look again.
    fn finish(&mut self) -> Step {
        self.keep_if_needed();
        let queued = (self.link.is_some() && !self.queue.is_empty()).then_some(self.next_send);
        let tried = self.trying.as_ref().and_then(|trying| trying.look_at(self.link.is_some(), self.next_send));
        let deadlines = [
            self.plug_timers.first().map(Duration::from),
            self.channel_timers.first().map(Duration::from),
            self.next_alive,
            queued,
            self.keeping.again_at(),
            tried,
        ];
        let earliest = deadlines.into_iter().flatten().min();
        let rest = earliest.map_or(LONGEST_REST, |at| at.saturating_sub(self.now.up));
        let rest = rest.clamp(SHORTEST_REST, LONGEST_REST);
        self.due = self.now.up + rest;
        Step {
            outputs: std::mem::take(&mut self.outputs),
            rest,
            wake_at: if self.trusted { self.wall_timers.first() } else { None },
        }
    }

    /// The clock was set, or its trust changed.
    fn clock(&mut self, trusted: bool) {
        self.clock_ran_since = std::mem::replace(&mut self.clock_set, self.now.up);
        match (self.trusted, trusted) {
            (false, true) => self.trust_gained(),
            (true, false) => self.trust_lost(),
            (true, true) => self.clock_stepped(),
            (false, false) => {}
        }
        self.shown = view::nothing(self.channels.len());
        self.ask_all();
    }

    fn record(&mut self, entry: Entry) {
        self.outputs.push(Output::Record(entry));
    }

    fn say(&mut self, note: Note) {
        self.outputs.push(Output::Say(note));
    }

    /// An entry about a channel or one of its plugs, happening now.
    fn entry(
        &self,
        kind: EntryKind,
        channel: u32,
        plug: Option<u32>,
        wanted: Option<Power>,
        because: impl Into<SmolStr>,
    ) -> Entry {
        Entry {
            at: self.now.wall,
            kind,
            channel: self.channel_name(channel).clone(),
            plug: plug.map(|plug| self.plug_name(plug).clone()),
            wanted,
            because: because.into(),
            due: None,
            late: None,
        }
    }

    fn channel_name(&self, channel: u32) -> &SmolStr {
        &self.config.channels[channel as usize].name
    }

    fn plug_name(&self, plug: u32) -> &SmolStr {
        let plug = &self.plugs[plug as usize];
        &self.config.channels[plug.channel as usize].plugs[plug.nth as usize]
    }

    fn kind(&self, plug: u32) -> Arc<PlugKind> {
        let channel = self.plugs[plug as usize].channel;
        Arc::clone(&self.config.channels[channel as usize].kind)
    }

    /// What a plug is to be: what a hand made it, else what its channel is wanted to be. `None`: left as it is.
    fn target(&self, plug: u32) -> Option<Power> {
        let plug = &self.plugs[plug as usize];
        match self.channels[plug.channel as usize].wanted {
            Some(wanted) => Some(plug.hand.as_ref().map_or(wanted, |hand| hand.wanted)),
            None => plug.put_back,
        }
    }
}
