//! Whatever stands in a file: no panic, and no fault without its place. `LAMPWARD_CASES` sets how many files are tried.

use std::sync::Arc;

use chrono::{NaiveTime, TimeDelta};
use lampward::pure::config::{parse_duration, parse_moment, parse_position, parse_zone, read};
use lampward::pure::moment::{Altitude, Base, Clamp, ClampSide, ClockTime, Half, Mark, Moment, NamedTime};
use proptest::prelude::*;
use proptest::sample::{Index, select};

const GOOD: [&str; 2] = [include_str!("design.toml"), include_str!("../../config/lampward.toml")];

/// Pieces that a slip of hand or memory could leave in a file.
const PIECES: [&str; 44] = [
    "\"",
    "'",
    "\"\"\"",
    "[",
    "]",
    "{",
    "}",
    "[[",
    "]]",
    "=",
    ",",
    "#",
    "\n",
    "\r",
    "\t",
    "\\",
    "\\u00e5",
    ".",
    "0",
    "-",
    "1e400",
    "9999999999999999999",
    "inf",
    "true",
    "2026-02-30",
    "sunset",
    "not before",
    "20 min before",
    "noon",
    "deg",
    "24:00",
    "{plug}",
    "+",
    "$",
    "\0",
    "木",
    "\u{202e}",
    "ß",
    "[place]",
    "[times]",
    "lit = [",
    "kind = ",
    "plug = \"yard/3\"",
    "29 Feb",
];

fn config() -> ProptestConfig {
    let cases = std::env::var("LAMPWARD_CASES").ok().and_then(|cases| cases.parse().ok()).unwrap_or(300);
    ProptestConfig { cases, failure_persistence: None, ..ProptestConfig::default() }
}

/// Reads any bytes; what is found has its place in them.
fn check(bytes: &[u8]) -> Result<(), TestCaseError> {
    let faults = match read("any.toml", bytes) {
        Ok(checked) => checked.warnings,
        Err(faults) => {
            prop_assert!(!faults.0.is_empty(), "refused without a fault");
            prop_assert!(!faults.to_string().is_empty());
            faults.0
        }
    };
    let text = String::from_utf8_lossy(bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes)).into_owned();
    let lines: Vec<&str> = if text.is_empty() { vec![""] } else { text.split('\n').collect() };
    for fault in &faults {
        prop_assert!((1..=lines.len()).contains(&fault.line), "{fault}");
        let line = lines[fault.line - 1].trim_end_matches('\r');
        prop_assert_eq!(&fault.source_line, line);
        let length = line.chars().count();
        prop_assert!(fault.column >= 1 && fault.column <= length + 1, "{}", fault);
        prop_assert!(fault.underline_len >= 1 && fault.column - 1 + fault.underline_len <= length.max(fault.column));
        prop_assert!(!fault.message.is_empty());
    }
    let places: Vec<_> = faults.iter().map(|fault| (fault.line, fault.column)).collect();
    prop_assert!(places.is_sorted(), "not in the order of the file");
    Ok(())
}

