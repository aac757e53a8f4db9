//! TOML that is not quite TOML: what is wrong with it, and as much of it as can still be read.
//!
//! A statement that can't be read is blanked, so that everything after it keeps its place and its faults are shown too.

use std::ops::Range;

use toml::de::DeTable;

use super::fault::{PhraseFault, quoted};
use super::slips::{beheaded, in_toml};

/// Statements given up one by one; a file with more broken ones is no file of ours.
const ROUNDS: usize = 40;

/// Bytes that are looked at together, to find out whether a text is worth reading.
const PIECE: usize = 64 * 1024;

/// Where a text has had more faults than a person can have made, if it has: reading on would take seconds and fill the
/// memory of a small board, and help nobody.
pub(super) fn hopeless_from(text: &str, most: usize) -> Option<usize> {
    if text.len() <= PIECE {
        return None;
    }
    let (mut at, mut faults) = (0, 0);
    while at < text.len() {
        let end = (at + PIECE..).find(|&end| text.is_char_boundary(end.min(text.len()))).unwrap_or(text.len());
        let end = end.min(text.len());
        let end = text[at..end].rfind("\n[").map_or(end, |newline| at + newline + 1).max(at + 1);
        faults += DeTable::parse_recoverable(&text[at..end]).1.len();
        if faults > most {
            return Some(end);
        }
        at = end;
    }
    None
}

/// What is wrong with a text, and what can be read of it.
pub(super) struct Healed {
    /// The text with what can't be read blanked out, byte for byte.
    pub sound: String,
    /// Faults of the text itself, and whether others on the same line most likely follow from each.
    pub faults: Vec<(PhraseFault, bool)>,
    /// What was blanked out.
    pub lost: Vec<Range<usize>>,
}

/// Reads on past faults. `tables` are the headers that a file can have.
pub(super) fn heal(text: &str, tables: &[&str]) -> Healed {
    let mut healed = Healed { sound: text.to_owned(), faults: Vec::new(), lost: Vec::new() };
    for (open, at) in unclosed(text, tables) {
        let (what, close) = if text[open..].starts_with('{') { ("{", "}") } else { ("[", "]") };
        let message = format!("`{what}` is not closed before line {}", line_of(text, at));
        let fault = PhraseFault::new(open..open + 1, message).expected(format!("`{close}`"));
        let line = line_start(text, open);
        let lost = match header(&text[line..], tables) {
            true => line..next(text, open, |line| header(line, tables)),
            false => statement_start(text, line, tables)..at,
        };
        healed.give_up(lost, (fault, true));
    }
    for _ in 0..ROUNDS {
        let errors = DeTable::parse_recoverable(&healed.sound).1;
        let structural = errors.iter().filter(|error| structural(&healed.sound, error));
        let Some(first) = structural.min_by_key(|error| start(&healed.sound, error)) else { break };
        let lost = broken(&healed.sound, start(&healed.sound, first), first.message(), tables);
        if healed.sound[lost.clone()].trim().is_empty() {
            break;
        }
        healed.give_up(lost, explained(text, first, tables));
    }
    let left = DeTable::parse_recoverable(&healed.sound).1;
    healed.faults.extend(left.iter().map(|error| explained(text, error, tables)));
    healed
}

impl Healed {
    fn give_up(&mut self, range: Range<usize>, fault: (PhraseFault, bool)) {
        self.faults.push(fault);
        let blank = |b: u8| if b == b'\n' { '\n' } else { ' ' };
        let blanked: String = self.sound[range.clone()].bytes().map(blank).collect();
        self.sound.replace_range(range.clone(), &blanked);
        self.lost.push(range);
    }
}

/// Faults of the grammar, after which the parser may have lost the thread; others are faults of one value.
fn structural(text: &str, error: &toml::de::Error) -> bool {
    let message = error.message();
    let grammar = ["missing", "extra", "unclosed", "unexpected key", "unexpected content", "unexpected `=`"];
    let others = ["key with no value", "invalid key-value pair", "invalid inline table element", "cannot recurse"];
    let of_a_value = ["missing opening quote", "missing escaped value", "missing comment start"];
    let begins = |words: &[&str]| words.iter().any(|begin| message.starts_with(begin));
    // What stands under a header that is written twice is all written twice.
    let header_twice = message == "duplicate key" && text[line_start(text, start(text, error))..].starts_with('[');
    header_twice || ((begins(&grammar) || begins(&others)) && !begins(&of_a_value))
}

