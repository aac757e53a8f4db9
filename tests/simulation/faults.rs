//! Everything that can go wrong, drawn from the seed.

use lampward::pure::keeper::Order;
use lampward::pure::power::Power;

use super::house;
use super::plug::Boots;
use super::wire::Path;
use super::world::{DAY, Event, HOUR, MINUTE, SECOND, World, instant};

/// The kinds of trouble.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    LossyAir,
    SlowAir,
    EverythingTwice,
    OutOfOrder,
    BrokerDown,
    BrokerForgets,
    HalfOpen,
    LinkBlip,
    MainsCut,
    QuickReboot,
    Deaf,
    Hand,
    Killed,
    KilledAmidAStep,
    KilledByFileChange,
    PowerCut,
    ClockStep,
    TrustLost,
    ColdStart,
    Reload,
    ReloadElsewhere,
    ReloadOfFewer,
    OverrideSet,
    OverrideCancelled,
    Junk,
    DiskFull,
}

pub const ALL: [Fault; 26] = [
    Fault::LossyAir,
    Fault::SlowAir,
    Fault::EverythingTwice,
    Fault::OutOfOrder,
    Fault::BrokerDown,
    Fault::BrokerForgets,
    Fault::HalfOpen,
    Fault::LinkBlip,
    Fault::MainsCut,
    Fault::QuickReboot,
    Fault::Deaf,
    Fault::Hand,
    Fault::Killed,
    Fault::KilledAmidAStep,
    Fault::KilledByFileChange,
    Fault::PowerCut,
    Fault::ClockStep,
    Fault::TrustLost,
    Fault::ColdStart,
    Fault::Reload,
    Fault::ReloadElsewhere,
    Fault::ReloadOfFewer,
    Fault::OverrideSet,
    Fault::OverrideCancelled,
    Fault::Junk,
    Fault::DiskFull,
];

/// The next trouble strikes, and the one after is chosen: half of them within a minute and a half of a switching.
pub fn next(world: &mut World) {
    let fault = *world.rng.choice(&ALL).expect("some");
    *world.judge.faults.entry(fault).or_insert(0) += 1;
    world.tell(format_args!("{fault:?}"));
    strike(world, fault);
    let mut at = world.now + (-(1.0 - world.rng.f64()).ln() * 1.5 * DAY as f64) as i64;
    if world.rng.bool() {
        let lamp = world.rng.usize(0..world.lamps.len());
        if let Some(change) = world.judge.calendar.of(lamp, world.edition).and_then(|changes| changes.next(at)) {
            at = change + world.rng.i64(-90 * SECOND..90 * SECOND);
        }
    }
    world.at(at.max(world.now + SECOND), Event::NextFault);
}

/// A time between two, short ones as likely as long ones.
fn spell(world: &mut World, least: i64, most: i64) -> i64 {
    let (low, high) = ((least as f64).ln(), (most as f64).ln());
    (low + (high - low) * world.rng.f64()).exp() as i64
}

fn disturb(world: &mut World, ms: i64) {
    world.disturbed_until = world.disturbed_until.max(world.now + ms);
}

fn disturb_plug(world: &mut World, plug: usize, ms: i64) {
    let until = world.now + ms;
    let state = &mut world.plugs[plug];
    state.disturbed_until = state.disturbed_until.max(until);
}

