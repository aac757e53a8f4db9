//! Another file, the same plugs: what stays known, and what is let go.

use std::collections::HashMap;
use std::sync::Arc;

use smol_str::SmolStr;

use super::channel::Channel;
use super::plug::Plug;
use super::timers::Timers;
use super::view::nothing;
use super::{Keeper, Listeners, Now, Output};
use crate::pure::config::Config;
use crate::pure::entry::{EntryKind, Note};
use crate::pure::plan::Plan;
use crate::pure::power::Power;

/// Every channel and plug of a file, with nothing known of them.
pub(super) fn empty_house(config: &Config, now: Now) -> (Vec<Channel>, Vec<Plug>) {
    let mut channels = Vec::with_capacity(config.channels.len());
    let mut plugs = Vec::with_capacity(config.channels.iter().map(|channel| channel.plugs.len()).sum());
    for (index, channel) in config.channels.iter().enumerate() {
        let (first_plug, count) = (plugs.len() as u32, channel.plugs.len() as u32);
        plugs.extend((0..count).map(|nth| Plug::new(index as u32, nth, now.wall)));
        channels.push(Channel { first_plug, plugs: count, wanted: None, next: None, standing: None });
    }
    (channels, plugs)
}

impl Keeper {
    /// Goes on by another file. Overrides and hands of channels that stay are kept, the rest is dropped and its plugs
    /// are left as they are.
    pub(super) fn reload(&mut self, config: Arc<Config>) {
        self.stop_try("the file was read again");
        self.let_go(&config);
        let old_topics = self.topics();
        let (mut channels, mut plugs) = empty_house(&config, self.now);
        let old_config = std::mem::replace(&mut self.config, Arc::clone(&config));
        if self.trusted {
            // After a kill, what fell due since the last sign of life is found by the file that held then: this one.
            self.sign_of_life();
        } else {
            self.files_while_untrusted.push((self.now.up, Arc::clone(&old_config)));
        }
        let old_channels = std::mem::take(&mut self.channels);
        let old_plugs = std::mem::take(&mut self.plugs);

        let mut known: HashMap<SmolStr, (Plug, Option<Power>)> = HashMap::new();
        for plug in old_plugs {
            let channel = &old_config.channels[plug.channel as usize];
            let wanted = old_channels[plug.channel as usize].wanted;
            let target =
                wanted.map_or(plug.put_back, |wanted| Some(plug.hand.as_ref().map_or(wanted, |hand| hand.wanted)));
            known.insert(channel.plugs[plug.nth as usize].clone(), (plug, target));
        }
        let mut standing: HashMap<&str, Channel> =
            old_config.channels.iter().map(|channel| channel.name.as_str()).zip(old_channels).collect();
        for (channel, named) in channels.iter_mut().zip(&config.channels) {
            if let Some(old) = standing.remove(named.name.as_str()) {
                channel.wanted = old.wanted;
                channel.standing = old.standing;
            }
        }
        let mut targets = vec![None; plugs.len()];
        let mut new = vec![true; plugs.len()];
        for (index, plug) in plugs.iter_mut().enumerate() {
            let named = &config.channels[plug.channel as usize];
            let Some((mut old, target)) = known.remove(&named.plugs[plug.nth as usize]) else { continue };
            let old_named = &old_config.channels[old.channel as usize];
            if old_named.name == named.name && old_named.kind == named.kind {
                (old.channel, old.nth, old.queued) = (plug.channel, plug.nth, false);
                *plug = old;
                new[index] = false;
                targets[index] = target;
            } else if old_named.name == named.name {
                plug.hand = old.hand;
            }
        }

        self.listeners = Listeners::of(&config, &plugs);
        if self.listeners.topics(&config, &plugs) != old_topics {
            self.outputs.push(Output::Listen);
        }
        self.wall_timers = Timers::of(channels.len());
        self.channel_timers = Timers::of(channels.len());
        self.plug_timers = Timers::of(plugs.len());
        self.queue.clear();
        self.plan = Plan::new(Arc::clone(&config));
        self.channels = channels;
        self.plugs = plugs;
        self.shown = nothing(self.channels.len());
        for channel in 0..self.channels.len() as u32 {
            let range = self.channels[channel as usize].range();
            self.take_up_plan(channel);
            self.work_out_wanted(channel);
            self.begin_changed(channel, &targets[range.start as usize..range.end as usize]);
            for plug in range {
                if self.link.is_some() && new[plug as usize] {
                    self.doubt(plug);
                } else {
                    self.ask(plug);
                    self.tend(plug);
                }
            }
            self.set_channel_timers(channel);
        }
    }

    /// What the new file has no place for is closed while its names are still known.
    fn let_go(&mut self, config: &Config) {
        let stays: HashMap<&str, usize> =
            config.channels.iter().enumerate().map(|(index, channel)| (channel.name.as_str(), index)).collect();
        for channel in 0..self.channels.len() as u32 {
            let name = self.channel_name(channel).clone();
            let new = stays.get(name.as_str()).map(|index| &config.channels[*index]);
            for plug in self.channels[channel as usize].range() {
                let plug_name = self.plug_name(plug);
                if !new.is_some_and(|new| new.plugs.iter().any(|stays| stays == plug_name)) {
                    self.end_hand(plug, "no longer in the file");
                    self.abandon(plug, None);
                } else if new.is_some_and(|new| new.kind != self.kind(plug)) {
                    self.abandon(plug, None);
                }
            }
            if new.is_none() {
                if let Some(standing) = self.channels[channel as usize].standing.take() {
                    let wanted = Some(standing.word.wanted);
                    let over = self.entry(EntryKind::OverrideOver, channel, None, wanted, "no longer in the file");
                    self.record(over);
                    self.keeping.needed = true;
                }
                self.say(Note::ChannelGone { channel: name });
            }
        }
    }
}