fn start(text: &str, error: &toml::de::Error) -> usize {
    error.span().map_or(text.len(), |span| span.start)
}

/// What to give up for a fault at `at`: a line, a statement, or all that stands under a header.
fn broken(text: &str, at: usize, message: &str, tables: &[&str]) -> Range<usize> {
    let line = line_start(text, at);
    let begins = text[line..].trim_start();
    let beheaded = message.starts_with("key with no value") && beheaded(begins.lines().next().unwrap_or_default());
    if begins.starts_with('[') || beheaded {
        return line..next(text, at, |line| header(line, tables));
    }
    let of_a_line = ["key with no value", "invalid key-value pair", "missing key"];
    if of_a_line.iter().any(|begin| message.starts_with(begin)) && !begins.starts_with('{') {
        return line..line_end(text, at);
    }
    statement_start(text, line, tables)..next(text, at, |line| statement(line, tables))
}

/// The start of the next line of a certain look, or the end of the text.
fn next(text: &str, at: usize, looks: impl Fn(&str) -> bool) -> usize {
    let mut at = line_end(text, at);
    while at < text.len() && !looks(&text[at..]) {
        at = line_end(text, at);
    }
    at
}

/// The start of the statement to which a line belongs.
fn statement_start(text: &str, line: usize, tables: &[&str]) -> usize {
    let mut at = line;
    while at > 0 && !statement(&text[at..], tables) {
        at = line_start(text, at - 1);
    }
    if statement(&text[at..], tables) { at } else { line }
}

fn line_of(text: &str, at: usize) -> usize {
    text[..at].matches('\n').count() + 1
}

fn line_start(text: &str, at: usize) -> usize {
    text[..at.min(text.len())].rfind('\n').map_or(0, |newline| newline + 1)
}

/// The start of the line after.
fn line_end(text: &str, at: usize) -> usize {
    let at = at.min(text.len());
    text[at..].find('\n').map_or(text.len(), |newline| at + newline + 1)
}

/// Whether the line looks like the start of a statement.
fn statement(line: &str, tables: &[&str]) -> bool {
    header(line, tables) || assignment(line)
}

/// `[place]`, `[channel.jetty`: with one of the headers that a file can have.
fn header(line: &str, tables: &[&str]) -> bool {
    let line = line.lines().next().unwrap_or_default().trim_start();
    let Some(name) = line.strip_prefix("[[").or_else(|| line.strip_prefix('[')) else { return false };
    let name = name.trim_start();
    let end = name.find(|c: char| !c.is_ascii_alphanumeric() && c != '_' && c != '-').unwrap_or(name.len());
    tables.contains(&&name[..end])
}

/// `key = …`
fn assignment(line: &str) -> bool {
    let line = line.lines().next().unwrap_or_default().trim_start();
    let in_key = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '-' | '.' | '"' | '\'');
    let end = line.find(|c: char| !in_key(c)).unwrap_or(line.len());
    end > 0 && line[end..].trim_start().starts_with('=')
}

/// Brackets still open where a line begins that can't stand within them: the bracket, and the start of that line.
///
/// A header never stands within brackets, an assignment never within `[`.
fn unclosed(text: &str, tables: &[&str]) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut open: Vec<usize> = Vec::new();
    let mut at = 0;
    let mut line_begins = true;
    while at < text.len() {
        if line_begins
            && let Some(&innermost) = open.last()
            && (header(&text[at..], tables) || (text[innermost..].starts_with('[') && assignment(&text[at..])))
        {
            found.push((innermost, at));
            open.clear();
        }
        let left = &text[at..];
        line_begins = left.starts_with('\n');
        let step = match left.as_bytes()[0] {
            b'#' => left.find('\n').unwrap_or(left.len()),
            b'"' | b'\'' => string(left),
            b'[' | b'{' => {
                open.push(at);
                1
            }
            b']' | b'}' => {
                open.pop();
                1
            }
            _ => left.chars().next().map_or(1, char::len_utf8),
        };
        at += step.max(1);
    }
    found
}

