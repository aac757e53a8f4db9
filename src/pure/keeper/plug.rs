//! One plug: what it said, what it was told, and how far that has got.

use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use smol_str::SmolStr;

use super::tend::Cause;
use super::types::{Delivery, Hand, Now};
use super::up::Up;
use crate::pure::power::Power;

/// A switching that no report has confirmed for so long is missed.
pub(super) const MISSED_AFTER: Duration = Duration::from_secs(120);
/// How long an answer to a question is waited for before the plug is told without one.
pub(super) const ANSWER_WITHIN: Duration = Duration::from_secs(5);
/// A report sooner than this after our command may be an echo of something older.
pub(super) const ECHO: Duration = Duration::from_secs(10);
/// A report sooner than this after link or plug came back, or after we stood still, is the plug finding its feet.
pub(super) const SETTLING: Duration = Duration::from_secs(30);
/// A word of life this soon after a report tells a reboot from a hand.
const HAND_WAIT: Duration = Duration::from_secs(5);
/// A look that comes so late after its time: the program or its machine was held up, and messages wait unread.
pub(super) const LATE: Duration = Duration::from_millis(200);
/// So long they are given to be read.
pub(super) const READING: Duration = Duration::from_secs(1);
/// So many silences, and a plug that can't be asked has nothing new to say.
pub(super) const SILENCES: u32 = 3;
/// A plug that says so often in a row that it is there says it all the time.
pub(super) const HEARTBEAT: u8 = 3;

/// What is known of one plug.
#[derive(Debug)]
pub(super) struct Plug {
    /// Its channel's number.
    pub channel: u32,
    /// Its place among the plugs of its channel.
    pub nth: u32,
    /// Its last word, retained or live.
    pub said: Option<Power>,
    /// When its last word came, if that proves anything: live, on this link, and newer than our last command. A
    /// report older than the last command proves nothing: *on* is sent at 22:44:59 and its answer gets lost, the plan
    /// turns to *off*, the plug's last word is still *off*, and comparing words alone leaves the lamp burning.
    pub heard: Option<Up>,
    /// It said that it is gone, and nothing since.
    pub gone: bool,
    /// How often in a row it has said that it is there.
    pub heartbeat: u8,
    /// Its last report could not be understood, and that has been said.
    pub garbled: bool,
    /// Our last command.
    pub told: Option<Told>,
    /// When it was asked, while its answer is waited for before anything is told.
    pub asked: Option<Up>,
    /// When it is to be asked next without other reason.
    pub next_ask: Option<Up>,
    /// When it last came back.
    pub back: Option<Up>,
    /// A report that may turn out to be a hand.
    pub perhaps_hand: Option<Box<PerhapsHand>>,
    /// The hand that holds it.
    pub hand: Option<Box<Hand>>,
    /// What it is to be put back to after an override that was over while the clock was not trusted.
    pub put_back: Option<Power>,
    /// The switching that waits to be confirmed.
    pub case: Option<Box<Case>>,
    /// As people see it.
    pub delivery: Delivery,
    /// Since when.
    pub since: DateTime<Utc>,
    /// It waits for its turn to be told.
    pub queued: bool,
}

/// A command and its repetitions.
#[derive(Debug)]
pub(super) struct Told {
    pub wanted: Power,
    /// The first send of this series on this link.
    pub first: Up,
    /// The last send.
    pub last: Up,
    /// How many sends.
    pub times: u32,
    /// Of the last send.
    pub ticket: u64,
    /// The broker has taken the last send.
    pub acked: bool,
    /// What the plug has reported since the series began.
    pub answered: Option<Power>,
    /// When the plug was found to be as told.
    pub settled: Option<Up>,
    /// A plug that can't be asked has stayed silent, and its last word was this already.
    pub nothing_new: bool,
    /// It has said since the last send that it is gone, and is told once more at its time: its last will may have come late,
    /// after its first word on its return.
    pub once_more: bool,
    /// The series goes on; `false` when link or plug went away in between, or the plug changed later.
    pub running: bool,
}

/// A live report that contradicts a confirmed state, before it is known what it means.
#[derive(Clone, Copy, Debug)]
pub(super) struct PerhapsHand {
    pub decide_at: Duration,
    /// It was earlier at first.
    pub put_off: bool,
    pub since: DateTime<Utc>,
}

impl PerhapsHand {
    /// Heard now.
    pub fn new(now: Now) -> PerhapsHand {
        PerhapsHand { decide_at: now.up + HAND_WAIT, put_off: false, since: now.wall }
    }
}

