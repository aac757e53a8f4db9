//! The text of a first file and of a further lamp, from answers. Nothing is checked here: whoever writes it reads it with
//! `config::read` first, so that an answer and a file are judged by the same parsers.

use std::fmt::Write;

use super::edit::literal;

/// `[place]`, `[times]` and `[broker]` of a first file, as answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct House {
    /// `name`.
    pub name: String,
    /// `position`.
    pub position: String,
    /// `time_zone`.
    pub time_zone: String,
    /// `[broker]`; `None`: Lampward's own.
    pub broker: Option<Broker>,
    /// `[times]`: names and clock times.
    pub times: Vec<(String, String)>,
}

/// `[broker]` with an address.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Broker {
    /// `address`.
    pub address: String,
    /// `ca`.
    pub ca: Option<String>,
    /// `user`.
    pub user: Option<String>,
    /// `password_file`.
    pub password_file: Option<String>,
}

/// A lamp, as answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lamp {
    /// NAME of `[channel.NAME]`.
    pub name: String,
    /// `label`.
    pub label: String,
    /// `plug`.
    pub plug: String,
    /// `kind`.
    pub kind: Kind,
    /// `lit`.
    pub lit: Vec<Span>,
}

/// How a lamp's plug is spoken to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Built in, or in the file already; `plain` is not written.
    Known(String),
    /// Described with the lamp.
    Described(Box<Described>),
}

/// `[plug_kind.NAME]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Described {
    /// NAME.
    pub name: String,
    /// `tell`: topic.
    pub tell: String,
    /// Payload for on.
    pub on: String,
    /// Payload for off.
    pub off: String,
    /// `report`.
    pub report: Option<Report>,
    /// `alive`: topic, here, gone.
    pub alive: Option<(String, String, String)>,
}

/// `report` of a plug kind.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    /// The topic.
    pub topic: String,
    /// Where in a JSON payload the value stands; `None`: the payload is the value.
    pub pointer: Option<String>,
    /// What means on.
    pub on: String,
    /// What means off.
    pub off: String,
}

/// One entry of `lit`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Span {
    /// `from`.
    pub from: String,
    /// `until`.
    pub until: String,
    /// `at_least`.
    pub at_least: Option<String>,
}

/// When a lamp is to be lit, in a few words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Lit {
    /// From sunset until sunrise.
    AllNight,
    /// From dusk until bedtime.
    Evenings,
    /// From rising until it is light.
    Mornings,
    /// From one moment until another, in the words of the file.
    Own(String, String),
}

impl Lit {
    /// Reads `all night`, `evenings`, `mornings`, or `FROM until UNTIL` with two moments; `None` for anything else.
    pub fn read(words: &str) -> Option<Lit> {
        match words.trim() {
            "all night" => Some(Lit::AllNight),
            "evenings" => Some(Lit::Evenings),
            "mornings" => Some(Lit::Mornings),
            own => {
                let own = own.strip_prefix("from ").unwrap_or(own);
                let (from, until) = own.split_once(" until ")?;
                Some(Lit::Own(from.trim().to_owned(), until.trim().to_owned()))
            }
        }
    }

    /// Whether it ends or begins at a clock time of this name.
    pub fn uses(&self, name: &str) -> bool {
        match self {
            Lit::AllNight => false,
            Lit::Evenings => name == "bedtime",
            Lit::Mornings => name == "rising",
            Lit::Own(from, until) => [from, until].iter().any(|moment| words(moment).any(|word| word == name)),
        }
    }

    /// The entry of `lit`; `bedtime` and `rising` are names or clock times.
    pub fn span(&self, bedtime: &str, rising: &str) -> Span {
        let span = |from: &str, until: &str| Span { from: from.to_owned(), until: until.to_owned(), at_least: None };
        match self {
            Lit::AllNight => span("sunset", "sunrise"),
            Lit::Evenings => span("dusk", bedtime),
            // Not for a minute on the days when both come together.
            Lit::Mornings => Span { at_least: Some("10 min".to_owned()), ..span(rising, "sunrise") },
            Lit::Own(from, until) => {
                let meant = |moment: &str| {
                    let word = |word| match word {
                        "bedtime" => bedtime,
                        "rising" => rising,
                        other => other,
                    };
                    words(moment).map(word).collect::<String>()
                };
                span(&meant(from), &meant(until))
            }
        }
    }
}

/// The words of a moment, and what stands between them.
fn words(moment: &str) -> impl Iterator<Item = &str> {
    moment.split_inclusive([' ', ',']).flat_map(|piece| {
        let (word, end) = piece.split_at(piece.trim_end_matches([' ', ',']).len());
        [word, end]
    })
}

