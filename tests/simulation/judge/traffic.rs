//! What is sent: nothing that contradicts what is wanted, and no more than repetitions allow.

use lampward::pure::power::Power;

use super::hands::shown;
use super::{EDGE, World, wanted};
use crate::world::{HOUR, SECOND};

/// What was sent to a plug since something last happened to it or to its channel.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sends {
    pub(super) first: i64,
    pub(super) times: u32,
    pub(super) last: i64,
    order: Power,
    hour: i64,
    in_hour: u64,
}

/// No command contradicts what is wanted, and none comes sooner after the last than repetitions do.
pub fn commanded(world: &mut World, plug: usize, order: Power) {
    world.judge.commands += 1;
    let now = world.now;
    let lamp = world.plugs[plug].lamp;
    let wall = world.wall_ms();
    let judge = &mut world.judge;
    let changes = judge.calendar.of(lamp, world.edition);
    let hour = now / HOUR;
    let fresh = Sends { first: now, times: 1, last: now, order, hour, in_hour: 1 };
    let (sends, due) = match judge.sends[plug] {
        None => (fresh, now),
        Some(before) => {
            let in_hour = if before.hour == hour { before.in_hour + 1 } else { 1 };
            let fresh = Sends { in_hour, ..fresh };
            let same = order == before.order;
            let planned = changes.is_none_or(|changes| !changes.steady(wall - (now - before.last) - EDGE, wall + EDGE));
            let sends = if same && before.times > 0 && !planned {
                Sends { first: before.first, times: before.times + 1, ..fresh }
            } else {
                fresh
            };
            (sends, if same { (before.last + 4999).max(sends.first + after_first(sends.times) - 1) } else { now })
        }
    };
    judge.sends[plug] = Some(sends);
    judge.repetitions += u64::from(sends.times > 1);
    judge.most_an_hour = judge.most_an_hour.max(sends.in_hour);
    assert!(now >= due, "{}{} is told {order} too soon: {sends:?}", world.place(), world.plugs[plug].name);
    if changes.is_none() {
        panic!("{}{} is told {order} and not in the file", world.place(), world.plugs[plug].name);
    }
    match wanted(world, lamp) {
        Some(wanted) if wanted != order => {
            let hand = shown(world, plug).and_then(|shown| shown.0);
            let name = &world.plugs[plug].name;
            assert_eq!(hand, Some(order), "{}{name} is told {order} while {wanted} is wanted", world.place());
        }
        None if !world.trusted && !world.judge.unsure[lamp] && world.judge.words[lamp].is_none() => {
            let name = &world.plugs[plug].name;
            let may = world.judge.put_back[lamp];
            assert!(may, "{}{name} is told {order} while the clock is not trusted", world.place());
        }
        _ => {}
    }
}

/// When so manieth a command of a series may come, after its first.
fn after_first(times: u32) -> i64 {
    let schedule = [0, 5, 10, 20, 40];
    let beyond = |times: u32| 40 + 60 * (i64::from(times) - 5);
    schedule.get(times as usize - 1).copied().unwrap_or_else(|| beyond(times)) * SECOND
}

/// A plug is asked as often as the file says, with each repetition, and when something has happened.
pub fn questioned(world: &mut World, plug: usize) {
    world.judge.questions += 1;
    let now = world.now;
    let asked = std::mem::replace(&mut world.judge.asked[plug], now);
    let told_now = world.judge.sends[plug].is_some_and(|sends| sends.last == now);
    let every = world.plugs[plug].make.asked_every();
    let may = told_now || asked == i64::MIN || now - asked >= every - 1;
    assert!(may, "{}{} is asked again after {} ms", world.place(), world.plugs[plug].name, now - asked);
}
