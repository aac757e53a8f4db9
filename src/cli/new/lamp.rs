//! One lamp: label, name, plug, how the plug is spoken to, and when it is lit.

use clap::Args;

use super::ask::{Answers, Question};
use super::judge;
use crate::cli::Failure;
use crate::pure::config::{Checked, parse_moment};
use crate::pure::edit::with_lines;
use crate::pure::starter::{Described, House, Kind, Lamp, Lit, Report, house_text, lamp_text, name_of};

/// `[times]` of a new file where nobody says otherwise; common practice, no source.
const BEDTIME: &str = "22:45";
const RISING: &str = "06:15";
/// What can be chosen for `lit`.
const SPANS: &str = "\
When is it to be lit?
  1 all night, from sunset until sunrise
  2 evenings, from dusk until bedtime
  3 mornings, from rising until it is light
  4 evenings and mornings
  or your own words, such as: 20 min before sunset until 23:00
Lit";

/// The options of a lamp.
#[derive(Args, Debug)]
pub struct LampOptions {
    /// What you call the lamp, such as "Jetty lamp".
    #[arg(long, value_name = "TEXT", help_heading = "The lamp")]
    pub label: Option<String>,
    /// Its name in commands, a-z, 0-9 and - [default: made of the label].
    #[arg(long, value_name = "NAME", help_heading = "The lamp")]
    pub channel: Option<String>,
    /// Its plug, as it is named on the broker, such as yard/3.
    #[arg(long, value_name = "PLUG", help_heading = "The lamp")]
    pub plug: Option<String>,
    /// When it is lit: "all night", evenings, mornings, or two moments such as "sunset until 23:00"; may be given several times.
    #[arg(long, value_name = "WHEN", help_heading = "The lamp")]
    pub lit: Vec<String>,
    /// Until when evenings are [default: bedtime of the file, else 22:45].
    #[arg(long, value_name = "HH:MM", help_heading = "The lamp")]
    pub bedtime: Option<String>,
    /// From when mornings are [default: rising of the file, else 06:15].
    #[arg(long, value_name = "HH:MM", help_heading = "The lamp")]
    pub rising: Option<String>,
    /// How the plug is spoken to: plain, a kind of the file, or the name of one that is described here [default: plain].
    #[arg(long, value_name = "KIND", help_heading = "How its plug is spoken to")]
    pub kind: Option<String>,
    /// Describes a kind: the topic on which the plug hears orders, with {plug} for its name.
    #[arg(long, value_name = "TOPIC", requires_all = ["kind", "on", "off"], help_heading = "How its plug is spoken to")]
    pub tell: Option<String>,
    /// What it is told for on.
    #[arg(long, value_name = "PAYLOAD", requires = "tell", help_heading = "How its plug is spoken to")]
    pub on: Option<String>,
    /// What it is told for off.
    #[arg(long, value_name = "PAYLOAD", requires = "tell", help_heading = "How its plug is spoken to")]
    pub off: Option<String>,
    /// The topic on which it reports.
    #[arg(long, value_name = "TOPIC", requires = "tell", help_heading = "How its plug is spoken to")]
    pub report: Option<String>,
    /// Where in its JSON the value stands, such as /supply [default: the whole payload is the value].
    #[arg(long, value_name = "POINTER", requires = "report", help_heading = "How its plug is spoken to")]
    pub pointer: Option<String>,
    /// What it reports for on [default: true with --pointer, else what it is told].
    #[arg(long, value_name = "VALUE", requires = "report", help_heading = "How its plug is spoken to")]
    pub report_on: Option<String>,
    /// What it reports for off [default: false with --pointer, else what it is told].
    #[arg(long, value_name = "VALUE", requires = "report", help_heading = "How its plug is spoken to")]
    pub report_off: Option<String>,
    /// The topic on which it says whether it is there.
    #[arg(long, value_name = "TOPIC", requires = "tell", help_heading = "How its plug is spoken to")]
    pub alive: Option<String>,
    /// What it says there while it is there [default: here].
    #[arg(long, value_name = "PAYLOAD", requires = "alive", help_heading = "How its plug is spoken to")]
    pub alive_yes: Option<String>,
    /// What is said there when it is gone [default: gone].
    #[arg(long, value_name = "PAYLOAD", requires = "alive", help_heading = "How its plug is spoken to")]
    pub alive_no: Option<String>,
}

/// What the lamp is added to.
pub enum Base<'a> {
    /// A new file, whose `[times]` are filled as they are needed.
    New(&'a mut House),
    /// A file that is there: its text and what was read from it.
    Standing(&'a str, &'a Checked),
}