/// The name of a channel made of its label: `Jetty lamp` becomes `jetty-lamp`, and `jetty-lamp-2` where that is taken.
pub fn name_of(label: &str, taken: impl Fn(&str) -> bool) -> String {
    let mut name = String::new();
    for c in label.to_lowercase().chars() {
        match c {
            'a'..='z' | '0'..='9' => name.push(c),
            _ if name.ends_with('-') || name.is_empty() => {}
            _ => name.push('-'),
        }
    }
    let name = match name.trim_end_matches('-') {
        "" => "lamp",
        name => name,
    };
    let free = (2..).map(|n| format!("{name}-{n}")).find(|name| !taken(name));
    if taken(name) { free.unwrap_or_default() } else { name.to_owned() }
}

/// A first file, without a lamp.
pub fn house_text(house: &House) -> String {
    let House { name, position, time_zone, broker, times } = house;
    let mut text = format!("# The lamps of {}.\n", name.replace(char::is_control, " "));
    text += "#\n\
             # Text after # is for you and is not read. After each change, `lampward check` says what is wrong, and where, or\n\
             # what was read. A running Lampward reads the file again a second after it was saved.\n\n";
    text += "[place]\n";
    let rows = [("name", name), ("position", position), ("time_zone", time_zone)];
    for (key, value) in rows {
        let _ = writeln!(text, "{key:<9} = {}", literal(value));
    }
    if !times.is_empty() {
        text += "\n# Clock times that several lamps can share. For other times on some weekdays write, for instance:\n\
                 #     bedtime = { \"Sun-Thu\" = \"22:45\", \"Fri Sat\" = \"23:30\" }\n[times]\n";
        for (name, clock) in times {
            let _ = writeln!(text, "{name} = {}", literal(clock));
        }
    }
    text.push('\n');
    text += &match broker {
        None => "# Without [broker], Lampward serves an MQTT broker itself, on this computer alone: no plug on your network\n\
                 # reaches it there. To use the broker of your house:\n#\n\
                 # [broker]\n# address = \"mqtt://192.0.2.7:1883\"\n"
            .to_owned(),
        Some(broker) => {
            let mut text = format!("[broker]\naddress = {}\n", literal(&broker.address));
            let rows = [("ca", &broker.ca), ("user", &broker.user), ("password_file", &broker.password_file)];
            for (key, value) in rows {
                if let Some(value) = value {
                    let _ = writeln!(text, "{key} = {}", literal(value));
                }
            }
            text
        }
    };
    text
}

/// A lamp, and before it the kind of its plug where that is described.
pub fn lamp_text(lamp: &Lamp) -> String {
    let mut text = String::new();
    let kind = match &lamp.kind {
        Kind::Known(name) => name,
        Kind::Described(kind) => {
            text += &kind_text(kind);
            text.push('\n');
            &kind.name
        }
    };
    let _ = write!(text, "[channel.{}]\nlabel = {}\n", key(&lamp.name), literal(&lamp.label));
    if kind != "plain" {
        let _ = writeln!(text, "kind  = {}", literal(kind));
    }
    let _ = writeln!(text, "plug  = {}", literal(&lamp.plug));
    let spans: Vec<String> = lamp.lit.iter().map(span_text).collect();
    match spans.as_slice() {
        [one] => {
            let _ = writeln!(text, "lit   = [{one}]");
        }
        several => {
            text += "lit = [\n";
            for span in several {
                let _ = writeln!(text, "  {span},");
            }
            text += "]\n";
        }
    }
    text
}

fn kind_text(kind: &Described) -> String {
    let mut text = format!(
        "# How a make of plug is spoken to; {{plug}} stands for the name that a lamp gives as its plug.\n[plug_kind.{}]\n\
         tell   = {{ topic = {}, on = {}, off = {} }}\n",
        key(&kind.name),
        literal(&kind.tell),
        literal(&kind.on),
        literal(&kind.off)
    );
    if let Some(report) = &kind.report {
        let pointer = report.pointer.as_deref().map(|pointer| format!("pointer = {}, ", literal(pointer)));
        let value = |text: &str| match report.pointer {
            Some(_) => json_value(text),
            None => literal(text),
        };
        let _ = writeln!(
            text,
            "report = {{ topic = {}, {}on = {}, off = {} }}",
            literal(&report.topic),
            pointer.unwrap_or_default(),
            value(&report.on),
            value(&report.off)
        );
    }
    if let Some((topic, yes, no)) = &kind.alive {
        let _ =
            writeln!(text, "alive  = {{ topic = {}, yes = {}, no = {} }}", literal(topic), literal(yes), literal(no));
    }
    text
}

fn span_text(span: &Span) -> String {
    let at_least = span.at_least.as_deref().map(|length| format!(", at_least = {}", literal(length)));
    let (from, until) = (literal(&span.from), literal(&span.until));
    format!("{{ from = {from}, until = {until}{} }}", at_least.unwrap_or_default())
}

/// A value inside JSON: `true`, `false` and whole numbers as they are, anything else as text.
fn json_value(text: &str) -> String {
    let number = text.len() < 10 && text.parse::<i64>().is_ok_and(|number| number.to_string() == text);
    if number || text == "true" || text == "false" { text.to_owned() } else { literal(text) }
}

