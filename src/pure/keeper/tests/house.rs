//! A house for tests: a keeper, two clocks that pass at once, and a transcript of what it did.
//!
//! The clock times of its files are UTC. `jetty` has a plain plug, `yard/3`, that can't be asked; `parlour` has one,
//! `house/1`, that can; `shed` has one, `shed/1`, that never reports. All are lit from 18:00 until 23:00.

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};

use crate::pure::config::{self, Config};
use crate::pure::entry::{Entry, Note};
use crate::pure::keeper::{
    Answer, Input, Keeper, Keepsake, Now, Order, OrderId, Output, Snapshot, Start, Step, Ticket,
};
use crate::pure::power::Power;

pub const PLACE: &str = r#"
[place]
name      = "Skarvholmen"
position  = "59.7412 N, 0.2097 E"
time_zone = "+00:00"
"#;

pub const JETTY: &str = r#"
[channel.jetty]
label = "Jetty lamp"
plug  = "yard/3"
lit   = [{ from = "18:00", until = "23:00" }]
"#;

pub const PARLOUR: &str = r#"
[plug_kind.socket]
tell   = { topic = "{plug}/order", on = "on", off = "off" }
report = { topic = "{plug}/report", on = "on", off = "off" }
ask    = { topic = "{plug}/ask", payload = "" }
alive  = { topic = "{plug}/alive", yes = "here", no = "gone" }

[channel.parlour]
label = "Parlour"
kind  = "socket"
plug  = "house/1"
lit   = [{ from = "18:00", until = "23:00" }]
"#;

pub const SHED: &str = r#"
[plug_kind.mute]
tell = { topic = "{plug}/order", on = "on", off = "off" }

[channel.shed]
label = "Shed"
kind  = "mute"
plug  = "shed/1"
lit   = [{ from = "18:00", until = "23:00" }]
"#;

/// The machine has run for a month when lampward starts.
const BOOTED: Duration = Duration::from_secs(30 * 86_400);

/// A file of the place and some channels.
pub fn file(parts: &[&str]) -> Arc<Config> {
    let text = format!("{PLACE}{}", parts.concat());
    match config::read("house.toml", text.as_bytes()) {
        Ok(checked) => Arc::new(checked.config),
        Err(faults) => panic!("{faults}"),
    }
}

pub struct House {
    pub keeper: Keeper,
    pub wall: DateTime<Utc>,
    pub up: Duration,
    /// When the clock that never jumps is to be looked at again.
    pub rest_until: Duration,
    pub wake_at: Option<DateTime<Utc>>,
    /// Plugs that do and report what they are told, at once.
    pub obedient: BTreeSet<String>,
    /// Whether the broker acknowledges.
    pub acks: bool,
    /// Whether what must survive can be written.
    pub disk_full: bool,
    pub kept: Keepsake,
    pub steps: u64,
    /// What was said of each send.
    pub told: Vec<String>,
    transcript: Vec<String>,
    /// What was last given out.
    given: Option<Snapshot>,
}

impl House {
    /// Lampward started at a time of 2026-11-24, with a trusted clock, the link up and nothing known from before.
    pub fn at(time: &str, parts: &[&str]) -> House {
        let mut house = House::start(time, parts, Start { trusted: true, ..Start::default() });
        house.input(Input::LinkUp);
        house
    }

    /// Lampward just started, the link still down.
    pub fn start(time: &str, parts: &[&str], start: Start) -> House {
        let (wall, up) = (instant(time), BOOTED);
        let (keeper, step) = Keeper::new(Now { wall, up }, file(parts), start);
        let mut house = House {
            keeper,
            wall,
            up,
            rest_until: up + step.rest,
            wake_at: step.wake_at,
            obedient: BTreeSet::new(),
            acks: true,
            disk_full: false,
            kept: Keepsake::default(),
            steps: 0,
            told: Vec::new(),
            transcript: Vec::new(),
            given: None,
        };
        house.perform(step);
        house
    }

    /// Plugs that do as they are told and say so.
    pub fn obedient(mut self, plugs: &[&str]) -> House {
        self.obedient.extend(plugs.iter().map(|plug| plug.to_string()));
        self
    }

    pub fn now(&self) -> Now {
        Now { wall: self.wall, up: self.up }
    }

    pub fn input(&mut self, input: Input) {
        let step = self.keeper.step(self.now(), input);
        self.steps += 1;
        self.perform(step);
    }