impl Base<'_> {
    /// Whether the file can be read with this lamp in it.
    fn judged(&self, lamp: &Lamp) -> Result<(), String> {
        let base = match self {
            Base::New(house) => house_text(house),
            Base::Standing(text, _) => (*text).to_owned(),
        };
        judge("answers", &with_lines(&base, &lamp_text(lamp))).map(|_| ())
    }

    fn takes(&self, name: &str) -> bool {
        match self {
            Base::New(_) => false,
            Base::Standing(_, checked) => checked.config.channels.iter().any(|channel| channel.name == name),
        }
    }

    /// Plug kinds that need no description; `plain` first.
    fn kinds(&self) -> Vec<String> {
        let mut kinds = vec!["plain".to_owned()];
        if let Base::Standing(text, _) = self {
            let document = toml_edit::Document::parse(*text).ok();
            let described = document.as_ref().and_then(|document| document.get("plug_kind")?.as_table_like());
            kinds.extend(described.into_iter().flat_map(|table| table.iter()).map(|(name, _)| name.to_owned()));
        }
        kinds
    }

    fn has_time(&self, name: &str) -> bool {
        match self {
            Base::New(house) => house.times.iter().any(|(known, _)| known == name),
            Base::Standing(_, checked) => checked.config.times.iter().any(|time| time.name == name),
        }
    }
}

/// A lamp, each answer judged as it comes.
pub fn lamp(options: &LampOptions, answers: &mut Answers, mut base: Base<'_>) -> Result<Lamp, Failure> {
    let free = name_of("one-of-these", |name| base.takes(name));
    // Good answers, to judge one other by.
    let mut lamp = Lamp {
        name: free,
        label: "x".to_owned(),
        // No household names a plug like this, so it is nobody's yet.
        plug: "lampward-new/not-yet-named".to_owned(),
        kind: Kind::Known("plain".to_owned()),
        lit: vec![Lit::AllNight.span("", "")],
    };
    let words = match base {
        Base::New(_) => "\nThe first lamp. What do you call it?",
        Base::Standing(..) => "What do you call the lamp?",
    };
    let question = Question { option: "--label", given: options.label.as_deref(), words, default: None };
    lamp.label = answers.get(&question, |label| {
        let label = label.to_owned();
        base.judged(&Lamp { label: label.clone(), ..lamp.clone() }).map(|()| label)
    })?;

    let made = name_of(&lamp.label, |name| base.takes(name));
    let question = Question {
        option: "--channel",
        given: options.channel.as_deref(),
        words: "Its name in commands",
        default: Some(&made),
    };
    lamp.name = answers.get(&question, |name| {
        if base.takes(name) {
            return Err(format!("there is a {name} already; expected another name, such as {made}"));
        }
        base.judged(&Lamp { name: name.to_owned(), ..lamp.clone() }).map(|()| name.to_owned())
    })?;

    lamp.kind = kind(options, answers, &base, &lamp)?;
    let question = Question {
        option: "--plug",
        given: options.plug.as_deref(),
        words: "Its plug, as it is named on the broker, such as yard/3",
        default: None,
    };
    lamp.plug = answers.get(&question, |plug| {
        base.judged(&Lamp { plug: plug.to_owned(), ..lamp.clone() }).map(|()| plug.to_owned())
    })?;
    lamp.lit = lit(options, answers, &mut base, &lamp)?;
    Ok(lamp)
}

fn kind(options: &LampOptions, answers: &mut Answers, base: &Base<'_>, lamp: &Lamp) -> Result<Kind, Failure> {
    let known = base.kinds();
    let mut words = "How is its plug spoken to?\n  \
                     1 plain: it hears on and off on PLUG/order, and reports on and off on PLUG/report\n"
        .to_owned();
    for (index, name) in known.iter().enumerate().skip(1) {
        words += &format!("  {} {name}: as this file describes it\n", index + 1);
    }
    words += &format!("  {} in its own way: you are asked for topics and words\nKind", known.len() + 1);
    let question = Question { option: "--kind", given: options.kind.as_deref(), words: &words, default: Some("plain") };
    let own_way = known.len() + 1;
    // `None`: it is to be described.
    let chosen = answers.get(&question, |answer| {
        let number = answer.parse::<usize>().ok().filter(|_| options.kind.is_none());
        if let Some(name) = number.and_then(|number| known.get(number.checked_sub(1)?)) {
            return Ok(Some(name.clone()));
        }
        match known.iter().any(|name| name == answer) {
            true if options.tell.is_some() => Err(format!("{answer} is described already; expected another name")),
            true => Ok(Some(answer.to_owned())),
            false if number == Some(own_way) || options.tell.is_some() => Ok(None),
            false => Err(format!(
                "`{answer}` is no plug kind that is known here; expected {}, or one that is described (--tell, --on, --off)",
                known.join(", ")
            )),
        }
    })?;
    match chosen {
        Some(name) => Ok(Kind::Known(name)),
        None => described(options, answers, base, lamp).map(|kind| Kind::Described(Box::new(kind))),
    }
}

