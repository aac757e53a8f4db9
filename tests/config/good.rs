//! Files without fault: what is read from them, and what a person should look at all the same.

use lampward::pure::config::{BrokerAt, ByHand, ClockTrust, Config, WebRead, duration_words, exposure_faults, read};
use lampward::pure::zone::ClockChange;

use super::{PLACE, unmark};

#[track_caller]
fn config(text: &str) -> Config {
    match read("house.toml", text.as_bytes()) {
        Ok(checked) => {
            assert_eq!(checked.warnings, []);
            checked.config
        }
        Err(faults) => panic!("{faults}"),
    }
}

/// Channels and rules in their own words.
#[track_caller]
fn check(text: &str, expected: &[&str]) {
    let said: Vec<String> = config(text)
        .channels
        .iter()
        .flat_map(|channel| channel.lit.iter().map(move |rule| format!("{}: {rule}", channel.name)))
        .collect();
    assert_eq!(said, expected);
}

/// One warning, at what is marked; the file is good all the same.
#[track_caller]
fn check_warning(marked: &str, message: &str) {
    let (text, marks) = unmark(marked);
    let checked = read("house.toml", text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}"));
    let said: Vec<_> = checked
        .warnings
        .iter()
        .map(|warning| ((warning.line, warning.column, warning.underline_len), warning.message.as_str()))
        .collect();
    assert_eq!(said, [(marks[0], message)]);
}

const LAMP: &str = "[channel.a]\nlabel = \"A\"\nplug = \"a\"\nlit = []\n";

