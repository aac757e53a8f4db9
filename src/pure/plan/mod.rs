//! Rules and Sun → lit spans and switchings, and why a lamp is not lit.
//!
//! The numbered sentences are those of docs/rules.md. Data goes one way: `frame` says where a span lives and to which
//! date it belongs, `reckon` turns its two moments into instants, `occasion` puts one rule and one date together,
//! `spans` merges what overlaps, and `words` says why. `almanac` keeps the days of Sun and calendar that all channels
//! share, so that each is worked out once.
//!
//! Nothing here depends on what was asked before: caches change how long an answer takes, never the answer.

mod absence;
mod almanac;
mod alone;
mod frame;
mod known;
mod occasion;
mod outlook;
mod reckon;
mod spans;
pub(in crate::pure) mod words;

use std::collections::HashSet;
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use smol_str::SmolStr;

use almanac::{Almanac, earlier, later, next};
use known::{Because, Known, Lately, State};
pub use occasion::{Occasion, Outcome};
pub use outlook::{Kind, Times, Warning, never, outlook};
pub use reckon::{Origin, Reckoned, Turning};
use spans::Piece;

use super::config::Config;
use super::keeper::Switching;
use super::moment::{Altitude, Half};
use super::power::Power;
use super::sun::Crossing;

/// How far `next` looks.
pub const LOOKS_AHEAD: TimeDelta = TimeDelta::days(400);

/// So many different words are remembered.
const SAID: usize = 1_024;

/// Every lit span of every channel, worked out as far as somebody asks.
#[derive(Debug)]
pub struct Plan {
    config: Arc<Config>,
    days: Almanac,
    /// What is known of each channel, by its place in `known`: those that switch alike share it.
    of: Box<[u32]>,
    known: Vec<Known>,
    /// Words of late.
    said: HashSet<SmolStr>,
}

/// What is ahead of one channel, for tables and pictures.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Ahead {
    /// Merged, disjoint, in order; cut at the edges of what was asked for.
    pub spans: Vec<LitSpan>,
    /// What a rule asked for in vain, in order of `at`.
    pub unlit: Vec<Unlit>,
}

/// A time during which a lamp is lit. `until` is after `from`.
#[derive(Clone, Debug, PartialEq)]
pub struct LitSpan {
    /// On.
    pub from: DateTime<Utc>,
    /// Off.
    pub until: DateTime<Utc>,
    /// Why on: "sunset".
    pub from_because: String,
    /// Why off: "bedtime".
    pub until_because: String,
}

/// A span that does not happen.
#[derive(Clone, Debug, PartialEq)]
pub struct Unlit {
    /// When it would have gone on, or off where the Sun gives it no start.
    pub at: DateTime<Utc>,
    /// The date to which it belongs.
    pub date: NaiveDate,
    /// The rule, by its place in `lit`.
    pub rule: usize,
    /// "not lit: 22:45 is before sunset 23:04".
    pub because: String,
}

impl Plan {
    /// Nothing is worked out yet.
    pub fn new(config: Arc<Config>) -> Plan {
        let days = Almanac::new(&config.place);
        let (of, known) = known::begin(&config);
        Plan { days, of, known, config, said: HashSet::new() }
    }

    /// The file that it plans.
    pub fn config(&self) -> &Arc<Config> {
        &self.config
    }

    /// What the plan wants of a channel, and why: "lit from sunset until sunrise", "not before sunset 15:54",
    /// "not lit: 22:45 is before sunset 23:04".
    pub fn wanted(&mut self, channel: usize, at: DateTime<Utc>) -> (Power, SmolStr) {
        (self.power(channel, at), self.because(channel, at))
    }

    /// Until when [`Plan::wanted`] and [`Plan::next`] say what they say at an instant, as far as is known; after it.
    pub fn words_hold_until(&mut self, channel: usize, at: DateTime<Utc>) -> DateTime<Utc> {
        self.because(channel, at);
        self.known(channel).because.as_ref().map_or(at, |kept| kept.until)
    }

    /// What the plan wants of a channel, without the words.
    pub fn power(&mut self, channel: usize, at: DateTime<Utc>) -> Power {
        self.state(channel, at).wanted
    }

    /// The first switching after an instant, if there is one within 400 days. Channels that switch alike share it.
    pub fn next(&mut self, channel: usize, after: DateTime<Utc>) -> Option<Arc<Switching>> {
        let (at, wanted) = self.next_change(channel, after)?;
        if let Some(kept) = self.known(channel).next.as_ref().filter(|kept| (kept.at, kept.wanted) == (at, wanted)) {
            return Some(Arc::clone(kept));
        }
        let next = Arc::new(self.switching(channel, at, wanted));
        self.known_mut(channel).next = Some(Arc::clone(&next));
        Some(next)
    }