fn described(options: &LampOptions, answers: &mut Answers, base: &Base<'_>, lamp: &Lamp) -> Result<Described, Failure> {
    let mut kind = Described {
        name: "x-not-yet-named".to_owned(),
        tell: "{plug}/order".to_owned(),
        on: "on".to_owned(),
        off: "off".to_owned(),
        report: None,
        alive: None,
    };
    // Each answer goes into the description by `put`, and is judged there.
    let mut get = |kind: &Described, question: Question<'_>, put: &dyn Fn(&mut Described, &str)| {
        answers.get(&question, |answer| {
            let mut with = kind.clone();
            put(&mut with, answer);
            let lamp = Lamp { kind: Kind::Described(Box::new(with.clone())), ..lamp.clone() };
            base.judged(&lamp).map(|()| with)
        })
    };
    fn given<'a>(option: &'a str, given: Option<&'a String>, words: &'a str, default: Option<&'a str>) -> Question<'a> {
        Question { option, given: given.map(String::as_str), words, default }
    }

    // Without options only a number led here, and a name is asked for.
    let name = options.tell.as_ref().and(options.kind.as_ref());
    kind = get(&kind, given("--kind", name, "A name for this make of plug", Some("socket")), &|kind, answer| {
        answer.clone_into(&mut kind.name);
    })?;
    let words = "The topic on which it hears orders; {plug} stands for the plug's name";
    kind = get(&kind, given("--tell", options.tell.as_ref(), words, Some("{plug}/order")), &|kind, answer| {
        answer.clone_into(&mut kind.tell);
    })?;
    kind = get(&kind, given("--on", options.on.as_ref(), "What it is told for on", Some("on")), &|kind, answer| {
        answer.clone_into(&mut kind.on);
    })?;
    kind =
        get(&kind, given("--off", options.off.as_ref(), "What it is told for off", Some("off")), &|kind, answer| {
            answer.clone_into(&mut kind.off);
        })?;

    let (on, off) = (kind.on.clone(), kind.off.clone());
    let words = "The topic on which it reports what it did";
    kind = get(&kind, given("--report", options.report.as_ref(), words, Some("")), &|kind, answer| {
        let report = || Report { topic: answer.to_owned(), pointer: None, on: on.clone(), off: off.clone() };
        kind.report = some(answer).map(|_| report());
    })?;
    if kind.report.is_some() {
        let words = "Where in its JSON the value stands, such as /supply; none: the whole payload is the value";
        kind = get(&kind, given("--pointer", options.pointer.as_ref(), words, Some("")), &|kind, answer| {
            set(kind, |report| report.pointer = some(answer));
        })?;
        let json = kind.report.as_ref().is_some_and(|report| report.pointer.is_some());
        let (on, off) = if json { ("true", "false") } else { (on.as_str(), off.as_str()) };
        // Judged together: one may be what the other was until now.
        set(&mut kind, |report| (report.on, report.off) = (on.to_owned(), off.to_owned()));
        let question = given("--report-on", options.report_on.as_ref(), "What it reports for on", Some(on));
        kind = get(&kind, question, &|kind, answer| set(kind, |report| answer.clone_into(&mut report.on)))?;
        let question = given("--report-off", options.report_off.as_ref(), "What it reports for off", Some(off));
        kind = get(&kind, question, &|kind, answer| set(kind, |report| answer.clone_into(&mut report.off)))?;
    }

    let words = "The topic on which it says whether it is there";
    kind = get(&kind, given("--alive", options.alive.as_ref(), words, Some("")), &|kind, answer| {
        kind.alive = some(answer).map(|topic| (topic, "here".to_owned(), "gone".to_owned()));
    })?;
    if kind.alive.is_some() {
        let words = "What it says while it is there";
        kind = get(&kind, given("--alive-yes", options.alive_yes.as_ref(), words, Some("here")), &|kind, answer| {
            kind.alive = kind.alive.take().map(|(topic, _, no)| (topic, answer.to_owned(), no));
        })?;
        let words = "What is said when it is gone";
        kind = get(&kind, given("--alive-no", options.alive_no.as_ref(), words, Some("gone")), &|kind, answer| {
            kind.alive = kind.alive.take().map(|(topic, yes, _)| (topic, yes, answer.to_owned()));
        })?;
    }
    Ok(kind)
}

