//! What all phrases share: words with their places, and a parser error that knows what was expected where.
//!
//! A phrase is read twice by `winnow`: into words, then words into meaning. A fault is always at one word, or at the
//! end of the phrase.

use std::ops::Range;

use winnow::combinator::{alt, delimited, eof, repeat};
use winnow::error::{ErrMode, ParserError};
use winnow::prelude::*;
use winnow::stream::{LocatingSlice, Stream, TokenSlice};
use winnow::token::{any, one_of, take_while};

use super::fault::{PhraseFault, nearest, quoted};

/// A word or a comma, and its bytes within the phrase.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Word<'p> {
    pub text: &'p str,
    pub at: Range<usize>,
}

/// The words still to be read.
pub(crate) type Words<'p> = TokenSlice<'p, Word<'p>>;
/// What a parser of words gives.
pub(crate) type Read<T> = Result<T, ErrMode<Miss>>;

/// Why a phrase can't be read: at which word (by how many are left from there), and what was expected.
#[derive(Clone, Debug)]
pub(crate) struct Miss {
    left: usize,
    /// How many words are meant.
    words: usize,
    wanted: Option<Box<Wanted>>,
}

/// What was expected at a place.
#[derive(Clone, Debug, Default)]
pub(crate) struct Wanted {
    /// Completes "`x` is not …".
    pub noun: String,
    /// Said in place of "`x` is not …" where it is known better.
    pub instead: Option<String>,
    /// What would have been right, for people.
    pub expected: String,
    /// The words that could stand here, for the nearest.
    pub words: Vec<String>,
    /// The nearest, where it is known already.
    pub nearest: Option<String>,
}

impl Wanted {
    /// One of a few words.
    pub fn one_of(words: &[&str]) -> Wanted {
        let expected = match words {
            [but, last] => format!("{but} or {last}"),
            _ => words.join(", "),
        };
        let noun = match words {
            [only] => quoted(only),
            [but, last] => format!("{} or {}", quoted(but), quoted(last)),
            _ => format!("one of {expected}"),
        };
        Wanted { noun, expected, words: words.iter().map(|&w| w.to_owned()).collect(), ..Wanted::default() }
    }

    /// Something that no list of words gives.
    pub fn what(noun: &str, expected: &str) -> Wanted {
        Wanted { noun: noun.to_owned(), expected: expected.to_owned(), ..Wanted::default() }
    }

    /// The same, with words to be near to.
    pub fn near<'w>(mut self, words: impl IntoIterator<Item = &'w str>) -> Wanted {
        self.words.extend(words.into_iter().map(str::to_owned));
        self
    }

    /// The same, with the nearest known.
    pub fn nearest(mut self, nearest: impl Into<String>) -> Wanted {
        self.nearest = Some(nearest.into());
        self
    }

    /// The same, with words of its own for what is wrong.
    pub fn instead(mut self, message: impl Into<String>) -> Wanted {
        self.instead = Some(message.into());
        self
    }
}

impl<I: Stream> ParserError<I> for Miss {
    type Inner = Miss;

    fn from_input(input: &I) -> Miss {
        Miss { left: input.eof_offset(), words: 1, wanted: None }
    }

    fn or(self, other: Miss) -> Miss {
        if self.left < other.left { self } else { other }
    }

    fn into_inner(self) -> Result<Miss, Miss> {
        Ok(self)
    }
}

/// Reads a whole phrase.
pub(crate) fn read<T>(phrase: &str, parser: impl Fn(&mut Words<'_>) -> Read<T>) -> Result<T, PhraseFault> {
    let words = words(phrase);
    let mut left = TokenSlice::new(&words);
    let read = parser(&mut left).and_then(|value| {
        must(eof, || Wanted::what("expected here", "nothing more").instead("")).parse_next(&mut left)?;
        Ok(value)
    });
    read.map_err(|miss| say(phrase, &words, miss))
}

/// The words of a phrase. Anything between blanks and commas is a word.
fn words(phrase: &str) -> Vec<Word<'_>> {
    let blanks = || take_while(0.., char::is_whitespace);
    let word = alt((one_of(',').void(), take_while(1.., |c: char| c != ',' && !c.is_whitespace()).void()));
    let word = word.with_taken().with_span().map(|(((), text), at)| Word { text, at });
    let mut all = repeat(0.., delimited(blanks(), word, blanks()));
    let read: Result<Vec<Word<'_>>, ErrMode<Miss>> = all.parse_next(&mut LocatingSlice::new(phrase));
    read.unwrap_or_default()
}

