//! What a plug's payload means: on, off, there, gone, or nothing that its kind knows. Total: any bytes have an answer.

use std::borrow::Cow;
use std::fmt::Write;

use serde_json::Value;

use super::config::{Alive, Report, Tell};
use super::power::Power;

/// The state a report means; `None` if it means neither on nor off.
pub fn read_report(report: &Report, payload: &[u8]) -> Option<Power> {
    let text = std::str::from_utf8(payload).ok()?.trim();
    let means = |matches: &dyn Fn(&Value) -> bool| {
        let on = report.on.iter().any(matches);
        let off = report.off.iter().any(matches);
        match (on, off) {
            (true, false) => Some(Power::On),
            (false, true) => Some(Power::Off),
            _ => None,
        }
    };
    match &report.pointer {
        None => means(&|value| *in_text(value) == *text),
        Some(pointer) => {
            let document: Value = serde_json::from_str(text).ok()?;
            let found = document.pointer(pointer)?;
            means(&|value| alike(value, found))
        }
    }
}

/// Whether a plug says that it is there (`true`) or gone (`false`); `None` for any other word.
pub fn read_alive(alive: &Alive, payload: &[u8]) -> Option<bool> {
    let text = std::str::from_utf8(payload).ok()?.trim();
    if text == alive.yes.trim() {
        Some(true)
    } else if text == alive.no.trim() {
        Some(false)
    } else {
        None
    }
}

/// The payload that tells a plug to be on or off.
pub fn command(tell: &Tell, wanted: Power) -> &str {
    match wanted {
        Power::On => &tell.on,
        Power::Off => &tell.off,
    }
}

/// A payload for people: at most 60 characters of it, whatever can't be printed escaped.
pub fn shown(payload: &[u8]) -> String {
    const LONGEST: usize = 60;
    let mut shown = String::new();
    let mut count = 0;
    for chunk in payload.utf8_chunks() {
        for c in chunk.valid().chars() {
            if count == LONGEST {
                shown.push('…');
                return shown;
            }
            count += 1;
            if c.is_control() { shown.extend(c.escape_default()) } else { shown.push(c) }
        }
        for byte in chunk.invalid() {
            if count == LONGEST {
                shown.push('…');
                return shown;
            }
            count += 1;
            let _ = write!(shown, "\\x{byte:02x}");
        }
    }
    shown
}

/// A value of the file as a plug without JSON would send it.
fn in_text(value: &Value) -> Cow<'_, str> {
    match value {
        Value::String(text) => Cow::Borrowed(text.trim()),
        other => Cow::Owned(other.to_string()),
    }
}

/// Text trimmed, numbers by their value (1 is 1.0), everything else exactly.
fn alike(wanted: &Value, found: &Value) -> bool {
    match (wanted, found) {
        (Value::String(wanted), Value::String(found)) => wanted.trim() == found.trim(),
        (Value::Number(wanted), Value::Number(found)) => wanted == found || wanted.as_f64() == found.as_f64(),
        _ => wanted == found,
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::pure::config::Topic;

    #[track_caller]
    fn check(pointer: Option<&str>, on: Value, off: Value, payload: impl AsRef<[u8]>, expected: Option<Power>) {
        let list = |value: Value| if let Value::Array(list) = value { list } else { vec![value] };
        let report = Report {
            topic: Topic("{plug}/report".to_string()),
            pointer: pointer.map(str::to_string),
            on: list(on),
            off: list(off),
        };
        assert_eq!(read_report(&report, payload.as_ref()), expected);
    }

    #[test]
    fn a_bare_word_is_compared_trimmed() {
        for payload in ["on", " on\n", "on\r\n"] {
            check(None, json!("on"), json!("off"), payload, Some(Power::On));
        }
        check(None, json!("on"), json!("off"), "off", Some(Power::Off));
    }

    #[test]
    fn another_word_is_neither_on_nor_off() {
        for payload in ["", "ON", "onward", "{\"on\":true}", "\u{0}"] {
            check(None, json!("on"), json!("off"), payload, None);
        }
    }

    #[test]
    fn a_bare_number_or_truth_value_is_read_as_written_in_the_file() {
        check(None, json!(1), json!(0), "1", Some(Power::On));
        check(None, json!(true), json!(false), "false", Some(Power::Off));
    }

    #[test]
    fn a_pointer_finds_the_value_in_a_document() {
        check(Some("/supply"), json!(true), json!(false), r#"{"supply":true,"volts":231}"#, Some(Power::On));
        check(
            Some("/outlets/1/state"),
            json!("up"),
            json!("down"),
            r#"{"outlets":[{},{"state":" down "}]}"#,
            Some(Power::Off),
        );
        check(Some("/a~1b"), json!(1), json!(0), r#"{"a/b":1.0}"#, Some(Power::On));
        check(Some(""), json!("1"), json!("0"), r#""1""#, Some(Power::On));
    }

    #[test]
    fn any_of_several_values_will_do() {
        check(Some("/s"), json!(["on", 1, true]), json!(["off", 0, false]), r#"{"s":true}"#, Some(Power::On));
        check(Some("/s"), json!(["on", 1, true]), json!(["off", 0, false]), r#"{"s":0}"#, Some(Power::Off));
    }

    #[test]
    fn a_document_without_the_value_is_neither() {
        for payload in ["", "{", "true", r#"{"volts":231}"#, r#"{"supply":"true"}"#, r#"{"supply":null}"#] {
            check(Some("/supply"), json!(true), json!(false), payload, None);
        }
    }

    #[test]
    fn bytes_that_are_no_text_are_neither() {
        check(None, json!("on"), json!("off"), b"\xff\xfeon", None);
        check(Some("/s"), json!(1), json!(0), b"{\"s\":1,\"x\":\"\xff\"}", None);
    }

    #[test]
    fn a_document_nested_without_end_is_refused_and_not_followed_down() {
        check(Some("/s"), json!(1), json!(0), "[".repeat(200_000), None);
    }

    #[test]
    fn a_value_that_means_both_means_neither() {
        check(None, json!("x"), json!("x"), "x", None);
    }

    #[test]
    fn alive_has_two_words() {
        let alive = Alive { topic: Topic("{plug}/alive".to_string()), yes: "here".to_string(), no: "gone".to_string() };
        assert_eq!(read_alive(&alive, b"here\n"), Some(true));
        assert_eq!(read_alive(&alive, b" gone"), Some(false));
        assert_eq!(read_alive(&alive, b""), None);
        assert_eq!(read_alive(&alive, b"\xff"), None);
    }

    #[test]
    fn a_garbled_payload_is_shown_short_and_printable() {
        assert_eq!(shown(b"va\xfflue\n"), "va\\xfflue\\n");
        assert_eq!(shown("ø".repeat(100).as_bytes()), format!("{}…", "ø".repeat(60)));
    }

    proptest::proptest! {
        #[test]
        fn any_bytes_have_an_answer(payload in proptest::collection::vec(proptest::num::u8::ANY, 0..200)) {
            check_any(&payload);
        }
    }

    fn check_any(payload: &[u8]) {
        for pointer in [None, Some("/supply".to_string())] {
            let topic = Topic("{plug}/report".to_string());
            let report = Report { topic, pointer, on: vec![json!("on")], off: vec![json!("off")] };
            let _ = read_report(&report, payload);
        }
        assert!(shown(payload).chars().all(|c| !c.is_control()));
    }
}