fn some(answer: &str) -> Option<String> {
    (!answer.is_empty() && answer != "none").then(|| answer.to_owned())
}

fn set(kind: &mut Described, change: impl FnOnce(&mut Report)) {
    if let Some(report) = &mut kind.report {
        change(report);
    }
}

fn lit(
    options: &LampOptions,
    answers: &mut Answers,
    base: &mut Base<'_>,
    lamp: &Lamp,
) -> Result<Vec<crate::pure::starter::Span>, Failure> {
    let given: Vec<Option<&str>> = match options.lit.as_slice() {
        [] => vec![None],
        several => several.iter().map(|words| Some(words.as_str())).collect(),
    };
    let mut all = Vec::new();
    for given in given {
        let question = Question { option: "--lit", given, words: SPANS, default: Some("1") };
        all.extend(answers.get(&question, |answer| choose(answer, given.is_none(), base, lamp))?);
    }
    let (evenings, mornings) = (all.iter().any(|lit| lit.uses("bedtime")), all.iter().any(|lit| lit.uses("rising")));
    let bedtime =
        clock("--bedtime", options.bedtime.as_deref(), evenings, ("bedtime", "Bedtime", BEDTIME), answers, base, lamp)?;
    let rising =
        clock("--rising", options.rising.as_deref(), mornings, ("rising", "Rising", RISING), answers, base, lamp)?;
    let spans: Vec<_> = all.iter().map(|lit| lit.span(&bedtime, &rising)).collect();
    base.judged(&Lamp { lit: spans.clone(), ..lamp.clone() }).map_err(|why| Failure::Fault(format!("--lit: {why}")))?;
    Ok(spans)
}

/// The choices that an answer means: by number where it was asked, or in words.
fn choose(answer: &str, by_number: bool, base: &Base<'_>, lamp: &Lamp) -> Result<Vec<Lit>, String> {
    let chosen = match answer {
        "1" if by_number => vec![Lit::AllNight],
        "2" if by_number => vec![Lit::Evenings],
        "3" if by_number => vec![Lit::Mornings],
        "4" if by_number => vec![Lit::Evenings, Lit::Mornings],
        words => vec![Lit::read(words).ok_or_else(|| {
            let numbers = if by_number { "a number, or " } else { "" };
            format!(
                "`{words}` is not understood; expected {numbers}all night, evenings, mornings, or two moments: sunset until 23:00"
            )
        })?],
    };
    if let [own @ Lit::Own(..)] = chosen.as_slice() {
        // What is asked for later stands for it here.
        let time = |name, otherwise| if base.has_time(name) { name } else { otherwise };
        let span = own.span(time("bedtime", BEDTIME), time("rising", RISING));
        // Names that are known here; the first fault of the two is told.
        if let Base::Standing(_, checked) = base {
            for moment in [&span.from, &span.until] {
                parse_moment(moment, &checked.config.times).map_err(|fault| fault.to_string())?;
            }
        }
        base.judged(&Lamp { lit: vec![span], ..lamp.clone() })?;
    }
    Ok(chosen)
}

/// The clock time, or the name of one, at which evenings end or mornings begin.
fn clock(
    option: &str,
    given: Option<&str>,
    needed: bool,
    (name, words, default): (&str, &str, &str),
    answers: &mut Answers,
    base: &mut Base<'_>,
    lamp: &Lamp,
) -> Result<String, Failure> {
    if !needed {
        return match given {
            None => Ok(default.to_owned()),
            Some(_) => Err(Failure::Fault(format!(
                "{option} goes with a lamp that is lit then (--lit evenings or mornings, or the word {name} in its moments)"
            ))),
        };
    }
    if given.is_none() && base.has_time(name) {
        return Ok(name.to_owned());
    }
    let question = Question { option, given, words, default: Some(default) };
    let clock = answers.get(&question, |clock| {
        let lit = if name == "bedtime" { Lit::Evenings.span(clock, "") } else { Lit::Mornings.span("", clock) };
        // A name that is in the file already will do as well.
        base.judged(&Lamp { lit: vec![lit], ..lamp.clone() }).map(|()| clock.to_owned())
    })?;
    match base {
        Base::New(house) if clock.contains(':') => {
            house.times.push((name.to_owned(), clock));
            Ok(name.to_owned())
        }
        _ => Ok(clock),
    }
}
