//! Moments as people write them: `20 min before sunset, not before 16:00` ⇄ [`Moment`].

use std::fmt;
use std::sync::Arc;

use chrono::{NaiveTime, TimeDelta, Timelike};
use winnow::combinator::{alt, opt, preceded, repeat};
use winnow::error::ParserError;
use winnow::prelude::*;
use winnow::token::any;

use super::{Altitude, Base, Clamp, ClampSide, ClockTime, Half, Mark, Moment, NamedTime};
use crate::pure::config::phrase::{Read, Wanted, Word, Words, must, read, refuse, refuse_back, stands, the, word};
use crate::pure::config::phrases::{degrees, duration, duration_words, parse_duration};
use crate::pure::config::slips::{clock_time, signed_offset};
use crate::pure::config::{PhraseFault, quoted};

/// Every word with a meaning in a moment: none of them can be a name of `[times]`. `cancelled` has its own in an
/// override's `until`.
pub const WORDS: [&str; 20] = [
    "sunset",
    "sunrise",
    "dusk",
    "dawn",
    "nautical",
    "astronomical",
    "solar",
    "noon",
    "midnight",
    "evening",
    "morning",
    "sun",
    "at",
    "before",
    "after",
    "not",
    "h",
    "min",
    "s",
    "deg",
];

/// First words of marks, and whole ones, to be near to.
const MARKS: [&str; 12] = [
    "sunset",
    "sunrise",
    "dusk",
    "dawn",
    "nautical dusk",
    "nautical dawn",
    "astronomical dusk",
    "astronomical dawn",
    "solar noon",
    "solar midnight",
    "evening sun",
    "morning sun",
];
const A_MARK: &str = "sunset, sunrise, dusk, dawn, …";
const A_CLOCK_TIME: &str = "a clock time such as 22:45";
/// The furthest that an offset reaches; common practice, no source.
const FURTHEST: TimeDelta = TimeDelta::hours(24);

/// Reads a moment; `names` are those of `[times]`.
pub fn parse_moment(phrase: &str, names: &[Arc<NamedTime>]) -> Result<Moment, PhraseFault> {
    read(phrase, |words| moment(words, names))
}

/// Reads a clock time alone: `22:45` or `midnight`.
pub(crate) fn parse_clock(phrase: &str) -> Result<NaiveTime, PhraseFault> {
    read(phrase, |words| {
        let wanted =
            || Wanted::what("a clock time", "a clock time from 00:00 to 23:59, or midnight").near(["midnight"]);
        must(plain_clock, wanted).parse_next(words)
    })
}

