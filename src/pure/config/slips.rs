//! What people write at first, and what they mean by it: told apart here so that a fault can show the right way.

use std::ops::Range;

use chrono::NaiveTime;
use serde_json::Value;

use super::Position;
use super::fault::{PhraseFault, quoted};

/// A clock time in another notation, from the first words of a phrase: how many words it takes, and which it is.
///
/// `11pm`, `11:30 PM`, `23.00`, `2300`, `noon`, or `23` by itself. What may be the start of a duration is none.
pub(crate) fn clock_time(first: &str, second: Option<&str>) -> Option<(usize, NaiveTime)> {
    if first == "noon" {
        return Some((1, NaiveTime::from_hms_opt(12, 0, 0)?));
    }
    let half = |text: &str| match text.to_ascii_lowercase().replace('.', "").as_str() {
        "am" => Some(0),
        "pm" => Some(12),
        _ => None,
    };
    let digits = first.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(first.len());
    let (time, letters) = first.split_at(digits);
    let (words, half_day) = match (half(letters), second.and_then(half)) {
        (Some(half_day), _) => (1, Some(half_day)),
        (None, Some(half_day)) if letters.is_empty() => (2, Some(half_day)),
        _ if letters.is_empty() => (1, None),
        _ => return None,
    };
    let number = |text: &str, longest: usize| {
        let plain = !text.is_empty() && text.len() <= longest && text.bytes().all(|b| b.is_ascii_digit());
        plain.then(|| text.parse::<u32>().ok()).flatten()
    };
    let alone = matches!(second, None | Some(","));
    let (hour, minute) = match (time.split_once(['.', ':']), half_day) {
        (Some((hour, minute)), _) if minute.len() == 2 => (number(hour, 2)?, number(minute, 2)?),
        (Some(_), _) => return None,
        (None, Some(_)) => (number(time, 2)?, 0),
        (None, None) if alone && time.len() == 4 => (number(time.get(..2)?, 2)?, number(time.get(2..)?, 2)?),
        (None, None) if alone => (number(time, 2)?, 0),
        (None, None) => return None,
    };
    // A colon and nothing else amiss is for others to judge.
    if half_day.is_none() && (time.contains(':') || (time.contains('.') && !alone)) {
        return None;
    }
    let hour = match half_day {
        Some(half_day) if (1..=12).contains(&hour) => hour % 12 + half_day,
        Some(_) => return None,
        None => hour,
    };
    Some((words, NaiveTime::from_hms_opt(hour, minute, 0)?))
}

/// An offset with a sign behind its mark, `sunset -20 min` or `dusk+15`: the mark, the offset as the file writes it (a number alone
/// is meant in minutes), and whether it is later.
pub(crate) fn signed_offset(written: &str) -> Option<(&str, String, bool)> {
    let (mark, shift) = written.split_at(written.find(['+', '-', '−'])?);
    let (later, shift) = (shift.starts_with('+'), shift.trim_start_matches(['+', '-', '−']).trim());
    let mut words = String::new();
    for c in shift.chars() {
        let turns = words.chars().last().is_some_and(|last| last.is_ascii_digit() != c.is_ascii_digit());
        if turns && !c.is_whitespace() && !words.ends_with(' ') {
            words.push(' ');
        }
        words.push(c);
    }
    if words.bytes().all(|b| b.is_ascii_digit()) {
        words.push_str(" min");
    }
    Some((mark.trim(), words, later))
}

/// A position in another notation: without letters, longitude first, letters in front, with signs for degrees.
pub(crate) fn position(phrase: &str) -> Option<PhraseFault> {
    let comma_as_point = |text: &str| {
        let bytes = text.as_bytes();
        let digit = |at: usize| bytes.get(at).is_some_and(u8::is_ascii_digit);
        let between = |at: usize| at > 0 && digit(at - 1) && digit(at + 1);
        let points = text.char_indices().map(|(at, c)| if c == ',' && between(at) { '.' } else { c });
        points.collect::<String>()
    };
    let read = |text: &str| {
        let (first, second) = text.split_once(',')?;
        Some((coordinate(first)?, coordinate(second)?))
    };
    let (first, second) = read(phrase).or_else(|| read(&comma_as_point(phrase)))?;
    let swapped = matches!(first.letter, Some('E' | 'W')) && matches!(second.letter, Some('N' | 'S'));
    let (latitude, longitude) = if swapped { (second, first) } else { (first, second) };
    let fits = |one: Coordinate, letters: [char; 2], most: f64| {
        let known = one.letter.is_none_or(|letter| letters.contains(&letter));
        (known && one.degrees <= most).then(|| if one.letter == Some(letters[1]) { -one.degrees } else { one.signed() })
    };
    let meant = Position {
        latitude_deg: fits(latitude, ['N', 'S'], 90.0)?,
        longitude_deg: fits(longitude, ['E', 'W'], 180.0)?,
    };
    let message = if swapped {
        "the longitude comes before the latitude"
    } else if latitude.letter.is_none() || longitude.letter.is_none() {
        "N or S is missing, or E or W"
    } else {
        "the position is written in another way"
    };
    let fault =
        PhraseFault::new(0..phrase.len(), message).expected("latitude with N or S, comma, longitude with E or W");
    Some(fault.nearest(Some(meant.to_string())))
}

