//! The place and the broker of a new file.

use super::ask::{Answers, Question};
use super::{New, judge, words};
use crate::cli::Failure;
use crate::cli::columns::columns;
use crate::cli::locate::{Around, BAUD, GPSD, Source, listen, zone_rows};
use crate::link::Tls;
use crate::pure::config::{Position, parse_position};
use crate::pure::starter::{Broker, House, house_text};

/// How long a position by a receiver is waited for.
const WAIT: std::time::Duration = std::time::Duration::from_secs(120);

/// Place and broker, each answer judged as it comes.
pub fn house(new: &New, answers: &mut Answers) -> Result<House, Failure> {
    // Good answers, to judge one other by.
    let mut house = House {
        name: "x".to_owned(),
        position: "0 N, 0 E".to_owned(),
        time_zone: "+00:00".to_owned(),
        broker: None,
        times: Vec::new(),
    };
    let question =
        Question { option: "--name", given: new.name.as_deref(), words: "What do you call the house?", default: None };
    house.name = answers.get(&question, |name| judged(House { name: name.to_owned(), ..house.clone() }, |h| h.name))?;

    let (position, written) = position(new, answers)?;
    house.position = written;
    house.time_zone = time_zone(new, answers, &house, position)?;
    house.broker = broker(new, answers, &house)?;
    Ok(house)
}

/// One of the answers, if a file with all of them can be read.
fn judged<T>(house: House, of: impl FnOnce(House) -> T) -> Result<T, String> {
    judge("answers", &house_text(&house)).map(|_| of(house))
}

/// The position, and as it was written.
fn position(new: &New, answers: &mut Answers) -> Result<(Position, String), Failure> {
    let question = Question {
        option: "--position",
        given: new.position.as_deref(),
        words: "Where does it stand? Such as 59.7412 N, 5.2097 E or 59 44.47 N, 5 12.58 E, from a map;\n\
                or: locate (a GPS receiver, by gpsd), or: locate /dev/ttyUSB0 (on a serial line)\nPosition",
        default: None,
    };
    answers.get(&question, |answer| {
        let mut by_receiver = answer.split_whitespace();
        if by_receiver.next() != Some("locate") {
            let position = parse_position(answer).map_err(|fault| fault.to_string())?;
            return Ok((position, answer.to_owned()));
        }
        let source = match (by_receiver.next(), by_receiver.next().map_or(Ok(BAUD), str::parse)) {
            (None, _) => Source::Gpsd(GPSD.to_owned()),
            (Some(device), Ok(baud)) => Source::Serial { device: device.into(), baud },
            (Some(_), Err(_)) => return Err("the speed is a number, such as locate /dev/ttyUSB0 4800".to_owned()),
        };
        let position = listen(&source, WAIT)?.settled.position;
        eprintln!("  {position}");
        Ok((position, position.to_string()))
    })
}

fn time_zone(new: &New, answers: &mut Answers, house: &House, position: Position) -> Result<String, Failure> {
    let around = Around::of(position);
    if answers.asks() && new.time_zone.is_none() {
        let mut rows = zone_rows(&around);
        for (index, row) in rows.iter_mut().enumerate() {
            row[0] = format!("  {} {}", index + 1, row[0].trim());
        }
        answers.note(&format!(
            "Time zones that suit the Sun there, the nearest town first:\n{}",
            columns(&rows).trim_end()
        ));
    }
    let likely = around.likely().map(|zone| zone.to_string());
    let question = Question {
        option: "--time-zone",
        given: new.time_zone.as_deref(),
        words: "Time zone, by its number or its name",
        default: likely.as_deref(),
    };
    let (zone, warnings) = answers.get(&question, |answer| {
        let chosen = answer.parse::<usize>().ok().and_then(|number| around.zones.get(number.checked_sub(1)?));
        let time_zone = chosen.map_or_else(|| answer.to_owned(), |zone| zone.rules.to_string());
        let house = House { time_zone: time_zone.clone(), ..house.clone() };
        judge("answers", &house_text(&house)).map(|checked| (time_zone, checked.warnings))
    })?;
    for warning in warnings.iter().filter(|warning| warning.source_line.starts_with("time_zone")) {
        eprintln!("  to be looked at: {}", words(warning));
    }
    Ok(zone)
}

fn broker(new: &New, answers: &mut Answers, house: &House) -> Result<Option<Broker>, Failure> {
    let with = |broker: Broker| judged(House { broker: Some(broker), ..house.clone() }, |house| house.broker);
    let question = Question {
        option: "--broker",
        given: new.broker.as_deref(),
        words: "The broker of your plugs, such as mqtt://192.0.2.7:1883; or own: lampward serves one\nBroker",
        default: Some("own"),
    };
    let broker = answers.get(&question, |answer| match answer {
        "own" => Ok(None),
        address => with(Broker { address: address.to_owned(), ..Broker::default() }),
    })?;
    let Some(mut broker) = broker else {
        let given = [("--ca", &new.ca), ("--user", &new.user), ("--password-file", &new.password_file)];
        if let Some((option, _)) = given.into_iter().find(|(_, value)| value.is_some()) {
            return Err(Failure::Fault(format!("{option} goes with --broker and an address")));
        }
        answers.note("  Until it is given an address no plug on your network reaches it: see docs/broker.md.");
        return Ok(None);
    };
    let none = |answer: &str| (!answer.is_empty() && answer != "none").then(|| answer.to_owned());
    // An option is judged with any address: the reader says what it goes with.
    if broker.address.starts_with("mqtts://") || new.ca.is_some() {
        let question = Question {
            option: "--ca",
            given: new.ca.as_deref(),
            words: "The file (PEM) of the authority that signed its certificate; none: those that this system trusts\nAuthority",
            default: Some(""),
        };
        broker = answers
            .get(&question, |answer| {
                let fits = with(Broker { ca: none(answer), ..broker.clone() })?;
                match none(answer) {
                    Some(file) => with(Broker { ca: Some(authority(&file)?), ..broker.clone() }),
                    None => Ok(fits),
                }
            })?
            .unwrap_or_default();
        if broker.ca.is_none()
            && let Err(why) = Tls::new(None)
        {
            // The file may be meant for another computer.
            eprintln!("  to be looked at: {why}");
        }
    }
    let question = Question {
        option: "--user",
        given: new.user.as_deref(),
        words: "The account with which lampward logs in there",
        default: Some(""),
    };
    broker =
        answers.get(&question, |answer| with(Broker { user: none(answer), ..broker.clone() }))?.unwrap_or_default();
    if broker.user.is_some() || new.password_file.is_some() {
        let question = Question {
            option: "--password-file",
            given: new.password_file.as_deref(),
            words: "The file with its password, such as /etc/lampward/broker-password",
            default: Some(""),
        };
        broker = answers
            .get(&question, |answer| with(Broker { password_file: none(answer), ..broker.clone() }))?
            .unwrap_or_default();
    }
    Ok(Some(broker))
}

/// The path of an authority's file as it has to stand in the file, whose reader starts in another folder than we.
fn authority(answer: &str) -> Result<String, String> {
    let file = std::path::absolute(answer).map_err(|error| format!("{answer} is no path: {error}"))?;
    Tls::new(Some(&file))?;
    Ok(file.display().to_string())
}