fn strike(world: &mut World, fault: Fault) {
    let plug = world.rng.usize(0..world.plugs.len());
    match fault {
        Fault::LossyAir => {
            world.wire.loss = world.rng.f64() * 0.9;
            bad_air(world);
        }
        Fault::SlowAir => {
            world.wire.delay = spell(world, SECOND, 20 * SECOND);
            bad_air(world);
        }
        Fault::EverythingTwice => {
            world.wire.twice = 0.5;
            bad_air(world);
        }
        Fault::OutOfOrder => {
            world.wire.delay = spell(world, SECOND, 20 * SECOND);
            world.wire.overtakes = true;
            bad_air(world);
        }
        Fault::BrokerDown | Fault::BrokerForgets => {
            if world.wire.broker_up {
                world.wire.broker_up = false;
                for plug in &mut world.plugs {
                    plug.joined = false;
                    plug.session += 1;
                }
                let outage = spell(world, 2 * SECOND, 3 * DAY);
                disturb(world, outage + 31 * SECOND);
                world.after(outage, Event::BrokerBack { keeps: fault == Fault::BrokerDown });
                if let Some(link) = world.link {
                    let notice = if world.rng.bool() { 0 } else { world.rng.i64(0..20 * SECOND) };
                    world.after(notice, Event::NoticeDown { link });
                }
            }
        }
        Fault::HalfOpen => {
            if let Some(link) = world.link {
                world.wire.half_open = true;
                let notice = world.rng.i64(10 * SECOND..20 * SECOND);
                disturb(world, notice + 5 * SECOND);
                world.after(notice, Event::NoticeDown { link });
            }
        }
        Fault::LinkBlip => {
            disturb(world, 5 * SECOND);
            world.drop_link();
        }
        Fault::MainsCut => {
            if world.plugs[plug].mains {
                world.mains_fail(plug);
                let outage = spell(world, 500, DAY);
                disturb_plug(world, plug, outage + 60 * SECOND);
                world.after(outage, Event::After(fault));
            }
        }
        Fault::QuickReboot => {
            // Back before the broker has noticed; its will may come after its first word.
            if world.plugs[plug].mains {
                world.mains_fail(plug);
                disturb_plug(world, plug, 90 * SECOND);
                boot(world, plug);
            }
        }
        Fault::Deaf => {
            let spell = spell(world, 10 * SECOND, DAY);
            world.plugs[plug].deaf_until = world.now + spell;
            disturb_plug(world, plug, spell);
        }
        Fault::Hand => press(world, plug),
        Fault::Killed | Fault::KilledAmidAStep | Fault::KilledByFileChange | Fault::PowerCut | Fault::ColdStart => {
            if world.daemon.is_none() {
                return;
            }
            if fault == Fault::KilledAmidAStep {
                world.kill_after = Some(world.rng.u32(0..4));
                world.after(30 * MINUTE, Event::After(fault));
                disturb(world, 30 * MINUTE);
                return;
            }
            match fault {
                Fault::PowerCut | Fault::ColdStart => world.power_cut(),
                _ => world.kill(),
            }
            if fault == Fault::KilledByFileChange {
                another_file(world);
            }
            let down = spell(world, 200, 2 * DAY);
            disturb(world, down + 5 * SECOND);
            if fault == Fault::ColdStart {
                // A board without a battery clock wakes up some time ago.
                let error = -spell(world, HOUR, 300 * DAY);
                world.after(down, Event::StartDaemon { cold: Some(error) });
                let learns = spell(world, 5 * SECOND, 3 * HOUR);
                world.after(down + learns, Event::ClockSet { error_ms: 0, trusted: true });
                disturb(world, down + learns);
            } else {
                world.after(down, Event::StartDaemon { cold: None });
            }
        }
        Fault::ClockStep => {
            if world.error_ms == 0 && world.trusted {
                let sign = if world.rng.bool() { 1 } else { -1 };
                let error_ms = sign * spell(world, SECOND, 365 * DAY);
                world.set_clock(error_ms, true);
                let spell = spell(world, MINUTE, DAY);
                world.after(spell, Event::ClockSet { error_ms: 0, trusted: true });
            }
        }
        Fault::TrustLost => {
            if world.error_ms == 0 && world.trusted {
                let error_ms = -spell(world, HOUR, 365 * DAY);
                world.set_clock(error_ms, false);
                let spell = spell(world, MINUTE, DAY);
                disturb(world, spell);
                world.after(spell, Event::ClockSet { error_ms: 0, trusted: true });
            }
        }
        Fault::Reload => world.reload(usize::from(world.edition == 0)),
        Fault::ReloadElsewhere => world.reload(2),
        Fault::ReloadOfFewer => world.reload(3),
        Fault::OverrideSet => {
            let mut channels = some_channel(world);
            let wanted = Power::from_lit(world.rng.bool());
            let minutes = world.rng.i64(1..600);
            let until = match world.rng.u32(0..6) {
                0 => None,
                1 | 2 => Some(format!("{minutes} min")),
                3 => Some("cancelled".to_string()),
                4 => Some("23:30".to_string()),
                _ => Some(instant(world.now + minutes * MINUTE).to_rfc3339()),
            };
            if until.as_deref() == Some("cancelled") && channels.is_none() {
                // Not all of the house for weeks on end.
                channels = Some(vec![world.lamps[0].name.clone()]);
            }
            world.order(Order::Set { channels, wanted, until });
        }
        Fault::OverrideCancelled => {
            let channels = some_channel(world);
            world.order(Order::Cancel { channels });
        }
        Fault::Junk => {
            if let Some(link) = world.link {
                for _ in 0..50 {
                    let payload = *world.rng.choice(&["", "maybe", "\u{0}", "ON", "{}"]).expect("some");
                    let path = if world.rng.bool() { Path::Report } else { Path::Alive };
                    let delay = world.rng.i64(0..5000);
                    world.after(delay, Event::ToKeeper { link, plug, path, payload, retained: false });
                }
                disturb(world, 5 * SECOND);
            }
        }
        Fault::DiskFull => {
            world.disk.full = true;
            let spell = spell(world, MINUTE, DAY);
            world.after(spell, Event::DiskBack);
        }
    }
}