    fn perform(&mut self, step: Step) {
        assert!(step.rest > Duration::ZERO);
        (self.rest_until, self.wake_at) = (self.up + step.rest, step.wake_at);
        for output in step.outputs {
            let time = self.wall.format("%H:%M:%S");
            match output {
                Output::Publish { ticket, topic, payload, .. } => {
                    self.transcript.push(format!("{time} {}", format!("{topic} {payload}").trim_end()));
                    self.deliver(ticket, &topic, &payload);
                }
                Output::Record(entry) => self.transcript.push(format!("{time} {}", words(&entry))),
                Output::Say(Note::Told { channel, plug, wanted, because, again }) => {
                    self.told.push(format!("{channel} {plug} {wanted}, again {again}: {because}"));
                }
                Output::Say(note) => self.transcript.push(format!("{time} {}", note_words(&note))),
                Output::Keep(keepsake) => {
                    let outcome = if self.disk_full { Err("no space left on device".to_string()) } else { Ok(()) };
                    if outcome.is_ok() {
                        self.kept = keepsake;
                    }
                    self.transcript.push(format!("{time} keep{}", if self.disk_full { " in vain" } else { "" }));
                    self.input(Input::Kept(outcome));
                }
                Output::Answer(_, answer) => self.transcript.push(format!("{time} {}", answer_words(&answer))),
                Output::Listen => self.transcript.push(format!("{time} listen")),
                Output::Alive => {}
            }
        }
    }

    fn deliver(&mut self, ticket: Ticket, topic: &str, payload: &str) {
        if self.acks {
            self.input(Input::Acked(ticket));
        }
        if let Some(plug) = topic.strip_suffix("/order")
            && self.obedient.contains(plug)
        {
            let plug = plug.to_string();
            self.report(&plug, payload);
        }
    }

    /// A plug reports, live.
    pub fn report(&mut self, plug: &str, said: &str) {
        self.message(&format!("{plug}/report"), said, false);
    }

    /// The broker hands over what a plug once reported.
    pub fn retained(&mut self, plug: &str, said: &str) {
        self.message(&format!("{plug}/report"), said, true);
    }

    /// A plug speaks of its life.
    pub fn alive(&mut self, plug: &str, word: &str) {
        self.message(&format!("{plug}/alive"), word, false);
    }

    pub fn message(&mut self, topic: &str, payload: &str, retained: bool) {
        self.input(Input::Message { topic: topic.to_string(), payload: payload.as_bytes().to_vec(), retained });
    }

    pub fn set(&mut self, channel: &str, wanted: Power, until: Option<&str>) {
        let channels = (channel != "all").then(|| vec![channel.to_string()]);
        self.input(Input::Order(OrderId(1), Order::Set { channels, wanted, until: until.map(str::to_string) }));
    }

    pub fn try_channel(&mut self, channel: &str) {
        self.input(Input::Order(OrderId(3), Order::Try { channel: channel.to_string() }));
    }

    pub fn cancel(&mut self, channel: &str) {
        let channels = (channel != "all").then(|| vec![channel.to_string()]);
        self.input(Input::Order(OrderId(2), Order::Cancel { channels }));
    }

    /// Time passes, the keeper is stepped whenever it asks to be.
    pub fn pass(&mut self, seconds: u64) {
        let end = self.up + Duration::from_secs(seconds);
        for woken in 0.. {
            assert!(woken <= 20 + seconds, "woken {woken} times in less than {seconds} s");
            let until_wake = self.wake_at.map(|at| (at - self.wall).to_std().unwrap_or(Duration::from_millis(1)));
            let rest = self.rest_until.saturating_sub(self.up);
            let rest = until_wake.map_or(rest, |wake| wake.min(rest)).max(Duration::from_millis(1));
            if self.up + rest > end {
                self.shift(end - self.up);
                return;
            }
            self.shift(rest);
            self.input(Input::Tick);
        }
    }

    /// Time passes until the wall clock shows this on the same day or the next.
    pub fn until(&mut self, time: &str) {
        let mut end = self.wall.date_naive().and_time(clock(time)).and_utc();
        if end <= self.wall {
            end += TimeDelta::days(1);
        }
        self.pass((end - self.wall).num_seconds() as u64);
    }

    /// Both clocks go on, without a step.
    pub fn shift(&mut self, by: Duration) {
        self.up += by;
        self.wall += TimeDelta::from_std(by).unwrap();
    }

    /// The wall clock alone is set.
    pub fn set_clock(&mut self, time: &str, trusted: bool) {
        self.wall = instant(time);
        self.input(Input::Clock { trusted });
    }

    pub fn snapshot(&mut self) -> Snapshot {
        let now = self.now();
        let mut given = self.given.take().unwrap_or_else(|| self.keeper.snapshot(now));
        self.keeper.renew(&mut given, now);
        assert_eq!(given, self.keeper.snapshot(now));
        self.given.insert(given).clone()
    }

    /// Delivery and said of the first plug of a channel: "confirmed, says on".
    pub fn state(&mut self, channel: &str) -> String {
        let snapshot = self.snapshot();
        let place = self.keeper.config.channels.iter().position(|known| known.name == channel);
        let plug = &snapshot.channels[place.expect("a channel of the file")].plugs[0];
        let hand = if plug.hand.is_some() { ", by hand" } else { "" };
        let said = plug.said.map_or("nothing", |said| said.word());
        format!("{}, says {said}{hand}", plug.delivery.word())
    }

