//! `[place]`, `[times]`, `[sun]`: where the house stands and which names and shifts hold in all of it.

use std::sync::Arc;

use chrono::{NaiveTime, TimeDelta};
use toml::de::DeValue;

use super::fault::{PhraseFault, quoted};
use super::phrases::{
    WEEKDAYS, duration_words, parse_degrees, parse_duration, parse_position, parse_weekdays, parse_zone,
};
use super::reader::{Entry, Reader, Table};
use super::{Place, Position, Shifts};
use crate::pure::local_time::offsets_in;
use crate::pure::moment::{NamedTime, WORDS, parse_clock};
use crate::pure::zone::{ClockChange, Zone, ZoneRules};

/// Zone and place further apart than this can't be meant.
pub const IMPLAUSIBLE: TimeDelta = TimeDelta::hours(5);
/// Further apart than this is unusual, and found in few places on Earth.
pub const DOUBTFUL: TimeDelta = TimeDelta::hours(3);
/// The years whose clock changes tell what a zone does. Fixed, so that a file reads alike in every year.
const YEARS: std::ops::RangeInclusive<i32> = 2026..=2037;
/// What the hills can hide, or a house on a cliff see; common practice, no source.
const HORIZON_DEG: std::ops::RangeInclusive<f64> = -5.0..=60.0;
/// `[sun] lead` and `lag`; common practice, no source.
const MOST_SHIFT: TimeDelta = TimeDelta::hours(2);
/// Longest name of a place, in characters: it becomes part of topics and of the client id.
const LONGEST_NAME: usize = 100;