    /// As [`Plan::next`], without the words.
    pub fn next_change(&mut self, channel: usize, after: DateTime<Utc>) -> Option<(DateTime<Utc>, Power)> {
        let state = self.state(channel, after);
        let change = match state.change {
            Some(change) => Some(change),
            // Known to be clear as far as the state goes; look on from there, well beyond, so that the next look is
            // far off.
            None if state.clear < after + LOOKS_AHEAD => {
                let until = after + LOOKS_AHEAD + TimeDelta::days(30);
                let change = self.first_change(channel, state.clear, until).map(|(at, _)| at);
                self.known_mut(channel).state = Some(State { change, clear: change.unwrap_or(until), ..state });
                change
            }
            None => None,
        };
        change.filter(|at| *at <= after + LOOKS_AHEAD).map(|at| (at, state.wanted.other()))
    }

    /// The switchings after `after` and no later than `until`, in order.
    pub fn switchings(&mut self, channel: usize, after: DateTime<Utc>, until: DateTime<Utc>) -> Vec<Switching> {
        if let Some(kept) = &self.known(channel).lately
            && (kept.after, kept.until) == (after, until)
        {
            return kept.found.iter().cloned().collect();
        }
        let changes = spans::changes(&self.pieces(channel, after, until), after, until);
        let found: Vec<_> = changes.into_iter().map(|(at, wanted)| self.switching(channel, at, wanted)).collect();
        if found.len() <= 1 {
            let found = found.first().cloned();
            self.known_mut(channel).lately = Some(Box::new(Lately { after, until, found }));
        }
        found
    }

    /// Works out what will be asked at an instant at which a channel switches. Of that, state and words are kept until somebody
    /// asks for another time; the rest is then at hand for the machine.
    pub fn prepare(&mut self, channel: usize, at: DateTime<Utc>) {
        let _ = self.switchings(channel, at - TimeDelta::milliseconds(1), at);
        let _ = self.next_change(channel, at);
        let _ = self.because(channel, at);
    }

    /// What is ahead of a channel between two instants: what is lit, and what is not although a rule asks for it.
    pub fn ahead(&mut self, channel: usize, from: DateTime<Utc>, until: DateTime<Utc>) -> Ahead {
        let pieces = self.pieces(channel, from, until);
        let cut = |(lit, dark): (DateTime<Utc>, DateTime<Utc>)| (lit.max(from), dark.min(until));
        let merged: Vec<_> = spans::merge(&pieces).into_iter().map(cut).filter(|(lit, dark)| lit < dark).collect();
        let mut spans = Vec::with_capacity(merged.len());
        for (lit, dark) in merged {
            let from_because = self.reason_at(channel, &pieces, lit, Power::On);
            let until_because = self.reason_at(channel, &pieces, dark, Power::Off);
            spans.push(LitSpan { from: lit, until: dark, from_because, until_because });
        }
        let mut unlit = Vec::new();
        self.each_occasion(channel, from, until, |occasion| {
            let at = occasion.begins_at();
            if occasion.span().is_none() && from <= at && at < until {
                unlit.push((at, *occasion));
            }
        });
        unlit.sort_by_key(|(at, occasion)| (*at, occasion.rule));
        let unlit = unlit.into_iter().map(|(at, occasion)| Unlit {
            at,
            date: occasion.date,
            rule: occasion.rule,
            because: self.unlit(channel, &occasion),
        });
        let unlit = unlit.collect();
        Ahead { spans, unlit }
    }

    /// What one rule asks for on the dates D from `first` to `last`, without any merging. Dates on which it does not
    /// apply are left out.
    pub fn occasions(&mut self, channel: usize, rule: usize, first: NaiveDate, last: NaiveDate) -> Vec<Occasion> {
        let mut found = Vec::new();
        let mut d = first;
        while d <= last {
            found.extend(self.occasion(channel, rule, d));
            match d.succ_opt() {
                Some(following) => d = following,
                None => break,
            }
        }
        found
    }

    /// An occasion in words: "lit from sunset until bedtime", "not lit: 22:45 is before sunset 23:04".
    pub fn say(&self, channel: usize, occasion: &Occasion) -> String {
        let rule = &self.config.channels[channel].lit[occasion.rule];
        match &occasion.outcome {
            Outcome::Lit { from, until } => words::lit(self.days.zone(), rule, from, until),
            _ => self.unlit(channel, occasion),
        }
    }

    /// The next sunrise, `horizon` included, if there is one within 400 days.
    pub fn next_sunrise(&mut self, after: DateTime<Utc>) -> Option<DateTime<Utc>> {
        self.next_passing(Half::Morning, Altitude::Horizon, after)
    }

