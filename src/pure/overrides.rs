//! When a person's word ends: overrides, and hands on the plugs themselves.

use std::time::Duration;

use chrono::{DateTime, SecondsFormat, TimeDelta, Timelike, Utc};

use super::config::{Config, parse_duration, parse_moment};
use super::keeper::Ends;
use super::local_time::local_of;
use super::moment::Moment;
use super::plan::Plan;
use super::plan::words::duration;
use super::power::Power;

/// "For the evening" is never longer than this.
const EVENING_AT_MOST: TimeDelta = TimeDelta::hours(24);
/// What "for the evening" means while nobody knows the time.
const EVENING_UNTRUSTED: TimeDelta = TimeDelta::hours(12);
/// A moment further off than this is more likely a slip than a wish.
const MOMENT_AT_MOST: TimeDelta = TimeDelta::hours(36);

/// An instant further off is a slip; common practice, no source.
const INSTANT_AT_MOST: TimeDelta = TimeDelta::days(36_525);

/// Why an override is not taken. The text says what is wrong and what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// `until` can't be read, is past or too far off.
    Unprocessable(String),
    /// It would need the time of day.
    ClockNotTrusted(String),
}

/// A clock time further off has its date said.
const UNDATED: TimeDelta = TimeDelta::hours(20);

/// `until` as a person wrote it.
enum Until {
    Evening,
    Cancelled,
    At(DateTime<Utc>),
    After(TimeDelta),
    Moment(Moment),
}

/// When an override set now ends, and what is said of it: "on until 23:10, the planned switch-off".
///
/// # Errors
/// See [`Refusal`].
pub fn ends(
    plan: &mut Plan,
    channel: usize,
    wanted: Power,
    until: Option<&str>,
    now: DateTime<Utc>,
    trusted: bool,
) -> Result<(Ends, String), Refusal> {
    let written = until.map(str::trim);
    let until = read(plan.config(), written)?;
    match until {
        Until::Cancelled => Ok((Ends::Cancelled, format!("{wanted} until cancelled"))),
        Until::After(whole) => after(wanted, whole, now, ""),
        Until::Evening if !trusted => after(wanted, EVENING_UNTRUSTED, now, ", as the clock is not trusted"),
        Until::At(_) | Until::Moment(_) if !trusted => Err(Refusal::ClockNotTrusted(format!(
            "`{}` needs the time of day, and the clock is not trusted; give a duration such as 2 h, or `cancelled`",
            written.unwrap_or_default()
        ))),
        Until::Evening => {
            let (at, what) = evening(plan, channel, wanted, now);
            let because = match what {
                What::Limit => format!("{wanted} for 24 h, until {}", time(plan, at, now)),
                what => format!("{wanted} until {}, the {}", time(plan, at, now), what.words()),
            };
            Ok((Ends::At(at), because))
        }
        Until::At(at) if at > now && at - now > INSTANT_AT_MOST => Err(Refusal::Unprocessable(format!(
            "`{}` is over a century off; `cancelled` holds until it is cancelled",
            written.unwrap_or_default()
        ))),
        Until::At(at) if at <= now => {
            Err(Refusal::Unprocessable(format!("{} is past; it is {}", instant(plan, at), instant(plan, now))))
        }
        Until::At(at) => Ok((Ends::At(at), format!("{wanted} until {}", time(plan, at, now)))),
        Until::Moment(moment) => {
            let written = written.unwrap_or_default();
            match plan.next_moment(&moment, now) {
                None => Err(Refusal::Unprocessable(format!("`{written}` does not come within 400 days"))),
                Some(at) if at - now > MOMENT_AT_MOST => Err(Refusal::Unprocessable(format!(
                    "`{written}` comes next at {}, over 36 h from now; give that instant if it is meant",
                    instant(plan, at)
                ))),
                Some(at) => {
                    let time = time(plan, at, now);
                    let what =
                        if time.split(' ').next() == Some(written) { String::new() } else { format!(", {written}") };
                    Ok((Ends::At(at), format!("{wanted} until {time}{what}")))
                }
            }
        }
    }
}

/// When a hand on a plug set now ends: at the channel's next planned switching, the next sunrise or after 24 h.
pub fn hand_ends(plan: &mut Plan, channel: usize, now: DateTime<Utc>) -> DateTime<Utc> {
    let switching = plan.next_change(channel, now).map(|(at, _)| at);
    let limits = [switching, plan.next_sunrise(now), Some(now + EVENING_AT_MOST)];
    limits.into_iter().flatten().min().expect("24 h is always there")
}