/// Reads `[place]`.
pub(super) fn place<'t>(reader: &mut Reader<'t>, root: &Table<'_, 't>) -> Option<Place> {
    let example = "[place] with name, position and time_zone";
    let entry = reader.need(root, "place", example)?;
    let keys = ["name", "position", "time_zone", "clock_change", "horizon"];
    let table = reader.table("[place]", &entry, &keys)?;
    let name = reader.need(&table, "name", r#"name = "Skarvholmen""#);
    let name = name.and_then(|entry| label(reader, &entry, LONGEST_NAME));
    let position = reader.need(&table, "position", r#"position = "59.7412 N, 5.2097 E""#);
    let position = position.and_then(|entry| {
        reader.position_at = reader.inside(&entry);
        reader.phrase(&entry, parse_position)
    });
    let zone_entry = reader.need(&table, "time_zone", r#"time_zone = "Europe/Oslo""#);
    let rules = zone_entry.and_then(|entry| reader.phrase(&entry, parse_zone));
    let change_entry = table.get("clock_change");
    let clock_change = reader.phrase_or(change_entry, ClockChange::Auto, |text| {
        choose(
            text,
            &[
                ("auto", ClockChange::Auto),
                ("always standard", ClockChange::AlwaysStandard),
                ("always summer", ClockChange::AlwaysSummer),
            ],
        )
    });
    let horizon_deg = reader.phrase_or(table.get("horizon"), 0.0, |text| {
        let horizon = parse_degrees(text)?;
        if HORIZON_DEG.contains(&horizon) {
            return Ok(horizon);
        }
        let message = format!("{} is no horizon of a house", quoted(text));
        Err(PhraseFault::new(0..text.len(), message).expected("-5 deg to 60 deg"))
    });
    if let (Some(rules), Some(position), Some(entry)) = (rules, position, zone_entry) {
        plausible(reader, &entry, rules, position);
    }
    if let (Some(rules), Some(change), Some(entry)) = (rules, clock_change, change_entry)
        && change != ClockChange::Auto
        && offsets(rules).0 == offsets(rules).1
    {
        let message = format!("the clocks of {rules} do not change");
        let fault = PhraseFault::new(entry.at(), message).expected(r#""auto", or no clock_change at all"#);
        reader.refuse(fault);
    }
    let zone = Zone { rules: rules?, clock_change: clock_change? };
    Some(Place { name: name?, position: position?, zone, horizon_deg: horizon_deg? })
}

/// Says where a zone can hardly be that of the place.
fn plausible<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>, rules: ZoneRules, position: Position) {
    let ahead_s = ahead_of_sun_s(rules, position);
    let apart = TimeDelta::minutes(libm::round(ahead_s.abs() / 60.0) as i64);
    let Some(text) = reader.text(entry) else { return };
    let message = format!("{} is {} from the place's mean solar time", quoted(text), duration_words(apart));
    let fault = PhraseFault::new(0..text.len(), message);
    if ahead_s.abs() > IMPLAUSIBLE.as_seconds_f64() {
        let expected = "a zone within 5 h of it; look at E and W of the position as well";
        reader.refuse_within(entry.at(), text, fault.expected(expected));
    } else if ahead_s.abs() > DOUBTFUL.as_seconds_f64() {
        let at = reader.inner(entry.at(), text, 0..text.len());
        reader.warn(PhraseFault { at, ..fault.expected("a zone within 3 h of it, in most places") });
    }
}

/// By how many seconds a zone's standard time is ahead of a place's mean solar time, modulo 24 h; behind is negative.
pub fn ahead_of_sun_s(rules: ZoneRules, position: Position) -> f64 {
    let solar_s = position.longitude_deg / 15.0 * 3600.0;
    let ahead_s = f64::from(offsets(rules).0) - solar_s;
    ahead_s - 86_400.0 * libm::floor((ahead_s + 43_200.0) / 86_400.0)
}

/// The smallest and the largest UTC offset of a zone in the coming years, in seconds: standard time and summer time.
pub fn offsets(rules: ZoneRules) -> (i32, i32) {
    let zone = match rules {
        ZoneRules::Fixed(offset) => return (offset.local_minus_utc(), offset.local_minus_utc()),
        ZoneRules::Named(zone) => zone,
    };
    let all = YEARS.map(|year| offsets_in(zone, year));
    all.fold((i32::MAX, i32::MIN), |(least, most), (standard, summer)| {
        (least.min(standard.local_minus_utc()), most.max(summer.local_minus_utc()))
    })
}

/// Text that people read: not empty, printable.
pub(super) fn label<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>, longest: usize) -> Option<String> {
    reader.phrase(entry, |text| {
        let fault = |message: &str| Err(PhraseFault::new(0..text.len(), message));
        if text.trim().is_empty() {
            return fault("the name is empty")
                .map_err(|fault: PhraseFault| fault.expected("a name for people to read"));
        }
        if text.chars().any(char::is_control) {
            return fault("a control character in a name");
        }
        if text.chars().count() > longest {
            return fault("the name is too long")
                .map_err(|fault: PhraseFault| fault.expected(format!("at most {longest} characters")));
        }
        Ok(text.to_owned())
    })
}

/// One of a few words that stand for values.
pub(super) fn choose<T: Copy>(text: &str, words: &[(&str, T)]) -> Result<T, PhraseFault> {
    if let Some((_, value)) = words.iter().find(|(word, _)| *word == text) {
        return Ok(*value);
    }
    let all: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
    let expected = all.iter().map(|word| format!("\"{word}\"")).collect::<Vec<_>>().join(" or ");
    let near = super::fault::nearest(text, all);
    Err(PhraseFault::new(0..text.len(), format!("{} is not known here", quoted(text))).expected(expected).nearest(near))
}

/// A duration from nothing to a certain length.
pub(super) fn duration_up_to(text: &str, most: TimeDelta) -> Result<TimeDelta, PhraseFault> {
    let duration = parse_duration(text)?;
    if duration <= most {
        return Ok(duration);
    }
    let fault = PhraseFault::new(0..text.len(), format!("{} is too long", quoted(text)));
    Err(fault.expected(format!("0 min to {}", duration_words(most))))
}

/// Reads `[sun]`.
pub(super) fn shifts<'t>(reader: &mut Reader<'t>, root: &Table<'_, 't>) -> Option<Shifts> {
    let Some(entry) = root.get("sun") else { return Some(Shifts::default()) };
    let table = reader.table("[sun]", &entry, &["lead", "lag"])?;
    let mut shift = |key| reader.phrase_or(table.get(key), TimeDelta::zero(), |text| duration_up_to(text, MOST_SHIFT));
    let (lead, lag) = (shift("lead"), shift("lag"));
    Some(Shifts { lead: lead?, lag: lag? })
}

/// Reads `[times]`. Names that can't be used are known all the same, so that one fault does not make many.
pub(super) fn times<'t>(reader: &mut Reader<'t>, root: &Table<'_, 't>) -> Vec<Arc<NamedTime>> {
    let entry = root.get("times");
    let mut times = entry.map(|entry| read_times(reader, &entry)).unwrap_or_default();
    // Moments may name what could not be read; the file is refused anyway, and only for what is wrong with it.
    let lost = reader.lost_keys("times").into_iter().map(|name| NamedTime { name, by_weekday: [NaiveTime::MIN; 7] });
    times.extend(lost.map(Arc::new));
    times
}

