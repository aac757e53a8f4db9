//! The record at the end: each switching has its entry, for each plug, and none is missed twice.

use chrono::SubsecRound;
use lampward::pure::entry::{Entry, EntryKind};

use super::world::{DAY, MINUTE, SECOND, World, instant};

/// What is kept of an entry for judging it at the end.
#[derive(Clone, Copy, Debug)]
pub struct Noted {
    pub lamp: usize,
    /// `None`: for each plug of the channel.
    plug: Option<usize>,
    due: Option<i64>,
    kind: EntryKind,
    at: i64,
    /// Made while the clock was wrong and trusted: it speaks of times that were not.
    made_wrong: bool,
}

impl Noted {
    pub fn of(entry: &Entry, lamp: usize, plug: Option<usize>, made_wrong: bool) -> Noted {
        let due = entry.due.map(|due| due.trunc_subsecs(0).timestamp_millis());
        Noted { lamp, plug, due, kind: entry.kind, at: entry.at.timestamp_millis(), made_wrong }
    }
}

/// Times that the record can't be held to, in order and disjoint.
struct Excused(Vec<(i64, i64)>);

impl Excused {
    fn of(mut spans: Vec<(i64, i64)>) -> Excused {
        spans.sort_unstable();
        let mut merged: Vec<(i64, i64)> = Vec::with_capacity(spans.len());
        for (from, until) in spans {
            match merged.last_mut() {
                Some(last) if from <= last.1 => last.1 = last.1.max(until),
                _ => merged.push((from, until)),
            }
        }
        Excused(merged)
    }

    fn holds(&self, at: i64) -> bool {
        let before = self.0.partition_point(|(from, _)| *from <= at);
        before > 0 && self.0[before - 1].1 >= at
    }
}

/// Holds the record to every switching of every lamp.
pub fn settle(world: &mut World) {
    let judge = &mut world.judge;
    let mut noted = std::mem::take(&mut judge.noted);
    noted.retain(|noted| noted.due.is_some() && !noted.made_wrong);
    noted.sort_by_key(|noted| (noted.lamp, noted.due));
    let mut excused = std::mem::take(&mut judge.excused);
    let unsettled_since = [judge.wrong_since, world.daemon.is_none().then_some(judge.killed_at)];
    let untrusted = (!world.trusted).then_some(judge.clock_at.min(judge.killed_at.max(judge.started_at)));
    for since in unsettled_since.into_iter().chain([untrusted]).flatten() {
        excused.push((since - DAY, world.end));
    }
    excused.push((world.end - 5 * MINUTE, world.end));
    let excused = Excused::of(excused);

    let judge = &world.judge;
    let mut switchings = 0;
    for (lamp, named) in world.lamps.iter().enumerate() {
        let of_lamp =
            noted.partition_point(|noted| noted.lamp < lamp)..noted.partition_point(|noted| noted.lamp <= lamp);
        let of_lamp = &noted[of_lamp];
        let ends = judge.editions.iter().skip(1).map(|(at, _)| *at).chain([world.end]);
        for ((from, edition), until) in judge.editions.iter().zip(ends) {
            let Some(changes) = judge.calendar.of(lamp, *edition) else { continue };
            for &due in changes.between(from + 3 * SECOND, until - 3 * SECOND) {
                if excused.holds(due) {
                    continue;
                }
                switchings += 1;
                let place = |at: i64| of_lamp.partition_point(|noted| noted.due < Some(at));
                let found = &of_lamp[place(due - SECOND)..place(due + SECOND + 1)];
                for (plug, name) in named.numbers().zip(&named.plugs) {
                    let of_plug = found.iter().filter(|noted| noted.plug.is_none_or(|number| number == plug));
                    let missed = of_plug.clone().filter(|noted| noted.kind == EntryKind::Missed).count();
                    let place = || format!("LAMPWARD_SEED={} {} {}", world.seed, instant(due), named.name);
                    assert!(
                        of_plug.clone().count() > 0,
                        "{}: the switching of {name} is lost from the record",
                        place()
                    );
                    let entries = || of_plug.clone().map(|noted| (noted.kind, instant(noted.at))).collect::<Vec<_>>();
                    assert!(missed <= 1, "{}: {name} is missed {missed} times: {:?}", place(), entries());
                }
            }
        }
    }
    world.judge.switchings = switchings;
}
