//! The whole file: from bytes to a checked configuration, or to every fault in it.

use toml::de::DeTable;

use super::Config;
use super::channels::{Known, absence, channels};
use super::fault::{Fault, Faults, PhraseFault};
use super::place::{place, shifts, times};
use super::plugs::kinds;
use super::reader::{MOST_FAULTS, Reader, Table, open};
use super::service::{broker, clock, daybook_years, web};
use super::spots::Spots;
use super::syntax::{heal, hopeless_from};

/// The tables of a file.
const TABLES: [&str; 10] =
    ["place", "times", "sun", "broker", "web", "clock", "daybook", "plug_kind", "channel", "absence"];
/// Some editors put it before text in UTF-8; it means nothing there.
const BYTE_ORDER_MARK: &[u8] = b"\xef\xbb\xbf";

/// A file without fault, and what a person should look at all the same.
#[derive(Clone, Debug, PartialEq)]
pub struct Checked {
    /// What the file says.
    pub config: Config,
    /// In the order of the file.
    pub warnings: Vec<Fault>,
    /// Where it says it.
    pub spots: Spots,
}

/// Reads a file strictly.
///
/// # Errors
/// Every fault of the file, in its order, each with line and column.
pub fn read(file_name: &str, text: &[u8]) -> Result<Checked, Faults> {
    if is_utf16(text) {
        let mut reader = Reader::new(file_name, "");
        let fault = PhraseFault::new(0..0, "this is text in UTF-16").expected("a file saved as UTF-8");
        reader.syntax(fault, false);
        return Err(Faults(reader.finish().0));
    }
    let (mut text, foreign) = utf8(text.strip_prefix(BYTE_ORDER_MARK).unwrap_or(text));
    let hopeless = hopeless_from(&text, MOST_FAULTS).or((foreign.len() >= MOST_FAULTS).then_some(text.len()));
    text.truncate(hopeless.unwrap_or(text.len()));
    let mut reader = Reader::new(file_name, &text);
    if hopeless.is_some() {
        let message = format!("there are more than {MOST_FAULTS} faults from here on: what follows was not read");
        reader.syntax(PhraseFault::new(0..0, message).expected("a file of lampward's"), false);
    }
    for at in foreign {
        let fault = PhraseFault::new(at..at + char::REPLACEMENT_CHARACTER.len_utf8(), "this is not text in UTF-8");
        reader.syntax(fault.expected("a file saved as UTF-8"), true);
    }
    let healed = heal(&text, &TABLES);
    for (fault, breaks_line) in healed.faults {
        reader.syntax(fault, breaks_line);
    }
    if hopeless.is_some() {
        return Err(Faults(reader.finish().0));
    }
    reader.lost(healed.lost);
    let root = DeTable::parse_recoverable(&healed.sound).0;
    let root = open("this file", 0..0, root.get_ref());
    let config = config(&mut reader, &root);
    let (position, rules) = (reader.position_at.clone(), std::mem::take(&mut reader.rules_at));
    let (faults, warnings) = reader.finish();
    match config {
        Some(config) if faults.is_empty() => {
            Ok(Checked { config, warnings, spots: Spots { file: file_name.to_owned(), text, position, rules } })
        }
        _ => Err(Faults(faults)),
    }
}

/// Whether some editor saved it so: with its byte order mark, or with every other byte zero, as in whatever begins in ASCII.
fn is_utf16(bytes: &[u8]) -> bool {
    matches!(bytes, [0xff, 0xfe, ..] | [0xfe, 0xff, ..] | [1..=255, 0, 1..=255, 0, ..] | [0, 1..=255, 0, 1..=255, ..])
}

/// The text, with every run of bytes that is no UTF-8 replaced by one character, and where those are. It ends where
/// there are too many of them.
fn utf8(bytes: &[u8]) -> (String, Vec<usize>) {
    let mut text = String::with_capacity(bytes.len());
    let mut foreign = Vec::new();
    for chunk in bytes.utf8_chunks() {
        text.push_str(chunk.valid());
        if !chunk.invalid().is_empty() {
            if foreign.len() >= MOST_FAULTS {
                break;
            }
            foreign.push(text.len());
            text.push(char::REPLACEMENT_CHARACTER);
        }
    }
    (text, foreign)
}

fn config<'t>(reader: &mut Reader<'t>, root: &Table<'_, 't>) -> Option<Config> {
    reader.only(root, &TABLES);
    let place = place(reader, root);
    let times = times(reader, root);
    let shifts = shifts(reader, root);
    let broker = broker(reader, root);
    let web = web(reader, root);
    let clock = clock(reader, root);
    let daybook_years = daybook_years(reader, root);
    let kinds = kinds(reader, root);
    let known = Known { names: &times, kinds: &kinds, place: place.as_ref() };
    let channels = channels(reader, root, &known);
    let absence = absence(reader, root);
    Some(Config {
        place: place?,
        times,
        shifts: shifts?,
        broker: broker?,
        web: web?,
        clock: clock?,
        daybook_years: daybook_years?,
        channels,
        absence: absence?,
    })
}