fn read_times<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>) -> Vec<Arc<NamedTime>> {
    let Some(table) = reader.names("[times]", entry) else { return Vec::new() };
    let read = |entry: &Entry<'_, 't>| {
        name(reader, entry);
        let by_weekday = match entry.value.get_ref() {
            DeValue::Table(_) => by_weekday(reader, entry),
            DeValue::String(_) => reader.phrase(entry, parse_clock).map(|time| [time; 7]),
            _ => {
                let expected =
                    r#""22:45", or one for each set of weekdays: { "Mon-Fri" = "22:45", "Sat Sun" = "23:30" }"#;
                reader.wrong(entry, "a clock time", expected)
            }
        };
        Arc::new(NamedTime { name: entry.key.to_owned(), by_weekday: by_weekday.unwrap_or([NaiveTime::MIN; 7]) })
    };
    table.entries.iter().map(read).collect()
}

/// Refuses a name that could not be told from the words of a moment.
fn name<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>) {
    let name = entry.key;
    let lower = name.to_lowercase();
    let fault = |message: String| Some(PhraseFault::new(0..name.len(), message));
    let letters = |c: char| c.is_alphanumeric() || c == '-' || c == '_';
    let found = if WORDS.contains(&lower.as_str()) || lower == "cancelled" {
        fault(format!("{} has a meaning of its own and can't be a name", quoted(name)))
            .map(|fault| fault.expected("another name, such as bedtime"))
    } else if !name.starts_with(char::is_alphabetic) || !name.chars().all(letters) {
        fault(format!("{} can't be a name of a clock time", quoted(name)))
            .map(|fault| fault.expected("a letter, then letters, digits, - or _"))
    } else {
        None
    };
    if let Some(fault) = found {
        let at = reader.inner(entry.key_at(), name, fault.at.clone());
        reader.refuse(PhraseFault { at, ..fault });
    }
}

/// `{ "Sun-Thu" = "22:45", "Fri Sat" = "23:30" }`: every weekday once.
fn by_weekday<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>) -> Option<[NaiveTime; 7]> {
    let table = reader.names(&format!("[times] {}", entry.key), entry)?;
    let mut times = [None; 7];
    let mut whole = true;
    for entry in &table.entries {
        let time = reader.phrase(entry, parse_clock);
        whole &= time.is_some();
        let days = match parse_weekdays(entry.key) {
            Ok(days) => days,
            Err(fault) => {
                reader.refuse_within(entry.key_at(), entry.key, fault);
                whole = false;
                continue;
            }
        };
        for day in (0..7).filter(|&day| days[day]) {
            if times[day].replace(time.unwrap_or(NaiveTime::MIN)).is_some() {
                let fault = PhraseFault::new(0..entry.key.len(), format!("{} is covered twice", WEEKDAYS[day]));
                reader.refuse_within(entry.key_at(), entry.key, fault.expected("each weekday once"));
                whole = false;
                break;
            }
        }
    }
    let missing: Vec<&str> = (0..7).filter(|&day| times[day].is_none()).map(|day| WEEKDAYS[day]).collect();
    if whole && !missing.is_empty() {
        let message = format!("{} has no time for {}", quoted(entry.key), missing.join(" "));
        reader.refuse_unless_lost("times", PhraseFault::new(entry.key_at(), message).expected("each weekday once"));
    }
    whole.then(|| times.map(|time| time.unwrap_or(NaiveTime::MIN)))
}
