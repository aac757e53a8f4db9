//! The phrases of the file, other than moments: durations, degrees, positions, zones, weekdays, seasons, dates.

use std::fmt;

use chrono::{FixedOffset, NaiveDate, TimeDelta, Weekday};
use chrono_tz::TZ_VARIANTS;
use winnow::combinator::{alt, opt, preceded};
use winnow::prelude::*;

use super::fault::{PhraseFault, nearest, quoted};
use super::phrase::{Read, Wanted, Words, must, number, read, refuse, refuse_back, stands, the, word};
use super::{Dates, DayOfYear, Position, Season, slips};
use crate::pure::zone::ZoneRules;

/// The longest duration of any use; longer is a slip. Common practice, no source.
const LONGEST: TimeDelta = TimeDelta::days(366);
const UNITS: [(&str, i64); 3] = [("h", 3600), ("min", 60), ("s", 1)];
const A_DURATION: &str = "a duration such as 20 min or 1 h 30 min";
const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
/// Longest each month can be, in leap years.
const LENGTHS: [u32; 12] = [31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
/// Weekdays as written, Monday first.
pub(crate) const WEEKDAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];

/// Reads `[n h] [n min] [n s]`, at least one of them, in whole seconds.
pub fn parse_duration(phrase: &str) -> Result<TimeDelta, PhraseFault> {
    read(phrase, |words| must(duration, || Wanted::what("a duration", A_DURATION)).parse_next(words))
}

/// Reads `[pace]`: a duration, or milliseconds such as `250 ms`.
pub(crate) fn parse_pace(phrase: &str) -> Result<TimeDelta, PhraseFault> {
    read(phrase, |words| {
        let milliseconds = (word(whole), the("ms")).map(|(count, ())| TimeDelta::milliseconds(count));
        let wanted = || Wanted::what("a duration", "a duration such as 250 ms or 1 s");
        must(alt((milliseconds, duration)), wanted).parse_next(words)
    })
}

/// One or more of hours, minutes, seconds. A first word that is no number is left to others.
pub(crate) fn duration(words: &mut Words<'_>) -> Read<TimeDelta> {
    let mut total = None;
    let mut coming = &UNITS[..];
    while let Some(count) = opt(word(count)).parse_next(words)? {
        let count = match count {
            Ok(count) => count,
            Err(wanted) => return refuse(words, wanted),
        };
        let near = words.first().and_then(|word| UNITS.iter().find(|(unit, _)| word.text.starts_with(&unit[..1])));
        let wanted = || {
            let wanted = Wanted::what("h, min or s", "h, min or s");
            if let Some((unit, _)) = near { wanted.nearest(*unit) } else { wanted }
        };
        let unit = |text: &str| UNITS.iter().position(|(unit, _)| *unit == text);
        let unit = must(word(unit), wanted).parse_next(words)?;
        let skip = UNITS.len() - coming.len();
        if unit < skip {
            let message = format!("{} is named twice or too late", quoted(UNITS[unit].0));
            return refuse(words, Wanted::what("", "hours, then min, then s, each once").instead(message));
        }
        coming = &UNITS[unit + 1..];
        let sum = total.unwrap_or(TimeDelta::zero()) + TimeDelta::seconds(count * UNITS[unit].1);
        if sum > LONGEST {
            let wanted = Wanted::what("", "at most 8784 h").instead("a duration of more than 366 days");
            return refuse_back(words, 2, wanted);
        }
        total = Some(sum);
    }
    total.ok_or_else(|| winnow::error::ParserError::from_input(words))
}

fn whole(word: &str) -> Option<i64> {
    (word.len() <= 9 && word.bytes().all(|b| b.is_ascii_digit())).then(|| word.parse().ok()).flatten()
}

/// A whole number, or why what begins like one isn't; `None` for words and clock times.
fn count(word: &str) -> Option<Result<i64, Wanted>> {
    if !word.starts_with(|c: char| c.is_ascii_digit()) || word.contains(':') {
        return None;
    }
    let wanted = Wanted::what("a whole number", A_DURATION);
    let digits = word.trim_end_matches(|c: char| c.is_ascii_alphabetic());
    let unit = &word[digits.len()..];
    Some(whole(word).ok_or_else(|| match whole(digits) {
        Some(count) if UNITS.iter().any(|(known, _)| *known == unit) => wanted.nearest(format!("{count} {unit}")),
        _ => wanted,
    }))
}

/// A duration in normal form: `1 h 20 min`, `0 min`, and `250 ms` where it has a part of a second.
pub fn duration_words(duration: TimeDelta) -> String {
    if duration.subsec_nanos() != 0 {
        return format!("{} ms", duration.num_milliseconds());
    }
    let mut left = duration.num_seconds();
    let mut said = Vec::new();
    for (unit, seconds) in UNITS {
        if left / seconds > 0 {
            said.push(format!("{} {unit}", left / seconds));
        }
        left %= seconds;
    }
    if said.is_empty() { "0 min".to_owned() } else { said.join(" ") }
}

