//! Why a lamp is lit, switched or left dark, in words. Made only when somebody asks; clock times in them are local and
//! drop their seconds, as a clock on the wall does.

use std::fmt::Write;

use chrono::{DateTime, TimeDelta, Utc};

use super::occasion::{Occasion, Outcome};
use super::reckon::{Origin, Reckoned, Turning};
use crate::pure::config::Rule;
use crate::pure::local_time::local_of;
use crate::pure::moment::{Altitude, Base, ClampSide, ClockTime, Half, Mark, Moment};
use crate::pure::zone::Zone;

/// The reason of a switching: `sunset`, `bedtime`, `sunset 15:44 less 20 min, held back to 16:00`.
pub(super) fn reason(zone: &Zone, moment: &Moment, reckoned: &Reckoned) -> String {
    let mut text = String::new();
    let offset = match &moment.base {
        Base::Sun { offset, .. } => *offset,
        Base::Clock(_) => TimeDelta::zero(),
    };
    match reckoned.origin {
        Origin::Own(at) => {
            text.push_str(&base(moment));
            let moved = !(offset.is_zero() && reckoned.shift.is_zero() && reckoned.absence.is_zero());
            let said = matches!(moment.base, Base::Clock(ClockTime::At(_)));
            if (moved || reckoned.clamp.is_some()) && !said {
                let _ = write!(text, " {}", clock(zone, at));
            }
            if let Base::Clock(written) = &moment.base
                && let Some(skipped) = skipped(zone, written, at)
            {
                let _ = write!(text, "{skipped}");
            }
            let shift = if reckoned.shift < TimeDelta::zero() { " lead" } else { " lag" };
            let moves =
                [moved_by(offset, ""), moved_by(reckoned.shift, shift), moved_by(reckoned.absence, " for absence")];
            text.push_str(&moves.into_iter().flatten().collect::<Vec<_>>().join(","));
        }
        Origin::StandIn { turn, at, with_offset } => {
            text.push_str(turn_words(turn));
            let offset = if with_offset { offset } else { TimeDelta::zero() };
            if !offset.is_zero() || reckoned.clamp.is_some() {
                let _ = write!(text, " {}", clock(zone, at));
            }
            text.push_str(&moved_by(offset, "").unwrap_or_default());
            let _ = write!(text, ", as the Sun {}", stays(moment, turn));
        }
        Origin::Clamped => {
            let _ = write!(
                text,
                "{}, though the Sun {}",
                clamp_words(zone, moment, reckoned),
                stays(moment, Turning::Midnight)
            );
            return text;
        }
    }
    if let Some(clamp) = reckoned.clamp.and_then(|place| moment.clamps.get(usize::from(place))) {
        text.push_str(match clamp.side {
            ClampSide::NotBefore => ", held back to ",
            ClampSide::NotAfter => ", brought forward to ",
        });
        text.push_str(&clamp_words(zone, moment, reckoned));
    }
    text
}

/// What is said of a lamp that is lit: `lit from sunset until sunrise`.
pub(super) fn lit(zone: &Zone, rule: &Rule, from: &Reckoned, until: &Reckoned) -> String {
    if let (Origin::StandIn { turn: begin, .. }, Origin::StandIn { turn: end, .. }) = (from.origin, until.origin)
        && (from.clamp, until.clamp) == (None, None)
        && begin == end
    {
        return format!("lit, as the Sun {}", stays(&rule.from, begin));
    }
    format!("lit from {} until {}", brief(zone, &rule.from, from), brief(zone, &rule.until, until))
}

/// What is said of a lamp that waits for its next start: `not before sunset 15:54`, with the date if it is over 24 h off.
pub(super) fn waiting(zone: &Zone, moment: &Moment, from: &Reckoned, now: DateTime<Utc>) -> String {
    let local = local_of(zone, from.at);
    let mut text = format!("not before {}", timed(zone, moment, from, &local.format("%H:%M").to_string()));
    if from.at - now > TimeDelta::hours(24) {
        let _ = write!(text, " on {}", local.format("%Y-%m-%d"));
    }
    text
}

