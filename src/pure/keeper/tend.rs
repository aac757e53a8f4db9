//! One plug against what it is to be: whether to tell it, ask it, leave it or give it up as missed.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use smol_str::{SmolStr, format_smolstr};

use super::plug::{ANSWER_WITHIN, Case, ECHO, MISSED_AFTER, SILENCES, Told, again_after};
use super::up::Up;
use super::{Delivery, Keeper, MISSES_SHOWN, Miss, Output, Ticket};
use crate::pure::entry::{Entry, EntryKind, Note, missed};
use crate::pure::plug_kind::command;
use crate::pure::power::Power;

/// Tickets carry the plug's number in their last bits, so that an acknowledgement finds it.
const TICKET_BITS: u32 = 24;

/// Why a plug is to be something else, or the same anew.
#[derive(Clone, Debug)]
pub(super) struct Cause {
    /// The planned instant.
    pub due: Option<DateTime<Utc>>,
    /// The reason in words.
    pub because: SmolStr,
    /// How long after `due` it comes up.
    pub lag: TimeDelta,
    /// When it counts as missed.
    pub missed_at: Duration,
    /// It is recorded as missed already.
    pub missed: bool,
    /// Why it will have been missed, where that is known beforehand.
    pub excuse: Option<&'static str>,
    /// It is late however soon it is confirmed.
    pub late: bool,
}

impl Cause {
    /// A change at `up` that no plan asked for.
    pub fn unplanned(because: SmolStr, up: Duration) -> Cause {
        Cause {
            due: None,
            because,
            lag: TimeDelta::zero(),
            missed_at: up + MISSED_AFTER,
            missed: false,
            excuse: None,
            late: false,
        }
    }
}

impl Keeper {
    /// Opens the case of one plug that is to be something else, or is told anew at a planned switching.
    pub(super) fn begin(&mut self, plug: u32, cause: Cause) {
        self.abandon(plug, None);
        let Some(target) = self.target(plug) else { return };
        let asks = self.asks(plug);
        let now = self.now;
        let state = &mut self.plugs[plug as usize];
        state.perhaps_hand = None;
        state.asked = None;
        if cause.due.is_some() && !asks {
            // It may have been switched and its report lost, and nobody will ask it: telling it anew costs nothing.
            state.heard = None;
        }
        state.begin_series(now.up);
        let missed = cause.missed;
        state.case = Some(Box::new(Case::new(cause, target, now)));
        self.set_delivery(plug, if missed { Delivery::Missed } else { Delivery::Untold });
    }

    /// Closes a case that can't come to its end any more. A planned switching goes on record for all that: as
    /// overridden where an override stands now, as missed otherwise, unless it is still to come because the clock
    /// went back.
    pub(super) fn abandon(&mut self, plug: u32, because: Option<&'static str>) {
        let Some(case) = self.plugs[plug as usize].case.take() else { return };
        let still_to_come = |due: &DateTime<Utc>| because.is_none() && *due > self.now.wall;
        let Some(due) = case.due.filter(|due| !case.missed && !still_to_come(due)) else { return };
        let channel = self.plugs[plug as usize].channel;
        if self.channels[channel as usize].standing.is_some() && because.is_none() {
            let entry = self.entry(EntryKind::Overridden, channel, Some(plug), Some(case.wanted), case.because);
            self.record(Entry { due: Some(due), ..entry });
        } else {
            let reason = because.or(case.excuse).unwrap_or_else(|| self.miss_reason(plug, &case));
            self.record_miss(plug, case.wanted, reason, Some(due));
        }
    }

    /// Compares one plug with what it is to be, and does what follows; a plug that is being tried is left to that.
    pub(super) fn tend(&mut self, plug: u32) {
        if !self.is_blinking(plug) {
            self.compare(plug);
        }
        self.set_plug_timer(plug);
    }

    fn compare(&mut self, plug: u32) {
        let up = self.now.up;
        let Some(target) = self.target(plug) else { return };
        let kind = self.kind(plug);
        let asks = kind.ask.is_some();
        let reports = kind.report.is_some();
        let state = &mut self.plugs[plug as usize];
        if let Some(told) = &mut state.told
            && told.running
            && told.wanted == target
            && told.settled.is_none()
            && (reports && !asks && told.times >= SILENCES && told.answered.is_none())
            && state.said == Some(target)
            && up >= told.again_at()
        {
            told.nothing_new = true;
        }
        let delivery = if state.proves(target) {
            Delivery::Confirmed
        } else if state.accepts(target, reports) {
            Delivery::Accepted
        } else {
            self.differ(plug, target);
            return;
        };
        if let Some(told) = &mut state.told {
            told.settled.get_or_insert(up.into());
        }
        state.asked = None;
        if self.channels[state.channel as usize].wanted.is_none() {
            // Put back once; from here on it is left as it is.
            state.put_back = None;
        }
        self.set_delivery(plug, delivery);
        if let Some(case) = self.plugs[plug as usize].case.take() {
            self.close(plug, &case);
        }
    }

