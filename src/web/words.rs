//! What `/status` says, in sentences: the same on the page and on the command line.

use std::fmt::Write as _;

use chrono::{DateTime, Datelike, FixedOffset};

use super::json::{ChannelNow, Next, PlugNow, Status};

/// An instant of an answer; `None` if it is none.
pub fn local(text: &str) -> Option<DateTime<FixedOffset>> {
    DateTime::parse_from_rfc3339(text).ok()
}

/// An instant as a person says it: 15:54, tomorrow 08:59, Mon 06:15, 4 Jan 2027 08:59. Both have their local offset.
pub fn when(now: &str, at: &str) -> String {
    let (Some(today), Some(at_local)) = (local(now), local(at)) else { return at.to_string() };
    let days = (at_local.date_naive() - today.date_naive()).num_days();
    let form = match days {
        0 => "%H:%M",
        1 => "tomorrow %H:%M",
        -1 => "yesterday %H:%M",
        -6..=6 => "%a %H:%M",
        _ if at_local.year() == today.year() => "%-d %b %H:%M",
        _ => "%-d %b %Y %H:%M",
    };
    at_local.format(form).to_string()
}

/// How far off an instant is: in 5 h 12 min, in 40 min, in less than a minute, in 3 days. The page's script counts down in
/// the same words.
pub fn far_off(now: &str, at: &str) -> String {
    let (Some(now), Some(at)) = (local(now), local(at)) else { return String::new() };
    let minutes = (at - now).num_minutes();
    match (minutes / 60, minutes % 60) {
        _ if minutes < 1 => "in less than a minute".into(),
        (0, minutes) => format!("in {minutes} min"),
        (hours @ ..48, 0) => format!("in {hours} h"),
        (hours @ ..48, minutes) => format!("in {hours} h {minutes} min"),
        (hours, _) => format!("in {} days", hours / 24),
    }
}

/// "Tuesday 24 November, 16:03".
pub fn today(status: &Status) -> String {
    local(&status.now).map_or_else(|| status.now.clone(), |now| now.format("%A %-d %B, %H:%M").to_string())
}

/// "Tuesday 24 November, 16:03. The Sun stands 4.1° below the horizon; dusk is at 16:38".
pub fn house_line(status: &Status) -> String {
    format!("{}. {}", today(status), sun_line(status))
}

/// "The Sun stands 4.1° below the horizon; dusk is at 16:38".
pub fn sun_line(status: &Status) -> String {
    let side = if status.sun.altitude_deg < 0.0 { "below" } else { "above" };
    let mut line = format!("The Sun stands {:.1}° {side} the horizon", status.sun.altitude_deg.abs());
    if let Some(next) = &status.sun.next {
        let _ = write!(line, "; {} is at {}", next.mark, when(&status.now, &next.at));
    }
    line
}

/// "Clock trusted: synchronised. Broker up since 20 Nov 07:11. File read 20 Nov 07:11."
pub fn health_line(status: &Status) -> String {
    let clock = if status.clock.trusted { "trusted" } else { "not trusted" };
    format!(
        "Clock {clock}: {}. Broker {} since {}. File read {}.",
        status.clock.because,
        status.broker.link,
        when(&status.now, &status.broker.since),
        when(&status.now, &status.file.read_at)
    )
}

/// What a person should look at, a sentence each.
pub fn troubles(status: &Status) -> Vec<String> {
    let mut troubles = Vec::new();
    if !status.clock.trusted {
        let because = &status.clock.because;
        troubles.push(format!(
            "The clock is not trusted ({because}). No planned switching is made until it is: switch network time on \
             (timedatectl set-ntp true), or, for a board with a good battery clock, set trust = \"always\" under [clock]."
        ));
    }
    if status.broker.link != "up" {
        let because = status.broker.because.as_deref().map(|because| format!(": {because}")).unwrap_or_default();
        let since = when(&status.now, &status.broker.since);
        troubles.push(format!("The broker has been out of reach since {since}{because}. No lamp can be switched."));
    }
    if !status.file.faults.is_empty() {
        let read_at = when(&status.now, &status.file.read_at);
        let faulty_at = status.file.faulty_at.as_deref().unwrap_or(&status.now);
        let faulty_at = when(&status.now, faulty_at);
        troubles.push(format!("The file read {faulty_at} has faults; the rules read {read_at} stay in force."));
    }
    troubles.extend(status.notices.iter().map(|notice| format!("{}.", notice.trim_end_matches('.'))));
    troubles
}

