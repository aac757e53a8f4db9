//! A try: one channel's plugs go off–on–off, twice, so that a person sees which they are, and then back to what is
//! wanted.
//!
//! While it blinks, its plugs are left to it alone: nothing is told again, no report is a hand, no miss is found. What is
//! wanted of them is worked out all the same, and once the blinking is over, for whatever reason, they are tended as
//! ever; so a try ends at wanted also where something came in between. One try at a time: two would take each other's
//! messages for answers.

use std::time::Duration;

use smol_str::SmolStr;

use super::overheard::{Overheard, around};
use super::plug::{Case, Told};
use super::tend::Cause;
use super::tried::{Deeds, Tried, TriedPlug};
use super::{Answer, Delivery, Keeper, OrderId, Output};
use crate::pure::entry::Note;
use crate::pure::plug_kind::{command, shown};
use crate::pure::power::Power;

/// The commands, one after the other.
const COMMANDS: [Power; 5] = [Power::Off, Power::On, Power::Off, Power::On, Power::Off];
/// A step lasts so long, or a person would not see it.
const STEP_AT_LEAST: Duration = Duration::from_secs(1);
/// And no longer than this, however many plugs have not answered.
const STEP_AT_MOST: Duration = Duration::from_secs(3);
/// A plug that can be asked and has said nothing for so long is asked, once each step.
const ASK_AFTER: Duration = Duration::from_secs(1);
/// How long the way back to wanted is watched; it goes on after that as well.
const BACK_AT_MOST: Duration = Duration::from_secs(3);
/// The whole of the blinking: with many plugs and a slow `pace` it would take longer.
const WHOLE_AT_MOST: Duration = Duration::from_secs(30);

/// A try under way.
#[derive(Debug)]
pub(super) struct Trying {
    order: OrderId,
    channel: u32,
    begun: Duration,
    phase: Phase,
    plugs: Vec<Blinked>,
    overheard: Overheard,
    filters: Vec<String>,
    ended: Option<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    /// So manyth of the commands.
    Blinking(usize),
    /// The plugs are tended as ever again, since then.
    Back(Duration),
}

/// One of its plugs.
#[derive(Debug)]
struct Blinked {
    plug: u32,
    /// What it had said before.
    before: Option<Power>,
    steps: [Step; COMMANDS.len()],
    /// What it was put back to because nothing is wanted of it.
    put_back: Option<Power>,
    /// It has been heard at all.
    heard: bool,
    garbled: Option<String>,
}

/// One command to one plug.
#[derive(Clone, Copy, Debug, Default)]
struct Step {
    told: Option<Duration>,
    ticket: u64,
    acked: bool,
    asked: bool,
    answered: Option<Duration>,
    /// Its last word before the next command.
    last: Option<Power>,
}

impl Trying {
    /// When to look again.
    pub fn look_at(&self, linked: bool, next_send: Duration) -> Option<Duration> {
        if !linked {
            return None;
        }
        let nth = match self.phase {
            Phase::Blinking(nth) => nth,
            Phase::Back(since) => return Some(since + BACK_AT_MOST),
        };
        let Some(last) = self.all_told(nth) else { return Some(next_send) };
        let over = if self.all_answered(nth) { last + STEP_AT_LEAST } else { last + STEP_AT_MOST };
        let ask = self.plugs.iter().map(|plug| plug.steps[nth]).filter(|step| !step.asked && step.answered.is_none());
        ask.filter_map(|step| Some(step.told? + ASK_AFTER)).chain([over]).min()
    }

    /// When the last plug was told; `None` if not all are.
    fn all_told(&self, nth: usize) -> Option<Duration> {
        let told: Option<Vec<Duration>> = self.plugs.iter().map(|plug| plug.steps[nth].told).collect();
        told.and_then(|told| told.into_iter().max())
    }

    fn all_answered(&self, nth: usize) -> bool {
        self.plugs.iter().all(|plug| plug.steps[nth].answered.is_some())
    }

    /// The topics to listen to meanwhile, with wildcards.
    pub fn filters(&self) -> &[String] {
        if self.blinks() { &self.filters } else { &[] }
    }

    fn blinks(&self) -> bool {
        matches!(self.phase, Phase::Blinking(_))
    }

    /// The command under way, and what it has done to one plug.
    fn under_way(&mut self, plug: u32) -> Option<(usize, &mut Blinked)> {
        let Phase::Blinking(nth) = self.phase else { return None };
        self.plugs.iter_mut().find(|blinked| blinked.plug == plug).map(|blinked| (nth, blinked))
    }
}

