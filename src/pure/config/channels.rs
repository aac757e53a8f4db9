//! `[channel.NAME]` and `[absence]`: the lamps and when they are to be lit.

use std::collections::HashMap;
use std::sync::Arc;

use chrono::TimeDelta;
use smol_str::SmolStr;

use super::fault::{PhraseFault, nearest, quoted};
use super::phrases::{parse_dates, parse_season, parse_weekdays};
use super::place::{choose, duration_up_to, label};
use super::plugs::Kinds;
use super::reader::{Entry, Reader, Table};
use super::spots::RuleSpots;
use super::topic::{LONGEST, Use, check};
use super::{Absence, ByHand, Channel, Dates, Place, PlugKind, Rule};
use crate::pure::moment::{Base, ClockTime, Mark, Moment, NamedTime, parse_moment};

/// `[absence] vary` where the file says nothing.
const VARY: TimeDelta = TimeDelta::minutes(20);
/// More would turn day and night about; common practice, no source.
const MOST_VARY: TimeDelta = TimeDelta::hours(12);
/// What a lamp can draw; common practice, no source.
const MOST_WATTS: f64 = 100_000.0;
const LONGEST_LABEL: usize = 200;
/// So many different rules are looked through for the same ones: the time to read a file stays in step with its length.
const RULES_COMPARED: usize = 64;
const KEYS: [&str; 8] = ["label", "plug", "plugs", "lit", "kind", "watts", "by_hand", "absence"];

/// What the rules of all channels draw upon.
pub(super) struct Known<'a> {
    pub names: &'a [Arc<NamedTime>],
    pub kinds: &'a Kinds<'a>,
    pub place: Option<&'a Place>,
}

/// Reads `[channel]`. Channels with faults are left out.
pub(super) fn channels<'t>(reader: &mut Reader<'t>, root: &Table<'_, 't>, known: &Known<'_>) -> Vec<Channel> {
    let Some(entry) = root.get("channel") else {
        let warning = PhraseFault::new(0..0, "the file has no channel: there is nothing to switch");
        reader.warn(warning.expected("[channel.NAME] with label, plug and lit"));
        return Vec::new();
    };
    let Some(table) = reader.names("[channel]", &entry) else { return Vec::new() };
    let mut taken = Taken::new(known.place);
    let mut channels = Vec::with_capacity(table.entries.len());
    channels.extend(table.entries.iter().filter_map(|entry| channel(reader, entry, known, &mut taken)));
    channels
}

fn channel<'t>(
    reader: &mut Reader<'t>,
    entry: &Entry<'_, 't>,
    known: &Known<'_>,
    taken: &mut Taken,
) -> Option<Channel> {
    name(reader, entry);
    let table = reader.table(&format!("[channel.{}]", entry.key), entry, &KEYS)?;
    let label = reader.need(&table, "label", r#"label = "Jetty lamp""#);
    let label = label.and_then(|label_entry| {
        let label = self::label(reader, &label_entry, LONGEST_LABEL)?;
        if let Some(other) = taken.labels.insert(label.clone(), entry.key.to_owned()) {
            let message = format!("{} is the label of [channel.{other}] too", quoted(&label));
            let at = reader.inner(label_entry.at(), &label, 0..label.len());
            reader.warn(PhraseFault::new(at, message).expected("labels that people can tell apart"));
        }
        Some(label)
    });
    let kind = match table.get("kind") {
        Some(entry) => kind(reader, &entry, known.kinds),
        None => known.kinds.first().and_then(|(_, kind)| kind.clone()),
    };
    let plugs = plugs(reader, &table, entry.key, kind.as_deref(), taken);
    let lit = lit(reader, &table, known).map(|rules| taken.share(rules));
    let watts = match table.get("watts") {
        Some(entry) => watts(reader, &entry).map(Some),
        None => Some(None),
    };
    let by_hand = reader.phrase_or(table.get("by_hand"), ByHand::Leave, |text| {
        choose(text, &[("leave", ByHand::Leave), ("correct", ByHand::Correct)])
    });
    let absence = reader.flag_or(table.get("absence"), true);
    Some(Channel {
        name: entry.key.into(),
        label: label?.into(),
        kind: kind?,
        plugs: plugs?.into(),
        lit: lit?,
        watts: watts?,
        by_hand: by_hand?,
        absence: absence?,
    })
}

fn name<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>) {
    let fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    let name = entry.key;
    let stray = name.char_indices().find(|(_, c)| !fits(*c));
    let (within, message) = match stray {
        Some((at, c)) => (at..at + c.len_utf8(), format!("{} can't stand in a channel's name", quoted(&c.to_string()))),
        None if name.is_empty() => (0..0, "a channel needs a name".to_owned()),
        None => return,
    };
    let plain: String = name.to_lowercase().chars().map(|c| if fits(c) { c } else { '-' }).collect();
    let near = Some(plain).filter(|plain| plain.contains(|c: char| c != '-') && plain.len() < 64);
    let fault = PhraseFault::new(within, message).expected("a-z, 0-9 and -").nearest(near);
    reader.refuse_within(entry.key_at(), name, fault);
}