    /// A switching has come right.
    fn close(&mut self, plug: u32, case: &Case) {
        if case.due.is_none() && !case.sent && !case.missed {
            return;
        }
        let late = case.missed || case.late;
        let kind = if late { EntryKind::Late } else { EntryKind::Switched };
        let channel = self.plugs[plug as usize].channel;
        let lateness = late.then(|| case.lateness(self.now.up));
        // Nobody shall read of a lamp that is on where only the broker's word stands for it.
        let because = match self.plugs[plug as usize].delivery {
            Delivery::Accepted => format_smolstr!("{}; taken by the broker, not confirmed by the plug", case.because),
            _ => case.because.clone(),
        };
        let entry = self.entry(kind, channel, Some(plug), Some(case.wanted), because);
        self.record(Entry { due: case.due, late: lateness, ..entry });
    }

    /// A plug that is not proven to be as it should: begin its case, tell it if it is time.
    fn differ(&mut self, plug: u32, target: Power) {
        let up = self.now.up;
        let state = &mut self.plugs[plug as usize];
        if state.perhaps_hand.is_some() {
            return;
        }
        if state.case.is_none() && state.said == Some(target.other()) {
            let channel = state.channel;
            let cause = Cause::unplanned(self.because(channel), up);
            let case = Case::new(cause, target, self.now);
            self.plugs[plug as usize].case = Some(Box::new(case));
        }
        let state = &mut self.plugs[plug as usize];
        if let Some(told) = &mut state.told
            && let Some(settled) = told.settled.take()
            && up >= settled + ECHO
        {
            told.running = false;
        }
        if self.link.is_some() {
            let waits = state.asked.is_some_and(|asked| up < asked + ANSWER_WITHIN);
            let due = match &state.told {
                Some(told) if told.running && told.wanted == target => {
                    told.repeats(state.gone) && up >= told.again_at()
                }
                _ => true,
            };
            if !waits && due {
                state.asked = None;
                self.tell(plug, target);
            }
        }
        let state = &mut self.plugs[plug as usize];
        if state.case.as_ref().is_some_and(|case| !case.missed && case.missed_at <= up) {
            self.miss(plug);
        }
    }

    /// Nobody has confirmed it for 2 min.
    fn miss(&mut self, plug: u32) {
        let Some(mut case) = self.plugs[plug as usize].case.take() else { return };
        let reason = case.excuse.unwrap_or_else(|| self.miss_reason(plug, &case));
        case.missed = true;
        let (wanted, due) = (case.wanted, case.due);
        self.plugs[plug as usize].case = Some(case);
        self.record_miss(plug, wanted, reason, due);
        self.set_delivery(plug, Delivery::Missed);
    }

    fn record_miss(&mut self, plug: u32, wanted: Power, because: &'static str, due: Option<DateTime<Utc>>) {
        let channel = self.plugs[plug as usize].channel;
        let entry = self.entry(EntryKind::Missed, channel, Some(plug), Some(wanted), because);
        // The same instant as whoever reads the daybook will show, before and after a restart.
        let at = due.unwrap_or(entry.at);
        self.record(Entry { due, ..entry });
        let (channel, plug) = (self.channel_name(channel).to_string(), self.plug_name(plug).to_string());
        self.show_miss(Miss { at, channel, plug, wanted, because: because.to_string() });
    }

    /// Adds to the misses of the last day.
    pub(super) fn show_miss(&mut self, miss: Miss) {
        let up = self.now.up;
        while self.misses.front().is_some_and(|(found, _)| *found + MISSES_SHOWN < up) {
            self.misses.pop_front();
        }
        self.misses.push_back((up, miss));
    }

    /// What stands in the way of a plug is about to change. If it has stood there long enough for an answer to come, it is
    /// the reason for which this switching may be missed, whatever comes later.
    pub(super) fn note_obstacle(&mut self, plug: u32) {
        let Some(mut case) = self.plugs[plug as usize].case.take() else { return };
        if self.now.up >= case.since + ANSWER_WITHIN {
            case.excuse = case.excuse.or_else(|| self.obstacle(plug, &case));
        }
        self.plugs[plug as usize].case = Some(case);
    }

