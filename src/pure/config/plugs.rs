//! `[plug_kind.NAME]`: how a make of plug is spoken to.

use std::sync::Arc;
use std::time::Duration;

use serde_json::Value as Json;
use toml::de::DeValue;

use super::fault::{PhraseFault, quoted};
use super::phrases::parse_duration;
use super::reader::{Entry, Reader, Table, integer};
use super::topic::{Use, check, check_braces};
use super::{Alive, Ask, PlugKind, Report, Tell, Topic};

/// How often a plug is asked where the file says nothing.
const ASK_EVERY: Duration = Duration::from_secs(600);
/// Asking more often would only crowd the network, less often than daily serves nobody; common practice, no source.
const ASK_RANGE_S: std::ops::RangeInclusive<i64> = 10..=86_400;

/// The kind that is built in.
pub fn plain() -> PlugKind {
    let topic = |end: &str| Topic(format!("{{plug}}/{end}"));
    PlugKind {
        name: "plain".to_owned(),
        tell: Tell { topic: topic("order"), on: "on".to_owned(), off: "off".to_owned(), retain: false },
        report: Some(Report { topic: topic("report"), pointer: None, on: vec!["on".into()], off: vec!["off".into()] }),
        ask: None,
        alive: Some(Alive { topic: topic("alive"), yes: "here".to_owned(), no: "gone".to_owned() }),
    }
}

/// The kinds of a file: by name, and whether it could be read.
pub(super) type Kinds<'a> = Vec<(&'a str, Option<Arc<PlugKind>>)>;

/// Reads `[plug_kind]`, with the built-in kind before all others.
pub(super) fn kinds<'a, 't>(reader: &mut Reader<'t>, root: &Table<'a, 't>) -> Kinds<'a> {
    let mut kinds: Kinds<'a> = vec![("plain", Some(Arc::new(plain())))];
    let Some(entry) = root.get("plug_kind") else { return kinds };
    let Some(table) = reader.names("[plug_kind]", &entry) else { return kinds };
    for entry in &table.entries {
        if entry.key == "plain" {
            let fault = PhraseFault::new(entry.key_at(), "the kind `plain` is built in");
            reader.refuse(fault.expected("another name for a kind of your own"));
            continue;
        }
        if entry.key.trim().is_empty() || entry.key.chars().any(char::is_control) {
            let fault = PhraseFault::new(entry.key_at(), "a plug kind needs a name");
            reader.refuse(fault.expected("[plug_kind.socket]"));
        }
        let kind = kind(reader, entry).map(Arc::new);
        kinds.push((entry.key, kind));
    }
    kinds
}

fn kind<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>) -> Option<PlugKind> {
    let name = format!("[plug_kind.{}]", entry.key);
    let table = reader.table(&name, entry, &["tell", "report", "ask", "alive"])?;
    let example = r#"tell = { topic = "{plug}/order", on = "on", off = "off" }"#;
    let tell = reader.need(&table, "tell", example).and_then(|entry| tell(reader, &entry));
    let report = optional(table.get("report"), |entry| report(reader, entry));
    let ask = optional(table.get("ask"), |entry| ask(reader, entry));
    let alive = optional(table.get("alive"), |entry| alive(reader, entry));
    if let (Some(entry), None) = (table.get("ask"), table.get("report")) {
        let fault = PhraseFault::new(entry.key_at(), "`ask` without `report`: nothing would hear the answer");
        reader.refuse_unless_lost("plug_kind", fault.expected("a report as well, or no ask"));
    }
    let (tell, report, ask, alive) = (tell?, report?, ask?, alive?);
    echo(reader, &table, &tell, report.as_ref(), ask.as_ref());
    Some(PlugKind { name: entry.key.to_owned(), tell, report, ask, alive })
}

/// Refuses a report that would be our own command, or question, coming back.
fn echo<'t>(reader: &mut Reader<'t>, table: &Table<'_, 't>, tell: &Tell, report: Option<&Report>, ask: Option<&Ask>) {
    let Some(report) = report else { return };
    let Some(DeValue::Table(entries)) = table.get("report").map(|entry| entry.value.get_ref()) else { return };
    let Some(topic) = entries.get("topic") else { return };
    let own = if report.topic == tell.topic {
        "commands"
    } else if ask.is_some_and(|ask| ask.topic == report.topic) {
        "questions"
    } else {
        return;
    };
    let message = format!("the report would be lampward's own {own} coming back");
    reader.refuse(PhraseFault::new(topic.span(), message).expected("the topic on which the plug itself speaks"));
}

/// Reads an entry that may be left out; the outer `None` is a fault.
fn optional<'a, 't, T>(
    entry: Option<Entry<'a, 't>>,
    read: impl FnOnce(&Entry<'a, 't>) -> Option<T>,
) -> Option<Option<T>> {
    match entry {
        Some(entry) => read(&entry).map(Some),
        None => Some(None),
    }
}

fn tell<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>) -> Option<Tell> {
    let table = reader.table("tell", entry, &["topic", "on", "off", "retain"])?;
    let topic = topic(reader, &table, Use::Publish);
    let on = payload(reader, &table, "on");
    let off = payload(reader, &table, "off");
    let retain = reader.flag_or(table.get("retain"), false);
    let (on, off) = (on?, off?);
    differ(reader, &table, "off", on == off)?;
    Some(Tell { topic: topic?, on, off, retain: retain? })
}