/// Bytes of the string at the start of the text; one that is not closed ends with its line.
pub(super) fn string(text: &str) -> usize {
    let basic = text.starts_with('"');
    let long = ["\"\"\"", "'''"].into_iter().find(|quotes| text.starts_with(quotes));
    let quotes = long.unwrap_or(if basic { "\"" } else { "'" });
    let mut at = quotes.len();
    while at < text.len() {
        let left = &text[at..];
        if left.starts_with(quotes) {
            return at + quotes.len();
        }
        if long.is_none() && left.starts_with('\n') {
            return at;
        }
        let escaped = basic && left.starts_with('\\');
        let one = |text: &str| text.chars().next().map_or(0, char::len_utf8);
        at += one(left) + if escaped && !left[1..].starts_with('\n') { one(&left[1..]) } else { 0 };
    }
    text.len()
}

/// A fault by the slip that explains it, else by the parser's words.
fn explained(text: &str, error: &toml::de::Error, tables: &[&str]) -> (PhraseFault, bool) {
    let line = line_start(text, start(text, error));
    let end = line_end(text, line);
    match in_toml(text, line..line + text[line..end].trim_end().len(), tables) {
        Some(fault) if error.message() != "duplicate key" => (fault, true),
        _ => words(text, error),
    }
}

/// The parser's faults in words for people.
fn words(text: &str, error: &toml::de::Error) -> (PhraseFault, bool) {
    let at = error.span().unwrap_or(text.len()..text.len());
    let written = text.get(at.clone()).unwrap_or_default();
    let (message, expected) = match error.message().split_once(", expected ") {
        Some((message, expected)) => (message, Some(expected.to_owned())),
        None => (error.message(), None),
    };
    // What is no number, date or flag was meant as text.
    let bare = message == "string values must be quoted"
        || (message.starts_with("invalid") && written.starts_with(char::is_alphabetic) && !message.contains("key"));
    let say = |message: &str, expected: &str| (message.to_owned(), Some(expected.to_owned()));
    let (said, expected) = match message {
        "duplicate key" => {
            (format!("{} is written twice", quoted(written)), Some("each key and each table once".into()))
        }
        "key with no value" => say("a key without `=` and a value", "key = value"),
        "missing value for key" | "missing value" => {
            say("no value follows `=`", "a value, such as \"text\", 7 or true")
        }
        "missing comma between array elements" => say("a comma is missing in a list", "`,` between the entries"),
        "missing comma between key-value pairs" | "extra assignment between key-value pairs" => {
            say("a comma is missing between two keys", "`,` before the second key")
        }
        "missing assignment between key-value pairs" => say("`=` is missing after a key", "key = value"),
        "extra comma in array" | "extra comma in inline table" => {
            say("a comma too many", "one comma between two entries")
        }
        "extra `=`" => say("an `=` too many", "key = value"),
        "unexpected `=` in array" => say("an `=` in a list", "values alone, or tables in { }"),
        "unclosed table" | "unclosed array table" => {
            say("the header is not closed", if message.contains("array") { "`]]`" } else { "`]`" })
        }
        "unclosed array" => say("the list is not closed", "`]`"),
        "unclosed inline table" => say("the table is not closed", "`}`"),
        "unexpected key or value" | "unexpected content" => {
            say("nothing more belongs on this line", "a new line, or # before a remark")
        }
        "carriage return must be followed by newline" => say("a carriage return within a line", "a new line"),
        "invalid basic string" | "invalid literal string" if expected.as_deref().is_some_and(|e| e.len() == 3) => {
            ("the quotes are not closed".to_owned(), expected)
        }
        "invalid multi-line basic string" | "invalid multi-line literal string" if written.is_empty() => {
            ("the three quotes are not closed".to_owned(), expected.map(|quote| format!("{quote}, three of them")))
        }
        "invalid basic string" | "invalid literal string" => say("a control character in text", "printable characters"),
        _ if bare => {
            let word = written.trim().to_lowercase();
            let flag = word == "true" || word == "false";
            let expected = if flag { word } else { format!("\"{}\"", written.trim()) };
            (format!("{} is not in quotes", quoted(written)), Some(expected))
        }
        other => (other.to_owned(), expected),
    };
    let fault = PhraseFault::new(at, said);
    let fault = if let Some(expected) = expected { fault.expected(expected) } else { fault };
    (fault, message != "duplicate key")
}