/// A key, with quotes where it needs them; those that need them are refused by the reader, with its own words.
fn key(name: &str) -> String {
    let bare = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if !name.is_empty() && name.chars().all(bare) { name.to_owned() } else { format!("{:?}", name) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pure::config::read;

    fn lamp() -> Lamp {
        let lit = vec![Lit::AllNight.span("", "")];
        let (name, label) = ("jetty".to_owned(), "Jetty lamp".to_owned());
        Lamp { name, label, plug: "yard/3".to_owned(), kind: Kind::Known("plain".to_owned()), lit }
    }

    fn house() -> House {
        House {
            name: "Skarvholmen".to_owned(),
            position: "59.7412 N, 5.2097 E".to_owned(),
            time_zone: "Europe/Oslo".to_owned(),
            broker: None,
            times: Vec::new(),
        }
    }

    #[track_caller]
    fn check(house: &House, lamp: &Lamp, expected: &str) {
        let text = format!("{}\n{}", house_text(house), lamp_text(lamp));
        let lines: Vec<&str> = text.lines().filter(|line| !line.starts_with('#') && !line.is_empty()).collect();
        assert_eq!(lines.join("\n"), expected);
        assert!(read("new.toml", text.as_bytes()).is_ok_and(|checked| checked.warnings.is_empty()), "{text}");
    }

    #[test]
    fn the_least_file_is_a_place_and_a_lamp() {
        check(
            &house(),
            &lamp(),
            "[place]\nname      = \"Skarvholmen\"\nposition  = \"59.7412 N, 5.2097 E\"\ntime_zone = \"Europe/Oslo\"\n\
             [channel.jetty]\nlabel = \"Jetty lamp\"\nplug  = \"yard/3\"\nlit   = [{ from = \"sunset\", until = \"sunrise\" }]",
        );
    }

    #[test]
    fn everything_that_can_be_answered_comes_out_as_it_was_said() {
        let described = Described {
            name: "socket".to_owned(),
            tell: "{plug}/order".to_owned(),
            on: r#"{"supply":true}"#.to_owned(),
            off: r#"{"supply":false}"#.to_owned(),
            report: Some(Report {
                topic: "{plug}/report".to_owned(),
                pointer: Some("/supply".to_owned()),
                on: "true".to_owned(),
                off: "false".to_owned(),
            }),
            alive: Some(("{plug}/alive".to_owned(), "here".to_owned(), "gone".to_owned())),
        };
        let lamp = Lamp {
            label: "The \"old\" lamp".to_owned(),
            kind: Kind::Described(Box::new(described)),
            lit: vec![Lit::Evenings.span("bedtime", "rising"), Lit::Mornings.span("bedtime", "rising")],
            ..lamp()
        };
        let broker = Broker {
            address: "mqtts://192.0.2.7:8883".to_owned(),
            ca: Some("/etc/lampward/broker-authority.pem".to_owned()),
            user: Some("lampward".to_owned()),
            password_file: Some("/etc/lampward/broker-password".to_owned()),
        };
        let times = [("bedtime", "22:45"), ("rising", "06:15")];
        let times = times.map(|(name, clock)| (name.to_owned(), clock.to_owned())).to_vec();
        let house = House { broker: Some(broker), times, ..house() };
        check(
            &house,
            &lamp,
            r#"[place]
name      = "Skarvholmen"
position  = "59.7412 N, 5.2097 E"
time_zone = "Europe/Oslo"
[times]
bedtime = "22:45"
rising = "06:15"
[broker]
address = "mqtts://192.0.2.7:8883"
ca = "/etc/lampward/broker-authority.pem"
user = "lampward"
password_file = "/etc/lampward/broker-password"
[plug_kind.socket]
tell   = { topic = "{plug}/order", on = '{"supply":true}', off = '{"supply":false}' }
report = { topic = "{plug}/report", pointer = "/supply", on = true, off = false }
alive  = { topic = "{plug}/alive", yes = "here", no = "gone" }
[channel.jetty]
label = 'The "old" lamp'
kind  = "socket"
plug  = "yard/3"
lit = [
  { from = "dusk", until = "bedtime" },
  { from = "rising", until = "sunrise", at_least = "10 min" },
]"#,
        );
    }

    #[test]
    fn a_label_becomes_a_name() {
        for (label, expected) in [
            ("Jetty lamp", "jetty-lamp"),
            ("  Østre sjøbod (2)", "stre-sj-bod-2"),
            ("灯", "lamp"),
            ("Parlour", "parlour-3"),
        ] {
            assert_eq!(name_of(label, |name| ["parlour", "parlour-2"].contains(&name)), expected);
        }
    }

    #[test]
    fn own_words_are_two_moments() {
        let own = Lit::Own("20 min before sunset, not before 16:00".to_owned(), "23:30".to_owned());
        for words in [
            "20 min before sunset, not before 16:00 until 23:30",
            " from 20 min before sunset, not before 16:00 until  23:30 ",
        ] {
            assert_eq!(Lit::read(words), Some(own.clone()));
        }
        assert_eq!((Lit::read("all night"), Lit::read("always")), (Some(Lit::AllNight), None));
    }
}
