//! `GET /calendar.ics`: when lamps are lit over the next 14 days, as RFC 5545 for a calendar program to subscribe to.
//!
//! Instants are given in UTC, so that no program can get a clock change wrong.

use axum::extract::State;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, TimeDelta, Utc};

use super::Web;
use super::almanac::ChannelAhead;
use super::problem::Problem;
use crate::pure::config::Config;
use crate::pure::local_time::local_of;

/// How far ahead.
const DAYS: i64 = 14;

/// A content line is no longer, in octets (RFC 5545 §3.1).
const LINE: usize = 75;

/// `GET /calendar.ics`.
pub async fn calendar(State(web): State<Web>) -> Result<Response, Problem> {
    let config = web.facts().config.clone();
    let now = web.now();
    // From a little before, so that a span under way keeps its beginning.
    let ahead = web.almanac.ahead(config.clone(), now - TimeDelta::days(2), now + TimeDelta::days(DAYS)).await?;
    let text = render(&config, &ahead, now);
    Ok(([(CONTENT_TYPE, "text/calendar; charset=utf-8")], text).into_response())
}

fn render(config: &Config, ahead: &[ChannelAhead], now: DateTime<Utc>) -> String {
    let mut text = String::new();
    let mut line = |name: &str, value: &str| fold(&mut text, &format!("{name}:{value}"));
    let place = &config.place;
    line("BEGIN", "VCALENDAR");
    line("VERSION", "2.0");
    line("PRODID", "-//Lampward//Lampward//EN");
    // NAME and REFRESH-INTERVAL: RFC 7986 §5.
    line("NAME", &escape(&format!("{}: lamps", place.name)));
    line("REFRESH-INTERVAL;VALUE=DURATION", "PT6H");
    for of in ahead {
        let channel = &config.channels[of.channel];
        let (mut day, mut on_that_day) = (None, 0);
        for span in &of.ahead.spans {
            let date = local_of(&place.zone, span.from).date_naive();
            on_that_day = if day == Some(date) { on_that_day + 1 } else { 1 };
            day = Some(date);
            if span.until <= now {
                continue;
            }
            line("BEGIN", "VEVENT");
            // By date and number rather than by instant: the same span keeps its name when a rule moves it a little.
            line("UID", &format!("{}-{date}-{on_that_day}@{}.lampward", channel.name, place.slug()));
            line("DTSTAMP", &utc(now));
            line("DTSTART", &utc(span.from));
            line("DTEND", &utc(span.until));
            line("SUMMARY", &escape(&format!("{} lit", channel.label)));
            line("DESCRIPTION", &escape(&format!("on: {}\noff: {}", span.from_because, span.until_because)));
            line("TRANSP", "TRANSPARENT");
            line("END", "VEVENT");
        }
    }
    line("END", "VCALENDAR");
    text
}

fn utc(at: DateTime<Utc>) -> String {
    at.format("%Y%m%dT%H%M%SZ").to_string()
}

/// RFC 5545 §3.3.11.
fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\\' | ';' | ',' => safe.extend(['\\', c]),
            '\n' => safe.push_str("\\n"),
            c if c.is_control() => safe.push(' '),
            c => safe.push(c),
        }
    }
    safe
}

/// Writes a content line, folded between characters.
fn fold(text: &mut String, line: &str) {
    let mut width = 0;
    for c in line.chars() {
        if width + c.len_utf8() > LINE {
            text.push_str("\r\n ");
            width = 1;
        }
        text.push(c);
        width += c.len_utf8();
    }
    text.push_str("\r\n");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check_folded(line: &str) {
        let mut text = String::new();
        fold(&mut text, line);
        assert!(text.split("\r\n").all(|part| part.len() <= LINE), "{text}");
        assert_eq!(text.replace("\r\n ", ""), format!("{line}\r\n"));
    }

    #[test]
    fn a_long_line_is_folded_between_characters() {
        check_folded("");
        for length in [74, 75, 76, 149, 150, 500] {
            check_folded(&"x".repeat(length));
            check_folded(&"ø".repeat(length));
            check_folded(&format!("x{}", "灯".repeat(length)));
        }
    }

    #[test]
    fn text_keeps_its_commas() {
        assert_eq!(escape("a,b;c\\d\ne\tf"), "a\\,b\\;c\\\\d\\ne f");
    }
}