fn read(config: &Config, until: Option<&str>) -> Result<Until, Refusal> {
    let Some(text) = until else { return Ok(Until::Evening) };
    if text == "cancelled" {
        return Ok(Until::Cancelled);
    }
    if let Ok(at) = DateTime::parse_from_rfc3339(text) {
        if at.nanosecond() >= 1_000_000_000 {
            let what = format!("`{text}` names a leap second, which no clock here shows; give a second from 00 to 59");
            return Err(Refusal::Unprocessable(what));
        }
        return Ok(Until::At(at.to_utc()));
    }
    if let Ok(whole) = parse_duration(text) {
        if whole <= TimeDelta::zero() {
            return Err(Refusal::Unprocessable(format!("`{text}` would be over at once; give at least 1 s")));
        }
        return Ok(Until::After(whole));
    }
    parse_moment(text, &config.times).map(Until::Moment).map_err(|fault| {
        let others =
            "a duration such as 45 min, an instant such as 2026-11-24T23:30:00+01:00 and `cancelled` will do too";
        Refusal::Unprocessable(format!("{fault}; {others}"))
    })
}

fn after(wanted: Power, whole: TimeDelta, now: DateTime<Utc>, why: &str) -> Result<(Ends, String), Refusal> {
    let said = duration(whole);
    let too_long = || Refusal::Unprocessable(format!("{said} is too long"));
    let at = now.checked_add_signed(whole).ok_or_else(too_long)?;
    let whole: Duration = whole.to_std().map_err(|_| too_long())?;
    Ok((Ends::After { whole, at }, format!("{wanted} for {said}{why}")))
}

/// What ends an override "for the evening".
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum What {
    SwitchOff,
    SwitchOn,
    Sunrise,
    Limit,
}

impl What {
    fn words(self) -> &'static str {
        match self {
            What::SwitchOff => "planned switch-off",
            What::SwitchOn => "planned switch-on",
            What::Sunrise => "next sunrise",
            What::Limit => "limit of 24 h",
        }
    }
}

/// The end of an override "for the evening".
fn evening(plan: &mut Plan, channel: usize, wanted: Power, now: DateTime<Utc>) -> (DateTime<Utc>, What) {
    if wanted == Power::On || plan.power(channel, now) == Power::On {
        return end_of_evening(plan, channel, now);
    }
    // Off while the plan has the lamp off anyway: the next span is meant, or the time until it.
    let Some((on, _)) = plan.next_change(channel, now) else { return (now + EVENING_AT_MOST, What::Limit) };
    let (midnight, noon_comes_first) = plan.next_midnight(now);
    if !noon_comes_first && on < midnight {
        return end_of_evening(plan, channel, on);
    }
    (on, What::SwitchOn)
}

/// The earliest of the next planned switch-off, the next sunrise, and 24 h.
fn end_of_evening(plan: &mut Plan, channel: usize, after: DateTime<Utc>) -> (DateTime<Utc>, What) {
    let next = plan.next_change(channel, after);
    let off = match next {
        Some((on, Power::On)) => plan.next_change(channel, on).map(|(at, _)| at),
        Some((off, Power::Off)) => Some(off),
        None => None,
    };
    let ends = [
        off.map(|at| (at, What::SwitchOff)),
        plan.next_sunrise(after).map(|at| (at, What::Sunrise)),
        Some((after + EVENING_AT_MOST, What::Limit)),
    ];
    ends.into_iter().flatten().min_by_key(|(at, _)| *at).expect("24 h is always there")
}

/// `23:10`; with the date where it is another one and so far off that nobody would think of it: `17:00`, said at 17:48.
fn time(plan: &Plan, at: DateTime<Utc>, now: DateTime<Utc>) -> String {
    let zone = &plan.config().place.zone;
    let local = local_of(zone, at);
    let other_day = local.date_naive() != local_of(zone, now).date_naive();
    let format = if other_day && at - now > UNDATED { "%H:%M on %Y-%m-%d" } else { "%H:%M" };
    local.format(format).to_string()
}

fn instant(plan: &Plan, at: DateTime<Utc>) -> String {
    local_of(&plan.config().place.zone, at).to_rfc3339_opts(SecondsFormat::Secs, false)
}