impl Blinked {
    /// A live report while the nth command is the last.
    fn heard(&mut self, nth: usize, said: Power, up: Duration) {
        self.heard = true;
        self.garbled = None;
        // Its turn comes later than that of others where `pace` is slow: until then nothing new was asked of it.
        let told = self.steps[nth].told.is_some();
        let Some(nth) = (if told { Some(nth) } else { nth.checked_sub(1) }) else { return };
        // A slow answer to the command before may come after the next; one that repeats itself may too.
        let slow = nth.checked_sub(1).filter(|before| self.steps[*before].answered.is_none());
        if COMMANDS[nth] == said {
            self.steps[nth].answered.get_or_insert(up);
            self.steps[nth].last = Some(said);
        } else if let Some(before) = slow {
            self.steps[before].answered = Some(up);
        } else {
            self.steps[nth].last = Some(said);
        }
    }

    /// Whether an answer to a command can be waited for: told what it was already, a plug that reports changes alone
    /// has nothing to say.
    fn counts(&self, nth: usize) -> bool {
        nth > 0 || self.before == Some(Power::On) || self.steps[nth].answered.is_some()
    }
}

impl Keeper {
    /// Whether a plug is left to a try.
    pub(super) fn is_blinking(&self, plug: u32) -> bool {
        let blinks = |trying: &Trying| trying.blinks() && trying.channel == self.plugs[plug as usize].channel;
        self.trying.as_ref().is_some_and(|trying| blinks(trying))
    }

    pub(super) fn begin_try(&mut self, id: OrderId, name: String) {
        let Some(channel) = (0..self.channels.len() as u32).find(|channel| *self.channel_name(*channel) == name) else {
            return self.answer(id, Answer::UnknownChannel(name));
        };
        if let Some(trying) = &self.trying {
            let tried = self.channel_name(trying.channel);
            let busy = format!("`{tried}` is being tried; it takes half a minute at most, try again then");
            return self.answer(id, Answer::Busy(busy));
        }
        if self.link.is_none() {
            let unreachable = "the broker can't be reached, so no plug can be told anything; GET /status says why";
            return self.answer(id, Answer::NoLink(unreachable.to_string()));
        }
        let named = &self.config.channels[channel as usize];
        let filters = around(&named.kind, &named.plugs);
        let range = self.channels[channel as usize].range();
        let mut plugs = Vec::new();
        for plug in range {
            let state = &mut self.plugs[plug as usize];
            (state.perhaps_hand, state.asked) = (None, None);
            let before = state.put_back.or(state.said);
            plugs.push(Blinked {
                plug,
                before,
                steps: Default::default(),
                put_back: None,
                heard: false,
                garbled: None,
            });
            self.plug_timers.set(plug, None);
        }
        self.say(Note::TryBegun { channel: name.into() });
        self.trying = Some(Box::new(Trying {
            order: id,
            channel,
            begun: self.now.up,
            phase: Phase::Blinking(0),
            plugs,
            overheard: Overheard::default(),
            filters,
            ended: None,
        }));
        self.outputs.push(Output::Listen);
    }

    /// Whatever of a try is due by now.
    pub(super) fn pass_try(&mut self) {
        while let Some(mut trying) = self.trying.take() {
            let goes_on = match trying.phase {
                Phase::Blinking(nth) => self.blink(&mut trying, nth),
                Phase::Back(since) => {
                    let at_rest = trying.plugs.iter().all(|blinked| self.at_rest(blinked.plug));
                    if at_rest || self.now.up >= since + BACK_AT_MOST {
                        self.tell_of_try(&trying);
                        return;
                    }
                    false
                }
            };
            let back = goes_on && !trying.blinks();
            let channel = trying.channel;
            self.trying = Some(trying);
            if back {
                self.tend_channel(channel);
            }
            if !goes_on {
                return;
            }
        }
    }

    fn at_rest(&self, plug: u32) -> bool {
        let state = &self.plugs[plug as usize];
        self.target(plug).is_none() || matches!(state.delivery, Delivery::Confirmed | Delivery::Accepted)
    }

    /// Goes on with the nth command. True if there is more to do at once.
    fn blink(&mut self, trying: &mut Trying, nth: usize) -> bool {
        let up = self.now.up;
        if self.link.is_none() {
            return false;
        }
        if up >= trying.begun + WHOLE_AT_MOST {
            self.end_blinking(trying, Some("it took too long: there are many plugs, or `pace` is slow"));
            return true;
        }
        for blinked in &mut trying.plugs {
            let step = &mut blinked.steps[nth];
            if step.told.is_none() && (self.pace.is_zero() || up >= self.next_send) {
                self.next_send = up + self.pace;
                step.told = Some(up);
                step.ticket = self.tell_blink(blinked.plug, COMMANDS[nth]);
            } else if step.answered.is_none() && !step.asked && step.told.is_some_and(|told| up >= told + ASK_AFTER) {
                step.asked = true;
                self.ask(blinked.plug);
            }
        }
        let Some(last) = trying.all_told(nth) else { return false };
        let over = if trying.all_answered(nth) { last + STEP_AT_LEAST } else { last + STEP_AT_MOST };
        if up < over {
            return false;
        }
        if nth + 1 < COMMANDS.len() {
            trying.phase = Phase::Blinking(nth + 1);
        } else {
            self.end_blinking(trying, None);
        }
        true
    }