    /// The next sunset, sunrise, dusk or dawn, if there is one within 400 days.
    pub fn next_mark(&mut self, after: DateTime<Utc>) -> Option<(&'static str, DateTime<Utc>)> {
        let marks = [
            ("sunset", Half::Evening, Altitude::Horizon),
            ("sunrise", Half::Morning, Altitude::Horizon),
            ("dusk", Half::Evening, Altitude::Civil),
            ("dawn", Half::Morning, Altitude::Civil),
        ];
        let found = marks.map(|(name, half, altitude)| Some((name, self.next_passing(half, altitude, after)?)));
        found.into_iter().flatten().min_by_key(|(_, at)| *at)
    }

    fn next_passing(&mut self, half: Half, altitude: Altitude, after: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let first = earlier(self.days.solar_date(after), 1);
        let mut solar = first;
        while solar <= later(first, LOOKS_AHEAD.num_days() as u64) {
            if let Crossing::At(at) = self.days.crossing(solar, half, altitude) {
                let at = chrono::SubsecRound::round_subsecs(at, 0);
                if at > after {
                    return Some(at);
                }
            }
            solar = next(solar);
        }
        None
    }

    fn known(&self, channel: usize) -> &Known {
        &self.known[self.of[channel] as usize]
    }

    fn known_mut(&mut self, channel: usize) -> &mut Known {
        &mut self.known[self.of[channel] as usize]
    }

    fn occasion(&mut self, channel: usize, rule: usize, d: NaiveDate) -> Option<Occasion> {
        let of = &self.config.channels[channel];
        let outline = &self.known[self.of[channel] as usize].outlines[rule];
        occasion::occasion(&mut self.days, &self.config, of, (rule, &of.lit[rule], outline), d)
    }

    /// Every occasion that can touch an instant between the two.
    fn each_occasion(
        &mut self,
        channel: usize,
        from: DateTime<Utc>,
        until: DateTime<Utc>,
        mut found: impl FnMut(&Occasion),
    ) {
        let (first, last) = (self.days.local_date(from), self.days.local_date(until));
        for rule in 0..self.known(channel).outlines.len() {
            let outline = self.known(channel).outlines[rule];
            let (mut d, last) = (self.days.dates_before(first, outline.back), later(last, outline.forward));
            while d <= last {
                if let Some(occasion) = self.occasion(channel, rule, d) {
                    found(&occasion);
                }
                d = next(d);
            }
        }
    }

    /// Every span, unmerged, that touches the time between two instants; in order of `from`, then of the file.
    fn pieces(&mut self, channel: usize, from: DateTime<Utc>, until: DateTime<Utc>) -> Vec<Piece> {
        let mut pieces = Vec::new();
        self.each_occasion(channel, from, until, |occasion| {
            if let Some((lit, dark)) = occasion.span()
                && lit <= until
                && dark >= from
            {
                pieces.push(Piece { from: lit, until: dark, rule: occasion.rule, d: occasion.d });
            }
        });
        pieces.sort_by_key(|piece| (piece.from, piece.rule));
        pieces
    }

    /// The first switching in `(after, until]`, looking at ever longer stretches: most lamps switch tonight.
    fn first_change(
        &mut self,
        channel: usize,
        after: DateTime<Utc>,
        until: DateTime<Utc>,
    ) -> Option<(DateTime<Utc>, Power)> {
        let (mut begin, mut days) = (after, 1);
        while begin < until {
            let end = (begin + TimeDelta::days(days)).min(until);
            let pieces = self.pieces(channel, begin, end);
            if let Some(first) = spans::changes(&pieces, begin, end).into_iter().next() {
                return Some(first);
            }
            (begin, days) = (end, (days * 2).min(64));
        }
        None
    }

    /// The state at an instant: kept from the last time if that still holds.
    fn state(&mut self, channel: usize, at: DateTime<Utc>) -> State {
        if let Some(state) = self.known(channel).state
            && state.since <= at
            && state.change.map_or(at <= state.clear, |change| at < change)
        {
            return state;
        }
        // Most often time has gone on just beyond the next change, and the state there is known.
        let after_change = self.known(channel).state.and_then(|state| Some((state.change?, state.wanted.other())));
        if let Some((change, wanted)) = after_change
            && change <= at
            && at < change + TimeDelta::days(1)
        {
            let until = at + LOOKS_AHEAD + TimeDelta::days(1);
            let next = self.first_change(channel, change, until).map(|(at, _)| at);
            if next.is_none_or(|next| at < next) {
                let state = State { since: change, wanted, change: next, clear: next.unwrap_or(until) };
                self.known_mut(channel).state = Some(state);
                return state;
            }
        }
        let lit = self.pieces(channel, at, at).iter().any(|piece| piece.covers(at));
        let until = at + LOOKS_AHEAD + TimeDelta::days(1);
        let change = self.first_change(channel, at, until).map(|(at, _)| at);
        let state = State { since: at, wanted: Power::from_lit(lit), change, clear: change.unwrap_or(until) };
        self.known_mut(channel).state = Some(state);
        state
    }