/// The misses of the last day, a line each.
pub fn misses(status: &Status) -> Vec<String> {
    let line = |miss: &super::json::Missed| {
        let at = when(&status.now, &miss.at);
        let label = status.channels.iter().find(|channel| channel.name == miss.channel);
        let label = label.map_or(&miss.channel, |channel| &channel.label);
        format!("{at}: {label} should have gone {}; {}", miss.wanted, miss.because)
    };
    status.missed.iter().map(line).collect()
}

/// What the plugs of a channel say, taken together: on, off, partly on, not known.
pub fn state(plugs: &[PlugNow]) -> &'static str {
    let all = |said: &str| plugs.iter().all(|plug| plug.said == said);
    if all("on") {
        "on"
    } else if all("off") {
        "off"
    } else if plugs.iter().any(|plug| plug.said == "unknown") {
        "not known"
    } else {
        "partly on"
    }
}

/// Why a channel is to be as it is.
pub fn reason(channel: &ChannelNow) -> String {
    match &channel.wanted {
        Some(wanted) => format!("Wanted {wanted}: {}.", channel.because),
        None => format!("Left as it is: {}.", channel.because),
    }
}

/// Its next switching.
pub fn next(status: &Status, channel: &ChannelNow) -> String {
    match &channel.next {
        Some(next) => format!("Next: {}.", switching(status, next)),
        None => format!("Next: {}.", no_next(status)),
    }
}

/// "off 22:45, bedtime"; a switching by a clock time says it once.
pub fn switching(status: &Status, next: &Next) -> String {
    let when = when(&status.now, &next.at);
    let because = if when.ends_with(&next.because) { String::new() } else { format!(", {}", next.because) };
    format!("{} {when}{because}", next.wanted)
}

/// Why there is no next switching.
pub fn no_next(status: &Status) -> &'static str {
    if status.clock.trusted { "nothing within 400 days" } else { "waits for the clock" }
}

/// How far the last command to a plug has got, and the hand on it.
pub fn plug(now: &str, channel: &ChannelNow, plug: &PlugNow) -> String {
    let since = when(now, &plug.since);
    let name = &plug.plug;
    let wanted = channel.wanted.as_deref().unwrap_or("so");
    let mut line = match plug.delivery.as_str() {
        "untold" => format!("Plug {name} has been told nothing yet"),
        "unanswered" => format!("Plug {name} was told {since} and has not answered"),
        "confirmed" => format!("Plug {name} confirmed it {since}"),
        "accepted" => format!("The broker took it for plug {name} {since}; the plug says nothing new"),
        "missed" => format!("Plug {name} should be {wanted} and has not said so since {since}"),
        other => format!("Plug {name} is {other} since {since}"),
    };
    if let Some(hand) = &plug.hand {
        let until = when(now, &hand.until);
        let _ = write!(line, "; somebody switched it {} at the plug, and that holds until {until}", hand.wanted);
    }
    line.push('.');
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn how_far_off_is_said_as_a_person_would() {
        for (at, words) in [
            ("16:03:10", "in less than a minute"),
            ("16:04:09", "in less than a minute"),
            ("16:04:10", "in 1 min"),
            ("17:03:09", "in 59 min"),
            ("17:03:10", "in 1 h"),
            ("22:45:00", "in 6 h 41 min"),
        ] {
            assert_eq!(far_off("2026-11-24T16:03:10+01:00", &format!("2026-11-24T{at}+01:00")), words);
        }
        for (at, words) in [
            ("2026-11-26T16:03:09+01:00", "in 47 h 59 min"),
            ("2026-11-26T16:03:10+01:00", "in 2 days"),
            ("2026-12-01T16:03:09+01:00", "in 6 days"),
        ] {
            assert_eq!(far_off("2026-11-24T16:03:10+01:00", at), words);
        }
    }
}
