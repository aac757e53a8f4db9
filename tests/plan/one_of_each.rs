//! `config/one-of-each.toml`: every construct of the file once, planned, and the three commands on it, against the second
//! implementation.

use std::collections::BTreeSet;
use std::process::Command;
use std::sync::Arc;

use chrono::{DateTime, TimeDelta, Utc};
use lampward::pure::config::{self, Config};
use lampward::pure::power::Power;
use roxmltree::Document;

use crate::oracle::Oracle;
use crate::properties::{agrees, changes};

const FILE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/config/one-of-each.toml");
const TEXT: &str = include_str!("../../config/one-of-each.toml");

fn read(text: &str) -> Arc<Config> {
    match config::read("one-of-each.toml", text.as_bytes()) {
        Ok(checked) => Arc::new(checked.config),
        Err(faults) => panic!("{faults}"),
    }
}

fn instant(text: &str) -> DateTime<Utc> {
    text.parse().expect("an instant")
}

/// What a command prints, which has to be done with exit code 0.
#[track_caller]
fn done(words: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_lampward")).args(words).output().expect("the program starts");
    assert!(output.status.success(), "{words:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8")
}

/// The grammar of design.md, word by word.
#[test]
fn the_file_holds_every_construct() {
    let rules: String = TEXT.lines().filter(|line| !line.starts_with('#')).collect::<Vec<_>>().join("\n");
    let words = "sunset\nsunrise\n\"dusk\n\"dawn\n\"nautical dusk\n\"nautical dawn\n\"astronomical dusk\nbefore astronomical \
                 dawn\nsolar noon\nsolar midnight\nevening sun at\nmorning sun at\n\"midnight\nmin before\nmin after\nnot before\nnot \
                 after\n\"bedtime\n\"rising\n\"late\nMon-Fri\nFri-Mon\nSat Sun\n1 Dec to 6 Jan\n24 Dec\n2026-12-28\n2026-12-31 to \
                 2027-01-01";
    let keys = "name position time_zone clock_change horizon lead lag address user password_file pace listen token_file read \
                hosts trust years tell report ask alive retain pointer every label kind plug plugs watts by_hand absence lit from \
                until days season except at_least dates vary";
    let lacking: Vec<_> = words.lines().filter(|word| !rules.contains(word)).collect();
    assert_eq!(lacking, [""; 0]);
    let written = |key: &&str| rules.contains(&format!("{key} ")) || rules.contains(&format!("{key}="));
    assert_eq!(keys.split_whitespace().filter(|key| !written(key)).collect::<Vec<_>>(), [""; 0]);
}

/// A year and more of every channel, with clocks that change, that stand still in either way, and that never did.
#[test]
fn every_channel_agrees_with_the_second_implementation() {
    let clocks = [
        ("\"Europe/Oslo\" ", "\"auto\""),
        ("\"Europe/Oslo\" ", "\"always standard\""),
        ("\"Europe/Oslo\" ", "\"always summer\""),
        ("\"+01:00\" ", "\"auto\""),
    ];
    let years = if std::env::var_os("LAMPWARD_CASES").is_some() { 3 } else { 1 };
    for (zone, change) in clocks {
        let config = read(&TEXT.replace("\"Europe/Oslo\" ", zone).replace("\"auto\"", change));
        for channel in 0..config.channels.len() {
            if let Err(failed) = agrees(&config, channel, instant("2026-11-25T00:00:00Z"), years * 366) {
                panic!("{zone}, {change}, {}: {failed}", config.channels[channel].name);
            }
        }
    }
}

