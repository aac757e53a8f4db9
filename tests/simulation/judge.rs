//! What must hold whatever goes wrong. Knows the rules of the house as people would say them, and nothing of the plan.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use lampward::pure::entry::{Entry, EntryKind};
use lampward::pure::keeper::{Answer, Delivery, Ends, Order, OrderId};
use lampward::pure::power::Power;
use lampward::pure::sun::Sun;

use super::faults::Fault;
use super::house::{self, Lamp, Make};
use super::world::{DAY, Event, HOUR, MINUTE, SECOND, World, instant};

/// An obstacle may have cleared just after a repetition, and the next comes a minute later; then 10 s.
const SETTLES_WITHIN: i64 = 100 * SECOND;
/// Rules change to the second, and the clocks of world and keeper may round differently.
const EDGE: TimeDelta = TimeDelta::seconds(2);

/// An override as its answer promised it.
#[derive(Clone, Debug)]
struct Word {
    wanted: Power,
    ends: Ends,
    set_at: i64,
}

/// Figures, and what is remembered for judging.
pub struct Judge {
    pub sun: Sun,
    pub faults: BTreeMap<Fault, u64>,
    pub entries: BTreeMap<&'static str, u64>,
    pub misses: BTreeMap<String, u64>,
    pub inputs: u64,
    pub ticks: u64,
    pub idle_ticks: u64,
    pub commands: u64,
    pub lost_commands: u64,
    pub compared: u64,
    pub not_compared: u64,
    pub switchings: u64,
    pub hands_expected: u64,
    pub most_an_hour: u64,
    words: Vec<Option<Word>>,
    /// Whether an override stands can't be known: an order was under way when the daemon died, or the clock was wrong.
    unsure: Vec<bool>,
    put_back: Vec<bool>,
    changed_at: Vec<i64>,
    order: Option<(OrderId, Order)>,
    not_durable: bool,
    link_at: i64,
    started_at: i64,
    killed_at: i64,
    clock_at: i64,
    wrong_since: Option<i64>,
    /// The file was read again without trust: after a kill nobody knows which file held until when.
    blind_reload: Option<i64>,
    editions: Vec<(i64, usize)>,
    /// Spans of true time that the record can't be held to, because the clock was wrong and trusted.
    excused: Vec<(i64, i64)>,
    /// Entries made while the clock was wrong and trusted: they speak of times that were not.
    made_wrong: HashSet<usize>,
    sends: HashMap<usize, (i64, Power, i64)>,
    sends_an_hour: HashMap<usize, (i64, u64)>,
}

impl Judge {
    pub fn new(lamps: &[Lamp], now: i64) -> Judge {
        let count = lamps.len();
        Judge {
            sun: house::sun(),
            faults: BTreeMap::new(),
            entries: BTreeMap::new(),
            misses: BTreeMap::new(),
            inputs: 0,
            ticks: 0,
            idle_ticks: 0,
            commands: 0,
            lost_commands: 0,
            compared: 0,
            not_compared: 0,
            switchings: 0,
            hands_expected: 0,
            most_an_hour: 0,
            words: vec![None; count],
            unsure: vec![false; count],
            put_back: vec![false; count],
            changed_at: vec![now; count],
            order: None,
            not_durable: false,
            link_at: now,
            started_at: now,
            killed_at: now,
            clock_at: now,
            wrong_since: None,
            blind_reload: None,
            editions: vec![(now, 0)],
            excused: Vec::new(),
            made_wrong: HashSet::new(),
            sends: HashMap::new(),
            sends_an_hour: HashMap::new(),
        }
    }

    /// A step that did nothing.
    pub fn idle(&mut self, nothing: bool, rest: Duration) {
        if nothing && rest < Duration::from_secs(1) {
            self.idle_ticks += 1;
        }
    }
}

impl Word {
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
    let rule = world.lamps[lamp].rules[world.edition];
    let (before, after) = (world.wall() - EDGE, world.wall() + EDGE);
    let lit = house::lit(&judge.sun, rule, before);
    (world.trusted && lit == house::lit(&judge.sun, rule, after)).then_some(Power::from_lit(lit))
}

