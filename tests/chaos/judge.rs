//! Whether every plug is as it should be, by `/status` and by its own word, and how long that took.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::Value;

use crate::ground::Ground;
use crate::lamps::{self, Make};
use crate::people::Book;

/// What the design promises, before what else stands in the way.
pub const BOUND: Duration = Duration::from_secs(10);

/// A switching that nobody confirms is on record as missed after 2 min.
const UNCONFIRMED: TimeDelta = TimeDelta::seconds(130);

/// A run's figures.
#[derive(Debug, Default)]
pub struct Figures {
    pub faults: BTreeMap<&'static str, u64>,
    /// The longest time from a recovery, or the change of what is wanted, to agreement.
    pub longest: BTreeMap<&'static str, (Duration, String)>,
    pub agreements: u64,
}

/// One plug against what it should be.
struct Comparison<'a> {
    plug: &'a str,
    make: &'static Make,
    wanted: Option<bool>,
    is: bool,
    shown: Value,
    channel: Value,
    /// When what is wanted last changed.
    changed: Instant,
}

impl Comparison<'_> {
    fn agrees(&self) -> bool {
        let Some(wanted) = self.wanted else { return false };
        let word = |on| if on { "on" } else { "off" };
        let said = self.shown["said"].as_str();
        let delivery = self.shown["delivery"].as_str();
        let known = said == Some(word(wanted));
        let sure = matches!(delivery, Some("confirmed" | "accepted"));
        let shown = match self.make.may_stay_unknown() {
            // A report of a change that got lost is never made good; but nobody may be sure of what is not so.
            true => known || !sure || said == Some("unknown"),
            false => known && delivery == Some("confirmed"),
        };
        self.is == wanted && self.channel["wanted"] == word(wanted) && shown
    }
}