#[test]
fn ahead_14_lists_what_the_second_implementation_does() {
    let config = read(TEXT);
    let (from, until) = (instant("2026-12-22T23:00:00Z"), instant("2027-01-05T23:00:00Z"));
    let mut expected = BTreeSet::new();
    for (channel, of) in config.channels.iter().enumerate() {
        let spans = Oracle::new(&config).spans(channel, from, 16);
        // What falls on the very instant of the start belongs to the list as well.
        let edges = changes(&spans, from - TimeDelta::seconds(1), until).into_iter().filter(|(at, _)| *at < until);
        expected.extend(edges.map(|(at, wanted)| (at, of.name.to_string(), wanted == Power::On)));
    }
    let printed = done(&["ahead", "14", "--from", "2026-12-23", "--format", "csv", "--file", FILE]);
    let mut rows = csv::Reader::from_reader(printed.as_bytes());
    assert_eq!(rows.headers().expect("a head"), vec!["utc", "local", "channel", "wanted", "because"]);
    let mut found = BTreeSet::new();
    let mut last = from;
    for row in rows.records() {
        let row = row.expect("a row");
        let at = instant(&row[0]);
        assert_eq!(row[1].parse::<DateTime<chrono::FixedOffset>>().expect("RFC 3339"), at, "{row:?}");
        assert!(row[1].ends_with("+01:00") && !row[4].is_empty(), "{row:?}");
        assert!(last <= at, "out of order: {row:?}");
        last = at;
        assert!(found.insert((at, row[2].to_owned(), &row[3] == "on")), "twice: {row:?}");
    }
    assert_eq!(found, expected);
}

#[test]
fn check_finds_no_fault_and_says_which_rules_fail_in_summer() {
    let said = done(&["check", FILE]);
    assert!(said.starts_with(&format!("{FILE}: no fault\n")), "{said}");
    let warnings = [
        "rule 1 of path does not happen",
        "rule 2 of parlour does not happen",
        "rule 1 of gate does not happen",
        "rule 2 of gate does not happen",
        "rules 1 and 2 of stable overlap",
        "has no `report`: of",
    ];
    for warning in warnings {
        assert_eq!(said.matches(warning).count(), 1, "{warning}:\n{said}");
    }
    // Each of the two files it names, where it is not there.
    let missing = ["/etc/lampward/broker-password", "/etc/lampward/web-token"];
    let missing: Vec<&str> = missing.into_iter().filter(|path| !std::path::Path::new(path).exists()).collect();
    for path in &missing {
        assert_eq!(said.matches(&format!("names {path}, which can't be read: ")).count(), 1, "{said}");
    }
    assert_eq!(said.matches("warning:").count(), warnings.len() + missing.len(), "{said}");
}

#[test]
fn year_shows_a_panel_for_each_channel_with_its_hours() {
    let config = read(TEXT);
    let picture = done(&["year", "--year", "2027", "--file", FILE]);
    let picture = Document::parse(&picture).expect("well-formed XML");
    let (from, until) = (instant("2026-12-31T23:00:00Z"), instant("2027-12-31T23:00:00Z"));
    for (channel, of) in config.channels.iter().enumerate() {
        let spans = Oracle::new(&config).spans(channel, from + TimeDelta::days(183), 190);
        let lit = changes(&spans, from, until);
        // Seconds between each on and the off that follows, cut at the year's end.
        let mut lit_s = 0;
        let mut since = spans.iter().any(|(on, off)| *on <= from && from < *off).then_some(from);
        for (at, wanted) in lit {
            match (wanted, since.take()) {
                (Power::On, _) => since = Some(at),
                (Power::Off, Some(on)) => lit_s += (at - on).num_seconds(),
                (Power::Off, None) => panic!("{} off at {at} without an on", of.name),
            }
        }
        lit_s += since.map_or(0, |on| (until - on).num_seconds());
        let id = format!("year-channel-{}", of.name);
        let panel = picture.descendants().find(|node| node.attribute("id") == Some(&id));
        let panel = panel.unwrap_or_else(|| panic!("no panel for {}", of.name));
        let total =
            panel.descendants().find(|node| node.attribute("class").is_some_and(|class| class.contains("total")));
        let total = total.and_then(|node| node.text()).unwrap_or_else(|| panic!("no total for {}", of.name));
        let hours: f64 = total.split(' ').next().and_then(|h| h.parse().ok()).unwrap_or_else(|| panic!("{total}"));
        assert!((hours - lit_s as f64 / 3600.0).abs() <= 0.51, "{}: {total}, {lit_s} s", of.name);
    }
}