    /// One command. It is not kept by the broker: a plug that comes back meanwhile is told what is wanted by then.
    fn tell_blink(&mut self, plug: u32, wanted: Power) -> u64 {
        let up = self.now.up;
        let ticket = self.ticket(plug);
        let state = &mut self.plugs[plug as usize];
        state.heard = None;
        state.told = Some(Told::new(wanted, up, ticket.0));
        self.set_delivery(plug, Delivery::Unanswered);
        let kind = self.kind(plug);
        let name = self.plug_name(plug).clone();
        let (topic, payload) = (kind.tell.topic.of(&name), command(&kind.tell, wanted).into());
        let channel = self.channel_name(self.plugs[plug as usize].channel).clone();
        let because = "being tried".into();
        self.say(Note::Told { channel, plug: name, wanted, because, again: 0 });
        self.outputs.push(Output::Publish { ticket, topic, payload, retain: false });
        ticket.0
    }

    /// Leaves the plugs to the rest of the keeper again. Whoever calls this has them tended.
    fn end_blinking(&mut self, trying: &mut Trying, because: Option<&str>) {
        let up = self.now.up;
        trying.phase = Phase::Back(up);
        trying.ended = because.map(str::to_string);
        self.outputs.push(Output::Listen);
        for blinked in &mut trying.plugs {
            let plug = blinked.plug;
            let touched = blinked.steps[0].told.is_some();
            let reports = self.reports(plug);
            let state = &mut self.plugs[plug as usize];
            (state.perhaps_hand, state.asked) = (None, None);
            if touched && self.target(plug).is_none() {
                // Nothing is wanted while the clock is not trusted: it is left as it was found, once.
                let before = blinked.before.unwrap_or(Power::Off);
                blinked.put_back = Some(before);
                let told = self.plugs[plug as usize].told.as_ref().map(|told| told.wanted);
                if blinked.heard || !reports {
                    self.plugs[plug as usize].put_back = Some(before);
                } else if told != Some(before) && self.link.is_some() {
                    self.tell_blink(plug, before);
                }
            }
            let Some(target) = self.target(plug) else { continue };
            let because = format!("{}, after a try", self.because(trying.channel));
            let now = self.now;
            let state = &mut self.plugs[plug as usize];
            if !state.proves(target) && !state.accepts(target, reports) {
                if let Some(told) = &mut state.told {
                    told.running = false;
                }
                if state.case.is_none() && touched {
                    let cause = Cause::unplanned(because.into(), up);
                    state.case = Some(Box::new(Case::new(cause, target, now)));
                }
            }
        }
    }

    /// Something came in between: the try is over and told of at once. Whoever calls this tends its plugs.
    pub(super) fn stop_try(&mut self, because: &str) {
        let Some(mut trying) = self.trying.take() else { return };
        if trying.blinks() {
            self.end_blinking(&mut trying, Some(because));
        }
        self.tell_of_try(&trying);
    }

    /// The same if it is a try of this channel.
    pub(super) fn stop_try_of(&mut self, channel: u32, because: &str) {
        if self.trying.as_ref().is_some_and(|trying| trying.channel == channel) {
            self.stop_try(because);
        }
    }

    /// Lampward stops: no lamp is left in the middle of a try.
    pub(super) fn stop(&mut self) {
        let Some(trying) = &self.trying else { return };
        let channel = trying.channel;
        self.stop_try("lampward was stopped");
        self.tend_channel(channel);
    }

    fn tell_of_try(&mut self, trying: &Trying) {
        let plugs = trying.plugs.iter().map(|blinked| self.tried(trying, blinked)).collect();
        let names: Vec<&str> =
            self.config.channels[trying.channel as usize].plugs.iter().map(SmolStr::as_str).collect();
        let elsewhere = trying.overheard.in_step(&COMMANDS, &names);
        let channel = self.channel_name(trying.channel).clone();
        let tried = Tried { channel: channel.to_string(), ended: trying.ended.clone(), plugs, elsewhere };
        self.say(Note::TryOver { channel, answered: tried.answered(), because: trying.ended.clone() });
        self.answer(trying.order, Answer::Tried(Box::new(tried)));
    }