    /// What has been done since the last look.
    #[track_caller]
    pub fn expect(&mut self, expected: &[&str]) {
        let seen = std::mem::take(&mut self.transcript);
        assert_eq!(seen.join("\n"), expected.join("\n"));
    }

    /// Forgets the transcript so far.
    pub fn hush(&mut self) {
        self.transcript.clear();
        self.told.clear();
    }

    /// The lines with this word among what has been done since the last look.
    pub fn lines_with(&mut self, word: &str) -> Vec<String> {
        std::mem::take(&mut self.transcript).into_iter().filter(|line| line.contains(word)).collect()
    }

    /// Lampward is killed and started anew with what it kept, so much later.
    pub fn restart(self, seconds: u64, parts: &[&str], start: Start) -> House {
        let start = Start { keepsake: self.kept.clone(), ..start };
        let wall = self.wall + TimeDelta::seconds(seconds as i64);
        let mut house = House::start(&wall.to_rfc3339(), parts, start);
        house.obedient = self.obedient;
        if !house.transcript.iter().any(|line| line.ends_with("keep")) {
            house.kept = self.kept;
        }
        house
    }
}

/// "17:00", "17:00:05" of 2026-11-24, or an RFC 3339 instant.
pub fn instant(text: &str) -> DateTime<Utc> {
    match DateTime::parse_from_rfc3339(text) {
        Ok(at) => at.to_utc(),
        Err(_) => chrono::NaiveDate::from_ymd_opt(2026, 11, 24).unwrap().and_time(clock(text)).and_utc(),
    }
}

fn clock(text: &str) -> chrono::NaiveTime {
    let full = if text.len() == 5 { format!("{text}:00") } else { text.to_string() };
    full.parse().expect("a clock time")
}

fn words(entry: &Entry) -> String {
    let who = entry.plug.as_deref().unwrap_or(&entry.channel);
    let wanted = entry.wanted.map_or("nothing", |wanted| wanted.word());
    let due = entry.due.map(|due| format!(", due {}", due.format("%H:%M:%S"))).unwrap_or_default();
    let late = entry.late.map(|late| format!(", {} s late", late.num_seconds())).unwrap_or_default();
    format!("{} {who} {wanted}: {}{due}{late}", entry.kind.word(), entry.because)
}

fn note_words(note: &Note) -> String {
    match note {
        Note::Told { .. } => unreachable!("left out"),
        Note::PlugGone { plug, .. } => format!("{plug} is gone"),
        Note::PlugBack { plug, .. } => format!("{plug} is back"),
        Note::Garbled { plug, payload, .. } => format!("{plug} garbled `{payload}`"),
        Note::TryBegun { channel } => format!("try of {channel} begun"),
        Note::TryOver { channel, answered: true, .. } => format!("try of {channel} over, all well"),
        Note::TryOver { channel, .. } => format!("try of {channel} over"),
        Note::ChannelGone { channel } => format!("{channel} is no longer in the file"),
        Note::LostTime { channel, switchings, because, .. } => format!("{channel} missed {switchings}: {because}"),
    }
}

fn tried_words(tried: &crate::pure::keeper::Tried) -> String {
    let ended = tried.ended.as_ref().map(|because| format!(" ({because})")).unwrap_or_default();
    let plug = |plug: &crate::pure::keeper::TriedPlug| {
        let back_to = plug.back_to.map_or("nothing", |power| power.word());
        format!("; {} {}, back to {back_to} {}", plug.plug, plug.because, plug.delivery.word())
    };
    let elsewhere = tried.elsewhere.iter().map(|elsewhere| format!("; {}", elsewhere.report));
    let plugs: String = tried.plugs.iter().map(plug).chain(elsewhere).collect();
    format!("answer: tried{ended}{plugs}")
}

fn answer_words(answer: &Answer) -> String {
    let list = |standing: &[(String, Option<crate::pure::keeper::Override>)]| {
        let one = |(channel, word): &(String, Option<crate::pure::keeper::Override>)| {
            format!("{channel} {}", word.as_ref().map_or("free", |word| word.wanted.word()))
        };
        standing.iter().map(one).collect::<Vec<_>>().join(", ")
    };
    match answer {
        Answer::Done(standing) => format!("answer: done, {}", list(standing)),
        Answer::DoneNotKept(standing, why) => format!("answer: done but not kept, {}: {why}", list(standing)),
        Answer::UnknownChannel(name) => format!("answer: no channel {name}"),
        Answer::Refused(_) => "answer: refused".to_string(),
        Answer::ClockNotTrusted(_) => "answer: clock not trusted".to_string(),
        Answer::NotKept(why) => format!("answer: not kept: {why}"),
        Answer::Busy(why) | Answer::NoLink(why) => format!("answer: {why}"),
        Answer::Tried(tried) => tried_words(tried),
    }
}