/// Reads degrees such as `-4 deg`.
pub(crate) fn parse_degrees(phrase: &str) -> Result<f64, PhraseFault> {
    read(phrase, degrees)
}

/// `-4 deg`, from −90 to 90.
pub(crate) fn degrees(words: &mut Words<'_>) -> Read<f64> {
    let signed = |word: &str| match word.strip_prefix('-') {
        Some(word) => number(word).map(|n| 0.0 - n),
        None => number(word),
    };
    let wanted = || Wanted::what("a number of degrees", "degrees such as -4 deg");
    let given = must(word(signed), wanted).parse_next(words)?;
    if !(-90.0..=90.0).contains(&given) {
        let message = "an altitude is never beyond 90 deg";
        return refuse(words, Wanted::what("", "-90 deg to 90 deg").instead(message));
    }
    must(the("deg"), || Wanted::one_of(&["deg"])).parse_next(words)?;
    Ok(given)
}

/// Reads `59.7412 N, 5.2097 E` or `59 44.47 N, 5 12.58 E`.
pub fn parse_position(phrase: &str) -> Result<Position, PhraseFault> {
    let read = read(phrase, |words| {
        let latitude_deg = coordinate(words, "latitude", 90.0, ["N", "S"])?;
        must(the(","), || Wanted::what("a comma", "a comma between latitude and longitude")).parse_next(words)?;
        let longitude_deg = coordinate(words, "longitude", 180.0, ["E", "W"])?;
        Ok(Position { latitude_deg, longitude_deg })
    });
    read.map_err(|fault| slips::position(phrase).unwrap_or(fault))
}

/// Degrees, or degrees and minutes, then the half of the Earth; positive for the first letter.
fn coordinate(words: &mut Words<'_>, name: &str, most: f64, letters: [&'static str; 2]) -> Read<f64> {
    let noun = format!("a {name}");
    let example = "59.7412 N, 5.2097 E or 59 44.47 N, 5 12.58 E";
    let wanted = || Wanted::what(&noun, example);
    let degrees = must(word(number), wanted).parse_next(words)?;
    let range = || {
        let message = format!("a {name} of more than {most} degrees");
        Wanted::what("", &format!("0 to {most} degrees, then {} or {}", letters[0], letters[1])).instead(message)
    };
    if degrees > most {
        return refuse(words, range());
    }
    let minutes = opt(word(number)).parse_next(words)?;
    if let Some(minutes) = minutes {
        if degrees.fract() != 0.0 {
            let wanted = Wanted::what("", example).instead("minutes go with whole degrees");
            return refuse(words, wanted);
        }
        if minutes >= 60.0 {
            let wanted = Wanted::what("", "less than 60 minutes").instead("minutes of 60 or more");
            return refuse(words, wanted);
        }
    }
    let given = degrees + minutes.unwrap_or(0.0) / 60.0;
    if given > most {
        return refuse_back(words, 2, range());
    }
    let sign = alt((stands(letters[0], 1.0), stands(letters[1], -1.0)));
    let sign = must(sign, || Wanted::one_of(&letters)).parse_next(words)?;
    Ok(if given == 0.0 { 0.0 } else { sign * given })
}

impl fmt::Display for Position {
    /// `59.7412 N, 5.2097 E`: to five decimals (about a metre), fewer where they are zero.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let say = |degrees: f64, letters: [&str; 2]| {
            let text = format!("{:.5}", degrees.abs());
            let text = text.trim_end_matches('0').trim_end_matches('.').to_owned();
            format!("{text} {}", letters[usize::from(degrees < 0.0)])
        };
        write!(f, "{}, {}", say(self.latitude_deg, ["N", "S"]), say(self.longitude_deg, ["E", "W"]))
    }
}

/// An offset begins with one.
const SIGNS: [char; 2] = ['+', '-'];

/// What [`parse_zone`] reads, if it is one: without a word on what might be meant, for which all zones would be gone through.
pub fn known_zone(phrase: &str) -> Option<ZoneRules> {
    if !phrase.starts_with(SIGNS) {
        return phrase.parse().ok().map(ZoneRules::Named);
    }
    let (hour, minute) = phrase[1..].split_once(':')?;
    let two =
        |text: &str| (text.len() == 2 && text.bytes().all(|b| b.is_ascii_digit())).then(|| text.parse::<i32>().ok())?;
    let (hour, minute) = (two(hour)?, two(minute)?);
    let minutes = (minute < 60).then_some(hour * 60 + minute)?;
    let minutes = if phrase.starts_with('-') { -minutes } else { minutes };
    // The offsets in use on Earth (tz database: -12:00 to +14:00).
    let offset = (-720..=840).contains(&minutes).then_some(minutes * 60)?;
    FixedOffset::east_opt(offset).map(ZoneRules::Fixed)
}

