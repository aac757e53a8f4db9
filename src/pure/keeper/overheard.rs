//! What is said on other topics while a channel is tried, and whether it goes in step with the commands.
//!
//! None of it ever counts as a report. It is kept small: so many topics, one payload for each step, none of them long.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

use smol_str::SmolStr;

use super::tried::Elsewhere;
use crate::pure::config::PlugKind;
use crate::pure::plug_kind::shown;
use crate::pure::power::Power;

/// Topics that are noted; a house talks about more, but hardly around one plug.
const TOPICS: usize = 256;
/// Longer topics and payloads are no answer of a plug's.
const LONGEST_TOPIC: usize = 512;
const LONGEST_PAYLOAD: usize = 2048;
/// Values looked at in one document.
const VALUES: usize = 64;
/// Filters listened to for one try.
const FILTERS: usize = 64;
/// What is shown to a person.
const SHOWN: usize = 8;

/// What was said on each topic last after each command.
#[derive(Debug, Default)]
pub(super) struct Overheard {
    topics: BTreeMap<String, Vec<(usize, Vec<u8>)>>,
}

impl Overheard {
    /// Notes a payload that came in a step.
    pub fn note(&mut self, step: usize, topic: &str, payload: &[u8]) {
        let fits = topic.len() <= LONGEST_TOPIC && payload.len() <= LONGEST_PAYLOAD;
        if !fits || (self.topics.len() == TOPICS && !self.topics.contains_key(topic)) {
            return;
        }
        let said = self.topics.entry(topic.to_string()).or_default();
        match said.last_mut() {
            Some((last, kept)) if *last == step => *kept = payload.to_vec(),
            _ => said.push((step, payload.to_vec())),
        }
    }

    /// The topics on which it was one thing after each *on* and another after each *off*.
    pub fn in_step(&self, commands: &[Power], plugs: &[&str]) -> Vec<Elsewhere> {
        let found = self.topics.iter().filter_map(|(topic, said)| in_step(topic, said, commands, plugs));
        found.take(SHOWN).collect()
    }
}

fn in_step(topic: &str, said: &[(usize, Vec<u8>)], commands: &[Power], plugs: &[&str]) -> Option<Elsewhere> {
    // The first command may find the lamp so already; of the changes after it no more than one may have been passed over.
    let changes = said.iter().filter(|(step, _)| *step > 0).count();
    if changes + 2 < commands.len() {
        return None;
    }
    let after =
        |power: Power| said.iter().filter(move |(step, _)| commands[*step] == power).map(|(_, payload)| payload);
    let (on, off) = (after(Power::On).collect::<Vec<_>>(), after(Power::Off).collect::<Vec<_>>());
    let (last_on, last_off) = (on.last()?, off.last()?);
    let (pointer, means_on, means_off) = difference(&on, &off)?;
    let name = plugs.iter().filter(|plug| topic.contains(**plug)).max_by_key(|plug| plug.len());
    let template = name.map_or_else(|| topic.to_string(), |plug| topic.replacen(plug, "{plug}", 1));
    let pointer = pointer.map(|pointer| format!(", pointer = {}", quoted(&pointer))).unwrap_or_default();
    Some(Elsewhere {
        topic: topic.to_string(),
        after_on: shown(last_on),
        after_off: shown(last_off),
        report: format!("report = {{ topic = {}{pointer}, on = {means_on}, off = {means_off} }}", quoted(&template)),
    })
}

/// Where the payloads differ between on and off, and are alike otherwise: a JSON pointer or the whole payload, with the
/// values as the file has them.
fn difference(on: &[&Vec<u8>], off: &[&Vec<u8>]) -> Option<(Option<String>, String, String)> {
    if let (Some(on), Some(off)) = (documents(on), documents(off)) {
        let mut alike: Vec<(&String, &Value, &Value)> = on[0]
            .iter()
            .filter_map(|(pointer, means_on)| Some((pointer, means_on, off[0].get(pointer)?)))
            .filter(|(pointer, means_on, means_off)| {
                means_on != means_off
                    && on.iter().all(|values| values.get(*pointer) == Some(means_on))
                    && off.iter().all(|values| values.get(*pointer) == Some(means_off))
            })
            .collect();
        // A word or a truth value says more than a number, which may be the watts.
        alike.sort_by_key(|(pointer, means_on, _)| (means_on.is_number(), pointer.len()));
        let (pointer, means_on, means_off) = alike.first()?;
        return Some((Some((*pointer).clone()), in_file(means_on), in_file(means_off)));
    }
    let text = |payload: &&Vec<u8>| std::str::from_utf8(payload).ok().map(|text| text.trim().to_string());
    let one = |payloads: &[&Vec<u8>]| {
        let first = text(payloads.first()?)?;
        payloads.iter().all(|payload| text(payload).as_ref() == Some(&first)).then_some(first)
    };
    let (on, off) = (one(on)?, one(off)?);
    (on != off).then(|| (None, quoted(&on), quoted(&off)))
}