pub fn started(world: &mut World) {
    let now = world.now;
    let trusted = world.trusted;
    let wall = world.wall();
    // The sign of life may be of a time to come, when the clock was wrong: what fell due before then stays unknown.
    let killed = instant(world.judge.killed_at);
    if world.disk.last_life.is_some_and(|life| life > killed) {
        // It may have gone untrusted for a day before that, too.
        let from = world.judge.killed_at - 25 * HOUR;
        world.judge.excused.push((from, now + 3 * MINUTE));
    }
    if let Some(since) = world.judge.blind_reload.take() {
        world.judge.excused.push((since - 2 * DAY, now + 3 * MINUTE));
    }
    if world.error_ms != 0 && trusted {
        // What it finds to have fallen due, it finds by a clock that is wrong.
        let from = world.judge.killed_at;
        world.judge.excused.push((from - 3 * MINUTE, now + 3 * MINUTE));
    }
    let edition = world.edition;
    let judge = &mut world.judge;
    if judge.editions.last().is_some_and(|(_, last)| *last != edition) {
        judge.editions.push((now, edition));
    }
    judge.started_at = now;
    let wrong = world.error_ms != 0;
    for lamp in 0..judge.words.len() {
        let Some(word) = &judge.words[lamp] else { continue };
        if !trusted || wrong || judge.not_durable {
            judge.unsure[lamp] = true;
        } else if word.stands(now, wall) == Some(false) {
            judge.words[lamp] = None;
        }
    }
    if judge.not_durable {
        judge.unsure.fill(true);
    }
    clock_changed(world);
}

pub fn killed(world: &mut World) {
    world.judge.killed_at = world.now;
    if let Some((_, order)) = world.judge.order.take() {
        let channels = match order {
            Order::Set { channels, .. } | Order::Cancel { channels } => channels,
            Order::Try { channel } => Some(vec![channel]),
        };
        for lamp in 0..world.lamps.len() {
            if channels.as_ref().is_none_or(|names| names.contains(&world.lamps[lamp].name)) {
                world.judge.unsure[lamp] = true;
            }
        }
    }
}

pub fn link_changed(world: &mut World) {
    world.judge.link_at = world.now;
    world.judge.sends.clear();
}

pub fn edition(world: &mut World) {
    world.judge.clock_at = world.now;
    if world.daemon.is_some() {
        let (now, edition) = (world.now, world.edition);
        if !world.trusted {
            world.judge.blind_reload.get_or_insert(now);
        }
        world.judge.editions.push((now, edition));
    }
}

pub fn clock_set(world: &mut World) {
    let (now, wall) = (world.now, world.wall());
    let judge = &mut world.judge;
    let running = world.daemon.is_some();
    for lamp in 0..judge.words.len() {
        let Some(word) = &judge.words[lamp] else { continue };
        match word.ends {
            // Over by a clock that runs wrong is over.
            Ends::At(_) if world.trusted && running && word.stands(now, wall) == Some(true) => {}
            Ends::At(_) if world.trusted && running => judge.words[lamp] = None,
            Ends::At(_) => judge.unsure[lamp] = true,
            Ends::After { .. } if !running => judge.unsure[lamp] = true,
            _ => {}
        }
    }
    clock_changed(world);
}

fn clock_changed(world: &mut World) {
    let now = world.now;
    let judge = &mut world.judge;
    judge.clock_at = now;
    if world.trusted {
        if world.daemon.is_some() {
            judge.blind_reload = None;
        }
        judge.put_back.fill(false);
    }
    let wrong = world.error_ms != 0 && world.trusted;
    if wrong {
        judge.wrong_since.get_or_insert(now);
    } else if let Some(since) = judge.wrong_since.take() {
        judge.excused.push((since - 3 * MINUTE, now + 3 * MINUTE));
        if world.daemon.is_none() {
            judge.wrong_since = Some(since);
        }
    }
}

pub fn ordered(world: &mut World, id: OrderId, order: &Order) {
    world.judge.order = Some((id, order.clone()));
}

pub fn kept(world: &mut World, outcome: bool) {
    if outcome {
        world.judge.not_durable = false;
    }
}