/// Reads an IANA zone such as `Europe/Oslo`, or a fixed offset such as `+01:00`.
pub fn parse_zone(phrase: &str) -> Result<ZoneRules, PhraseFault> {
    if let Some(zone) = known_zone(phrase) {
        return Ok(zone);
    }
    let whole = 0..phrase.len();
    if phrase.starts_with(SIGNS) {
        return Err(PhraseFault::new(whole, format!("{} is not an offset from UTC", quoted(phrase)))
            .expected("an offset from -12:00 to +14:00, such as +01:00"));
    }
    let message = match phrase.trim().is_empty() {
        true => "no time zone is written".to_owned(),
        false => format!("{} is not a time zone", quoted(phrase)),
    };
    let expected = "an IANA zone such as Europe/Oslo, or an offset such as +01:00";
    Err(PhraseFault::new(whole, message).expected(expected).nearest(nearest_zone(phrase)))
}

/// The zone of nearly that name, or of nearly that town.
fn nearest_zone(written: &str) -> Option<String> {
    let names = || TZ_VARIANTS.iter().map(|zone| zone.name());
    let town = |name: &'static str| name.rsplit('/').next().unwrap_or(name);
    let same_town = |written: &str| names().find(|name| town(name).eq_ignore_ascii_case(written));
    let near_town = || nearest(written, names().map(town)).and_then(|near| same_town(&near));
    if written.contains('/') {
        return nearest(written, names());
    }
    same_town(&written.trim().replace(' ', "_")).or_else(near_town).map(str::to_owned)
}

impl fmt::Display for ZoneRules {
    /// As the file writes it: `Europe/Oslo`, `+01:00`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ZoneRules::Named(zone) => f.write_str(zone.name()),
            ZoneRules::Fixed(offset) => offset.fmt(f),
        }
    }
}

/// Reads weekdays: `Mon-Fri`, `Fri Sat`, `Sat-Mon`. Monday first.
pub(crate) fn parse_weekdays(phrase: &str) -> Result<[bool; 7], PhraseFault> {
    read(phrase, |words| {
        let wanted = |word: Option<&str>| {
            let wanted = Wanted::what("a weekday", "weekdays such as Mon-Fri or Fri Sat").near(WEEKDAYS);
            if let Some(near) = word.and_then(nearest_days) { wanted.nearest(near) } else { wanted }
        };
        let mut days = [false; 7];
        let written = words.first().map(|word| word.text);
        let first = must(word(some_days), || wanted(written)).parse_next(words)?;
        add(words, &mut days, first)?;
        while let Some(more) = opt(word(some_days)).parse_next(words)? {
            add(words, &mut days, more)?;
        }
        match words.first() {
            None => Ok(days),
            Some(word) => refuse_back(words, 0, wanted(Some(word.text))),
        }
    })
}

/// The weekdays that a range of nearly weekdays means, or a word for several.
fn nearest_days(word: &str) -> Option<String> {
    match word.to_ascii_lowercase().trim_end_matches('s') {
        "weekday" | "workday" => return Some("Mon-Fri".into()),
        "weekend" => return Some("Sat Sun".into()),
        _ => {}
    }
    let (first, last) = word.split_once('-')?;
    let (first, last) = (nearest(first, WEEKDAYS)?, nearest(last, WEEKDAYS)?);
    (first != last).then(|| format!("{first}-{last}"))
}

fn add(words: &Words<'_>, days: &mut [bool; 7], (first, last): (usize, usize)) -> Read<()> {
    let mut day = first;
    loop {
        if std::mem::replace(&mut days[day], true) {
            let message = format!("{} is named twice", WEEKDAYS[day]);
            return refuse(words, Wanted::what("", "each weekday once").instead(message));
        }
        if day == last {
            return Ok(());
        }
        day = (day + 1) % 7;
    }
}

/// `Mon` or `Mon-Fri`, as the first and the last day.
fn some_days(word: &str) -> Option<(usize, usize)> {
    let day = |text: &str| WEEKDAYS.iter().position(|day| *day == text);
    match word.split_once('-') {
        Some((first, last)) => Some((day(first)?, day(last)?)).filter(|(first, last)| first != last),
        None => day(word).map(|day| (day, day)),
    }
}