fn moment(words: &mut Words<'_>, names: &[Arc<NamedTime>]) -> Read<Moment> {
    let base = base(words, names)?;
    let clamps = repeat(0.., preceded(the(","), |words: &mut Words<'_>| clamp(words, names))).parse_next(words)?;
    if let Some(extra) = words.first() {
        let wanted = Wanted::what("", "nothing more, or a comma and `not before` or `not after`");
        let message = match extra.text {
            "not" => "a comma is missing before `not`".to_owned(),
            other => format!("{} does not belong here", quoted(other)),
        };
        return refuse_back(words, 0, wanted.instead(message));
    }
    Ok(Moment { base, clamps })
}

fn base(words: &mut Words<'_>, names: &[Arc<NamedTime>]) -> Read<Base> {
    let wanted = || {
        let near = names.iter().map(|named| named.name.as_str()).chain(MARKS).chain(["midnight"]);
        Wanted::what("a mark", &format!("{A_MARK}, {A_CLOCK_TIME}, or a name from [times]")).near(near)
    };
    must(
        alt((
            slip,
            signed,
            |words: &mut Words<'_>| shifted(words, names),
            sun.map(|mark| Base::Sun { mark, offset: TimeDelta::zero() }),
            (|words: &mut Words<'_>| clock(words, names)).map(Base::Clock),
        )),
        wanted,
    )
    .parse_next(words)
}

/// `20 min before sunset`
fn shifted(words: &mut Words<'_>, names: &[Arc<NamedTime>]) -> Read<Base> {
    let before = words.len();
    let shift = duration(words)?;
    if shift > FURTHEST {
        let wanted = Wanted::what("", "at most 24 h").instead("an offset of more than 24 h");
        return refuse_back(words, before - words.len(), wanted);
    }
    let later = must(alt((stands("before", false), stands("after", true))), || Wanted::one_of(&["before", "after"]))
        .parse_next(words)?;
    if opt(|words: &mut Words<'_>| clock(words, names)).parse_next(words)?.is_some() {
        let wanted =
            Wanted::what("", A_MARK).instead("a clock time takes no `before` or `after`: write the time itself");
        return refuse(words, wanted);
    }
    let mark = must(sun, || Wanted::what("a mark of the Sun", A_MARK).near(MARKS)).parse_next(words)?;
    Ok(Base::Sun { mark, offset: if later { shift } else { -shift } })
}

fn sun(words: &mut Words<'_>) -> Read<Mark> {
    let passing = |half, altitude| Mark::Passing { half, altitude };
    let twilight = |altitude| {
        let half = alt((stands("dusk", Half::Evening), stands("dawn", Half::Morning)));
        must(half, || Wanted::one_of(&["dusk", "dawn"])).map(move |half| passing(half, altitude))
    };
    let turn = alt((stands("noon", Mark::SolarNoon), stands("midnight", Mark::SolarMidnight)));
    let given = |half| {
        let sun_at = (must(the("sun"), || Wanted::one_of(&["sun"])), must(the("at"), || Wanted::one_of(&["at"])));
        preceded(sun_at, degrees).map(move |degrees| passing(half, Altitude::Degrees(degrees)))
    };
    alt((
        stands("sunset", passing(Half::Evening, Altitude::Horizon)),
        stands("sunrise", passing(Half::Morning, Altitude::Horizon)),
        stands("dusk", passing(Half::Evening, Altitude::Civil)),
        stands("dawn", passing(Half::Morning, Altitude::Civil)),
        preceded(the("nautical"), twilight(Altitude::Nautical)),
        preceded(the("astronomical"), twilight(Altitude::Astronomical)),
        preceded(the("solar"), must(turn, || Wanted::one_of(&["noon", "midnight"]))),
        preceded(the("evening"), given(Half::Evening)),
        preceded(the("morning"), given(Half::Morning)),
    ))
    .parse_next(words)
}

fn clamp(words: &mut Words<'_>, names: &[Arc<NamedTime>]) -> Read<Clamp> {
    must(the("not"), || Wanted::what("`not before` or `not after`", "not before or not after").near(["not"]))
        .parse_next(words)?;
    let side = alt((stands("before", ClampSide::NotBefore), stands("after", ClampSide::NotAfter)));
    let side = must(side, || Wanted::one_of(&["before", "after"])).parse_next(words)?;
    let wanted = || {
        let near = names.iter().map(|named| named.name.as_str()).chain(["midnight"]);
        Wanted::what("a clock time", "a clock time such as 16:00, midnight or a name from [times]").near(near)
    };
    let clock = must(|words: &mut Words<'_>| clock(words, names), wanted).parse_next(words)?;
    Ok(Clamp { side, clock })
}

fn clock(words: &mut Words<'_>, names: &[Arc<NamedTime>]) -> Read<ClockTime> {
    let named = word(|word| names.iter().find(|named| named.name == word).map(Arc::clone));
    alt((plain_clock.map(ClockTime::At), named.map(ClockTime::Named))).parse_next(words)
}

/// Refuses a clock time in another notation, and says which it is in ours.
fn slip<T>(words: &mut Words<'_>) -> Read<T> {
    let text = |at: usize| words.get(at).map(|word: &Word<'_>| word.text);
    let found = text(0).and_then(|first| clock_time(first, text(1)));
    let Some((count, time)) = found else { return Err(ParserError::from_input(words)) };
    let written: Vec<&str> = words.iter().take(count).map(|word| word.text).collect();
    let message = format!("{} is not how a clock time is written", quoted(&written.join(" ")));
    let wanted = Wanted::what("", "hours, a colon and minutes, two digits each, from 00:00 to 23:59");
    for _ in 0..count {
        let _: &Word<'_> = any.parse_next(words)?;
    }
    refuse_back(words, count, wanted.instead(message).nearest(clock_words(time)))
}

/// Refuses an offset with a sign behind its mark, and says what it is in ours.
fn signed<T>(words: &mut Words<'_>) -> Read<T> {
    let written = || words.iter().map_while(|word: &Word<'_>| Some(word.text).filter(|text| *text != ","));
    let found = || {
        written().find(|text| text.contains(['+', '-', '−']))?;
        let written = written().collect::<Vec<_>>().join(" ");
        let (mark, shift, later) = signed_offset(&written)?;
        let (mark, shift) = (read(mark, sun).ok()?, parse_duration(&shift).ok()?);
        let base = Base::Sun { mark, offset: if later { shift } else { -shift } };
        (shift <= FURTHEST).then(|| (written, Moment { base, clamps: Vec::new() }))
    };
    let Some((written, meant)) = found() else { return Err(ParserError::from_input(words)) };
    let count = written.split(' ').count();
    for _ in 0..count {
        let _: &Word<'_> = any.parse_next(words)?;
    }
    let message = format!("{} is not how an offset is written", quoted(&written));
    let wanted = Wanted::what("", "the time first, then before or after, then the mark");
    refuse_back(words, count, wanted.instead(message).nearest(meant.to_string()))
}

/// `22:45` or `midnight`. What only looks like a clock time is refused here.
fn plain_clock(words: &mut Words<'_>) -> Read<NaiveTime> {
    let like = word(|word| match word {
        "midnight" => Some(Ok(NaiveTime::MIN)),
        word if word.contains(':') && word.starts_with(|c: char| c.is_ascii_digit()) => Some(hours_minutes(word)),
        _ => None,
    });
    match alt((slip, like)).parse_next(words)? {
        Ok(time) => Ok(time),
        Err(wanted) => refuse(words, wanted),
    }
}

fn hours_minutes(word: &str) -> Result<NaiveTime, Wanted> {
    let number = |text: &str| text.bytes().all(|b| b.is_ascii_digit()).then(|| text.parse::<u32>().ok()).flatten();
    let parts = word.split_once(':').and_then(|(hour, minute)| Some((number(hour)?, number(minute)?)));
    let wanted = Wanted::what("a clock time", "two digits each, from 00:00 to 23:59");
    match parts {
        Some((24, 0)) => Err(wanted.nearest("midnight")),
        Some((hour, minute)) => match NaiveTime::from_hms_opt(hour, minute, 0) {
            Some(time) if word.len() == 5 && word.as_bytes()[2] == b':' => Ok(time),
            Some(time) => Err(wanted.nearest(clock_words(time))),
            None => Err(wanted),
        },
        None => Err(wanted),
    }
}

/// `22:45`; seconds are never written.
pub fn clock_words(time: NaiveTime) -> String {
    format!("{:02}:{:02}", time.hour(), time.minute())
}

impl fmt::Display for Moment {
    /// In normal form, which reads back as the same moment.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.base {
            Base::Clock(clock) => clock.fmt(f)?,
            Base::Sun { mark, offset } if offset.is_zero() => mark.fmt(f)?,
            Base::Sun { mark, offset } => {
                let side = if *offset < TimeDelta::zero() { "before" } else { "after" };
                write!(f, "{} {side} {mark}", duration_words(offset.abs()))?;
            }
        }
        for clamp in &self.clamps {
            write!(f, ", {clamp}")?;
        }
        Ok(())
    }
}

impl fmt::Display for Mark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (half, altitude) = match *self {
            Mark::SolarNoon => return f.write_str("solar noon"),
            Mark::SolarMidnight => return f.write_str("solar midnight"),
            Mark::Passing { half, altitude } => (half, altitude),
        };
        let (edge, twilight) = match half {
            Half::Evening => ("sunset", "dusk"),
            Half::Morning => ("sunrise", "dawn"),
        };
        match altitude {
            Altitude::Horizon => f.write_str(edge),
            Altitude::Civil => f.write_str(twilight),
            Altitude::Nautical => write!(f, "nautical {twilight}"),
            Altitude::Astronomical => write!(f, "astronomical {twilight}"),
            Altitude::Degrees(degrees) => write!(f, "{half} sun at {degrees} deg"),
        }
    }
}

impl fmt::Display for Half {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Half::Evening => "evening",
            Half::Morning => "morning",
        })
    }
}

impl fmt::Display for ClockTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            ClockTime::At(NaiveTime::MIN) => f.write_str("midnight"),
            ClockTime::At(time) => f.write_str(&clock_words(*time)),
            ClockTime::Named(named) => f.write_str(&named.name),
        }
    }
}

impl fmt::Display for Clamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let side = match self.side {
            ClampSide::NotBefore => "not before",
            ClampSide::NotAfter => "not after",
        };
        write!(f, "{side} {}", self.clock)
    }
}