/// One switching of one plug, until it is confirmed.
#[derive(Debug)]
pub(super) struct Case {
    /// What the plug is to be.
    pub wanted: Power,
    /// The planned instant; `None` for a change that was not planned, and for a correction.
    pub due: Option<DateTime<Utc>>,
    /// Why.
    pub because: SmolStr,
    /// When wanted changed, or the plug first contradicted it.
    pub since: Up,
    /// How long after `due` that was.
    pub lag: TimeDelta,
    /// When it counts as missed.
    pub missed_at: Up,
    /// The reason for which it may be missed, where that is known by now.
    pub excuse: Option<&'static str>,
    /// The daybook has it as missed.
    pub missed: bool,
    /// It is late however soon it is confirmed.
    pub late: bool,
    /// Something was sent for it.
    pub sent: bool,
}

impl Plug {
    /// A plug of which nothing is known.
    pub fn new(channel: u32, nth: u32, now: DateTime<Utc>) -> Plug {
        Plug {
            channel,
            nth,
            said: None,
            heard: None,
            gone: false,
            heartbeat: 0,
            garbled: false,
            told: None,
            asked: None,
            next_ask: None,
            back: None,
            perhaps_hand: None,
            hand: None,
            put_back: None,
            case: None,
            delivery: Delivery::Untold,
            since: now,
            queued: false,
        }
    }

    /// Whether its own word proves that it is so, and will stay so: a report soon after a command to the contrary
    /// may have been under way before the command came through.
    pub fn proves(&self, wanted: Power) -> bool {
        let Some(heard) = self.heard else { return false };
        let past_echo = self.told.as_ref().is_none_or(|told| told.wanted == wanted || heard >= told.last + ECHO);
        self.said == Some(wanted) && past_echo
    }

    /// Whether it need not be told `wanted` again though it can't or doesn't report it.
    pub fn accepts(&self, wanted: Power, reports: bool) -> bool {
        self.told
            .as_ref()
            .is_some_and(|told| told.running && told.wanted == wanted && (told.nothing_new || !reports && told.acked))
    }

    /// The series of commands is over; the next one is the first of a new one, but no sooner than the schedule's
    /// shortest step after the last.
    pub fn begin_series(&mut self, now: Duration) {
        if let Some(told) = &mut self.told {
            if told.running && now < told.last + ANSWER_WITHIN {
                told.first = told.last;
                told.times = 1;
                told.answered = None;
                told.settled = None;
                told.nothing_new = false;
                told.acked = false;
            } else {
                told.running = false;
            }
        }
    }
}

impl Case {
    /// Begins now.
    pub fn new(cause: Cause, wanted: Power, now: Now) -> Case {
        Case {
            wanted,
            due: cause.due,
            because: cause.because,
            since: now.up.into(),
            lag: cause.lag,
            missed_at: cause.missed_at.into(),
            excuse: cause.excuse,
            missed: cause.missed,
            late: cause.late,
            sent: false,
        }
    }

    /// How late it is if it is confirmed now.
    pub fn lateness(&self, now: Duration) -> TimeDelta {
        self.lag + TimeDelta::from_std(now - Duration::from(self.since)).unwrap_or(TimeDelta::MAX)
    }
}

impl Told {
    /// The first send of a series.
    pub fn new(wanted: Power, up: Duration, ticket: u64) -> Told {
        Told {
            wanted,
            first: up.into(),
            last: up.into(),
            times: 1,
            ticket,
            acked: false,
            answered: None,
            settled: None,
            nothing_new: false,
            once_more: false,
            running: true,
        }
    }

    /// Whether a plug is told again: one that is gone is told no more than once.
    pub fn repeats(&self, gone: bool) -> bool {
        !gone || self.once_more
    }

    /// When the plug is told again: 5, 10, 20, 40 s after the first send, then every 60 s; after a send between those
    /// times no sooner than 5 s, so that there is time for an answer.
    pub fn again_at(&self) -> Duration {
        (self.first + again_after(self.times)).max(self.last + ANSWER_WITHIN)
    }
}

/// After the first send, when the send after `times` sends is due.
pub(super) fn again_after(times: u32) -> Duration {
    Duration::from_secs(match times {
        0 => 0,
        1 => 5,
        2 => 10,
        3 => 20,
        more => 40 + 60 * u64::from(more - 4),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plug_takes_little_room() {
        assert!(size_of::<Plug>() <= 136, "{} bytes a plug", size_of::<Plug>());
    }

    #[test]
    fn a_silent_plug_is_told_at_5_10_20_40_s_then_every_minute() {
        let seconds: Vec<u64> = (1..8).map(|times| again_after(times).as_secs()).collect();
        assert_eq!(seconds, [5, 10, 20, 40, 100, 160, 220]);
    }
}