pub fn answered(world: &mut World, id: OrderId, answer: Answer) {
    let place = world.place();
    let Some((asked, order)) = world.judge.order.take() else { panic!("{place}an answer to no order") };
    assert_eq!(asked, id, "{place}an answer to another order");
    let now = world.now;
    let (standing, kept) = match answer {
        Answer::Done(standing) => (standing, true),
        Answer::DoneNotKept(standing, _) => (standing, false),
        Answer::NotKept(_) => {
            assert!(world.disk.full && matches!(order, Order::Set { .. }), "{place}refused with room on the disk");
            return;
        }
        Answer::ClockNotTrusted(_) => {
            assert!(!world.trusted, "{place}refused though the clock is trusted");
            return;
        }
        Answer::Refused(_) | Answer::UnknownChannel(_) => return,
        Answer::Tried(_) | Answer::Busy(_) | Answer::NoLink(_) => return,
    };
    assert!(kept || world.disk.full, "{place}not kept with room on the disk");
    world.judge.not_durable |= !kept;
    for (name, word) in standing {
        let lamp = world.lamps.iter().position(|lamp| lamp.name == name).expect("a lamp of the house");
        if matches!(order, Order::Set { .. }) {
            assert!(word.is_some(), "{place}a promise without an override");
        }
        if word.is_none() && world.judge.words[lamp].is_some() && !world.trusted {
            world.judge.put_back[lamp] = true;
        }
        world.judge.words[lamp] = word.map(|word| Word { wanted: word.wanted, ends: word.ends, set_at: now });
        world.judge.unsure[lamp] = false;
        world.judge.changed_at[lamp] = now;
    }
}

/// No command contradicts what is wanted, and none comes sooner after the last than repetitions do.
pub fn commanded(world: &mut World, plug: usize, order: Power) {
    world.judge.commands += 1;
    let now = world.now;
    let place = world.place();
    let name = world.plugs[plug].name.clone();
    let hour = now / HOUR;
    let sends = world.judge.sends_an_hour.entry(plug).or_insert((hour, 0));
    *sends = if sends.0 == hour { (hour, sends.1 + 1) } else { (hour, 1) };
    world.judge.most_an_hour = world.judge.most_an_hour.max(sends.1);
    if let Some((at, last, _)) = world.judge.sends.insert(plug, (now, order, 0)) {
        let gap = now - at;
        assert!(last != order || gap >= 4999, "{place}{name} is told {order} again after {gap} ms");
    }
    let lamp = world.plugs[plug].lamp;
    match wanted(world, lamp) {
        Some(wanted) if wanted != order => {
            let hand = shown(world, plug).0;
            assert_eq!(hand, Some(order), "{place}{name} is told {order} while {wanted} is wanted");
        }
        None if !world.trusted && !world.judge.unsure[lamp] && world.judge.words[lamp].is_none() => {
            assert!(world.judge.put_back[lamp], "{place}{name} is told {order} while the clock is not trusted");
        }
        _ => {}
    }
}

/// The hand on a plug and its delivery, as the keeper shows them.
fn shown(world: &mut World, plug: usize) -> (Option<Power>, Delivery) {
    let (wall, started) = (world.wall(), world.judge.started_at);
    let up = Duration::from_millis((world.now - started) as u64);
    let name = world.plugs[plug].name.clone();
    let daemon = world.daemon.as_mut().expect("a daemon that runs");
    let snapshot = daemon.keeper.snapshot(lampward::pure::keeper::Now { wall, up });
    let plugs = snapshot.channels.into_iter().flat_map(|channel| channel.plugs);
    let view = plugs.into_iter().find(|view| view.plug == name).expect("a plug of the house");
    (view.hand.map(|hand| hand.wanted), view.delivery)
}