    fn because(&mut self, channel: usize, at: DateTime<Utc>) -> SmolStr {
        let kept = self.known(channel).because.as_deref();
        if kept.is_none_or(|kept| at < kept.since || at >= kept.until) {
            let (until, text) = self.explain(channel, at);
            let text = self.shared(text);
            self.known_mut(channel).because = Some(Box::new(Because { since: at, until, text }));
        }
        self.known(channel).because.as_deref().map(|kept| kept.text.clone()).unwrap_or_default()
    }

    /// The same words, held once for all the channels that have them.
    fn shared(&mut self, text: String) -> SmolStr {
        if let Some(known) = self.said.get(text.as_str()) {
            return known.clone();
        }
        if self.said.len() >= SAID {
            self.said.clear();
        }
        let text = SmolStr::from(text);
        self.said.insert(text.clone());
        text
    }

    /// Why a channel is as it is, and until when these words hold at most.
    fn explain(&mut self, channel: usize, at: DateTime<Utc>) -> (DateTime<Utc>, String) {
        let mut horizon = at + TimeDelta::days(1);
        let limit = at + LOOKS_AHEAD;
        // The span that ends last of those that cover the instant; else the first occasion that is not over.
        let mut lit: Option<Occasion> = None;
        let mut coming: Option<Occasion> = None;
        let mut begin = at;
        loop {
            let mut edges = horizon;
            self.each_occasion(channel, begin, horizon, |occasion| {
                for edge in [occasion.begins_at(), occasion.over_at()] {
                    if edge > at {
                        edges = edges.min(edge);
                    }
                }
                if let Some((from, until)) = occasion.span()
                    && from <= at
                    && at < until
                    && lit.is_none_or(|lit| until > lit.over_at())
                {
                    lit = Some(*occasion);
                } else if occasion.over_at() > at
                    && coming
                        .is_none_or(|other| (occasion.begins_at(), occasion.rule) < (other.begins_at(), other.rule))
                {
                    coming = Some(*occasion);
                }
            });
            if let Some(occasion) = lit {
                return (edges, self.say(channel, &occasion));
            }
            // What begins later may have been met only because its dates reach further; look again with the others.
            if let Some(occasion) = coming.filter(|occasion| occasion.begins_at() <= horizon) {
                let rule = &self.config.channels[channel].lit[occasion.rule];
                let text = match &occasion.outcome {
                    Outcome::Lit { from, .. } => words::waiting(self.days.zone(), &rule.from, from, at),
                    _ => self.unlit(channel, &occasion),
                };
                // A day before it begins, its date is no longer said.
                let dated = Some(occasion.begins_at() - TimeDelta::days(1));
                let holds =
                    dated.filter(|said_until| *said_until > at).map_or(edges, |said_until| edges.min(said_until));
                return (holds.min(at + TimeDelta::days(1)), text);
            }
            if horizon >= limit {
                return (at + TimeDelta::days(1), "no rule lights it within 400 days".to_owned());
            }
            begin = horizon;
            horizon = (horizon + (horizon - at)).min(limit);
        }
    }

    fn unlit(&self, channel: usize, occasion: &Occasion) -> String {
        let rule = &self.config.channels[channel].lit[occasion.rule];
        words::unlit(self.days.zone(), rule, occasion).map_or_else(String::new, |why| format!("not lit: {why}"))
    }

    fn switching(&mut self, channel: usize, at: DateTime<Utc>, wanted: Power) -> Switching {
        let pieces = self.pieces(channel, at, at);
        let because = self.reason_at(channel, &pieces, at, wanted);
        Switching { at, wanted, because: self.shared(because) }
    }

    /// The reason of the piece that begins (or ends) at an instant; of the one that covers it, where a window cuts it.
    fn reason_at(&mut self, channel: usize, pieces: &[Piece], at: DateTime<Utc>, wanted: Power) -> String {
        let exact = pieces.iter().find(|piece| if wanted == Power::On { piece.from == at } else { piece.until == at });
        let piece = exact.or_else(|| pieces.iter().find(|piece| piece.from <= at && at <= piece.until));
        let Some((piece, occasion)) =
            piece.and_then(|piece| Some((piece, self.occasion(channel, piece.rule, piece.d)?)))
        else {
            return String::new();
        };
        let rule = &self.config.channels[channel].lit[piece.rule];
        match (&occasion.outcome, wanted) {
            (Outcome::Lit { from, .. }, Power::On) => words::reason(self.days.zone(), &rule.from, from),
            (Outcome::Lit { until, .. }, Power::Off) => words::reason(self.days.zone(), &rule.until, until),
            _ => String::new(),
        }
    }
}