/// Half of a position.
#[derive(Clone, Copy, Debug)]
struct Coordinate {
    /// Never negative.
    degrees: f64,
    minus: bool,
    letter: Option<char>,
}

impl Coordinate {
    fn signed(self) -> f64 {
        if self.minus { -self.degrees } else { self.degrees }
    }
}

/// Degrees, and minutes and seconds where they are given, with a letter or a sign.
fn coordinate(text: &str) -> Option<Coordinate> {
    let text = text.trim();
    if text.contains(',') {
        return None;
    }
    let letters: Vec<char> = text.chars().filter(|c| c.is_alphabetic()).map(|c| c.to_ascii_uppercase()).collect();
    let letter = match letters[..] {
        [] => None,
        [letter] if "NSEW".contains(letter) => Some(letter),
        _ => return None,
    };
    let numbers: Vec<f64> = text
        .split(|c: char| !c.is_ascii_digit() && c != '.')
        .filter(|part| !part.is_empty())
        .map(super::phrase::number)
        .collect::<Option<_>>()?;
    let degrees = match numbers[..] {
        [degrees] => degrees,
        [degrees, ..] if degrees.fract() != 0.0 => return None,
        [degrees, minutes] if minutes < 60.0 => degrees + minutes / 60.0,
        [degrees, minutes, seconds] if minutes < 60.0 && seconds < 60.0 => degrees + minutes / 60.0 + seconds / 3600.0,
        _ => return None,
    };
    let minus = text.starts_with('-');
    (!minus || letter.is_none()).then_some(Coordinate { degrees, minus, letter })
}

/// What is wrong with a line that is no TOML, where a certain slip explains it; bytes are those of the text.
pub(super) fn in_toml(text: &str, line: Range<usize>, tables: &[&str]) -> Option<PhraseFault> {
    let written = &text[line.clone()];
    let moved =
        |fault: PhraseFault| PhraseFault { at: line.start + fault.at.start..line.start + fault.at.end, ..fault };
    curly(written)
        .or_else(|| payload(written))
        .or_else(|| blank_in_header(written))
        .or_else(|| headless(written, tables))
        .map(moved)
}

const CURLY: [char; 6] = ['“', '”', '„', '‘', '’', '‚'];

/// Quotes as text programs make them.
fn curly(line: &str) -> Option<PhraseFault> {
    let mut at = 0;
    while at < line.len() {
        let left = &line[at..];
        let c = left.chars().next()?;
        match c {
            '#' => return None,
            '"' | '\'' => {
                let end = at + super::syntax::string(left);
                let inside = &line[at..end];
                let closed = inside.len() > 1 && inside.ends_with(c);
                if let (false, Some(found)) = (closed, inside.find(CURLY)) {
                    let curly = inside[found..].chars().next()?;
                    let at = at + found..at + found + curly.len_utf8();
                    let message = format!("{} is a curly quote and closes nothing", quoted(&curly.to_string()));
                    return Some(PhraseFault::new(at, message).expected(c));
                }
                at = end.max(at + 1);
            }
            c if CURLY.contains(&c) => {
                let inside = &left[c.len_utf8()..];
                let end = inside.find(CURLY).or_else(|| inside.find([',', '}', ']', '"'])).unwrap_or(inside.len());
                let close = inside[end..].chars().next().filter(|c| CURLY.contains(c)).map_or(0, char::len_utf8);
                let meant = inside[..end].trim_end();
                let whole = at..at + c.len_utf8() + if close > 0 { end + close } else { meant.len() };
                let message = format!("{} stands in curly quotes", quoted(meant));
                return Some(PhraseFault::new(whole, message).expected(format!("straight quotes: \"{meant}\"")));
            }
            c => at += c.len_utf8(),
        }
    }
    None
}

