//! What happens to the daemon, its clock, its file and its orders, and what may be expected after it.

use lampward::pure::keeper::{Answer, Ends, Order, OrderId};

use super::{Word, World, wanted_changes};
use crate::world::{DAY, MINUTE, instant};

pub fn started(world: &mut World) {
    let now = world.now;
    let trusted = world.trusted;
    let wall = world.wall();
    // The sign of life may be of a time that was yet to come, when the clock was wrong: what fell due before then, since
    // the clock was last trusted, stays unknown.
    let lived_until = world.judge.lived_until;
    if world.disk.last_life().is_some_and(|life| life > instant(lived_until)) {
        world.judge.excused.push((lived_until - 3 * MINUTE, now + 3 * MINUTE));
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
        if !trusted {
            judge.blind_reload = Some(judge.killed_at);
        }
    }
    judge.started_at = now;
    judge.all_stir();
    let wrong = world.error_ms != 0;
    for lamp in 0..judge.words.len() {
        if judge.calendar.of(lamp, edition).is_none() {
            judge.words[lamp] = None;
        }
        // What is on disk still stands; that its time is over shows by the clock alone.
        if judge.over_unwritten[lamp].is_some_and(|by_time| !by_time || !trusted || wrong) {
            judge.unsure[lamp] = true;
        }
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

/// Killed, and of what was recorded within so many ms nothing is on disk.
pub fn killed(world: &mut World, unwritten: i64) {
    let (now, judge) = (world.now, &mut world.judge);
    judge.killed_at = now;
    // What fell due without trust is put on record in the step in which trust comes: without that it is still to be found.
    if world.trusted && judge.regained_at <= now - unwritten {
        judge.lived_until = now;
    }
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
    world.judge.sends.fill(None);
    world.judge.all_stir();
}

pub fn edition(world: &mut World) {
    world.judge.clock_at = world.now;
    world.judge.all_stir();
    if world.daemon.is_some() {
        let (now, edition) = (world.now, world.edition);
        if !world.trusted {
            world.judge.blind_reload.get_or_insert(now);
        }
        world.judge.editions.push((now, edition));
        for lamp in 0..world.lamps.len() {
            if world.judge.calendar.of(lamp, edition).is_none() {
                world.judge.words[lamp] = None;
            }
        }
    }
}

pub fn clock_set(world: &mut World) {
    let (now, wall) = (world.now, world.wall());
    let judge = &mut world.judge;
    judge.all_stir();
    let running = world.daemon.is_some();
    if running && judge.trusted_before {
        judge.lived_until = now;
    } else if running && world.trusted {
        judge.regained_at = now;
    }
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
    judge.trusted_before = world.trusted;
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
        judge.wrong_until = now + 3 * MINUTE;
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
        world.judge.over_unwritten.fill(None);
    }
}

/// Whoever ordered something has the answer.
pub fn answered(world: &mut World) {
    world.judge.order = None;
}

/// The keeper has its answer to an order, which is about to be given.
pub fn decided(world: &mut World, id: OrderId, answer: Answer) {
    let Some((asked, order)) = world.judge.order.clone() else { panic!("{}an answer to no order", world.place()) };
    assert_eq!(asked, id, "{}an answer to another order", world.place());
    let now = world.now;
    let (standing, kept) = match answer {
        Answer::Done(standing) => (standing, true),
        Answer::DoneNotKept(standing, _) => (standing, false),
        Answer::NotKept(_) => {
            let may = world.disk.full && matches!(order, Order::Set { .. });
            assert!(may, "{}refused with room on the disk", world.place());
            return;
        }
        Answer::ClockNotTrusted(_) => {
            assert!(!world.trusted, "{}refused though the clock is trusted", world.place());
            return;
        }
        Answer::Refused(_) | Answer::UnknownChannel(_) => return,
        Answer::Tried(_) | Answer::Busy(_) | Answer::NoLink(_) => return,
    };
    assert!(kept || world.disk.full, "{}not kept with room on the disk", world.place());
    world.judge.not_durable |= !kept;
    for (name, word) in standing {
        let lamp = world.lamp_of(&name);
        if matches!(order, Order::Set { .. }) {
            assert!(word.is_some(), "{}a promise without an override", world.place());
        }
        if word.is_none() && world.judge.words[lamp].is_some() && !world.trusted {
            world.judge.put_back[lamp] = true;
        }
        world.judge.words[lamp] = word.map(|word| Word::of(word, now));
        world.judge.unsure[lamp] = false;
        wanted_changes(world, lamp);
    }
}
