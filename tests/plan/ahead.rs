//! `lampward ahead`, the real command, on a file of its own.

use std::process::Command;

use crate::house;

const HOUSE: &str = r#"
    [times]
    bedtime = "22:45"
    [sun]
    lead = "10 min"
    [channel.jetty]
    label = "Jetty lamp"
    plug = "yard/3"
    lit = [{ from = "sunset", until = "sunrise" }]
    [channel.parlour]
    label = "Bø, stue"
    plug = "house/parlour"
    lit = [{ from = "20 min before sunset, not before 16:00", until = "bedtime" }]
"#;

#[track_caller]
fn ahead(lines: &str, arguments: &[&str]) -> (String, Option<i32>) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("house.toml");
    std::fs::write(&path, house::file(lines)).expect("a file");
    let mut command = Command::new(env!("CARGO_BIN_EXE_lampward"));
    let run = command.arg("ahead").args(arguments).arg("--file").arg(&path).output().expect("it runs");
    let text = [run.stdout, run.stderr].concat();
    (String::from_utf8(text).expect("UTF-8").replace(&path.display().to_string(), "house.toml"), run.status.code())
}

#[track_caller]
fn check(lines: &str, arguments: &[&str], expected: &str) {
    let (text, code) = ahead(lines, arguments);
    assert_eq!((text.trim(), code), (expected.trim(), Some(0)), "\n{text}");
}

#[test]
fn a_table_tells_what_is_switched_when_and_why() {
    check(
        HOUSE,
        &["1", "--from", "2026-11-24"],
        "
Skarvholmen: Tue 24 Nov 2026 00:00 to Wed 25 Nov 2026 00:00, clocks at UTC+01:00

Tue 24 Nov 2026
  08:56:52  off  Jetty lamp  sunrise
  15:44:13  on   Jetty lamp  sunset 15:54 less 10 min lead
  16:00:00  on   Bø, stue    sunset 15:54 less 20 min, less 10 min lead, held back to 16:00
  22:45:00  off  Bø, stue    bedtime
",
    );
}

#[test]
fn a_table_tells_what_stays_dark_and_why() {
    check(
        r#"{ from = "sunset", until = "22:45" }"#,
        &["1", "--from", "2026-06-21"],
        "
Skarvholmen: Sun 21 Jun 2026 00:00 to Mon 22 Jun 2026 00:00, clocks at UTC+02:00

Sun 21 Jun 2026
                 Lamp  not lit: 22:45 is before sunset 23:04
",
    );
}

#[test]
fn a_table_tells_where_clocks_change() {
    check(
        r#"{ from = "22:00", until = "23:00" }"#,
        &["2", "--from", "2026-10-24"],
        "
Skarvholmen: Sat 24 Oct 2026 00:00 to Mon 26 Oct 2026 00:00, clocks at UTC+02:00

Sat 24 Oct 2026
  22:00:00  on   Lamp  22:00
  23:00:00  off  Lamp  23:00

Sun 25 Oct 2026
  02:00:00  clocks go from UTC+02:00 to UTC+01:00
  22:00:00  on   Lamp  22:00
  23:00:00  off  Lamp  23:00
",
    );
}

#[test]
fn csv_has_utc_local_channel_wanted_because() {
    check(
        HOUSE,
        &["1", "--from", "2026-11-24", "--format", "csv"],
        r#"
utc,local,channel,wanted,because
2026-11-24T07:56:52Z,2026-11-24T08:56:52+01:00,jetty,off,sunrise
2026-11-24T14:44:13Z,2026-11-24T15:44:13+01:00,jetty,on,sunset 15:54 less 10 min lead
2026-11-24T15:00:00Z,2026-11-24T16:00:00+01:00,parlour,on,"sunset 15:54 less 20 min, less 10 min lead, held back to 16:00"
2026-11-24T21:45:00Z,2026-11-24T22:45:00+01:00,parlour,off,bedtime
"#,
    );
}