/// What a trouble leaves behind.
pub fn after(world: &mut World, fault: Fault) {
    match fault {
        Fault::MainsCut => {
            for plug in 0..world.plugs.len() {
                if !world.plugs[plug].mains {
                    boot(world, plug);
                }
            }
        }
        Fault::KilledAmidAStep => {
            world.kill_after = None;
            if world.daemon.is_none() {
                world.after(0, Event::StartDaemon { cold: None });
            }
            disturb(world, 5 * SECOND);
        }
        _ => {}
    }
}

fn another_file(world: &mut World) {
    let others: Vec<usize> = (0..house::EDITIONS).filter(|edition| *edition != world.edition).collect();
    let edition = *world.rng.choice(&others).expect("several");
    world.reload(edition);
}

fn bad_air(world: &mut World) {
    let spell = spell(world, 10 * SECOND, 2 * HOUR);
    if world.wire.overtakes {
        world.disordered_until = world.disordered_until.max(world.now + spell + 41 * SECOND);
    }
    disturb(world, spell + 41 * SECOND);
    world.after(spell, Event::CalmAir);
}

/// A plug's power returns.
fn boot(world: &mut World, plug: usize) {
    let (now, session) = (world.now, world.plugs[plug].session);
    let state = &mut world.plugs[plug];
    state.mains = true;
    let power = match state.boots {
        Boots::On => Power::On,
        Boots::Off => Power::Off,
        Boots::Last => state.power,
    };
    state.stir(now, power);
    state.hidden_since.get_or_insert(now);
    let joins = world.rng.i64(2 * SECOND..20 * SECOND);
    disturb_plug(world, plug, joins + 25 * SECOND);
    world.after(joins, Event::Joins { plug, session });
}

fn press(world: &mut World, plug: usize) {
    if !world.plugs[plug].mains {
        return;
    }
    let now = world.now;
    let pressed = world.plugs[plug].power.other();
    super::judge::pressed(world, plug);
    world.plugs[plug].stir(now, pressed);
    disturb_plug(world, plug, 0);
    if world.plugs[plug].make != house::Make::Mute {
        world.reports(plug);
    }
}

fn some_channel(world: &mut World) -> Option<Vec<String>> {
    if world.rng.u32(0..5) == 0 {
        return None;
    }
    let lamp = world.rng.usize(0..world.lamps.len());
    Some(vec![world.lamps[lamp].name.clone()])
}
