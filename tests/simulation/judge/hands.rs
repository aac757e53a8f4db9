//! Somebody presses a button: while all is calm it must be taken for what it is.

use lampward::pure::keeper::Delivery;
use lampward::pure::power::Power;

use super::{World, keepers_now, undisturbed, wanted};
use crate::house::Make;
use crate::world::{Event, SECOND};

/// The hand on a plug and its delivery, as the keeper shows them; `None` where the file does not have it.
pub(super) fn shown(world: &mut World, plug: usize) -> Option<(Option<Power>, Delivery)> {
    let now = keepers_now(world);
    let lamp = world.plugs[plug].lamp;
    let place = world.judge.calendar.place(lamp, world.edition)?;
    let nth = plug - world.lamps[lamp].first_plug;
    let daemon = world.daemon.as_ref().expect("a daemon that runs");
    let (_, views) = daemon.keeper.glance(place, now);
    // The keeper names no plug: its views stand in the order of the file that holds.
    let plugs = &world.editions[world.edition].channels[place].plugs;
    assert_eq!((plugs[nth].as_str(), plugs.len()), (world.plugs[plug].name.as_str(), views.len()));
    let view = &views[nth];
    Some((view.hand.as_ref().map(|hand| hand.wanted), view.delivery))
}

/// Somebody is about to press a button: if all is calm it must be taken for what it is.
pub fn pressed(world: &mut World, plug: usize) {
    let state = &world.plugs[plug];
    let (lamp, make) = (state.lamp, state.make);
    let wall = world.wall_ms();
    let Some(changes) = world.judge.calendar.of(lamp, world.edition) else { return };
    let calm = world.trusted
        && make != Make::Mute
        && !world.lamps[lamp].corrects
        && undisturbed(world, plug)
        && changes.steady(wall - 100 * SECOND, wall + 20 * SECOND)
        // A hand laid on just before sunrise ends with it.
        && world.judge.calendar.night().steady(wall - 5 * SECOND, wall + 20 * SECOND)
        && wanted(world, lamp).is_some();
    if calm && shown(world, plug).is_some_and(|shown| shown.1 == Delivery::Confirmed) {
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
    world.judge.hands_expected += 1;
    let hand = shown(world, plug).and_then(|shown| shown.0);
    let expected = (wanted != power).then_some(power);
    let name = &world.plugs[plug].name;
    assert_eq!(hand, expected, "{}{name}: the button was pressed", world.place());
    assert_eq!(world.plugs[plug].power, power, "{}{name}: the hand was undone", world.place());
}
