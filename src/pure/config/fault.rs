//! Faults, written for the person who must act: where, what, and what would have been right.

use std::fmt;
use std::ops::Range;

use unicode_width::UnicodeWidthChar;

/// Longest piece of a source line that is shown, in characters.
const SHOWN: usize = 160;
/// Longest piece of offending text that a message quotes, in characters.
const QUOTED: usize = 48;

/// One fault of a file, or one warning.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Name of the file, as the person gave it.
    pub file: String,
    /// Line, counted from 1.
    pub line: usize,
    /// Column, counted from 1 in characters.
    pub column: usize,
    /// What is wrong.
    pub message: String,
    /// The whole line of the file, without its end.
    pub source_line: String,
    /// How many characters of the line are meant; at least 1.
    pub underline_len: usize,
    /// What would have been right.
    pub expected: Option<String>,
    /// The nearest valid word.
    pub nearest: Option<String>,
}

impl fmt::Display for Fault {
    /// Three lines, the last without its end; right under tabs and wide characters.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}:{}:{}: {}", self.file, self.line, self.column, self.message)?;
        let line: Vec<char> = self.source_line.chars().map(printable).collect();
        let start = (self.column - 1).min(line.len());
        let shown = window(line.len(), start);
        let number = self.line.to_string();
        let (dots_before, dots_after) = (shown.start > 0, shown.end < line.len());
        write!(f, "{number} | ")?;
        if dots_before {
            f.write_str("…")?;
        }
        f.write_str(&line[shown.clone()].iter().collect::<String>())?;
        writeln!(f, "{}", if dots_after { "…" } else { "" })?;

        write!(f, "{:width$} | ", "", width = number.len())?;
        if dots_before {
            f.write_str(" ")?;
        }
        for &c in &line[shown.start..start] {
            if c == '\t' {
                f.write_str("\t")?;
            } else {
                write!(f, "{:width$}", "", width = c.width().unwrap_or(0))?;
            }
        }
        let end = (start + self.underline_len).min(shown.end);
        let under: usize = line[start.min(end)..end].iter().map(|c| c.width().unwrap_or(1)).sum();
        f.write_str(&"^".repeat(under.max(1)))?;
        let mut lead = " ";
        if let Some(expected) = &self.expected {
            write!(f, "{lead}{expected}")?;
            lead = "; ";
        }
        if let Some(nearest) = &self.nearest {
            write!(f, "{lead}nearest: {nearest}")?;
        }
        Ok(())
    }
}

/// Every fault of a file, in its order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Faults(pub Vec<Fault>);

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, fault) in self.0.iter().enumerate() {
            if index > 0 {
                f.write_str("\n")?;
            }
            write!(f, "{fault}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

/// What is wrong with one phrase that a person wrote, in a file or elsewhere.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PhraseFault {
    /// The offending bytes of the phrase; empty at its end where something is missing.
    pub at: Range<usize>,
    /// What is wrong.
    pub message: String,
    /// What would have been right.
    pub expected: Option<String>,
    /// The nearest valid word.
    pub nearest: Option<String>,
}

impl PhraseFault {
    /// A fault at some bytes of the phrase.
    pub fn new(at: Range<usize>, message: impl Into<String>) -> PhraseFault {
        PhraseFault { at, message: message.into(), expected: None, nearest: None }
    }

    /// The same, saying what would have been right.
    #[must_use]
    pub fn expected(mut self, expected: impl Into<String>) -> PhraseFault {
        self.expected = Some(expected.into());
        self
    }

    /// The same, naming the nearest valid word.
    #[must_use]
    pub fn nearest(mut self, nearest: Option<String>) -> PhraseFault {
        self.nearest = nearest;
        self
    }
}

impl fmt::Display for PhraseFault {
    /// One line, for places that can't underline.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)?;
        if let Some(expected) = &self.expected {
            write!(f, "; expected {expected}")?;
        }
        if let Some(nearest) = &self.nearest {
            write!(f, "; nearest: {nearest}")?;
        }
        Ok(())
    }
}

impl std::error::Error for PhraseFault {}

/// Offending text for a message: between backquotes, unprintable characters made visible, shortened.
pub(crate) fn quoted(text: &str) -> String {
    let mut shown: String = text.chars().take(QUOTED).map(|c| if c == '\t' { '␉' } else { printable(c) }).collect();
    if text.chars().nth(QUOTED).is_some() {
        shown.push('…');
    }
    format!("`{shown}`")
}

/// The valid word that a person most likely meant; `None` where nothing is near.
pub(crate) fn nearest<'w>(written: &str, words: impl IntoIterator<Item = &'w str>) -> Option<String> {
    /// Below this likeness (1 is the same word) a suggestion would only puzzle; common practice, no source.
    const ALIKE: f64 = 0.5;
    /// A word of which the other is the beginning is as near as this.
    const BEGINS: f64 = 0.6;
    /// Longer text is no slip of a word.
    const LONGEST: usize = 64;
    if written.is_empty() || written.len() > LONGEST {
        return None;
    }
    let written = written.to_lowercase();
    let mut best = None;
    let mut likeness = ALIKE;
    for word in words {
        let lower = word.to_lowercase();
        let begins =
            written.len().min(lower.len()) >= 3 && (written.starts_with(&lower) || lower.starts_with(&written));
        let alike = strsim::normalized_damerau_levenshtein(&written, &lower).max(if begins { BEGINS } else { 0.0 });
        if alike > likeness || (alike == likeness && best.is_none()) {
            (best, likeness) = (Some(word), alike);
        }
    }
    best.map(str::to_owned)
}

/// Control characters and those that turn the direction of writing, made visible; a tab is left.
fn printable(c: char) -> char {
    match c {
        '\t' => c,
        '\u{0}'..='\u{1f}' => char::from_u32(0x2400 + u32::from(c)).unwrap_or('\u{fffd}'),
        '\u{7f}' => '\u{2421}',
        '\u{80}'..='\u{9f}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => '\u{fffd}',
        _ => c,
    }
}

/// The piece of a line of `len` characters that is shown when the one at `start` is meant.
fn window(len: usize, start: usize) -> Range<usize> {
    if len <= SHOWN {
        return 0..len;
    }
    let first = start.saturating_sub(SHOWN / 3).min(len - SHOWN);
    first..first + SHOWN
}
