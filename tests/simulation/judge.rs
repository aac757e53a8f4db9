//! What must hold whatever goes wrong. Knows the rules of the house as people would say them, and nothing of the plan.

mod hands;
mod happenings;
mod traffic;

use std::collections::BTreeMap;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use lampward::pure::entry::{Entry, EntryKind, missed};
use lampward::pure::keeper::{Ends, Now, Order, OrderId, Override};
use lampward::pure::power::Power;
use smol_str::SmolStr;

use super::calendar::Calendar;
use super::faults::Fault;
use super::house::Lamp;
use super::record::Noted;
pub use hands::{after_press, pressed};
pub use happenings::{answered, clock_set, decided, edition, kept, killed, link_changed, ordered, started};
use traffic::Sends;
pub use traffic::{commanded, questioned};

use super::world::{MINUTE, SECOND, World};

/// An obstacle may have cleared just after a repetition, and the next comes a minute later; then 10 s.
const SETTLES_WITHIN: i64 = 70 * SECOND;
/// Where nothing stands in the way, a plug is as wanted so soon after wanted has changed.
const PROMPT: i64 = 10 * SECOND;
/// Rules change to the second, and the clocks of world and keeper may round differently.
const EDGE: i64 = 2 * SECOND;

/// An override as its answer promised it.
#[derive(Clone, Debug)]
struct Word {
    wanted: Power,
    ends: Ends,
    set_at: i64,
}

/// Figures, and what is remembered for judging.
pub struct Judge {
    pub calendar: Calendar,
    pub faults: BTreeMap<Fault, u64>,
    pub entries: BTreeMap<&'static str, u64>,
    pub misses: BTreeMap<SmolStr, u64>,
    pub inputs: u64,
    pub ticks: u64,
    pub idle_ticks: u64,
    pub commands: u64,
    pub repetitions: u64,
    pub questions: u64,
    pub lost_commands: u64,
    pub compared: u64,
    pub not_compared: u64,
    pub words_compared: u64,
    pub switchings: u64,
    pub hands_expected: u64,
    pub most_an_hour: u64,
    pub noted: Vec<Noted>,
    words: Vec<Option<Word>>,
    /// Whether an override stands can't be known: an order was under way when the daemon died, or the clock was wrong.
    unsure: Vec<bool>,
    put_back: Vec<bool>,
    changed_at: Vec<i64>,
    order: Option<(OrderId, Order)>,
    not_durable: bool,
    /// An override was over and that is not on disk yet, for it is full or the daemon died over it: whether its time was over.
    over_unwritten: Vec<Option<bool>>,
    link_at: i64,
    pub started_at: i64,
    pub killed_at: i64,
    /// When it last ran with a trusted clock, and had on disk what fell due before: later than that no sign of life can rightly
    /// be.
    lived_until: i64,
    trusted_before: bool,
    /// When the clock came to be trusted while it ran, which puts on record what fell due until then.
    regained_at: i64,
    pub clock_at: i64,
    pub wrong_since: Option<i64>,
    wrong_until: i64,
    /// The file was read again, or a start was by another one, without trust: after a kill nobody knows which file held
    /// until when.
    blind_reload: Option<i64>,
    pub editions: Vec<(i64, usize)>,
    /// Spans of true time that the record can't be held to, because the clock was wrong and trusted.
    pub excused: Vec<(i64, i64)>,
    sends: Vec<Option<Sends>>,
    asked: Vec<i64>,
    /// When a hand on a plug was over.
    let_go_at: Vec<i64>,
}