impl Ground {
    /// Waits until every plug is as wanted at one look. Fails when one is not within `bound` after `recovered`, or after
    /// what is wanted of it last changed.
    #[track_caller]
    pub fn settle(&self, book: &mut Book, fault: &'static str, recovered: Instant, bound: Duration) {
        let status = self.daemon().status();
        self.compare(book, &status);
        let plugs = lamps::plugs();
        let mut agreed: BTreeMap<String, Duration> = BTreeMap::new();
        loop {
            let (lamps, status) = (self.plugs.say(), self.daemon().status());
            let (at, instant) = (lampward::clock::wall(), Instant::now());
            let mut all = true;
            for comparison in comparisons(book, &plugs, &lamps, &status, at, instant) {
                let changed = comparison.changed.max(recovered);
                let took = instant.saturating_duration_since(changed);
                if comparison.agrees() {
                    agreed.entry(comparison.plug.to_owned()).or_insert(took);
                    continue;
                }
                all = false;
                if comparison.wanted.is_some() && took > (bound + comparison.make.latest()) * self.lenience {
                    let Comparison { plug, make, wanted, is, shown, channel, .. } = comparison;
                    panic!(
                        "seed={}: {took:?} after {fault}, {plug} ({}) is wanted {wanted:?}, is {is}, and is shown as \
                         {shown}\n{channel}\n{}",
                        self.seed,
                        make.word,
                        self.told_of(plug)
                    );
                }
            }
            if all && status["broker"]["link"] == "up" {
                break;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        let mut figures = self.figures.borrow_mut();
        figures.agreements += 1;
        if let Some((plug, took)) = agreed.into_iter().max_by_key(|(_, took)| *took) {
            let longest = figures.longest.entry(fault).or_default();
            if took > longest.0 {
                let make = plugs.iter().find(|(name, _)| *name == plug).map_or("", |(_, make)| make.word);
                *longest = (took, make.to_owned());
            }
        }
    }

    /// Holds the overrides of `/status` against what was promised; one lost is the end.
    #[track_caller]
    pub fn compare(&self, book: &mut Book, status: &Value) {
        book.compare(status, lampward::clock::wall());
        assert!(book.lost.is_empty(), "seed={}: overrides lost: {:#?}\n{}", self.seed, book.lost, self.told_of(""));
    }

    /// Every switching of every plug must be on record, whatever became of it, unless it may still be confirmed; and no
    /// hand, for nobody has pressed a button. Gives how many there were, by what became of them.
    #[track_caller]
    pub fn on_record(&self, book: &Book, since: DateTime<Utc>) -> BTreeMap<String, u64> {
        let until = lampward::clock::wall() - UNCONFIRMED;
        let (code, past) = self.daemon().ask("GET", "/past?days=1", None).expect("the daemon answers");
        assert_eq!(code, 200, "{past}");
        let mut found: BTreeMap<(String, Option<String>, DateTime<Utc>), String> = BTreeMap::new();
        for entry in past["entries"].as_array().unwrap() {
            let text = |key: &str| entry[key].as_str().map(str::to_owned);
            let (channel, kind) = (text("channel").unwrap(), text("kind").unwrap());
            let told = || self.told_of(&text("plug").unwrap_or_default());
            assert_ne!(kind, "by hand", "seed={}: {entry}\n{}", self.seed, told());
            if let Some(due) = text("due") {
                let due = DateTime::parse_from_rfc3339(&due).unwrap().to_utc();
                found.insert((channel, text("plug"), due), kind);
            }
        }
        let mut figures = BTreeMap::new();
        for (number, channel) in book.plan.channels.iter().enumerate() {
            for due in book.plan.switchings(number, since, until) {
                for plug in &channel.plugs {
                    let of = |plug| found.get(&(channel.name.clone(), plug, due));
                    let Some(kind) = of(Some(plug.clone())).or_else(|| of(None)) else {
                        let told = self.told_of(plug);
                        panic!("seed={}: nothing on record of {plug} at {due}\n{told}", self.seed);
                    };
                    *figures.entry(kind.clone()).or_insert(0) += 1;
                }
            }
        }
        figures
    }

    /// The last lines of the daemon's log that hold `word`.
    pub fn told_of(&self, word: &str) -> String {
        let log = self.daemon().log();
        let lines: Vec<&str> = log.lines().filter(|line| line.contains(word) || line.contains("broker")).collect();
        lines[lines.len().saturating_sub(60)..].join("\n")
    }
}

fn comparisons<'a>(
    book: &'a Book,
    makes: &'a [(String, &'static Make)],
    lamps: &'a Value,
    status: &'a Value,
    at: DateTime<Utc>,
    instant: Instant,
) -> impl Iterator<Item = Comparison<'a>> {
    let channels = status["channels"].as_array().expect("channels are shown");
    book.plan.channels.iter().enumerate().flat_map(move |(number, channel)| {
        let shown = channels.iter().find(|shown| shown["name"] == *channel.name).expect("every channel is shown");
        channel.plugs.iter().map(move |plug| {
            let mut said = shown["plugs"].as_array().unwrap().iter();
            Comparison {
                plug,
                make: makes.iter().find(|(name, _)| name == plug).unwrap().1,
                wanted: book.wanted(number, at),
                is: lamps["lamps"][plug].as_bool().unwrap(),
                shown: said.find(|shown| shown["plug"] == **plug).expect("every plug is shown").clone(),
                channel: shown.clone(),
                changed: book.touched(number).max(changed(book, number, at, instant)),
            }
        })
    })
}

/// When plan or override last changed what a channel is to be, as far as the last minute goes.
fn changed(book: &Book, channel: usize, at: DateTime<Utc>, instant: Instant) -> Instant {
    let wanted = book.wanted(channel, at);
    let ago = (1..60).find(|&ago| book.wanted(channel, at - TimeDelta::seconds(ago)) != wanted);
    instant - Duration::from_secs(u64::try_from(ago.unwrap_or(60)).unwrap())
}