pub fn recorded(world: &mut World, entry: &Entry) {
    *world.judge.entries.entry(entry.kind.word()).or_insert(0) += 1;
    let place = world.place();
    let lamp = world.lamps.iter().position(|lamp| lamp.name == entry.channel).expect("a lamp of the house");
    if world.error_ms != 0 && world.trusted {
        world.judge.made_wrong.insert(world.disk.records.len());
    }
    match entry.kind {
        EntryKind::Missed => *world.judge.misses.entry(entry.because.clone()).or_insert(0) += 1,
        EntryKind::ByHand => {
            let name = entry.plug.as_deref().expect("a hand is on a plug");
            let plug = world.plugs.iter().find(|plug| plug.name == name).expect("a plug of the house");
            let found_within = if plug.make.asks() { HOUR + 10 * MINUTE } else { 10 * MINUTE };
            let disturbed = world.disturbed_until.max(plug.disturbed_until);
            let stirred = plug.stirred_at.max(disturbed.min(world.now));
            assert!(world.now - stirred <= found_within, "{place}{name}: a hand that nobody laid on");
        }
        EntryKind::OverrideOver => {
            let now = world.now;
            if entry.because == "its time is over" {
                let stands = world.judge.words[lamp].as_ref().map(|word| word.stands(now, world.wall()));
                let early = stands == Some(Some(true)) && !world.judge.unsure[lamp];
                assert!(!early, "{place}{}: an override was over too soon", entry.channel);
            }
            world.judge.words[lamp] = None;
            world.judge.changed_at[lamp] = now;
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
        judge.changed_at[state.lamp],
        world.disturbed_until,
        state.disturbed_until,
        state.stirred_at,
    ];
    let quiet = since.into_iter().all(|at| at + SETTLES_WITHIN < world.now);
    quiet && world.daemon.is_some() && world.link.is_some() && !world.wire.half_open && state.joined
}

/// Compares every lamp with what is wanted, and every override with what was promised.
pub fn look(world: &mut World) {
    if world.daemon.is_none() || !world.trusted {
        return;
    }
    let place = world.place();
    let (wall, started) = (world.wall(), world.judge.started_at);
    let up = Duration::from_millis((world.now - started) as u64);
    let daemon = world.daemon.as_mut().expect("it runs");
    let snapshot = daemon.keeper.snapshot(lampward::pure::keeper::Now { wall, up });
    let mut plug = 0;
    for (lamp, view) in snapshot.channels.iter().enumerate() {
        let judge = &world.judge;
        if !judge.unsure[lamp] {
            let promised = match &judge.words[lamp] {
                Some(word) => word.stands(world.now, wall).map(|stands| stands.then_some(word.wanted)),
                None => Some(None),
            };
            let standing = view.overridden.as_ref().map(|word| word.wanted);
            if let Some(promised) = promised {
                assert_eq!(standing, promised, "{place}{}: the override is not as promised", view.name);
            }
        }
        let ago = wall - TimeDelta::milliseconds(SETTLES_WITHIN);
        let rule = world.lamps[lamp].rules[world.edition];
        let steady = house::lit(&judge.sun, rule, ago) == house::lit(&judge.sun, rule, wall);
        let wanted = wanted(world, lamp).filter(|_| steady);
        for shown in &view.plugs {
            let state = &world.plugs[plug];
            assert_eq!(state.name, shown.plug);
            let hidden = state.hidden_since.is_some_and(|since| {
                let since = since.max(world.disturbed_until).max(state.disturbed_until).max(world.judge.link_at);
                !state.make.asks() || world.now - since < HOUR + SETTLES_WITHIN
            });
            match wanted {
                Some(wanted) if undisturbed(world, plug) && !hidden => {
                    let target = shown.hand.as_ref().map_or(wanted, |hand| hand.wanted);
                    assert_eq!(state.power, target, "{place}{} is wrong; the keeper has it as {shown:?}", state.name);
                    world.judge.compared += 1;
                }
                _ => world.judge.not_compared += 1,
            }
            plug += 1;
        }
    }
}

/// Somebody is about to press a button: if all is calm it must be taken for what it is.
pub fn pressed(world: &mut World, plug: usize) {
    let state = &world.plugs[plug];
    let (lamp, make) = (state.lamp, state.make);
    let by_rule = |rule: house::Rule, seconds: i64| {
        house::lit(&world.judge.sun, rule, world.wall() + TimeDelta::seconds(seconds))
    };
    let near = |seconds: i64| by_rule(world.lamps[lamp].rules[world.edition], seconds);
    let calm = world.trusted
        && make != Make::Mute
        && !world.lamps[lamp].corrects
        && undisturbed(world, plug)
        && near(-100) == near(20)
        // A hand laid on just before sunrise ends with it.
        && by_rule(house::Rule::Night, -5) == by_rule(house::Rule::Night, 20)
        && wanted(world, lamp).is_some();
    if calm && shown(world, plug).1 == Delivery::Confirmed {
        let power = world.plugs[plug].power.other();
        world.after(8 * SECOND, Event::AfterPress { plug, power });
    }
}

pub fn after_press(world: &mut World, plug: usize, power: Power) {
    let state = &world.plugs[plug];
    let pressed_at = world.now - 8 * SECOND;
    let lamp = state.lamp;
    let judge = &world.judge;
    let since = [judge.link_at, judge.started_at, judge.clock_at, judge.changed_at[lamp], world.disturbed_until];
    let calm = since.into_iter().all(|at| at < pressed_at)
        && world.daemon.is_some()
        && world.link.is_some()
        && !world.wire.half_open
        && state.joined
        && state.stirred_at == pressed_at
        && state.disturbed_until <= pressed_at;
    let Some(wanted) = wanted(world, lamp).filter(|_| calm) else { return };
    let place = world.place();
    world.judge.hands_expected += 1;
    let hand = shown(world, plug).0;
    let expected = (wanted != power).then_some(power);
    assert_eq!(hand, expected, "{place}{}: the button was pressed", world.plugs[plug].name);
    assert_eq!(world.plugs[plug].power, power, "{place}{}: the hand was undone", world.plugs[plug].name);
}

/// At the end: each switching has its entry, for each plug, and none is missed twice.
pub fn settle(world: &mut World) {
    let mut by_due: HashMap<(&str, i64), Vec<&Entry>> = HashMap::new();
    for (index, entry) in world.disk.records.iter().enumerate() {
        if let Some(due) = entry.due.filter(|_| !world.judge.made_wrong.contains(&index)) {
            by_due.entry((&entry.channel, due.timestamp())).or_default().push(entry);
        }
    }
    let judge = &world.judge;
    let mut excused = judge.excused.clone();
    let unsettled_since = [judge.wrong_since, world.daemon.is_none().then_some(judge.killed_at)];
    let untrusted = (!world.trusted).then_some(judge.clock_at.min(judge.killed_at.max(judge.started_at)));
    for since in unsettled_since.into_iter().chain([untrusted]).flatten() {
        excused.push((since - DAY, world.end));
    }
    excused.push((world.end - 5 * MINUTE, world.end));
    let mut switchings = 0;
    for lamp in &world.lamps {
        let ends = judge.editions.iter().skip(1).map(|(at, _)| *at).chain([world.end]);
        for ((from, edition), until) in judge.editions.iter().zip(ends) {
            let (from, until) = (instant(from + 3 * SECOND), instant(until - 3 * SECOND));
            for change in house::changes(&judge.sun, lamp.rules[*edition], from, until) {
                let at = change.timestamp_millis();
                if excused.iter().any(|(from, until)| (*from..=*until).contains(&at)) {
                    continue;
                }
                switchings += 1;
                let due = change.timestamp();
                let near = [due, due - 1, due + 1];
                let found: Vec<&&Entry> =
                    near.iter().filter_map(|due| by_due.get(&(lamp.name.as_str(), *due))).flatten().collect();
                for plug in &lamp.plugs {
                    let of_plug = found.iter().filter(|entry| entry.plug.as_ref().is_none_or(|name| name == plug));
                    let missed = of_plug.clone().filter(|entry| entry.kind == EntryKind::Missed).count();
                    let place = format!("LAMPWARD_SEED={} {change} {}: ", world.seed, lamp.name);
                    assert!(of_plug.clone().count() > 0, "{place}the switching of {plug} is lost from the record");
                    let entries: Vec<_> = of_plug.collect();
                    assert!(missed <= 1, "{place}the switching of {plug} is missed {missed} times: {entries:#?}");
                }
            }
        }
    }
    world.judge.switchings = switchings;
}