    /// What a plug is to be after it, and why.
    fn way_back(&mut self, channel: u32, blinked: &Blinked) -> (Option<Power>, String) {
        match (self.channels[channel as usize].wanted, &self.plugs[blinked.plug as usize].hand) {
            (Some(_), Some(hand)) => (Some(hand.wanted), "the button on the plug".to_string()),
            (Some(wanted), None) => (Some(wanted), self.because(channel).into()),
            (None, _) => match (blinked.put_back, blinked.before) {
                (None, _) => (None, "left as it is".to_string()),
                (Some(power), Some(_)) => (Some(power), "as it said before".to_string()),
                (Some(power), None) => (Some(power), "it had not said how it was".to_string()),
            },
        }
    }

    fn tried(&mut self, trying: &Trying, blinked: &Blinked) -> TriedPlug {
        let (back_to, back_because) = self.way_back(trying.channel, blinked);
        let (kind, plug) = (self.kind(blinked.plug), self.plug_name(blinked.plug));
        let told: Vec<usize> = (0..COMMANDS.len()).filter(|nth| blinked.steps[*nth].told.is_some()).collect();
        // The last command before an early end had no time to be answered.
        let cut_off = trying.ended.is_some().then(|| told.last().copied()).flatten();
        let cut_off = cut_off.filter(|nth| blinked.steps[*nth].answered.is_none());
        let counted: Vec<usize> =
            told.into_iter().filter(|nth| blinked.counts(*nth) && Some(*nth) != cut_off).collect();
        let steps = || counted.iter().map(|nth| &blinked.steps[*nth]);
        let took = steps().filter_map(|step| Some(step.answered?.saturating_sub(step.told?)));
        let took = took.fold(None, |all: Option<(Duration, Duration)>, one| {
            Some(all.map_or((one, one), |(least, most)| (least.min(one), most.max(one))))
        });
        let count = |matching: &dyn Fn(&Step) -> bool| steps().filter(|step| matching(step)).count() as u32;
        let contrary = counted.iter().find(|nth| {
            blinked.steps[**nth].answered.is_none() && blinked.steps[**nth].last == Some(COMMANDS[**nth].other())
        });
        let state = &self.plugs[blinked.plug as usize];
        let deeds = Deeds {
            told: counted.len() as u32,
            acked: count(&|step| step.acked),
            answers: count(&|step| step.answered.is_some()),
            when_asked: count(&|step| step.answered.is_some() && step.asked),
            took,
            report: kind.report.as_ref().map(|report| report.topic.of(plug)),
            kind: kind.name.clone(),
            contrary: contrary.map(|nth| COMMANDS[*nth]),
            garbled: blinked.garbled.clone(),
            gone: kind.alive.as_ref().filter(|_| state.gone).map(|alive| alive.topic.of(plug)),
        };
        TriedPlug {
            plug: plug.to_string(),
            answered: deeds.answered(),
            told: deeds.told,
            answers: deeds.answers,
            took,
            because: deeds.words(),
            back_to,
            back_because,
            delivery: state.delivery,
        }
    }

    /// A plug that is being tried has spoken.
    pub(super) fn heard_in_try(&mut self, plug: u32, said: Power) {
        let up = self.now.up;
        if let Some((nth, blinked)) = self.trying.as_mut().and_then(|trying| trying.under_way(plug)) {
            blinked.heard(nth, said, up);
        }
    }

    /// It has said something that means nothing to us; perhaps it means something all the same.
    pub(super) fn garbled_in_try(&mut self, plug: u32, topic: &str, payload: &[u8]) {
        let Some(trying) = &mut self.trying else { return };
        if let Some((nth, blinked)) = trying.under_way(plug) {
            blinked.garbled = Some(shown(payload));
            trying.overheard.note(nth, topic, payload);
        }
    }

    /// The broker has taken one of its commands. One that can't answer in any other way has answered by that.
    pub(super) fn acked_in_try(&mut self, plug: u32, ticket: u64) {
        let (up, reports) = (self.now.up, self.reports(plug));
        if let Some((_, blinked)) = self.trying.as_mut().and_then(|trying| trying.under_way(plug))
            && let Some(step) = blinked.steps.iter_mut().find(|step| step.told.is_some() && step.ticket == ticket)
        {
            step.acked = true;
            if !reports {
                step.answered.get_or_insert(up);
            }
        }
    }

    /// A message on a topic that belongs to no plug of the file.
    pub(super) fn overheard(&mut self, topic: &str, payload: &[u8], retained: bool) {
        let Some(trying) = &mut self.trying else { return };
        let Phase::Blinking(nth) = trying.phase else { return };
        let named = &self.config.channels[trying.channel as usize];
        let ours = |plug: &SmolStr| {
            named.kind.tell.topic.of(plug) == topic
                || named.kind.ask.as_ref().is_some_and(|ask| ask.topic.of(plug) == topic)
        };
        if !retained && !named.plugs.iter().any(ours) {
            trying.overheard.note(nth, topic, payload);
        }
    }
}