impl Judge {
    pub fn new(lamps: &[Lamp], plugs: usize, now: i64) -> Judge {
        let count = lamps.len();
        Judge {
            calendar: Calendar::new(lamps),
            faults: BTreeMap::new(),
            entries: BTreeMap::new(),
            misses: BTreeMap::new(),
            inputs: 0,
            ticks: 0,
            idle_ticks: 0,
            commands: 0,
            repetitions: 0,
            questions: 0,
            lost_commands: 0,
            compared: 0,
            not_compared: 0,
            words_compared: 0,
            switchings: 0,
            hands_expected: 0,
            most_an_hour: 0,
            noted: Vec::new(),
            words: vec![None; count],
            unsure: vec![false; count],
            put_back: vec![false; count],
            changed_at: vec![now; count],
            order: None,
            not_durable: false,
            over_unwritten: vec![None; count],
            link_at: now,
            started_at: now,
            killed_at: now,
            lived_until: now,
            trusted_before: true,
            regained_at: i64::MIN,
            clock_at: now,
            wrong_since: None,
            wrong_until: 0,
            blind_reload: None,
            editions: vec![(now, 0)],
            excused: Vec::new(),
            sends: vec![None; plugs],
            asked: vec![i64::MIN; plugs],
            let_go_at: vec![now; plugs],
        }
    }

    /// A step that did nothing.
    pub fn idle(&mut self, nothing: bool, rest: Duration) {
        if nothing && rest < Duration::from_secs(1) {
            self.idle_ticks += 1;
        }
    }

    /// Something happened that may begin a new series of commands to a plug.
    pub fn stirs(&mut self, plug: usize) {
        if let Some(sends) = &mut self.sends[plug] {
            sends.times = 0;
        }
        self.asked[plug] = i64::MIN;
    }

    fn all_stir(&mut self) {
        (0..self.sends.len()).for_each(|plug| self.stirs(plug));
    }
}

impl Word {
    fn of(word: Override, now: i64) -> Word {
        Word { wanted: word.wanted, ends: word.ends, set_at: now }
    }

    /// Whether it stands at a time; `None` within seconds of its end.
    fn stands(&self, now: i64, wall: DateTime<Utc>) -> Option<bool> {
        let left = match self.ends {
            Ends::At(at) => at - wall,
            Ends::After { whole, .. } => {
                TimeDelta::milliseconds(self.set_at - now) + TimeDelta::from_std(whole).expect("hours")
            }
            Ends::Cancelled => TimeDelta::days(1),
        };
        (left.abs() > TimeDelta::seconds(5)).then_some(left > TimeDelta::zero())
    }
}

/// What a lamp is wanted to be, by word or rule; `None` where that changes right now or can't be known.
fn wanted(world: &World, lamp: usize) -> Option<Power> {
    let judge = &world.judge;
    if judge.unsure[lamp] {
        return None;
    }
    if let Some(word) = &judge.words[lamp]
        && word.stands(world.now, world.wall())?
    {
        return Some(word.wanted);
    }
    let changes = judge.calendar.of(lamp, world.edition)?;
    let wall = world.wall_ms();
    (world.trusted && changes.steady(wall - EDGE, wall + EDGE)).then(|| Power::from_lit(changes.lit(wall)))
}

/// Something else than the plan makes a lamp wanted otherwise, or anew.
fn wanted_changes(world: &mut World, lamp: usize) {
    world.judge.changed_at[lamp] = world.now;
    for plug in world.lamps[lamp].numbers() {
        world.judge.stirs(plug);
    }
}

fn keepers_now(world: &World) -> Now {
    Now { wall: world.wall(), up: Duration::from_millis((world.now - world.judge.started_at) as u64) }
}