/// The values of each payload by their pointers; `None` if one of them is no JSON object or array.
fn documents(payloads: &[&Vec<u8>]) -> Option<Vec<BTreeMap<String, Value>>> {
    let read = |payload: &&Vec<u8>| {
        let document: Value = serde_json::from_slice(payload).ok()?;
        (document.is_object() || document.is_array()).then(|| {
            let mut values = BTreeMap::new();
            collect(&document, String::new(), &mut values);
            values
        })
    };
    let all: Option<Vec<_>> = payloads.iter().map(read).collect();
    all.filter(|all| !all.is_empty())
}

fn collect(value: &Value, pointer: String, values: &mut BTreeMap<String, Value>) {
    if values.len() == VALUES {
        return;
    }
    match value {
        Value::Object(fields) => {
            for (name, field) in fields {
                // RFC 6901 §3.
                collect(field, format!("{pointer}/{}", name.replace('~', "~0").replace('/', "~1")), values);
            }
        }
        Value::Array(items) => {
            for (index, item) in items.iter().enumerate() {
                collect(item, format!("{pointer}/{index}"), values);
            }
        }
        Value::Null => {}
        plain => {
            values.insert(pointer, plain.clone());
        }
    }
}

/// A basic string of TOML, which takes what JSON does.
fn quoted(text: &str) -> String {
    Value::from(text).to_string()
}

fn in_file(value: &Value) -> String {
    value.to_string()
}

/// Where a plug might answer other than it should: beneath its name, with one more level before it, beside it, and
/// beside the topics that are known.
pub(super) fn around(kind: &PlugKind, plugs: &[SmolStr]) -> Vec<String> {
    let beside = |topic: &str| match topic.rsplit_once('/') {
        Some((parent, _)) => format!("{parent}/+"),
        None => "+".to_string(),
    };
    let mut filters = BTreeSet::new();
    for plug in plugs {
        filters.extend([format!("{plug}/#"), format!("+/{plug}/#"), beside(plug), beside(&kind.tell.topic.of(plug))]);
        filters.extend(kind.report.iter().map(|report| beside(&report.topic.of(plug))));
    }
    filters.into_iter().filter(|filter| !filter.starts_with('$')).take(FILTERS).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const COMMANDS: [Power; 5] = [Power::Off, Power::On, Power::Off, Power::On, Power::Off];

    #[track_caller]
    fn check(topic: &str, said: [&str; 5], expected: Option<&str>) {
        let mut overheard = Overheard::default();
        for (step, payload) in said.iter().enumerate().filter(|(_, payload)| !payload.is_empty()) {
            overheard.note(step, topic, payload.as_bytes());
        }
        let found = overheard.in_step(&COMMANDS, &["yard/3"]);
        assert_eq!(found.first().map(|found| found.report.as_str()), expected);
    }

    #[test]
    fn a_word_that_follows_the_commands_looks_like_an_answer() {
        let expected = r#"report = { topic = "{plug}/state", on = "ON", off = "OFF" }"#;
        check("yard/3/state", ["OFF", "ON", "OFF", "ON", "OFF"], Some(expected));
        check("yard/3/state", ["", "ON", "OFF", "ON", "OFF"], Some(expected));
        check("yard/3/state", ["OFF", "ON", "", "ON", "OFF"], Some(expected));
    }

    #[test]
    fn a_value_in_a_document_that_follows_the_commands_is_found_among_others() {
        let payload =
            |on: bool, n: u32| format!(r#"{{"n":{n},"relay":{{"now":{on}}},"watts":{}}}"#, if on { 7 } else { 0 });
        let said: Vec<String> = (0..5).map(|n| payload(n % 2 == 1, n)).collect();
        let said: [&str; 5] = std::array::from_fn(|n| said[n].as_str());
        check(
            "status/yard/3",
            said,
            Some(r#"report = { topic = "status/{plug}", pointer = "/relay/now", on = true, off = false }"#),
        );
    }

    #[test]
    fn what_does_not_follow_the_commands_does_not_look_like_an_answer() {
        check("yard/3/heat", ["21.5", "21.6", "21.5", "21.7", "21.6"], None);
        check("yard/3/clock", ["1", "2", "3", "4", "5"], None);
        check("yard/3/here", ["here", "here", "here", "here", "here"], None);
        check("yard/3/seldom", ["", "ON", "OFF", "", ""], None);
        check("yard/3/first", ["OFF", "ON", "OFF", "", ""], None);
        check("yard/3/other", [r#"{"n":1}"#, r#"{"n":2}"#, r#"{"n":3}"#, r#"{"n":4}"#, r#"{"n":5}"#], None);
    }

    #[test]
    fn what_strangers_send_takes_little_room() {
        let mut overheard = Overheard::default();
        for topic in 0..10_000 {
            overheard.note(0, &format!("yard/{topic}"), &[b'x'; LONGEST_PAYLOAD]);
            overheard.note(0, &format!("yard/long/{topic}"), &[b'x'; LONGEST_PAYLOAD + 1]);
            overheard.note(1, &"x".repeat(LONGEST_TOPIC + 1), b"on");
        }
        assert_eq!(overheard.topics.len(), TOPICS);
    }
}