/// The kind of that name; `None` where there is none, or where it could not be read.
fn kind<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>, kinds: &Kinds<'_>) -> Option<Arc<PlugKind>> {
    let text = reader.text(entry)?;
    if let Some((_, kind)) = kinds.iter().find(|(name, _)| *name == text) {
        return kind.clone();
    }
    let names = || kinds.iter().map(|(name, _)| *name);
    let expected = names().collect::<Vec<_>>().join(", ");
    let fault = PhraseFault::new(0..text.len(), format!("{} is not a plug kind of this file", quoted(text)));
    let at = reader.inner(entry.at(), text, fault.at.clone());
    let fault = PhraseFault { at, ..fault.expected(expected).nearest(nearest(text, names())) };
    reader.refuse_unless_lost("plug_kind", fault);
    None
}

/// Reads `plug` or `plugs`.
fn plugs<'t>(
    reader: &mut Reader<'t>,
    table: &Table<'_, 't>,
    channel: &str,
    kind: Option<&PlugKind>,
    taken: &mut Taken,
) -> Option<Vec<SmolStr>> {
    let entries = match (table.get("plug"), table.get("plugs")) {
        (Some(_), Some(plugs)) => {
            let fault = PhraseFault::new(plugs.key_at(), "`plug` and `plugs` in one channel");
            reader.refuse(fault.expected("one of the two"));
            return None;
        }
        (Some(plug), None) => vec![plug],
        (None, Some(plugs)) => {
            let entries = reader.list(&plugs, r#"plugs = ["yard/3", "yard/4"]"#)?;
            if entries.is_empty() {
                return reader.refuse_value(&plugs, "names no plug", r#"at least one: ["yard/3"]"#);
            }
            entries
        }
        (None, None) => {
            reader.need(table, "plug", r#"plug = "yard/3", or plugs = ["yard/3", "yard/4"]"#)?;
            return None;
        }
    };
    let mut read = |entry: &Entry<'_, 't>| {
        let line = reader.line(entry.at().start);
        reader.phrase(entry, |plug| {
            check(plug, "a plug", Use::Listen)?;
            if let Some(at) = plug.find(['{', '}']) {
                let fault = PhraseFault::new(at..at + 1, "a plug's name has no braces");
                return Err(fault.expected("the name that stands for {plug} in the topics of its kind"));
            }
            taken.take(plug, channel, line, kind)?;
            Ok(plug.into())
        })
    };
    // Each is read, so that every fault is shown.
    let plugs: Vec<Option<SmolStr>> = entries.iter().map(&mut read).collect();
    plugs.into_iter().collect()
}

/// Plugs and topics that belong to somebody.
struct Taken {
    /// Plug → channel and line.
    plugs: HashMap<String, (String, usize)>,
    /// Tell or report topic → plug.
    topics: HashMap<String, String>,
    /// Lampward's own.
    own: Vec<String>,
    /// Label → channel.
    labels: HashMap<String, String>,
    /// The rules of the channels before: most houses have many lamps and few different rules.
    rules: Vec<Arc<[Rule]>>,
}

impl Taken {
    fn new(place: Option<&Place>) -> Taken {
        let own = place.map(|place| ["alive", "missed"].map(|end| format!("lampward/{}/{end}", place.slug())));
        Taken {
            plugs: HashMap::new(),
            topics: HashMap::new(),
            own: own.into_iter().flatten().collect(),
            labels: HashMap::new(),
            rules: Vec::new(),
        }
    }

    /// These rules, or the same ones of a channel before.
    fn share(&mut self, rules: Vec<Rule>) -> Arc<[Rule]> {
        if let Some(same) = self.rules.iter().rev().take(RULES_COMPARED).find(|same| ***same == *rules) {
            return Arc::clone(same);
        }
        let rules: Arc<[Rule]> = rules.into();
        self.rules.push(Arc::clone(&rules));
        rules
    }

    /// Takes a plug with its topics for a channel.
    fn take(&mut self, plug: &str, channel: &str, line: usize, kind: Option<&PlugKind>) -> Result<(), PhraseFault> {
        let fault = |message: String| PhraseFault::new(0..plug.len(), message);
        if let Some((other, line)) = self.plugs.get(plug) {
            let message = match other == channel {
                true => format!("{} is listed twice", quoted(plug)),
                false => format!("{} already belongs to [channel.{other}], line {line}", quoted(plug)),
            };
            return Err(fault(message).expected("each plug once, in one channel"));
        }
        self.plugs.insert(plug.to_owned(), (channel.to_owned(), line));
        let Some(kind) = kind else { return Ok(()) };
        let tell = Some(("tell", &kind.tell.topic, Use::Publish));
        let ask = kind.ask.as_ref().map(|ask| ("ask", &ask.topic, Use::Publish));
        let report = kind.report.as_ref().map(|report| ("report", &report.topic, Use::Listen));
        let alive = kind.alive.as_ref().map(|alive| ("alive", &alive.topic, Use::Listen));
        for (word, template, usage) in [tell, report, ask, alive].into_iter().flatten() {
            let topic = template.of(plug);
            if topic.len() > LONGEST {
                let message = format!("the {word} topic of this plug would be {} bytes long", topic.len());
                return Err(fault(message).expected("at most 65535 bytes (MQTT)"));
            }
            check(&topic, &format!("the {word} topic"), usage).map_err(|found| fault(found.message))?;
            if self.own.contains(&topic) {
                let message = format!("the {word} topic {} is lampward's own", quoted(&topic));
                return Err(fault(message).expected("a topic of the plug"));
            }
            if word != "tell" && word != "report" {
                continue;
            }
            match self.topics.insert(topic.clone(), plug.to_owned()) {
                Some(other) if other != plug => {
                    let message = format!("the {word} topic {} is that of plug {} too", quoted(&topic), quoted(&other));
                    return Err(fault(message).expected("a topic for each plug: {plug} in the topics of the kind"));
                }
                _ => {}
            }
        }
        Ok(())
    }
}

fn watts<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>) -> Option<f64> {
    let watts = reader.number(entry)?;
    if (0.0..=MOST_WATTS).contains(&watts) {
        return Some(watts);
    }
    reader.refuse_value(entry, "is out of range", "0 to 100000, in watts")
}

fn lit<'t>(reader: &mut Reader<'t>, table: &Table<'_, 't>, known: &Known<'_>) -> Option<Vec<Rule>> {
    let example = r#"lit = [{ from = "sunset", until = "sunrise" }]"#;
    let entry = reader.need(table, "lit", example)?;
    let entries = reader.list(&entry, example)?;
    // Each is read, so that every fault is shown.
    let rules: Vec<Option<Rule>> = entries.iter().map(|entry| rule(reader, entry, known)).collect();
    rules.into_iter().collect()
}

fn rule<'t>(reader: &mut Reader<'t>, entry: &Entry<'_, 't>, known: &Known<'_>) -> Option<Rule> {
    let table = reader.table("lit", entry, &["from", "until", "days", "season", "except", "at_least"])?;
    let mut moment = |key, example| {
        let entry = reader.need(&table, key, example)?;
        Some((reader.phrase(&entry, |text| parse_moment(text, known.names))?, entry))
    };
    let from = moment("from", r#"from = "sunset""#);
    let until = moment("until", r#"until = "23:00""#);
    let days = reader.phrase_or(table.get("days"), [true; 7], parse_weekdays);
    let season = match table.get("season") {
        Some(entry) => reader.phrase(&entry, parse_season).map(Some),
        None => Some(None),
    };
    let except = dates(reader, table.get("except"), r#"except = ["24 Dec"]"#);
    let at_least =
        reader.phrase_or(table.get("at_least"), Rule::AT_LEAST, |text| duration_up_to(text, TimeDelta::hours(24)));
    let ((from, from_entry), (until, until_entry)) = (from?, until?);
    let horizon_deg = known.place.map_or(0.0, |place| place.horizon_deg);
    if alike(&from, &until, horizon_deg) {
        let text = reader.text(&until_entry)?;
        let fault = PhraseFault::new(0..text.len(), "`from` and `until` are alike: the lamp would never be lit");
        reader.refuse_within(until_entry.at(), text, fault.expected("two moments that differ"));
        return None;
    }
    let (from_at, until_at) = (reader.inside(&from_entry), reader.inside(&until_entry));
    reader.rules_at.push(RuleSpots { whole: entry.at(), from: from_at, until: until_at });
    Some(Rule { from, until, days: days?, season: season?, except: except?, at_least: at_least? })
}

/// Whether two moments are the same on every day of every year.
fn alike(one: &Moment, other: &Moment, horizon_deg: f64) -> bool {
    let clocks = |one: &ClockTime, other: &ClockTime| match (one, other) {
        (ClockTime::Named(one), ClockTime::Named(other)) => one.by_weekday == other.by_weekday,
        (ClockTime::At(time), ClockTime::Named(named)) | (ClockTime::Named(named), ClockTime::At(time)) => {
            named.by_weekday == [*time; 7]
        }
        (ClockTime::At(one), ClockTime::At(other)) => one == other,
    };
    let marks = |one: Mark, other: Mark| match (one, other) {
        (Mark::Passing { half, altitude }, Mark::Passing { half: other_half, altitude: other }) => {
            half == other_half && altitude.degrees(horizon_deg) == other.degrees(horizon_deg)
        }
        (one, other) => one == other,
    };
    let bases = match (&one.base, &other.base) {
        (Base::Sun { mark, offset }, Base::Sun { mark: other, offset: other_offset }) => {
            offset == other_offset && marks(*mark, *other)
        }
        (Base::Clock(one), Base::Clock(other)) => clocks(one, other),
        _ => false,
    };
    let clamps = one.clamps.iter().zip(&other.clamps);
    bases
        && one.clamps.len() == other.clamps.len()
        && clamps.into_iter().all(|(one, other)| one.side == other.side && clocks(&one.clock, &other.clock))
}

fn dates<'t>(reader: &mut Reader<'t>, entry: Option<Entry<'_, 't>>, example: &str) -> Option<Vec<Dates>> {
    let Some(entry) = entry else { return Some(Vec::new()) };
    let entries = reader.list(&entry, example)?;
    // Each is read, so that every fault is shown.
    let dates: Vec<Option<Dates>> = entries.iter().map(|entry| reader.phrase(entry, parse_dates)).collect();
    dates.into_iter().collect()
}

/// Reads `[absence]`.
pub(super) fn absence<'t>(reader: &mut Reader<'t>, root: &Table<'_, 't>) -> Option<Absence> {
    let Some(entry) = root.get("absence") else { return Some(Absence { dates: Vec::new(), vary: VARY }) };
    let table = reader.table("[absence]", &entry, &["dates", "vary"])?;
    let dates = dates(reader, table.get("dates"), r#"dates = ["2027-02-10 to 2027-02-24"]"#);
    let vary = reader.phrase_or(table.get("vary"), VARY, |text| duration_up_to(text, MOST_VARY));
    Some(Absence { dates: dates?, vary: vary? })
}