#[test]
fn the_file_of_the_design_is_read_in_full() {
    check(
        include_str!("design.toml"),
        &[
            "jetty: from sunset until sunrise",
            "parlour: from 20 min before sunset, not before 16:00, until bedtime",
            "parlour: from rising until 15 min before sunrise; Mon-Fri; at least 10 min",
            "festoon: from dusk until 23:00; 1 Dec to 6 Jan; except 24 Dec",
        ],
    );
    let config = config(include_str!("design.toml"));
    assert_eq!(config.place.position.to_string(), "59.7412 N, 5.2097 E");
    assert_eq!(config.place.zone.to_string(), "Europe/Oslo");
    assert_eq!(config.place.slug(), "skarvholmen");
    assert_eq!(duration_words(config.shifts.lead), "10 min");
    assert_eq!(duration_words(config.absence.vary), "25 min");
    assert_eq!(config.broker.to_string(), "mqtt://192.0.2.7:1883");
    assert_eq!(config.broker.user.as_deref(), Some("lampward"));
    let kinds: Vec<_> = config.channels.iter().map(|channel| channel.kind.name.as_str()).collect();
    assert_eq!(kinds, ["socket", "socket", "plain"]);
    let socket = &config.channels[0].kind;
    assert_eq!(socket.tell.topic.of(&config.channels[0].plugs[0]), "yard/3/order");
    assert_eq!(socket.tell.on, r#"{"supply":true}"#);
    assert_eq!(socket.report.as_ref().map(|report| report.on.clone()), Some(vec![true.into()]));
    assert_eq!(socket.ask.as_ref().map(|ask| ask.every.as_secs()), Some(600));
}

#[test]
fn every_key_of_the_file_is_read() {
    let config = config(include_str!("every_key.toml"));
    assert_eq!(config.place.zone.clock_change, ClockChange::AlwaysStandard);
    assert_eq!(config.place.horizon_deg, 2.5);
    assert_eq!(duration_words(config.shifts.lag), "1 h 30 min");
    assert_eq!(config.broker.pace.as_millis(), 250);
    let BrokerAt::Own { serve, accounts_file } = &config.broker.at else { panic!("{:?}", config.broker) };
    assert_eq!(serve.map(|serve| serve.to_string()).as_deref(), Some("192.0.2.1:1883"));
    assert_eq!(accounts_file.as_deref(), Some("/etc/lampward/accounts".as_ref()));
    assert_eq!(config.web.listen.to_string(), "[::1]:8461");
    assert_eq!(config.web.token_file.as_deref(), Some("/etc/lampward/token".as_ref()));
    assert_eq!((config.web.read, config.clock, config.daybook_years), (WebRead::Token, ClockTrust::Always, 7));
    assert_eq!(config.web.hosts, ["lamps.example"]);
    let lamp = &config.channels[0];
    assert_eq!((lamp.by_hand, lamp.absence, lamp.watts), (ByHand::Correct, false, Some(4.5)));
    assert_eq!(*lamp.plugs, ["yard/3", "yard/4"]);
    assert!(lamp.kind.tell.retain);
    let report = lamp.kind.report.as_ref().expect("a report");
    assert_eq!(report.pointer.as_deref(), Some("/a~1b/0"));
    assert_eq!(report.on, [serde_json::json!(1), "on".into(), true.into()]);
    assert_eq!(lamp.kind.ask.as_ref().map(|ask| ask.every.as_secs()), Some(90));
    assert_eq!(
        lamp.lit[0].to_string(),
        "from 1 h 5 min before evening sun at -4.5 deg, not before 16:00, not after late, until nautical dawn; \
         Wed Sat-Mon; 1 Dec to 6 Jan; except 24 Dec, 2026-12-31 to 2027-01-02; at least 2 min 30 s"
    );
    let dates: Vec<String> = config.absence.dates.iter().map(ToString::to_string).collect();
    assert_eq!(dates, ["2027-02-10 to 2027-02-24", "1 May"]);
}

#[test]
fn what_is_left_out_has_the_defaults_of_the_key_table() {
    let config = config(&format!("{PLACE}{LAMP}"));
    assert_eq!(config.place.zone.clock_change, ClockChange::Auto);
    assert_eq!(config.place.horizon_deg, 0.0);
    assert_eq!((config.shifts.lead.num_seconds(), config.shifts.lag.num_seconds()), (0, 0));
    assert_eq!(config.broker.at, BrokerAt::Own { serve: None, accounts_file: None });
    assert_eq!(config.broker.pace.as_millis(), 0);
    assert_eq!(config.web.listen.to_string(), "127.0.0.1:8460");
    assert_eq!((config.web.read, config.clock, config.daybook_years), (WebRead::Open, ClockTrust::Synchronised, 2));
    let lamp = &config.channels[0];
    assert_eq!((lamp.by_hand, lamp.absence, lamp.watts), (ByHand::Leave, true, None));
    assert_eq!(duration_words(config.absence.vary), "20 min");
    let plain = &lamp.kind;
    assert_eq!(plain.name, "plain");
    assert_eq!((plain.tell.on.as_str(), plain.tell.off.as_str(), plain.tell.retain), ("on", "off", false));
    assert_eq!(plain.tell.topic.of("yard/9"), "yard/9/order");
    assert_eq!(plain.report.as_ref().map(|report| report.topic.of("yard/9")).as_deref(), Some("yard/9/report"));
    assert_eq!(plain.alive.as_ref().map(|alive| (alive.yes.as_str(), alive.no.as_str())), Some(("here", "gone")));
    assert_eq!(plain.ask, None);
}

#[test]
fn a_table_may_be_written_as_tables_of_its_own() {
    check(
        &format!(
            "{PLACE}[channel.a]\nlabel = \"A\"\nplug = \"a\"\n[[channel.a.lit]]\nfrom = \"dusk\"\nuntil = \"dawn\"\n\
             [[channel.a.lit]]\nfrom = \"dawn\"\nuntil = \"solar noon\"\n"
        ),
        &["a: from dusk until dawn", "a: from dawn until solar noon"],
    );
}

#[test]
fn a_zone_that_is_rather_far_from_the_sun_of_the_place_is_a_warning() {
    // Mean solar time of 5.2097 E is 20.8 min ahead of UTC; Dubai is 4 h ahead, and so is +04:00.
    let zone = |zone: &str| PLACE.replace("Europe/Oslo", zone) + LAMP;
    check_warning(&zone("«Asia/Dubai»"), "`Asia/Dubai` is 3 h 39 min from the place's mean solar time");
    check_warning(&zone("«-03:00»"), "`-03:00` is 3 h 21 min from the place's mean solar time");
}

#[test]
fn beside_the_date_line_zone_and_sun_are_compared_around_the_clock() {
    // 171.8 W is 11.5 h behind UTC; Apia is 13 h ahead, which is the same time of day less half an hour.
    let text = PLACE.replace("59.7412 N, 5.2097 E", "13.8 S, 171.8 W").replace("Europe/Oslo", "Pacific/Apia");
    config(&(text + LAMP));
}

#[test]
fn a_file_without_a_lamp_is_good_and_says_so() {
    check_warning(&format!("«[»{}", &PLACE[1..]), "the file has no channel: there is nothing to switch");
}

#[test]
fn two_lamps_with_one_label_are_a_warning() {
    check_warning(
        &format!("{PLACE}{LAMP}[channel.b]\nlabel = \"«A»\"\nplug = \"b\"\nlit = []\n"),
        "`A` is the label of [channel.a] too",
    );
}

#[test]
fn listening_beyond_loopback_needs_a_token_or_accounts_at_the_start() {
    let exposed = |added: &str, token: bool| {
        let read = read("house.toml", format!("{PLACE}{added}{LAMP}").as_bytes());
        exposure_faults(&read.unwrap_or_else(|faults| panic!("{faults}")).config, token)
    };
    assert_eq!(exposed("", false), [""; 0]);
    assert_eq!(exposed("[web]\nlisten = \"0.0.0.0:8460\"\nread = \"token\"\n", true), [""; 0]);
    assert_eq!(
        exposed("[web]\nlisten = \"0.0.0.0:8460\"\n", false),
        ["[web] listen = \"0.0.0.0:8460\" is beyond loopback and has no token: set token_file, or leave listen out"]
    );
    assert_eq!(
        exposed("[web]\nread = \"token\"\n", false),
        ["[web] read = \"token\" needs a token: set token_file, or leave read out"]
    );
    assert_eq!(
        exposed("[broker]\nserve = \"0.0.0.0:1883\"\n", true),
        [
            "[broker] serve = \"0.0.0.0:1883\" is beyond loopback and has no accounts: set accounts_file, or leave serve out"
        ]
    );
    check_warning(
        &format!("{PLACE}[broker]\nserve = «\"0.0.0.0:1883\"»\n{LAMP}"),
        "beyond loopback without accounts: lampward won't start like this",
    );
}
