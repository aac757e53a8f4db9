//! Strict reading of TOML tables: every key is known, every value of its type, every fault has its place.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::fault::{Fault, PhraseFault, nearest, quoted};
use super::slips::beheaded;
use super::spots::RuleSpots;

/// A value and its bytes in the file.
pub(super) type Value<'t> = Spanned<DeValue<'t>>;

/// Bytes of lines that are shown with all faults together. Every fault of a file that a person wrote is shown; a fault has
/// its whole line with it, and one endless line with many faults would fill the memory.
pub(super) const MOST_SHOWN: usize = 16 * 1024 * 1024;

/// So many faults are gathered; a file with more is none that a person wrote, and nothing more of it is looked at.
pub(super) const MOST_FAULTS: usize = 2_000;

/// Gathers faults and warnings while a file is read.
pub(super) struct Reader<'t> {
    file: &'t str,
    text: &'t str,
    faults: Vec<PhraseFault>,
    warnings: Vec<PhraseFault>,
    /// Lines that are no TOML (counted from 0): what is read from them is guesswork.
    broken: Vec<usize>,
    lost: Vec<Range<usize>>,
    line_starts: Vec<usize>,
    /// Where things stand that later warnings are about.
    pub position_at: Range<usize>,
    pub rules_at: Vec<RuleSpots>,
}

/// One key of a table and what it stands for.
#[derive(Clone, Copy)]
pub(super) struct Entry<'a, 't> {
    pub key: &'a str,
    pub value: &'a Value<'t>,
    key_start: usize,
    key_end: usize,
}

impl<'a, 't> Entry<'a, 't> {
    /// The bytes of the key.
    pub fn key_at(&self) -> Range<usize> {
        self.key_start..self.key_end
    }

    /// The bytes of the value.
    pub fn at(&self) -> Range<usize> {
        self.value.span()
    }

    /// The same key with one element of its list.
    pub fn element(&self, value: &'a Value<'t>) -> Entry<'a, 't> {
        Entry { value, ..*self }
    }
}

/// A table whose keys are known.
pub(super) struct Table<'a, 't> {
    /// As a person calls it: `[place]`.
    pub name: String,
    /// Its header, or the inline table.
    pub at: Range<usize>,
    /// In the order of the file.
    pub entries: Vec<Entry<'a, 't>>,
}

impl<'a, 't> Table<'a, 't> {
    /// The entry of a key.
    pub fn get(&self, key: &str) -> Option<Entry<'a, 't>> {
        self.entries.iter().find(|entry| entry.key == key).copied()
    }
}