fn report<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>) -> Option<Report> {
    let table = reader.table("report", entry, &["topic", "pointer", "on", "off"])?;
    let topic = topic(reader, &table, Use::Listen);
    let pointer = optional(table.get("pointer"), |entry| reader.phrase(entry, pointer));
    let text_only = table.get("pointer").is_none();
    let on = values(reader, &table, "on", text_only);
    let off = values(reader, &table, "off", text_only);
    let (on, off) = (on?, off?);
    differ(reader, &table, "off", off.iter().any(|off| on.iter().any(|on| alike(on, off))))?;
    Some(Report { topic: topic?, pointer: pointer?, on, off })
}

fn ask<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>) -> Option<Ask> {
    let table = reader.table("ask", entry, &["topic", "payload", "every"])?;
    let topic = topic(reader, &table, Use::Publish);
    let payload = match table.get("payload") {
        Some(entry) => reader.text(&entry).map(str::to_owned),
        None => Some(String::new()),
    };
    let every = reader.phrase_or(table.get("every"), ASK_EVERY, |text| {
        let every = parse_duration(text)?;
        let every = every.to_std().ok().filter(|_| ASK_RANGE_S.contains(&every.num_seconds()));
        let fault = || PhraseFault::new(0..text.len(), format!("{} is out of range", quoted(text)));
        every.ok_or_else(|| fault().expected("10 s to 24 h"))
    });
    Some(Ask { topic: topic?, payload: payload?, every: every? })
}

fn alive<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>) -> Option<Alive> {
    let table = reader.table("alive", entry, &["topic", "yes", "no"])?;
    let topic = topic(reader, &table, Use::Listen);
    let yes = payload(reader, &table, "yes");
    let no = payload(reader, &table, "no");
    let (yes, no) = (yes?, no?);
    differ(reader, &table, "no", yes.trim() == no.trim())?;
    Some(Alive { topic: topic?, yes, no })
}

fn topic<'t>(reader: &mut Reader<'t>, table: &Table<'_, 't>, usage: Use) -> Option<Topic> {
    let entry = reader.need(table, "topic", r#"topic = "{plug}/…""#)?;
    reader.phrase(&entry, |text| {
        check(text, "a topic", usage)?;
        check_braces(text)?;
        Ok(Topic(text.to_owned()))
    })
}

fn payload<'t>(reader: &mut Reader<'t>, table: &Table<'_, 't>, key: &str) -> Option<String> {
    let entry = reader.need(table, key, &format!("{key} = \"{key}\""))?;
    reader.text(&entry).map(str::to_owned)
}

/// Refuses two payloads or values that could not be told apart.
fn differ<'t>(reader: &mut Reader<'t>, table: &Table<'_, 't>, key: &str, same: bool) -> Option<()> {
    let entry = table.get(key).filter(|_| same);
    let Some(entry) = entry else { return Some(()) };
    let other = if key == "no" { "yes" } else { "on" };
    let message = format!("{} and {} of {} are alike", quoted(other), quoted(key), table.name);
    reader.refuse(PhraseFault::new(entry.at(), message).expected("two that differ"));
    None
}

/// A JSON pointer. RFC 6901, section 3: empty, or parts that each begin with `/`; `~` only as `~0` or `~1`.
fn pointer(text: &str) -> Result<String, PhraseFault> {
    let expected = "a JSON pointer such as /supply (RFC 6901)";
    if !text.is_empty() && !text.starts_with('/') {
        let fault = PhraseFault::new(0..text.len(), format!("{} does not begin with `/`", quoted(text)));
        return Err(fault.expected(expected).nearest(Some(format!("/{text}"))));
    }
    let stray = text.match_indices('~').find(|(at, _)| !text[at + 1..].starts_with(['0', '1']));
    if let Some((at, _)) = stray {
        return Err(PhraseFault::new(at..at + 1, "`~` of a JSON pointer has to be ~0, and `/` within a name ~1")
            .expected("~0 or ~1 (RFC 6901)"));
    }
    Ok(text.to_owned())
}

/// One value or a list of them.
fn values<'t>(reader: &mut Reader<'t>, table: &Table<'_, 't>, key: &str, text_only: bool) -> Option<Vec<Json>> {
    let entry = reader.need(table, key, &format!("{key} = \"{key}\""))?;
    let entries = match entry.value.get_ref() {
        DeValue::Array(array) => array.iter().map(|value| entry.element(value)).collect(),
        _ => vec![entry],
    };
    if entries.is_empty() {
        return reader.refuse_value(&entry, "names no value", "one value, or a list of them");
    }
    // Each is read, so that every fault is shown.
    let values: Vec<Option<Json>> = entries.iter().map(|entry| value(reader, entry, text_only)).collect();
    values.into_iter().collect()
}

/// Whether two values are the same to a plug: `1` and `1.0` are.
fn alike(one: &Json, other: &Json) -> bool {
    one == other || one.as_f64().is_some_and(|number| other.as_f64() == Some(number))
}

fn value<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>, text_only: bool) -> Option<Json> {
    let value = match entry.value.get_ref() {
        DeValue::String(text) => return Some(Json::from(text.trim())),
        DeValue::Boolean(flag) => Some(Json::from(*flag)),
        value @ DeValue::Integer(_) => integer(value).map(Json::from),
        DeValue::Float(float) => float.as_str().parse().ok().filter(|n: &f64| n.is_finite()).map(Json::from),
        _ => return reader.wrong(entry, "a value", "text in quotes, a number, true or false"),
    };
    if value.is_some() && text_only {
        return reader.wrong(entry, "text", "text in quotes, as the whole payload is text; or a pointer into its JSON");
    }
    value.or_else(|| reader.refuse_value(entry, "is no number of JSON", "a number of usual size"))
}