    /// What stands in the way of a plug now, if that is known: silence is one only if there was time for an answer.
    fn obstacle(&self, plug: u32, case: &Case) -> Option<&'static str> {
        let state = &self.plugs[plug as usize];
        let told = state.told.as_ref().filter(|told| told.running);
        let answerable = told.is_some_and(|told| self.now.up >= told.first.max(case.since) + ANSWER_WITHIN);
        if self.link.is_some() && !state.gone && !answerable {
            return None;
        }
        Some(self.miss_reason(plug, case))
    }

    fn miss_reason(&self, plug: u32, case: &Case) -> &'static str {
        let state = &self.plugs[plug as usize];
        let Some(link) = self.link else { return missed::BROKER };
        let told = state.told.as_ref().filter(|told| told.running);
        let fair_try = told.is_some_and(|told| self.now.up >= told.first + ANSWER_WITHIN);
        if state.gone {
            missed::GONE
        } else if case.since < link && !fair_try || !self.reports(plug) {
            missed::BROKER
        } else if told.is_some_and(|told| told.answered.is_some()) {
            missed::DISAGREES
        } else {
            missed::SILENT
        }
    }

    /// Tells a plug now, or has it wait for its turn.
    fn tell(&mut self, plug: u32, wanted: Power) {
        if !self.may_tell() {
            if !std::mem::replace(&mut self.plugs[plug as usize].queued, true) {
                self.queue.push_back(plug);
            }
            return;
        }
        self.next_send = self.now.up + self.pace;
        self.may_tell = self.may_tell.saturating_sub(1);
        self.send(plug, wanted);
    }

    /// Whether it is not too soon for another command, nor one too many for this step.
    fn may_tell(&self) -> bool {
        if self.pace.is_zero() { self.may_tell > 0 } else { self.now.up >= self.next_send }
    }

    /// Plugs that waited for their turn are told what they are to be by now.
    pub(super) fn send_queued(&mut self) {
        while self.link.is_some() && self.may_tell() {
            let Some(plug) = self.queue.pop_front() else { return };
            self.plugs[plug as usize].queued = false;
            self.tend(plug);
        }
    }

    fn send(&mut self, plug: u32, wanted: Power) {
        let up = self.now.up;
        let ticket = self.ticket(plug);
        let state = &mut self.plugs[plug as usize];
        let told = match state.told.take() {
            Some(mut told) if told.running && told.wanted == wanted => {
                while told.first + again_after(told.times) <= up {
                    told.times += 1;
                }
                Told { last: up.into(), ticket: ticket.0, acked: false, once_more: false, ..told }
            }
            _ => Told::new(wanted, up, ticket.0),
        };
        let again = told.times - 1;
        state.told = Some(told);
        state.heard = None;
        let channel = state.channel;
        if let Some(case) = &mut state.case {
            case.sent = true;
        }
        let missed = state.case.as_ref().is_some_and(|case| case.missed);
        self.set_delivery(plug, if missed { Delivery::Missed } else { Delivery::Unanswered });

        let kind = self.kind(plug);
        let name = self.plug_name(plug).clone();
        let topic = kind.tell.topic.of(&name);
        let payload = command(&kind.tell, wanted).into();
        let because = self.because(channel);
        let note = Note::Told { channel: self.channel_name(channel).clone(), plug: name, wanted, because, again };
        self.say(note);
        self.outputs.push(Output::Publish { ticket, topic, payload, retain: kind.tell.retain });
        if again > 0 {
            // Some plugs report changes alone: told what it is already, such a plug answers only when it is asked.
            self.ask(plug);
        }
    }

    pub(super) fn ticket(&mut self, plug: u32) -> Ticket {
        self.next_ticket += 1;
        Ticket(self.next_ticket << TICKET_BITS | u64::from(plug))
    }

    /// The broker has taken a command.
    pub(super) fn acked(&mut self, ticket: Ticket) {
        let plug = (ticket.0 & ((1 << TICKET_BITS) - 1)) as u32;
        let Some(state) = self.plugs.get_mut(plug as usize) else { return };
        let ours = state.told.as_ref().is_some_and(|told| told.ticket == ticket.0);
        if let Some(told) = &mut state.told
            && told.ticket == ticket.0
            && told.running
        {
            told.acked = true;
            self.tend(plug);
        }
        if ours {
            self.acked_in_try(plug, ticket.0);
        }
    }

    /// Whether a plug can be asked.
    pub(super) fn asks(&self, plug: u32) -> bool {
        let channel = self.plugs[plug as usize].channel;
        self.config.channels[channel as usize].kind.ask.is_some()
    }

    /// Whether a plug reports what it does.
    pub(super) fn reports(&self, plug: u32) -> bool {
        let channel = self.plugs[plug as usize].channel;
        self.config.channels[channel as usize].kind.report.is_some()
    }

    /// Asks a plug how it is, if it can be asked.
    pub(super) fn ask(&mut self, plug: u32) {
        let kind = self.kind(plug);
        let (Some(_), Some(ask)) = (self.link, &kind.ask) else { return };
        let ticket = self.ticket(plug);
        let topic = ask.topic.of(self.plug_name(plug));
        self.outputs.push(Output::Publish { ticket, topic, payload: ask.payload.as_str().into(), retain: false });
        self.plugs[plug as usize].next_ask = Some((self.now.up + ask.every).into());
    }

    /// Asks every plug that can be asked.
    pub(super) fn ask_all(&mut self) {
        for plug in 0..self.plugs.len() as u32 {
            self.ask(plug);
            self.set_plug_timer(plug);
        }
    }

    /// Nothing that a plug said proves anything any more: it is asked, or told where it can't be asked.
    pub(super) fn doubt(&mut self, plug: u32) {
        let up = self.now.up;
        let asks = self.asks(plug);
        let state = &mut self.plugs[plug as usize];
        state.heard = None;
        state.perhaps_hand = None;
        state.begin_series(up);
        if asks && state.asked.is_none_or(|asked| up >= asked + ANSWER_WITHIN) {
            state.asked = Some(up.into());
            self.ask(plug);
        }
        self.tend(plug);
    }

    pub(super) fn link_up(&mut self) {
        self.note_obstacles();
        self.link = Some(self.now.up);
        self.next_send = self.now.up;
        for plug in 0..self.plugs.len() as u32 {
            // What came in with the subscriptions is retained at best, unless it was live.
            if self.target(plug).is_some_and(|target| self.plugs[plug as usize].proves(target)) {
                self.ask(plug);
                self.tend(plug);
            } else {
                self.doubt(plug);
            }
        }
    }

    fn note_obstacles(&mut self) {
        for plug in 0..self.plugs.len() as u32 {
            self.note_obstacle(plug);
        }
    }

    pub(super) fn link_down(&mut self) {
        self.note_obstacles();
        self.link = None;
        self.stop_try("the broker went away");
        self.queue.clear();
        for plug in 0..self.plugs.len() as u32 {
            let state = &mut self.plugs[plug as usize];
            state.heard = None;
            state.gone = false;
            state.heartbeat = 0;
            state.perhaps_hand = None;
            state.asked = None;
            state.next_ask = None;
            state.queued = false;
            if let Some(told) = &mut state.told {
                told.running = false;
            }
            if state.delivery == Delivery::Unanswered {
                self.set_delivery(plug, Delivery::Untold);
            }
            self.set_plug_timer(plug);
        }
    }

    /// A deadline of a plug is reached.
    pub(super) fn plug_is_due(&mut self, plug: u32) {
        let up = self.now.up;
        self.decide_hand(plug);
        let state = &mut self.plugs[plug as usize];
        if state.asked.is_some_and(|asked| up >= asked + ANSWER_WITHIN) {
            state.asked = None;
        }
        if self.plugs[plug as usize].next_ask.is_some_and(|at| at <= up) {
            self.ask(plug);
        }
        self.tend(plug);
    }

    pub(super) fn set_delivery(&mut self, plug: u32, delivery: Delivery) {
        let wall = self.now.wall;
        let state = &mut self.plugs[plug as usize];
        if state.delivery != delivery {
            state.delivery = delivery;
            state.since = wall;
            let channel = state.channel;
            self.changed(channel);
        }
    }

    pub(super) fn set_plug_timer(&mut self, plug: u32) {
        self.changed(self.plugs[plug as usize].channel);
        if self.is_blinking(plug) {
            self.plug_timers.set(plug, None);
            return;
        }
        let target = self.target(plug);
        let linked = self.link.is_some();
        let state = &self.plugs[plug as usize];
        let mut earliest: Option<Duration> = None;
        let mut wait = |at: Option<Duration>| earliest = [earliest, at].into_iter().flatten().min();
        wait(state.perhaps_hand.as_ref().map(|perhaps| perhaps.decide_at));
        wait(state.case.as_ref().filter(|case| !case.missed).map(|case| case.missed_at.into()));
        if linked {
            wait(state.next_ask.map(Duration::from));
            wait(state.asked.map(|asked| asked + ANSWER_WITHIN));
            let may = !state.queued && state.perhaps_hand.is_none() && state.asked.is_none();
            wait(
                state
                    .told
                    .as_ref()
                    .filter(|told| may && told.repeats(state.gone))
                    .filter(|told| told.running && told.settled.is_none() && Some(told.wanted) == target)
                    .map(Told::again_at),
            );
        }
        self.plug_timers.set(plug, earliest.map(Up::from));
    }
}