pub fn recorded(world: &mut World, entry: &Entry) {
    *world.judge.entries.entry(entry.kind.word()).or_insert(0) += 1;
    let lamp = world.lamp_of(&entry.channel);
    let plug = entry.plug.as_deref().map(|name| world.plug_of(name));
    // A switching that came by a clock that was wrong may be missed only after it was put right.
    let of_lost_time = [missed::NOT_RUNNING, missed::CLOCK].contains(&entry.because.as_str());
    let still_wrong = entry.kind == EntryKind::Missed && !of_lost_time && world.now < world.judge.wrong_until;
    let made_wrong = world.error_ms != 0 && world.trusted || still_wrong;
    world.judge.noted.push(Noted::of(entry, lamp, plug, made_wrong));
    match entry.kind {
        EntryKind::Missed => match world.judge.misses.get_mut(&entry.because) {
            Some(count) => *count += 1,
            None => drop(world.judge.misses.insert(entry.because.clone(), 1)),
        },
        EntryKind::ByHand => {
            let plug = plug.expect("a hand is on a plug");
            world.judge.stirs(plug);
            let plug = &world.plugs[plug];
            let found_within = plug.make.asked_every() + 10 * MINUTE;
            let disturbed = world.disturbed_until.max(plug.disturbed_until);
            let stirred = plug.stirred_at.max(disturbed.min(world.now));
            let laid_on = world.now - stirred <= found_within;
            assert!(laid_on, "{}{}: a hand that nobody laid on", world.place(), plug.name);
        }
        EntryKind::HandOver => {
            let plug = plug.expect("a hand is on a plug");
            world.judge.stirs(plug);
            world.judge.let_go_at[plug] = world.now;
        }
        EntryKind::OverrideOver => {
            let by_time = entry.because == "its time is over";
            world.judge.over_unwritten[lamp] = Some(by_time);
            if by_time {
                let stands = world.judge.words[lamp].as_ref().map(|word| word.stands(world.now, world.wall()));
                let early = stands == Some(Some(true)) && !world.judge.unsure[lamp];
                assert!(!early, "{}{}: an override was over too soon", world.place(), entry.channel);
            }
            world.judge.words[lamp] = None;
            wanted_changes(world, lamp);
            world.judge.put_back[lamp] |= !world.trusted;
        }
        _ => {}
    }
}

/// Whether nothing has stood in the way of a plug for long enough.
fn undisturbed(world: &World, plug: usize) -> bool {
    let judge = &world.judge;
    let state = &world.plugs[plug];
    let since = [
        judge.link_at,
        judge.started_at,
        judge.clock_at,
        world.disturbed_until,
        state.disturbed_until,
        state.stirred_at,
    ];
    let quiet = since.into_iter().all(|at| at + SETTLES_WITHIN < world.now)
        && judge.changed_at[state.lamp].max(judge.let_go_at[plug]) + PROMPT < world.now;
    quiet && world.daemon.is_some() && world.link.is_some() && !world.wire.half_open && state.joined
}

/// Compares every lamp with what is wanted, and every override with what was promised.
pub fn look(world: &mut World) {
    if world.daemon.is_none() || !world.trusted {
        return;
    }
    let (wall, now) = (world.wall(), keepers_now(world));
    for lamp in 0..world.lamps.len() {
        let Some(place) = world.judge.calendar.place(lamp, world.edition) else { continue };
        let (overridden, views) = world.daemon.as_ref().expect("it runs").keeper.glance(place, now);
        let judge = &mut world.judge;
        if judge.unsure[lamp] && world.error_ms == 0 {
            // Whatever came of it is to hold from here on.
            judge.words[lamp] = overridden.map(|word| Word::of(word, world.now));
            judge.unsure[lamp] = false;
        } else if !judge.unsure[lamp] {
            let promised = match &judge.words[lamp] {
                Some(word) => word.stands(world.now, wall).map(|stands| stands.then_some(word.wanted)),
                None => Some(None),
            };
            let standing = overridden.map(|word| word.wanted);
            if let Some(promised) = promised {
                judge.words_compared += u64::from(promised.is_some());
                let name = &world.lamps[lamp].name;
                assert_eq!(standing, promised, "{}{name}: the override is not as promised", world.place());
            }
        }
        let changes = world.judge.calendar.of(lamp, world.edition).expect("it has a place");
        let steady = changes.steady(world.wall_ms() - PROMPT, world.wall_ms());
        let wanted = wanted(world, lamp).filter(|_| steady);
        for (plug, shown) in world.lamps[lamp].numbers().zip(&views) {
            let state = &world.plugs[plug];
            let hidden = state.hidden_since.is_some_and(|since| {
                let since = since.max(world.disturbed_until).max(state.disturbed_until).max(world.judge.link_at);
                !state.make.asks() || world.now - since < state.make.asked_every() + SETTLES_WITHIN
            });
            match wanted {
                Some(wanted) if undisturbed(world, plug) && !hidden => {
                    let target = shown.hand.as_ref().map_or(wanted, |hand| hand.wanted);
                    let right = state.power == target;
                    assert!(right, "{}{} is wrong; the keeper has it as {shown:?}", world.place(), state.name);
                    world.judge.compared += 1;
                }
                _ => world.judge.not_compared += 1,
            }
        }
    }
}
