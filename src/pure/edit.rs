//! Changes to a file's text that leave everything else in it as it is, to the byte: comments, blanks, line ends, order.
//!
//! toml_edit finds where a value stands; the new one is put exactly there. Nothing is checked here: whoever edits reads
//! the result with `config::read` before it is written.

use std::fmt;
use std::ops::Range;

use toml_edit::{Document, Item, Value};

/// Why a text can't be changed; complete, for people.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EditFault(String);

impl fmt::Display for EditFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for EditFault {}

/// The text with these values of `[place]`, each a key and a text; a key that is not there yet is put at the table's end.
///
/// # Errors
/// The text is no TOML, or has no `[place]` to set it in.
pub fn with_place(text: &str, values: &[(&str, &str)]) -> Result<String, EditFault> {
    let mut text = text.to_owned();
    for (key, value) in values {
        let (at, new) = change(&text, key, value)?;
        text.replace_range(at, &new);
    }
    Ok(text)
}

/// Where the text is to be changed, and what is to stand there.
fn change(text: &str, key: &str, value: &str) -> Result<(Range<usize>, String), EditFault> {
    let not_there = || {
        let line = format!("{key} = {}", literal(value));
        EditFault(format!("there is no [place] into which it could be written; write by hand, under [place]: {line}"))
    };
    let document =
        Document::parse(text).map_err(|error| EditFault(format!("the file is no TOML: {}", error.message())))?;
    let place = document.get("place").and_then(Item::as_table_like).ok_or_else(not_there)?;
    if let Some(at) = place.get(key).and_then(Item::span) {
        return Ok((at, literal(value)));
    }
    // On a line of its own, after the last value that the table has.
    let inline = document.get("place").is_some_and(Item::is_inline_table);
    let last = place.iter().filter_map(|(_, item)| item.span()).map(|at| at.end).max();
    let last = last.filter(|_| !inline).ok_or_else(not_there)?;
    let end = text[last..].find('\n').map_or(text.len(), |end| last + end + 1);
    let line_end = if text.contains("\r\n") { "\r\n" } else { "\n" };
    let before = if text[..end].ends_with('\n') { "" } else { line_end };
    Ok((end..end, format!("{before}{key} = {}{line_end}", literal(value))))
}

/// The text with these lines at its end, one blank line before them, and line ends like the rest.
pub fn with_lines(text: &str, lines: &str) -> String {
    let line_end = if text.contains("\r\n") { "\r\n" } else { "\n" };
    let mut new = text.to_owned();
    if !new.is_empty() {
        if !new.ends_with('\n') {
            new += line_end;
        }
        let blank = new.trim_end_matches(['\r', '\n', ' ', '\t']);
        // A blank line at the end will do.
        if new[blank.len()..].matches('\n').count() < 2 {
            new += line_end;
        }
    }
    new + &lines.replace('\n', line_end)
}

/// A text as TOML writes it, with quotes.
pub fn literal(text: &str) -> String {
    Value::from(text).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pure::config::read;

    #[track_caller]
    fn check(text: &str, values: &[(&str, &str)], expected: &str) {
        assert_eq!(with_place(text, values).as_deref(), Ok(expected));
    }

    const NEW: (&str, &str) = ("position", "54.8 S, 68.3 W");

    #[test]
    fn only_the_value_changes_and_its_comment_stays() {
        check(
            "# ours\n[place]\nname   = 'Home'\n  position=\"59.7412 N, 5.2097 E\"   # from the map\n\n[sun]\n",
            &[NEW],
            "# ours\n[place]\nname   = 'Home'\n  position=\"54.8 S, 68.3 W\"   # from the map\n\n[sun]\n",
        );
        check("[place]\r\nposition = '''x'''\r\n# end", &[NEW], "[place]\r\nposition = \"54.8 S, 68.3 W\"\r\n# end");
        check(
            "place = { name = \"a\", position = \"x\" } # all in one",
            &[NEW],
            "place = { name = \"a\", position = \"54.8 S, 68.3 W\" } # all in one",
        );
        check("place.position = \"x\"\n", &[NEW], "place.position = \"54.8 S, 68.3 W\"\n");
    }

    #[test]
    fn two_values_at_once_whatever_their_order() {
        check(
            "[sun]\nlead = \"1 h\"\n[place]\ntime_zone = \"Europe/Oslo\" # ours\nposition = \"x\"",
            &[NEW, ("time_zone", "America/Argentina/Ushuaia")],
            "[sun]\nlead = \"1 h\"\n[place]\ntime_zone = \"America/Argentina/Ushuaia\" # ours\nposition = \"54.8 S, 68.3 W\"",
        );
    }

    #[test]
    fn a_key_that_was_not_there_gets_a_line_of_its_own() {
        check(
            "[place]\nname = \"a\" # ours\n\n[sun]\n",
            &[NEW],
            "[place]\nname = \"a\" # ours\nposition = \"54.8 S, 68.3 W\"\n\n[sun]\n",
        );
        check("[place]\r\nname = \"a\"", &[NEW], "[place]\r\nname = \"a\"\r\nposition = \"54.8 S, 68.3 W\"\r\n");
    }

    #[test]
    fn what_can_not_be_changed_is_told_with_the_line_to_write() {
        for text in ["", "[place]\n", "place = { name = \"a\" }\n", "place = 1\n"] {
            let fault = with_place(text, &[NEW]).expect_err("no place to write it").to_string();
            assert!(fault.ends_with("position = \"54.8 S, 68.3 W\""), "{fault}");
        }
        assert!(with_place("[place\n", &[NEW]).is_err());
    }

    #[test]
    fn lines_at_the_end_stand_apart_from_what_was_there() {
        for (text, expected) in [
            ("a = 1", "a = 1\n\nb = 2\n"),
            ("a = 1\n", "a = 1\n\nb = 2\n"),
            ("a = 1\n\n", "a = 1\n\nb = 2\n"),
            ("a = 1\r\n", "a = 1\r\n\r\nb = 2\r\n"),
            ("", "b = 2\n"),
        ] {
            assert_eq!(with_lines(text, "b = 2\n"), expected);
        }
    }

    #[test]
    fn the_example_changes_in_the_lines_concerned_alone() {
        let example = include_str!("../../config/lampward.toml");
        let new = with_place(example, &[NEW, ("time_zone", "America/Argentina/Ushuaia")]).expect("it has a place");
        let changed: Vec<&str> =
            new.lines().zip(example.lines()).filter(|(new, old)| new != old).map(|(new, _)| new).collect();
        let comment = "# north or south first; degrees and minutes will do: \"59 44.47 N, 5 12.58 E\"";
        let position = format!("position  = \"54.8 S, 68.3 W\"     {comment}");
        assert_eq!(changed, [position.as_str(), "time_zone = \"America/Argentina/Ushuaia\""]);
        assert_eq!(new.lines().count(), example.lines().count());
        assert!(read("example", new.as_bytes()).is_ok());
    }
}