impl<'t> Reader<'t> {
    pub fn new(file: &'t str, text: &'t str) -> Reader<'t> {
        let line_starts = std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect();
        let (faults, warnings, broken, lost) = Default::default();
        Reader { file, text, faults, warnings, broken, lost, line_starts, position_at: 0..0, rules_at: Vec::new() }
    }

    /// A fault of the text itself. Where it breaks its line, nothing else is reported there.
    pub fn syntax(&mut self, fault: PhraseFault, breaks_line: bool) {
        let line = self.line_index(fault.at.start);
        if self.is_full() {
            return;
        }
        if breaks_line {
            if self.broken.contains(&line) {
                return;
            }
            self.broken.push(line);
        }
        self.faults.push(fault);
    }

    /// Bytes that could not be read at all.
    pub fn lost(&mut self, lost: Vec<Range<usize>>) {
        self.lost = lost;
    }

    /// Whether there are so many faults that looking for more helps nobody.
    pub fn is_full(&self) -> bool {
        self.faults.len() >= MOST_FAULTS
    }

    /// A fault of what the text says.
    pub fn refuse(&mut self, fault: PhraseFault) {
        if !self.is_full() && !self.broken.contains(&self.line_index(fault.at.start)) {
            self.faults.push(fault);
        }
    }

    /// Something that the tables of that name do not have; it may stand in what could not be read of them.
    pub fn refuse_unless_lost(&mut self, section: &str, fault: PhraseFault) {
        if self.lost_in(section).next().is_none() {
            self.refuse(fault);
        }
    }

    /// The first word of each line that could not be read in the tables of that name: most likely a key.
    pub fn lost_keys(&self, section: &str) -> Vec<String> {
        let lines = self.lost_in(section).flat_map(|lost| self.text[lost.clone()].lines());
        let key = |line: &str| {
            line.split(|c: char| c.is_whitespace() || c == '=').find(|word| !word.is_empty()).map(str::to_owned)
        };
        lines.filter_map(key).collect()
    }

    /// What could not be read in the tables of that name.
    fn lost_in(&self, section: &str) -> impl Iterator<Item = &Range<usize>> {
        self.lost.iter().filter(move |lost| {
            let before = self.text[..lost.start].rfind("\n[").map_or(0, |newline| newline + 1);
            [before, lost.start].iter().any(|&at| self.header(at).starts_with(section))
        })
    }

    /// What follows the brackets of a header, if one stands there.
    fn header(&self, at: usize) -> &str {
        let line = self.text[at..].trim_start();
        let beheaded = beheaded(line.lines().next().unwrap_or_default());
        line.strip_prefix('[').map_or(if beheaded { line } else { "" }, |name| name.trim_start_matches('['))
    }

    /// Something that a person should look at.
    pub fn warn(&mut self, warning: PhraseFault) {
        if self.warnings.len() < MOST_FAULTS {
            self.warnings.push(warning);
        }
    }

    /// Everything found, in the order of the file: faults, then warnings.
    pub fn finish(mut self) -> (Vec<Fault>, Vec<Fault>) {
        let (faults, warnings) = (std::mem::take(&mut self.faults), std::mem::take(&mut self.warnings));
        (self.in_order(faults), self.in_order(warnings))
    }

    fn in_order(&self, mut found: Vec<PhraseFault>) -> Vec<Fault> {
        found.sort_by_key(|found| (self.line_index(found.at.start), found.at.start));
        let mut room = MOST_SHOWN;
        let mut placed: Vec<Fault> = Vec::new();
        for found in &found {
            if room == 0 {
                break;
            }
            let fault = self.place(found);
            room = room.saturating_sub(fault.source_line.len());
            placed.push(fault);
        }
        placed.dedup();
        placed
    }

    /// The line of a byte, counted from 1.
    pub fn line(&self, at: usize) -> usize {
        self.line_index(at) + 1
    }

    fn line_index(&self, at: usize) -> usize {
        let at = at.min(self.text.trim_end_matches(['\n', '\r']).len());
        self.line_starts.partition_point(|start| *start <= at).max(1) - 1
    }

    /// A fault by its bytes in the file, with line and column.
    pub fn place(&self, found: &PhraseFault) -> Fault {
        let index = self.line_index(found.at.start);
        let start = self.line_starts[index];
        let end = self.line_starts.get(index + 1).map_or(self.text.len(), |next| next - 1);
        let line = self.text[start..end].trim_end_matches('\r');
        let first = floor(line, found.at.start.saturating_sub(start));
        let last = floor(line, found.at.end.saturating_sub(start)).max(first);
        Fault {
            file: self.file.to_owned(),
            line: index + 1,
            column: line[..first].chars().count() + 1,
            message: found.message.clone(),
            source_line: line.to_owned(),
            underline_len: line[first..last].chars().count().max(1),
            expected: found.expected.clone(),
            nearest: found.nearest.clone(),
        }
    }

    /// Reads a table with only these keys. `None`: it is something else, and that is reported.
    pub fn table<'a>(&mut self, name: &str, entry: &Entry<'a, 't>, keys: &[&str]) -> Option<Table<'a, 't>> {
        let table = self.names(name, entry)?;
        self.only(&table, keys);
        Some(table)
    }

    /// Reads a table whose keys are names that the person chose.
    pub fn names<'a>(&mut self, name: &str, entry: &Entry<'a, 't>) -> Option<Table<'a, 't>> {
        match entry.value.get_ref() {
            DeValue::Table(table) => Some(open(name, entry.at(), table)),
            _ => self.wrong(entry, "a table", &format!("a table: {}", name)),
        }
    }

    /// Refuses every key but these.
    pub fn only(&mut self, table: &Table<'_, 't>, keys: &[&str]) {
        for entry in &table.entries {
            if !keys.contains(&entry.key) {
                let at = self.inner(entry.key_at(), entry.key, 0..entry.key.len());
                let message = format!("{} is no key of {}", quoted(entry.key), table.name);
                let near = nearest(entry.key, keys.iter().copied());
                self.refuse(PhraseFault::new(at, message).expected(keys.join(", ")).nearest(near));
            }
        }
    }

    /// An entry that has to be there; `example` shows one.
    pub fn need<'a>(&mut self, table: &Table<'a, 't>, key: &str, example: &str) -> Option<Entry<'a, 't>> {
        let entry = table.get(key);
        if entry.is_none() {
            let message = format!("{} is missing in {}", quoted(key), table.name);
            let fault = PhraseFault::new(table.at.clone(), message).expected(example);
            if !self.lost_from(table) {
                self.refuse(fault);
            }
        }
        entry
    }

    /// Whether some of what stands under a table's header could not be read, or another header of it.
    fn lost_from(&self, table: &Table<'_, 't>) -> bool {
        let start = table.at.start;
        let end = self.text[start..].find("\n[").map_or(self.text.len(), |next| start + next);
        let name = table.name.trim_matches(['[', ']']);
        self.lost.iter().any(|lost| match self.header(lost.start) {
            "" => lost.start >= start && lost.start <= end,
            header => table.at.is_empty() || header.starts_with(name),
        })
    }

    /// The bytes between the quotes of a text.
    pub fn inside(&self, entry: &Entry<'_, 't>) -> Range<usize> {
        match entry.value.get_ref() {
            DeValue::String(text) => self.inner(entry.at(), text, 0..text.len()),
            _ => entry.at(),
        }
    }

    /// Text in quotes.
    pub fn text<'a>(&mut self, entry: &Entry<'a, 't>) -> Option<&'a str> {
        match entry.value.get_ref() {
            DeValue::String(text) => Some(text),
            DeValue::Datetime(_) => self.wrong(entry, "text", "text in quotes, dates and times too"),
            DeValue::Integer(_) | DeValue::Float(_) => {
                let written = self.text.get(entry.at()).unwrap_or_default();
                let expected = match entry.key {
                    "lead" | "lag" | "vary" | "at_least" | "every" => {
                        format!("text in quotes with its unit, such as \"{written} min\"")
                    }
                    "pace" => format!("text in quotes with its unit, such as \"{written} ms\""),
                    "horizon" => format!("text in quotes with its unit, such as \"{written} deg\""),
                    "listen" | "serve" => format!("address and port in quotes, such as \"127.0.0.1:{written}\""),
                    _ => format!("text in quotes: \"{written}\""),
                };
                self.wrong(entry, "text", &expected)
            }
            _ => self.wrong(entry, "text", "text in quotes"),
        }
    }

    /// Text that reads as something.
    pub fn phrase<T>(
        &mut self,
        entry: &Entry<'_, 't>,
        parse: impl FnOnce(&str) -> Result<T, PhraseFault>,
    ) -> Option<T> {
        let text = self.text(entry)?;
        if self.is_full() {
            return None;
        }
        parse(text).map_err(|fault| self.refuse_within(entry.at(), text, fault)).ok()
    }

    /// Like [`Reader::phrase`] where an entry may be left out. `None` only for a fault.
    pub fn phrase_or<T>(
        &mut self,
        entry: Option<Entry<'_, 't>>,
        default: T,
        parse: impl FnOnce(&str) -> Result<T, PhraseFault>,
    ) -> Option<T> {
        match entry {
            Some(entry) => self.phrase(&entry, parse),
            None => Some(default),
        }
    }

    /// True or false, `default` where it is left out.
    pub fn flag_or(&mut self, entry: Option<Entry<'_, 't>>, default: bool) -> Option<bool> {
        let Some(entry) = entry else { return Some(default) };
        match entry.value.get_ref() {
            DeValue::Boolean(flag) => Some(*flag),
            _ => self.wrong(&entry, "true or false", "true or false, without quotes"),
        }
    }

    /// A number.
    pub fn number(&mut self, entry: &Entry<'_, 't>) -> Option<f64> {
        let number = match entry.value.get_ref() {
            DeValue::Integer(_) => integer(entry.value.get_ref()).map(|n| n as f64),
            DeValue::Float(float) => float.as_str().parse().ok(),
            _ => return self.wrong(entry, "a number", "a number, without quotes"),
        };
        match number.filter(|number| number.is_finite()) {
            Some(number) => Some(number),
            None => self.refuse_value(entry, "is no number to reckon with", "a number of usual size"),
        }
    }

    /// A whole number within a range.
    pub fn whole(&mut self, entry: &Entry<'_, 't>, range: std::ops::RangeInclusive<i64>) -> Option<i64> {
        let expected = format!("{} to {}", range.start(), range.end());
        match entry.value.get_ref() {
            value @ DeValue::Integer(_) => match integer(value).filter(|number| range.contains(number)) {
                Some(number) => Some(number),
                None => self.refuse_value(entry, "is out of range", &expected),
            },
            _ => self.wrong(entry, "a whole number", &format!("a whole number, {expected}")),
        }
    }

    /// The elements of a list.
    pub fn list<'a>(&mut self, entry: &Entry<'a, 't>, example: &str) -> Option<Vec<Entry<'a, 't>>> {
        match entry.value.get_ref() {
            DeValue::Array(array) => Some(array.iter().map(|value| entry.element(value)).collect()),
            _ => self.wrong(entry, "a list", &format!("a list in brackets: {example}")),
        }
    }

    /// Refuses a value by its text.
    pub fn refuse_value<T>(&mut self, entry: &Entry<'_, 't>, why: &str, expected: &str) -> Option<T> {
        let written = self.text.get(entry.at()).unwrap_or_default();
        self.refuse(PhraseFault::new(entry.at(), format!("{} {why}", quoted(written))).expected(expected));
        None
    }

    /// Refuses a value for its type.
    pub fn wrong<T>(&mut self, entry: &Entry<'_, 't>, wanted: &str, expected: &str) -> Option<T> {
        if !entry.at().is_empty() {
            let message = format!("{} is {}, not {wanted}", quoted(entry.key), type_words(entry.value.get_ref()));
            self.refuse(PhraseFault::new(entry.at(), message).expected(expected));
        }
        None
    }

    /// Refuses some bytes of the text that a value holds.
    pub fn refuse_within(&mut self, value_at: Range<usize>, text: &str, fault: PhraseFault) {
        let at = self.inner(value_at, text, fault.at.clone());
        self.refuse(PhraseFault { at, ..fault });
    }

    /// Where bytes of a string's or key's text stand in the file; `raw_at` is the whole with its quotes.
    pub fn inner(&self, raw_at: Range<usize>, text: &str, at: Range<usize>) -> Range<usize> {
        let Some(raw) = self.text.get(raw_at.clone()) else { return raw_at };
        match (raw_offset(raw, text, at.start, at.start < at.end), raw_offset(raw, text, at.end, false)) {
            (Some(start), Some(end)) => raw_at.start + start..raw_at.start + end,
            _ => raw_at,
        }
    }
}