/// JSON without quotes around it, or in the same quotes that it has within.
fn payload(line: &str) -> Option<PhraseFault> {
    let starts = line.match_indices("{\"").map(|(at, _)| at);
    for start in starts {
        let mut values = serde_json::Deserializer::from_str(&line[start..]).into_iter::<Value>();
        let Some(Ok(Value::Object(fields))) = values.next() else { continue };
        let end = start + values.byte_offset();
        if fields.is_empty() {
            continue;
        }
        let json = &line[start..end];
        let quotes = if json.contains('\'') { "\'\'\'" } else { "\'" };
        let expected = format!("{quotes}{json}{quotes}");
        let before = line[..start].trim_end();
        if before.ends_with('=') {
            let message = "a payload of JSON is text and belongs in quotes";
            return Some(PhraseFault::new(start..end, message).expected(expected));
        }
        if before.ends_with('"') && line[end..].starts_with('"') && before.len() == start {
            let message = "the quotes within the payload end the text";
            return Some(PhraseFault::new(start - 1..end + 1, message).expected(expected));
        }
    }
    None
}

/// `[channel.Jetty Lamp]`
fn blank_in_header(line: &str) -> Option<PhraseFault> {
    let begin = line.len() - line.trim_start().len();
    let (header, _) = line[begin..].split_once(']')?;
    let (table, name) = header.strip_prefix('[')?.split_once('.')?;
    let name = name.trim();
    if !["channel", "plug_kind"].contains(&table.trim()) || name.contains(['"', '\'']) || !name.contains(' ') {
        return None;
    }
    let plain = |c: char| if c.is_ascii_alphanumeric() || c == '-' { c.to_ascii_lowercase() } else { '-' };
    let meant: String = name.chars().map(plain).collect();
    let message = format!("a blank in the name {}", quoted(name));
    let fault = PhraseFault::new(begin..begin + header.len() + 1, message);
    Some(fault.expected(format!("a name without blanks, and the words for people under `label`: [{table}.{meant}]")))
}

/// `channel.jetty]`
fn headless(line: &str, tables: &[&str]) -> Option<PhraseFault> {
    let name = line.split('#').next()?.trim();
    let known = name.split(['.', ']']).next().is_some_and(|table| tables.contains(&table));
    let begin = line.len() - line.trim_start().len();
    (known && beheaded(name)).then(|| {
        let fault = PhraseFault::new(begin..begin + name.len(), "the header has lost its `[`");
        fault.expected(format!("[{name}"))
    })
}

/// Whether a line may be a header without its first bracket.
pub(super) fn beheaded(line: &str) -> bool {
    let line = line.split('#').next().unwrap_or_default().trim();
    line.len() > 1 && line.ends_with(']') && !line.contains(['[', '=', '"', '\'', '{', '}', ','])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn clock_times_in_other_notations_are_known() {
        let cases = [
            ("noon", None, Some((1, "12:00"))),
            ("11pm", None, Some((1, "23:00"))),
            ("11PM", Some(","), Some((1, "23:00"))),
            ("6", Some("am"), Some((2, "06:00"))),
            ("11:30", Some("p.m."), Some((2, "23:30"))),
            ("12am", None, Some((1, "00:00"))),
            ("12pm", None, Some((1, "12:00"))),
            ("23.00", None, Some((1, "23:00"))),
            ("6.15", None, Some((1, "06:15"))),
            ("2300", None, Some((1, "23:00"))),
            ("22", None, Some((1, "22:00"))),
            ("13pm", None, None),
            ("22:45", None, None),
            ("7:15", None, None),
            ("20", Some("min"), None),
            ("20min", None, None),
            ("1.5", Some("h"), None),
            ("99", None, None),
            ("2565", None, None),
            ("sunset", None, None),
            ("", None, None),
        ];
        for (first, second, expected) in cases {
            let found = clock_time(first, second).map(|(words, time)| (words, time.format("%H:%M").to_string()));
            assert_eq!(found, expected.map(|(words, time)| (words, time.to_owned())), "{first} {second:?}");
        }
    }

    #[test]
    fn positions_in_other_notations_are_known() {
        let cases = [
            ("59.7412, 5.2097", Some("59.7412 N, 5.2097 E")),
            ("-54.8,-68.3", Some("54.8 S, 68.3 W")),
            ("5.2097 E, 59.7412 N", Some("59.7412 N, 5.2097 E")),
            ("N 59.7412, W 5.2097", Some("59.7412 N, 5.2097 W")),
            ("59.7412N, 5.2097E", Some("59.7412 N, 5.2097 E")),
            ("59,7412 N, 5,2097 E", Some("59.7412 N, 5.2097 E")),
            ("59°44'28.3\"N, 5°12'34.9\"E", Some("59.74119 N, 5.20969 E")),
            ("59 N, 5 E, 3", None),
            ("159.7, 5.2", None),
            ("-59.7 N, 5.2 E", None),
            ("north", None),
            ("", None),
            (",", None),
        ];
        for (written, expected) in cases {
            assert_eq!(position(written).and_then(|fault| fault.nearest).as_deref(), expected, "{written}");
        }
    }
}
