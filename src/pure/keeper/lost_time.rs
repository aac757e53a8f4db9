//! What fell due while nobody could send it: lampward was down, or the clock was not trusted.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use smol_str::SmolStr;

use super::channel::Standing;
use super::plug::MISSED_AFTER;
use super::tend::Cause;
use super::{Down, Ends, Keeper, Keepsake, MISSES_SHOWN, Miss, Override, Switching};
use crate::pure::config::Config;
use crate::pure::entry::{Entry, EntryKind, Note, missed};
use crate::pure::plan::Plan;

/// Nobody wants to read further back.
const AT_MOST: TimeDelta = TimeDelta::days(400);

/// What is known of the time before a start.
#[derive(Debug)]
pub(super) struct Before {
    down: Down,
    overrides: HashMap<String, Override>,
}

impl Before {
    /// The overrides are those that stood, whether or not they are over by now.
    pub fn new(down: Down, keepsake: &Keepsake) -> Before {
        Before { down, overrides: keepsake.overrides.iter().cloned().collect() }
    }
}

/// A switching that fell due while nobody could send it.
#[derive(Debug)]
struct Lost {
    switching: Switching,
    because: &'static str,
    overridden: bool,
    /// Plugs for which it was settled before lampward was killed.
    settled: Vec<SmolStr>,
}

impl Lost {
    fn concerns(&self, plug: &str) -> bool {
        !self.settled.iter().any(|settled| settled == plug)
    }
}

impl Keeper {
    /// The wall clock can be gone by from here on: what fell due before is worked out, and what should be is seen to.
    pub(super) fn trust_gained(&mut self) {
        self.trusted = true;
        let before_start = self.before_start.iter().map(|before| &before.down.config);
        let files = before_start.chain(self.files_while_untrusted.iter().map(|(_, config)| config));
        let files: Vec<Arc<Config>> = files.map(Arc::clone).collect();
        let mut lost = self.lost_while_down();
        self.add_lost_while_untrusted(&mut lost);
        for channel in 0..self.channels.len() as u32 {
            let name = self.channel_name(channel).to_string();
            self.catch_up(channel, lost.remove(name.as_str()).unwrap_or_default());
        }
        self.record_lost_of_gone_channels(lost, &files);
        self.durations_have_new_instants();
        self.sign_of_life();
    }

    /// The wall clock can't be gone by any more.
    pub(super) fn trust_lost(&mut self) {
        self.trusted = false;
        self.untrusted_since = self.now.up;
        self.next_alive = None;
        for plug in &mut self.plugs {
            plug.perhaps_hand = None;
        }
        for channel in 0..self.channels.len() as u32 {
            if let Some(standing) = &mut self.channels[channel as usize].standing {
                standing.trust_lost(self.now);
            }
            self.take_up_plan(channel);
            self.look(channel);
        }
    }

    /// The wall clock was set, and is trusted as before. Forward: whatever was jumped over is due now. Back: the plan
    /// is followed from there.
    pub(super) fn clock_stepped(&mut self) {
        if self.now.wall < self.before.wall {
            for channel in 0..self.channels.len() as u32 {
                self.take_up_plan(channel);
                self.look(channel);
            }
        }
        self.durations_have_new_instants();
    }

    /// The instants of overrides that run by the other clock have moved.
    fn durations_have_new_instants(&mut self) {
        let standing = self.channels.iter().filter_map(|channel| channel.standing.as_ref());
        if standing.into_iter().any(|standing| matches!(standing.word.ends, Ends::After { .. })) {
            self.keeping.needed = true;
        }
    }

    /// When the time without trust began, by the wall clock of now.
    fn untrusted_from(&self) -> DateTime<Utc> {
        self.wall_at(self.untrusted_since)
    }

    /// What the wall clock of now would have shown at an earlier time.
    fn wall_at(&self, up: Duration) -> DateTime<Utc> {
        self.now.wall - TimeDelta::from_std(self.now.up.saturating_sub(up)).unwrap_or(AT_MOST)
    }