/// One slip: a piece put in, cut out, doubled or moved.
#[derive(Clone, Debug)]
enum Slip {
    Put(Index, &'static str),
    Byte(Index, u8),
    Cut(Index, usize),
    Double(Index, usize),
    Move(Index, Index, usize),
}

fn slip() -> impl Strategy<Value = Slip> {
    let at = any::<Index>;
    prop_oneof![
        (at(), select(&PIECES[..])).prop_map(|(at, piece)| Slip::Put(at, piece)),
        (at(), any::<u8>()).prop_map(|(at, byte)| Slip::Byte(at, byte)),
        (at(), 1..40_usize).prop_map(|(at, length)| Slip::Cut(at, length)),
        (at(), 1..200_usize).prop_map(|(at, length)| Slip::Double(at, length)),
        (at(), at(), 1..60_usize).prop_map(|(from, to, length)| Slip::Move(from, to, length)),
    ]
}

fn slips(file: &str, slips: &[Slip]) -> Vec<u8> {
    let mut bytes = file.as_bytes().to_vec();
    for slip in slips {
        let length = bytes.len().max(1);
        let piece = |at: usize, long: usize| at.min(bytes.len())..(at + long).min(bytes.len());
        match slip {
            Slip::Put(at, piece) => {
                let at = at.index(length).min(bytes.len());
                bytes.splice(at..at, piece.bytes());
            }
            Slip::Byte(at, byte) => {
                if let Some(place) = bytes.get_mut(at.index(length)) {
                    *place = *byte;
                }
            }
            Slip::Cut(at, long) => {
                bytes.drain(piece(at.index(length), *long));
            }
            Slip::Double(at, long) => {
                let piece = piece(at.index(length), *long);
                let copy = bytes[piece.clone()].to_vec();
                bytes.splice(piece.end..piece.end, copy);
            }
            Slip::Move(from, to, long) => {
                let cut: Vec<u8> = bytes.drain(piece(from.index(length), *long)).collect();
                let to = to.index(length).min(bytes.len());
                bytes.splice(to..to, cut);
            }
        }
    }
    bytes
}

fn names() -> Vec<Arc<NamedTime>> {
    let named = |name: &str| Arc::new(NamedTime { name: name.to_owned(), by_weekday: [NaiveTime::MIN; 7] });
    vec![named("bedtime"), named("rising")]
}

fn clock() -> impl Strategy<Value = ClockTime> {
    let at =
        (0..24_u32, 0..60_u32).prop_map(|(h, m)| ClockTime::At(NaiveTime::from_hms_opt(h, m, 0).expect("in range")));
    prop_oneof![at, select(names()).prop_map(ClockTime::Named)]
}

fn mark() -> impl Strategy<Value = Mark> {
    let half = select(vec![Half::Evening, Half::Morning]);
    let altitude = prop_oneof![
        select(vec![Altitude::Horizon, Altitude::Civil, Altitude::Nautical, Altitude::Astronomical]),
        (-90_000_i32..=90_000).prop_map(|milli| Altitude::Degrees(f64::from(milli) / 1000.0)),
    ];
    prop_oneof![
        select(vec![Mark::SolarNoon, Mark::SolarMidnight]),
        (half, altitude).prop_map(|(half, altitude)| Mark::Passing { half, altitude }),
    ]
}

fn moment() -> impl Strategy<Value = Moment> {
    let sun = (mark(), -86_400_i64..=86_400).prop_map(|(mark, s)| Base::Sun { mark, offset: TimeDelta::seconds(s) });
    let base = prop_oneof![sun, clock().prop_map(Base::Clock)];
    let side = select(vec![ClampSide::NotBefore, ClampSide::NotAfter]);
    let clamp = (side, clock()).prop_map(|(side, clock)| Clamp { side, clock });
    (base, prop::collection::vec(clamp, 0..4)).prop_map(|(base, clamps)| Moment { base, clamps })
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn any_bytes_are_read_without_panic_and_every_fault_has_its_place(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        check(&bytes)?;
    }

    #[test]
    fn any_text_is_read_without_panic_and_every_fault_has_its_place(
        pieces in prop::collection::vec(prop_oneof![select(&PIECES[..]).prop_map(str::to_owned), "\\PC{0,8}", "[a-z_ ]{1,9}"], 0..60),
    ) {
        check(pieces.concat().as_bytes())?;
    }

    #[test]
    fn a_good_file_with_slips_is_read_without_panic_and_every_fault_has_its_place(
        file in select(&GOOD[..]),
        made in prop::collection::vec(slip(), 1..8),
    ) {
        check(&slips(file, &made))?;
    }

    #[test]
    fn a_moment_printed_and_read_again_is_the_same_moment(moment in moment()) {
        let printed = moment.to_string();
        let again = parse_moment(&printed, &names());
        prop_assert_eq!(again.as_ref(), Ok(&moment), "{}", printed);
        prop_assert_eq!(again.map(|moment| moment.to_string()), Ok(printed));
    }

    #[test]
    fn any_phrase_is_read_without_panic_and_every_fault_lies_within_it(
        phrase in prop_oneof![
            "\\PC{0,30}".boxed(),
            prop::collection::vec(
                prop_oneof![select(&PIECES[..]).prop_map(str::to_owned), "[0-9]{1,12}|min|h|s|N|E|deg|dusk|to|Dec|,| "], 0..12,
            ).prop_map(|words| words.join(" ")).boxed(),
        ],
    ) {
        let faults = [
            parse_moment(&phrase, &names()).err(),
            parse_duration(&phrase).err(),
            parse_position(&phrase).err(),
            parse_zone(&phrase).err(),
        ];
        for fault in faults.into_iter().flatten() {
            prop_assert!(phrase.get(fault.at.clone()).is_some(), "{:?} in {:?}", fault, phrase);
            prop_assert!(!fault.to_string().is_empty());
        }
    }
}