/// The entries of a table, in the order of the file.
pub(super) fn open<'a, 't>(name: &str, at: Range<usize>, table: &'a DeTable<'t>) -> Table<'a, 't> {
    let entry = |(key, value): (&'a Spanned<_>, &'a Value<'t>)| {
        let Range { start, end } = key.span();
        let key: &std::borrow::Cow<'t, str> = key.get_ref();
        Entry { key: key.as_ref(), value, key_start: start, key_end: end }
    };
    let mut entries: Vec<_> = table.iter().map(entry).collect();
    entries.sort_by_key(|entry| entry.key_start);
    Table { name: name.to_owned(), at, entries }
}

/// An integer of TOML, where it fits.
pub(super) fn integer(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

fn type_words(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time outside quotes",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// The last boundary between characters at or before a byte.
fn floor(line: &str, at: usize) -> usize {
    let at = at.min(line.len());
    (0..=at).rev().find(|&at| line.is_char_boundary(at)).unwrap_or(0)
}

/// Where byte `at` of the text stands in the TOML string (or key) that says it, escapes counted as written;
/// `begins` where something begins there.
fn raw_offset(raw: &str, text: &str, at: usize, begins: bool) -> Option<usize> {
    let quotes = ["\"\"\"", "'''", "\"", "'"].into_iter().find(|&q| raw.starts_with(q) && raw.len() >= 2 * q.len());
    let quotes = quotes.unwrap_or("");
    let escapes = quotes.starts_with('"');
    let inside = &raw[quotes.len()..];
    let inside = inside.strip_suffix(quotes).unwrap_or(inside);
    let mut left = inside;
    if quotes.len() == 3 {
        left = left.strip_prefix("\r\n").or_else(|| left.strip_prefix('\n')).unwrap_or(left);
    }
    let offset = |left: &str| quotes.len() + inside.len() - left.len();
    let mut said = 0;
    while said < at {
        let c = left.chars().next()?;
        let (taken, meant) = match c {
            '\\' if escapes => escape(left)?,
            '\r' if left.starts_with("\r\n") => (1, None),
            c => (c.len_utf8(), Some(c)),
        };
        if let Some(meant) = meant {
            if !text.get(said..)?.starts_with(meant) {
                return None;
            }
            said += meant.len_utf8();
        }
        left = left.get(taken..)?;
    }
    // A line that is carried on says nothing: the text goes on after it.
    while begins
        && escapes
        && let Some((taken, None)) = left.starts_with('\\').then(|| escape(left)).flatten()
    {
        left = left.get(taken..)?;
    }
    (said == at).then(|| offset(left))
}

/// Bytes of an escape of TOML 1.1, and what it means; nothing for a line that is carried on.
fn escape(left: &str) -> Option<(usize, Option<char>)> {
    let hex = |digits: usize| {
        let code = u32::from_str_radix(left.get(2..2 + digits)?, 16).ok()?;
        Some((2 + digits, Some(char::from_u32(code)?)))
    };
    let one = |c| Some((2, Some(c)));
    match left.chars().nth(1)? {
        'b' => one('\u{8}'),
        't' => one('\t'),
        'n' => one('\n'),
        'f' => one('\u{c}'),
        'r' => one('\r'),
        'e' => one('\u{1b}'),
        '"' => one('"'),
        '\\' => one('\\'),
        'x' => hex(2),
        'u' => hex(4),
        'U' => hex(8),
        c if c.is_whitespace() => Some((left.len() - left[1..].trim_start().len(), None)),
        _ => None,
    }
}