    /// By channel, what fell due between the last sign of life and the start, by the file that held then. A sign of
    /// life says nothing of a switching that was then still waiting to be confirmed.
    fn lost_while_down(&mut self) -> HashMap<SmolStr, Vec<Lost>> {
        let Some(before) = self.before_start.take() else { return HashMap::new() };
        let until = self.untrusted_from();
        if before.down.last_life >= until {
            return HashMap::new();
        }
        // By a clock that was wrong then, the first run may be of tomorrow: that says nothing.
        let first_run = before.down.first_run.filter(|first| *first <= before.down.last_life);
        let unconfirmed = before.down.last_life - unconfirmed_at_most();
        let from = unconfirmed.max(first_run.unwrap_or(unconfirmed)).max(until - AT_MOST);
        let mut plan = Plan::new(Arc::clone(&before.down.config));
        let mut lost = HashMap::new();
        for (index, channel) in before.down.config.channels.iter().enumerate() {
            let word = before.overrides.get(channel.name.as_str());
            let recent = before.down.recent.iter().filter(|entry| entry.channel == channel.name);
            let recent: Vec<&Entry> = recent.filter(|entry| entry.due.is_some()).collect();
            let of_channel: Vec<Lost> = plan
                .switchings(index, from, until)
                .into_iter()
                .map(|switching| Lost {
                    overridden: word.is_some_and(|word| held(word, switching.at)),
                    because: missed::NOT_RUNNING,
                    settled: settled(&recent, switching.at, &channel.plugs),
                    switching,
                })
                .filter(|lost| channel.plugs.iter().any(|plug| lost.concerns(plug)))
                .collect();
            if !of_channel.is_empty() {
                lost.insert(channel.name.clone(), of_channel);
            }
        }
        lost
    }

    /// Adds what fell due since, while we ran without knowing the time, by the file that held at each time.
    fn add_lost_while_untrusted(&mut self, lost: &mut HashMap<SmolStr, Vec<Lost>>) {
        let mut from = self.untrusted_from().max(self.now.wall - AT_MOST);
        for (until, config) in std::mem::take(&mut self.files_while_untrusted) {
            let until = self.wall_at(until);
            self.add_lost_between(lost, from, until, &mut Plan::new(config));
            from = from.max(until);
        }
        let mut plan = std::mem::replace(&mut self.plan, Plan::new(Arc::clone(&self.config)));
        self.add_lost_between(lost, from, self.now.wall, &mut plan);
        self.plan = plan;
    }

    fn add_lost_between(
        &self,
        lost: &mut HashMap<SmolStr, Vec<Lost>>,
        from: DateTime<Utc>,
        until: DateTime<Utc>,
        plan: &mut Plan,
    ) {
        if from >= until {
            return;
        }
        let config = Arc::clone(plan.config());
        let standing: HashMap<&str, &Standing> = (self.config.channels.iter().zip(&self.channels))
            .filter_map(|(named, channel)| Some((named.name.as_str(), channel.standing.as_deref()?)))
            .collect();
        for (index, channel) in config.channels.iter().enumerate() {
            let found = plan.switchings(index, from, until);
            if found.is_empty() {
                continue;
            }
            let word = standing.get(channel.name.as_str());
            let overridden = |at: DateTime<Utc>| {
                word.is_some_and(|standing| {
                    let over = matches!(standing.word.ends, Ends::At(end) if end <= at);
                    self.wall_at(standing.set_at) <= at && !over
                })
            };
            let found = found.into_iter().map(|switching| Lost {
                overridden: overridden(switching.at),
                because: missed::CLOCK,
                settled: Vec::new(),
                switching,
            });
            lost.entry(channel.name.clone()).or_default().extend(found);
        }
    }

    /// Brings one channel to where it should be, and puts on record what it missed.
    fn catch_up(&mut self, channel: u32, lost: Vec<Lost>) {
        let before = self.targets(channel);
        for plug in self.channels[channel as usize].range() {
            self.plugs[plug as usize].put_back = None;
        }
        if let Some(standing) = &mut self.channels[channel as usize].standing {
            standing.trust_gained(self.now);
        }
        self.end_what_is_over(channel);
        self.take_up_plan(channel);
        self.work_out_wanted(channel);

        let (overridden, mut lost): (Vec<Lost>, Vec<Lost>) = lost.into_iter().partition(|lost| lost.overridden);
        for lost in &overridden {
            self.record_overridden(channel, &lost.switching);
        }
        let state = &self.channels[channel as usize];
        let still_wanted = state.standing.is_none() && state.wanted == lost.last().map(|lost| lost.switching.wanted);
        let cause = lost.last().filter(|_| still_wanted).map(|last| {
            let range = self.channels[channel as usize].range();
            let concerned: Vec<u32> = range.filter(|plug| last.concerns(self.plug_name(*plug))).collect();
            (self.cause_of_lost(last), concerned)
        });
        if cause.as_ref().is_some_and(|(cause, _)| !cause.missed) {
            lost.pop();
        }
        let named = &self.config.channels[channel as usize];
        let (name, plugs) = (named.name.clone(), named.plugs.clone());
        let concerned = cause.as_ref().map(|(_, concerned)| concerned.clone()).unwrap_or_default();
        for because in [missed::NOT_RUNNING, missed::CLOCK] {
            let of_reason: Vec<&Lost> = lost.iter().filter(|lost| lost.because == because).collect();
            self.record_all_lost(&name, &plugs, &of_reason, because);
        }
        self.begin_changed(channel, &before);
        if let Some((cause, _)) = cause {
            for plug in concerned {
                self.begin(plug, cause.clone());
            }
        }
        self.tend_channel(channel);
        self.set_channel_timers(channel);
    }