/// Why an occasion stays dark, without the `not lit: ` before it: `22:45 is before sunset 23:04`.
pub(super) fn unlit(zone: &Zone, rule: &Rule, occasion: &Occasion) -> Option<String> {
    let text = match &occasion.outcome {
        Outcome::Lit { .. } => return None,
        Outcome::NotAfter { from, until } => {
            let (on, off) = times(zone, from.at, until.at);
            let relation = if until.at == from.at { "is no later than" } else { "is before" };
            let (on, off) = (timed(zone, &rule.from, from, &on), timed(zone, &rule.until, until, &off));
            format!("{off} {relation} {on}")
        }
        Outcome::TooShort { from, until } => {
            let (on, off) = times(zone, from.at, until.at);
            let (on, off) = (timed(zone, &rule.from, from, &on), timed(zone, &rule.until, until, &off));
            format!("from {on} until {off} is less than {}", duration(rule.at_least))
        }
        Outcome::NoStart { .. } => format!("the Sun {}", stays(&rule.from, Turning::Midnight)),
    };
    Some(text)
}

/// A moment in a few words with its time: `sunset 23:04`, `22:54 (sunset less 10 min lead)`, `22:45`.
fn timed(zone: &Zone, moment: &Moment, reckoned: &Reckoned, time: &str) -> String {
    let words = brief(zone, moment, reckoned);
    let moved = match (reckoned.clamp, reckoned.shift.num_seconds().signum(), reckoned.absence.is_zero()) {
        (Some(_), _, _) | (None, 0, true) => String::new(),
        (None, -1, _) => moved_by(reckoned.shift, " lead").unwrap_or_default(),
        (None, 1, _) => moved_by(reckoned.shift, " lag").unwrap_or_default(),
        (None, _, _) => " moved for absence".to_owned(),
    };
    // A clock time that is written out need not be said twice, unless clocks skip it.
    let written = matches!(moment.base, Base::Clock(ClockTime::At(_))) && reckoned.clamp.is_none();
    if time.starts_with(&words) || words.ends_with(time) {
        time.to_owned()
    } else if written && moved.is_empty() {
        format!("{words} ({time})")
    } else {
        match moved.is_empty() {
            true => format!("{words} {time}"),
            false => format!("{time} ({words}{moved})"),
        }
    }
}

/// Two clock times, with seconds where they would look alike without.
fn times(zone: &Zone, from: DateTime<Utc>, until: DateTime<Utc>) -> (String, String) {
    let (from, until) = (local_of(zone, from), local_of(zone, until));
    let same_minute = from.format("%H:%M").to_string() == until.format("%H:%M").to_string();
    let format = if same_minute && from != until { "%H:%M:%S" } else { "%H:%M" };
    (from.format(format).to_string(), until.format(format).to_string())
}

/// What decided a moment, in a few words: `sunset`, `20 min before sunset`, `16:00`, `solar noon`.
fn brief(zone: &Zone, moment: &Moment, reckoned: &Reckoned) -> String {
    if reckoned.clamp.is_some() {
        return clamp_words(zone, moment, reckoned);
    }
    let offset = match &moment.base {
        Base::Sun { offset, .. } => *offset,
        Base::Clock(_) => TimeDelta::zero(),
    };
    let (words, offset) = match reckoned.origin {
        Origin::Own(_) | Origin::Clamped => (base(moment), offset),
        Origin::StandIn { turn, with_offset, .. } => {
            (turn_words(turn).to_owned(), if with_offset { offset } else { TimeDelta::zero() })
        }
    };
    match offset {
        zero if zero.is_zero() => words,
        early if early < TimeDelta::zero() => format!("{} before {words}", duration(-early)),
        late => format!("{} after {words}", duration(late)),
    }
}