fn say(phrase: &str, words: &[Word<'_>], miss: ErrMode<Miss>) -> PhraseFault {
    let (ErrMode::Backtrack(miss) | ErrMode::Cut(miss)) = miss else {
        return PhraseFault::new(0..phrase.len(), "not readable");
    };
    let wanted = miss.wanted.map(|wanted| *wanted).unwrap_or_default();
    let first = words.len().saturating_sub(miss.left);
    let last = words.get(first + miss.words - 1).or(words.last());
    let (Some(word), Some(last)) = (words.get(first), last) else {
        let message = match words.is_empty() {
            true => format!("nothing is written where {} belongs", wanted.noun),
            false => format!("{} ends where {} belongs", quoted(phrase.trim()), wanted.noun),
        };
        return PhraseFault::new(phrase.len()..phrase.len(), message).expected(wanted.expected);
    };
    let message = match wanted.instead {
        Some(message) if message.is_empty() => format!("{} does not belong here", quoted(word.text)),
        Some(message) => message,
        None => format!("{} is not {}", quoted(word.text), wanted.noun),
    };
    let near = wanted.nearest.or_else(|| nearest(word.text, wanted.words.iter().map(String::as_str)));
    let fault = PhraseFault::new(word.at.start..last.at.end, message).nearest(near);
    if wanted.expected.is_empty() { fault } else { fault.expected(wanted.expected) }
}

/// Parses, or says at the word where it stands what was expected; there is no other way to read on from here.
pub(crate) fn must<'p, T>(
    mut parser: impl Parser<Words<'p>, T, ErrMode<Miss>>,
    wanted: impl Fn() -> Wanted,
) -> impl Parser<Words<'p>, T, ErrMode<Miss>> {
    move |words: &mut Words<'p>| {
        let before = words.eof_offset();
        parser.parse_next(words).map_err(|miss| match miss {
            ErrMode::Backtrack(_) => ErrMode::Cut(Miss { left: before, words: 1, wanted: Some(Box::new(wanted())) }),
            cut => cut,
        })
    }
}

/// Refuses the word that was read just before.
pub(crate) fn refuse<T>(words: &Words<'_>, wanted: Wanted) -> Read<T> {
    refuse_back(words, 1, wanted)
}

/// Refuses the last few words that were read; the one to come where it is none of them.
pub(crate) fn refuse_back<T>(words: &Words<'_>, back: usize, wanted: Wanted) -> Read<T> {
    Err(ErrMode::Cut(Miss { left: words.eof_offset() + back, words: back.max(1), wanted: Some(Box::new(wanted)) }))
}

/// The next word, if it reads as something.
pub(crate) fn word<'p, T>(read: impl Fn(&'p str) -> Option<T>) -> impl Parser<Words<'p>, T, ErrMode<Miss>> {
    any.verify_map(move |word: &Word<'p>| read(word.text))
}

/// One certain word.
pub(crate) fn the<'p>(text: &'static str) -> impl Parser<Words<'p>, (), ErrMode<Miss>> {
    word(move |word| (word == text).then_some(()))
}

/// A word that stands for a value.
pub(crate) fn stands<'p, T: Copy>(text: &'static str, value: T) -> impl Parser<Words<'p>, T, ErrMode<Miss>> {
    word(move |word| (word == text).then_some(value))
}

/// A number without sign, such as 20 or 59.7412, of a length that a person would write.
pub(crate) fn number(word: &str) -> Option<f64> {
    let (whole, part) = word.split_once('.').unwrap_or((word, "0"));
    let digits = |text: &str| !text.is_empty() && text.len() <= 12 && text.bytes().all(|b| b.is_ascii_digit());
    (digits(whole) && digits(part)).then(|| word.parse().ok()).flatten()
}