    /// The last switching that was lost, if it is put right now: late within 2 min of its time, else missed for good.
    fn cause_of_lost(&self, lost: &Lost) -> Cause {
        let lag = self.now.wall - lost.switching.at;
        let left = MISSED_AFTER.saturating_sub(lag.to_std().unwrap_or_default());
        Cause {
            due: Some(lost.switching.at),
            lag,
            missed_at: self.now.up + left,
            missed: left.is_zero(),
            excuse: Some(lost.because),
            late: true,
            ..Cause::unplanned(lost.switching.because.as_str().into(), self.now.up)
        }
    }

    /// A planned switching fell due while an override stood.
    pub(super) fn record_overridden(&mut self, channel: u32, switching: &Switching) {
        let wanted = Some(switching.wanted);
        let entry = self.entry(EntryKind::Overridden, channel, None, wanted, switching.because.clone());
        self.record(Entry { due: Some(switching.at), ..entry });
    }

    /// Switchings of a channel that nobody could send: each for each plug, and one line for all.
    pub(super) fn record_lost(&mut self, channel: u32, switchings: &[Switching], because: &'static str) {
        let lost: Vec<Lost> = switchings
            .iter()
            .map(|switching| Lost { switching: switching.clone(), because, overridden: false, settled: Vec::new() })
            .collect();
        let named = &self.config.channels[channel as usize];
        let (name, plugs) = (named.name.clone(), named.plugs.clone());
        self.record_all_lost(&name, &plugs, &lost.iter().collect::<Vec<_>>(), because);
    }

    fn record_all_lost(&mut self, channel: &SmolStr, plugs: &[SmolStr], all: &[&Lost], because: &'static str) {
        let (Some(first), Some(last)) = (all.first(), all.last()) else { return };
        let shown = TimeDelta::from_std(MISSES_SHOWN).expect("a day fits");
        for lost in all {
            let Switching { at, wanted, .. } = lost.switching;
            for plug in plugs.iter().filter(|plug| lost.concerns(plug)) {
                self.record(Entry {
                    at: self.now.wall,
                    kind: EntryKind::Missed,
                    channel: channel.clone(),
                    plug: Some(plug.clone()),
                    wanted: Some(wanted),
                    because: because.into(),
                    due: Some(at),
                    late: None,
                });
                if self.now.wall - at <= shown {
                    let (channel, plug) = (channel.to_string(), plug.clone());
                    self.show_miss(Miss { at, channel, plug: plug.into(), wanted, because: because.to_string() });
                }
            }
        }
        self.say(Note::LostTime {
            channel: channel.clone(),
            switchings: all.len(),
            first: first.switching.at,
            last: last.switching.at,
            because: because.into(),
        });
    }

    /// Channels that were in one of the files that held since, and are not any more.
    fn record_lost_of_gone_channels(&mut self, mut lost: HashMap<SmolStr, Vec<Lost>>, files: &[Arc<Config>]) {
        for channel in files.iter().rev().flat_map(|config| &config.channels) {
            let Some(lost) = lost.remove(&channel.name) else { continue };
            let (overridden, lost): (Vec<Lost>, Vec<Lost>) = lost.into_iter().partition(|lost| lost.overridden);
            for Lost { switching, .. } in overridden {
                self.record(Entry {
                    at: self.now.wall,
                    kind: EntryKind::Overridden,
                    channel: channel.name.clone(),
                    plug: None,
                    wanted: Some(switching.wanted),
                    because: switching.because,
                    due: Some(switching.at),
                    late: None,
                });
            }
            for because in [missed::NOT_RUNNING, missed::CLOCK] {
                let of_reason: Vec<&Lost> = lost.iter().filter(|lost| lost.because == because).collect();
                self.record_all_lost(&channel.name, &channel.plugs, &of_reason, because);
            }
        }
    }
}

/// How long a switching waits to be confirmed before it is on record as missed.
fn unconfirmed_at_most() -> TimeDelta {
    TimeDelta::from_std(MISSED_AFTER).expect("2 min fit")
}

/// The plugs for which the daybook knows what became of a switching.
fn settled(recent: &[&Entry], due: DateTime<Utc>, plugs: &[SmolStr]) -> Vec<SmolStr> {
    let mut settled = Vec::new();
    for entry in recent.iter().filter(|entry| entry.due == Some(due)) {
        match &entry.plug {
            Some(plug) => settled.push(plug.clone()),
            None => settled.extend_from_slice(plugs),
        }
    }
    settled
}

/// Whether an override from a former run stood at an instant.
fn held(word: &Override, at: DateTime<Utc>) -> bool {
    let begun = !word.by_trusted_clock || word.since <= at;
    let over = match word.ends {
        Ends::At(end) => end <= at,
        Ends::After { at: end, .. } => word.by_trusted_clock && end <= at,
        Ends::Cancelled => false,
    };
    begun && !over
}