/// The clock time of the clamp that decided; a name with what it says.
fn clamp_words(zone: &Zone, moment: &Moment, reckoned: &Reckoned) -> String {
    let time = clock(zone, reckoned.at);
    match reckoned.clamp.and_then(|place| moment.clamps.get(usize::from(place))).map(|clamp| &clamp.clock) {
        Some(ClockTime::Named(name)) => format!("{} {time}", name.name),
        Some(ClockTime::At(_)) | None => time,
    }
}

fn base(moment: &Moment) -> String {
    match &moment.base {
        Base::Sun { mark, .. } => mark_words(*mark),
        Base::Clock(ClockTime::At(clock)) => clock.format("%H:%M").to_string(),
        Base::Clock(ClockTime::Named(name)) => name.name.clone(),
    }
}

/// `, skipped by the clock change, so 03:00`, where clocks never showed what is written.
fn skipped(zone: &Zone, written: &ClockTime, at: DateTime<Utc>) -> Option<String> {
    let shown = local_of(zone, at).time();
    let gap = match written {
        ClockTime::At(clock) => *clock != shown,
        ClockTime::Named(name) => !name.by_weekday.contains(&shown),
    };
    gap.then(|| format!(", skipped by the clock change, so {}", shown.format("%H:%M")))
}

/// ` less 20 min`.
fn moved_by(by: TimeDelta, what: &str) -> Option<String> {
    match by {
        zero if zero.is_zero() => None,
        early if early < TimeDelta::zero() => Some(format!(" less {}{what}", duration(-early))),
        late => Some(format!(" plus {}{what}", duration(late))),
    }
}

/// The words of the file for a mark.
pub(super) fn mark_words(mark: Mark) -> String {
    let (half, altitude) = match mark {
        Mark::SolarNoon => return "solar noon".to_owned(),
        Mark::SolarMidnight => return "solar midnight".to_owned(),
        Mark::Passing { half, altitude } => (half, altitude),
    };
    let evening = half == Half::Evening;
    match altitude {
        Altitude::Horizon => if evening { "sunset" } else { "sunrise" }.to_owned(),
        Altitude::Civil => if evening { "dusk" } else { "dawn" }.to_owned(),
        Altitude::Nautical => if evening { "nautical dusk" } else { "nautical dawn" }.to_owned(),
        Altitude::Astronomical => if evening { "astronomical dusk" } else { "astronomical dawn" }.to_owned(),
        Altitude::Degrees(degrees) => format!("{} sun at {degrees} deg", if evening { "evening" } else { "morning" }),
    }
}

fn turn_words(turn: Turning) -> &'static str {
    match turn {
        Turning::Noon => "solar noon",
        Turning::Midnight => "solar midnight",
    }
}

/// What the Sun does where it does not pass the altitude of a mark.
fn stays(moment: &Moment, turn: Turning) -> String {
    let side = match turn {
        Turning::Noon => "below",
        Turning::Midnight => "above",
    };
    let altitude = match moment.mark() {
        Some(Mark::Passing { altitude, .. }) => altitude,
        _ => Altitude::Horizon,
    };
    match (altitude, turn) {
        (Altitude::Horizon, Turning::Noon) => "does not rise".to_owned(),
        (Altitude::Horizon, Turning::Midnight) => "does not set".to_owned(),
        (altitude, _) => format!("stays {side} {} deg", altitude.degrees(0.0)),
    }
}

/// `1 h 30 min`, `45 s`.
pub(in crate::pure) fn duration(duration: TimeDelta) -> String {
    let s = duration.num_seconds();
    let parts = [(s / 3600, "h"), (s % 3600 / 60, "min"), (s % 60, "s")];
    let said: Vec<String> = parts.iter().filter(|(n, _)| *n != 0).map(|(n, unit)| format!("{n} {unit}")).collect();
    if said.is_empty() { "0 min".to_owned() } else { said.join(" ") }
}

/// `15:44`.
pub(in crate::pure) fn clock(zone: &Zone, at: DateTime<Utc>) -> String {
    local_of(zone, at).format("%H:%M").to_string()
}