#[test]
fn json_has_the_same_and_what_stays_dark() {
    let (text, _) =
        ahead(r#"{ from = "sunset", until = "23:10" }"#, &["2", "--from", "2026-06-10", "--format", "json"]);
    let found: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let expected = serde_json::json!({
        "switchings": [
            { "utc": "2026-06-10T20:56:54Z", "local": "2026-06-10T22:56:54+02:00", "channel": "lamp", "wanted": "on", "because": "sunset" },
            { "utc": "2026-06-10T21:10:00Z", "local": "2026-06-10T23:10:00+02:00", "channel": "lamp", "wanted": "off", "because": "23:10" },
            { "utc": "2026-06-11T20:57:59Z", "local": "2026-06-11T22:57:59+02:00", "channel": "lamp", "wanted": "on", "because": "sunset" },
            { "utc": "2026-06-11T21:10:00Z", "local": "2026-06-11T23:10:00+02:00", "channel": "lamp", "wanted": "off", "because": "23:10" },
        ],
        "unlit": [],
    });
    assert_eq!(found, expected);
}

#[test]
fn a_day_begins_at_midnight_and_the_next_midnight_is_not_in_it() {
    let lines = r#"{ from = "midnight", until = "01:00" }"#;
    check(
        lines,
        &["1", "--from", "2026-11-24", "--format", "csv"],
        "
utc,local,channel,wanted,because
2026-11-23T23:00:00Z,2026-11-24T00:00:00+01:00,lamp,on,00:00
2026-11-24T00:00:00Z,2026-11-24T01:00:00+01:00,lamp,off,01:00
",
    );
}

#[test]
fn nothing_ahead_is_said() {
    let lines = r#"{ from = "dusk", until = "23:00", season = "1 Dec to 6 Jan" }"#;
    let (text, _) = ahead(lines, &["3", "--from", "2026-06-21"]);
    assert!(text.ends_with("\nnothing is switched in this time\n"), "{text}");
}

#[test]
fn faults_of_the_file_or_the_arguments_are_exit_code_2() {
    let (text, code) = ahead(r#"{ from = "sunsett", until = "23:00" }"#, &[]);
    assert!(code == Some(2) && text.contains("`sunsett` is not a mark"), "{text}");
    assert_eq!(ahead(HOUSE, &["0"]).1, Some(2));
    assert_eq!(ahead(HOUSE, &["--from", "2026-02-30"]).1, Some(2));
}

#[test]
fn a_lamp_that_waits_says_when_it_comes_on_before_what_that_is_made_of() {
    // Sunset of 24 November at 15:54:13 (reference.py), less 10 min.
    let lead = "[sun]\nlead = \"10 min\"\nlag = \"7 min\"\n{ from = \"sunset\", until = \"sunrise\" }";
    let mut plan = house::plan(lead);
    let at = house::instant(&plan, "2026-11-24 12:00");
    assert_eq!(plan.wanted(0, at).1, "not before 15:44 (sunset less 10 min lead)");
    // Sunset of 21 June at 23:04, sunrise of the 22nd at 04:11.
    let (text, _) =
        ahead("[sun]\nlead = \"10 min\"\n{ from = \"sunset\", until = \"22:45\" }", &["1", "--from", "2026-06-21"]);
    assert!(text.contains("not lit: 22:45 is before 22:54 (sunset less 10 min lead)"), "{text}");
}

#[test]
fn what_is_said_of_a_lamp_has_its_offsets_and_a_date_only_over_24_h_off() {
    let said = |rule: &str, at: &str| {
        let mut plan = house::plan(rule);
        let at = house::instant(&plan, at);
        plan.wanted(0, at).1
    };
    let rule = r#"{ from = "20 min after sunset", until = "1 h 5 min before sunrise" }"#;
    assert_eq!(said(rule, "2026-11-24 20:00"), "lit from 20 min after sunset until 1 h 5 min before sunrise");
    // 25 November is a Wednesday.
    let rule = r#"{ from = "12:00", until = "13:00", days = "Wed" }"#;
    assert_eq!(said(rule, "2026-11-24 11:59:59"), "not before 12:00 on 2026-11-25");
    assert_eq!(said(rule, "2026-11-24 12:00"), "not before 12:00");
}