/// Weekdays in words: `Mon-Fri`, `Fri Sat`, `every day`.
pub fn weekdays_words(days: &[bool; 7]) -> String {
    let starts: Vec<usize> = (0..7).filter(|&day| days[day] && !days[(day + 6) % 7]).collect();
    if starts.is_empty() {
        return if days[0] { "every day" } else { "no day" }.to_owned();
    }
    let range = |first: usize| {
        let length = (0..7).take_while(|step| days[(first + step) % 7]).count();
        let last = WEEKDAYS[(first + length - 1) % 7];
        match length {
            1 => last.to_owned(),
            2 => format!("{} {last}", WEEKDAYS[first]),
            _ => format!("{}-{last}", WEEKDAYS[first]),
        }
    };
    starts.into_iter().map(range).collect::<Vec<_>>().join(" ")
}

/// The number of a weekday, Monday first.
pub fn weekday_index(day: Weekday) -> usize {
    usize::try_from(day.num_days_from_monday()).unwrap_or(0)
}

/// Reads `1 Dec to 6 Jan`.
pub(crate) fn parse_season(phrase: &str) -> Result<Season, PhraseFault> {
    read(phrase, |words| {
        let first = must(day_of_year, || Wanted::what("a day", "a season such as 1 Dec to 6 Jan")).parse_next(words)?;
        must(the("to"), || Wanted::one_of(&["to"])).parse_next(words)?;
        let last = must(day_of_year, || Wanted::what("a day", "a day such as 6 Jan")).parse_next(words)?;
        Ok(Season { first, last })
    })
}

/// Reads `2026-12-24`, `24 Dec` or `2026-12-31 to 2027-01-02`.
pub(crate) fn parse_dates(phrase: &str) -> Result<Dates, PhraseFault> {
    const A_DATE: &str = "2026-12-24, 24 Dec or 2026-12-31 to 2027-01-02";
    read(phrase, |words| {
        let dates = alt((date.map(Ok), day_of_year.map(Err)));
        let first = match must(dates, || Wanted::what("a date", A_DATE)).parse_next(words)? {
            Ok(date) => date,
            Err(day) => {
                if words.first().is_some_and(|word| word.text == "to") {
                    let wanted = Wanted::what("", "each day by itself, or dates with their year");
                    return refuse_back(words, 0, wanted.instead("`to` joins dates with their year alone"));
                }
                return Ok(Dates::EveryYear(day));
            }
        };
        let last = preceded(the("to"), must(date, || Wanted::what("a date", "a date such as 2027-01-02")));
        match opt(last).parse_next(words)? {
            Some(last) if last < first => {
                let message = format!("{last} is before {first}");
                refuse(words, Wanted::what("", "the earlier date first").instead(message))
            }
            last => Ok(Dates::Range(first, last.unwrap_or(first))),
        }
    })
}

/// `2026-12-24`. What only looks like a date is refused here.
fn date(words: &mut Words<'_>) -> Read<NaiveDate> {
    let like = |word: &str| {
        let parts: Vec<&str> = word.split('-').collect();
        let digits = |text: &&str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        (parts.len() == 3 && parts.iter().all(digits)).then(|| {
            let lengths = [4, 2, 2].iter().zip(&parts).all(|(length, part)| part.len() == *length);
            let date = NaiveDate::from_ymd_opt(parts[0].parse().ok()?, parts[1].parse().ok()?, parts[2].parse().ok()?);
            date.filter(|_| lengths)
        })
    };
    match word(like).parse_next(words)? {
        Some(date) => Ok(date),
        None => refuse(words, Wanted::what("a date of the calendar", "year-month-day, such as 2026-12-24")),
    }
}

/// `24 Dec`. An impossible day is refused here.
fn day_of_year(words: &mut Words<'_>) -> Read<DayOfYear> {
    let day = word(|word| whole(word).filter(|_| word.len() <= 2)).parse_next(words)?;
    let month = |word: &str| MONTHS.iter().position(|month| *month == word);
    let wanted = || Wanted::what("a month", "Jan, Feb, Mar, … Dec").near(MONTHS);
    let month = must(word(month), wanted).parse_next(words)?;
    let day = u32::try_from(day).unwrap_or(0);
    if !(1..=LENGTHS[month]).contains(&day) {
        let name = MONTHS[month];
        let message = format!("{name} has no day {day}");
        let wanted = Wanted::what("", &format!("1 {name} to {} {name}", LENGTHS[month]));
        return refuse_back(words, 2, wanted.instead(message));
    }
    Ok(DayOfYear { month: u32::try_from(month).unwrap_or(0) + 1, day })
}

impl fmt::Display for DayOfYear {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let month = usize::try_from(self.month).unwrap_or(0);
        write!(f, "{} {}", self.day, MONTHS.get(month.wrapping_sub(1)).unwrap_or(&"?"))
    }
}

impl fmt::Display for Season {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} to {}", self.first, self.last)
    }
}

impl fmt::Display for Dates {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Dates::EveryYear(day) => day.fmt(f),
            Dates::Range(first, last) if first == last => first.fmt(f),
            Dates::Range(first, last) => write!(f, "{first} to {last}"),
        }
    }
}
