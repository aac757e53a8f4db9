//! What `check` makes of the coming two years. Expected dates: weekdays and clock changes by the calendar (EU: last Sunday
//! of March), Quito's sunrise and sunset by tests/reference/sun_events.csv (05:44 to 06:23 and 17:50 to 18:31 by its clocks
//! in every row), and the sunset at 59.7 N and the example's counts by Skyfield 1.55 with DE440, from the same rules written down again.

use std::process::Command;
use std::sync::Arc;

use chrono::NaiveDate;
use lampward::pure::config::{Checked, read};
use lampward::pure::plan::{Plan, Warning, never, outlook};
use lampward::rules_file::RulesFile;
use serde_json::{Value, json};

const EXAMPLE: &str = include_str!("../config/lampward.toml");
/// On the equator, where one day is like another; without clock changes.
const QUITO: &str = "[place]\nname = \"Quito\"\nposition = \"0.18 S, 78.47 W\"\ntime_zone = \"America/Guayaquil\"\n";
const HOUSE: &str = "[place]\nname = \"Harskjer\"\nposition = \"59.7 N, 5.2 E\"\ntime_zone = \"Europe/Oslo\"\n";
const LAMP: &str = "[channel.a]\nlabel = \"A\"\nplug = \"a\"\n";

fn house(text: &str) -> Checked {
    read("house.toml", text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}"))
}

fn found(text: &str) -> Vec<Warning> {
    let checked = house(text);
    let mut plan = Plan::new(Arc::new(checked.config));
    let example = house(EXAMPLE).config.place;
    outlook(&mut plan, first(), &checked.spots, &example)
}

fn first() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 11, 25).expect("a Wednesday")
}

/// A lamp with these rules and all that is said of it, in the three lines of a fault.
#[track_caller]
fn check(place: &str, rules: &str, expected: &[&str]) {
    let text = format!("{place}{LAMP}lit = [\n{rules}\n]\n");
    let said: Vec<String> = found(&text).iter().map(|warning| warning.fault.to_string()).collect();
    assert_eq!(said, expected, "{}", said.join("\n"));
}

#[test]
fn rules_that_do_what_they_say_are_not_remarked_upon() {
    check(QUITO, r#"{ from = "sunset", until = "sunrise" }"#, &[]);
    check(
        QUITO,
        r#"{ from = "sunset, not before 18:10", until = "23:00" }, { from = "23:00", until = "sunrise" }"#,
        &[],
    );
    check(QUITO, "", &[]);
}

#[test]
fn a_rule_that_never_happens_is_said_with_the_reason_of_the_first_date() {
    check(
        HOUSE,
        r#"{ from = "sunset", until = "15:00" }"#,
        &["house.toml:9:1: rule 1 of a never happens in the two years from 2026-11-25: a is never lit\n\
           9 | { from = \"sunset\", until = \"15:00\" }\n  \
             | ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^ on 2026-11-25, 15:00 is before sunset 15:52"],
    );
}

#[test]
fn a_rule_without_any_date_is_said_so_and_the_lamp_that_others_light_is_not_called_dark() {
    check(
        QUITO,
        "{ from = \"sunset\", until = \"22:00\" },\n{ from = \"22:00\", until = \"23:00\", except = [\"2020-01-01 to 2099-12-31\"] }",
        &["house.toml:10:1: rule 2 of a never happens in the two years from 2026-11-25\n\
           10 | { from = \"22:00\", until = \"23:00\", except = [\"2020-01-01 to 2099-12-31\"] }\n   \
              | ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^ no date fits its days, season and exceptions"],
    );
}

#[test]
fn nights_on_which_a_span_does_not_happen_are_counted() {
    // 105 Fridays, from 27 Nov 2026 to 24 Nov 2028.
    check(
        &format!("{QUITO}[times]\nlate = {{ \"Sat-Thu\" = \"22:45\", \"Fri\" = \"17:00\" }}\n"),
        r#"{ from = "sunset", until = "late" }"#,
        &["house.toml:11:1: rule 1 of a does not happen on 105 of 731 nights, first 2026-11-27, last 2028-11-24\n\
           11 | { from = \"sunset\", until = \"late\" }\n   \
              | ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^ on 2026-11-27, late 17:00 is before sunset 18:05"],
    );
}

#[test]
fn a_limit_that_decides_every_time_is_said() {
    check(
        QUITO,
        r#"{ from = "sunset, not before 19:00", until = "sunrise, not after 05:00" }"#,
        &[
            "house.toml:9:11: `not before 19:00` decides every time in rule 1 of a\n\
             9 | { from = \"sunset, not before 19:00\", until = \"sunrise, not after 05:00\" }\n  \
               |           ^^^^^^^^^^^^^^^^^^^^^^^^ what it limits always comes earlier, so this is always 19:00",
            "house.toml:9:47: `not after 05:00` decides every time in rule 1 of a\n\
             9 | { from = \"sunset, not before 19:00\", until = \"sunrise, not after 05:00\" }\n  \
               |                                               ^^^^^^^^^^^^^^^^^^^^^^^^ what it limits always comes later, so this is always 05:00",
        ],
    );
}

#[test]
fn rules_that_overlap_are_said_at_the_later_one() {
    // The same 105 Fridays.
    check(
        QUITO,
        "{ from = \"19:00\", until = \"23:00\" },\n{ from = \"22:00\", until = \"02:00\", days = \"Fri\" }",
        &["house.toml:10:1: rules 1 and 2 of a overlap on 105 days, first 2026-11-27, last 2028-11-24\n\
           10 | { from = \"22:00\", until = \"02:00\", days = \"Fri\" }\n   \
              | ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^ the lamp is lit once for both, and not switched in between"],
    );
}

#[test]
fn a_lamp_that_burns_through_the_day_is_said() {
    check(
        QUITO,
        r#"{ from = "05:00", until = "20:00" }"#,
        &["house.toml:9:1: a is lit all day on 731 days, first 2026-11-25, last 2028-11-24\n\
           9 | { from = \"05:00\", until = \"20:00\" }\n  \
             | ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^ it burns from sunrise to sunset, when it gives no light to see by"],
    );
}

#[test]
fn a_lamp_that_burns_through_the_polar_night_is_as_it_should_be() {
    let tromso = HOUSE.replace("59.7 N, 5.2 E", "69.65 N, 18.96 E");
    let kinds = found(&format!("{tromso}{LAMP}lit = [{{ from = \"sunset\", until = \"sunrise\" }}]\n"));
    let kinds: Vec<_> = kinds.iter().map(|warning| warning.kind.word()).collect();
    assert_eq!(kinds, ["not every time"], "dark under the midnight sun, and nothing else");
}

#[test]
fn a_clock_time_that_is_skipped_in_spring_is_said_with_what_is_meant() {
    check(
        HOUSE,
        r#"{ from = "02:30", until = "05:00", season = "1 Mar to 30 Mar" }"#,
        &["house.toml:9:11: 02:30 in rule 1 of a is skipped by the clock change on 2027-03-28 and 2028-03-26\n\
           9 | { from = \"02:30\", until = \"05:00\", season = \"1 Mar to 30 Mar\" }\n  \
             |           ^^^^^ 03:00 is meant then"],
    );
}

#[test]
fn the_place_of_the_example_is_said_whatever_it_is_called() {
    let place = HOUSE.replace("59.7 N, 5.2 E", "59 44.472 N, 5 12.582 E");
    let line = "3 | position = \"59 44.472 N, 5 12.582 E\"\n  \
                  |             ^^^^^^^^^^^^^^^^^^^^^^^ until yours stands here, lamps go by the Sun over Skarvholmen";
    let said = |what: &str| format!("house.toml:3:13: {what}\n{line}");
    check(&place, "", &[&said("the position is still that of the example, Skarvholmen")]);
    let place = place.replace("Harskjer", "Skarvholmen");
    check(&place, "", &[&said("the place is still that of the example, Skarvholmen")]);
}

#[test]
fn the_example_is_planned_as_an_independent_almanac_has_it() {
    let said: Vec<String> = found(EXAMPLE).into_iter().map(|warning| warning.fault.message).collect();
    assert_eq!(
        said,
        [
            "the place is still that of the example, Skarvholmen",
            "rule 2 of parlour does not happen on 220 of 522 nights, first 2027-03-22, last 2028-09-01",
            "rule 1 of path does not happen on 160 of 731 nights, first 2027-05-10, last 2028-08-03",
        ]
    );
}

#[test]
fn the_warning_on_the_page_is_the_one_that_is_shown() {
    // Its dates and count by Skyfield too.
    let place =
        EXAMPLE.lines().filter(|line| ["name ", "position ", "time_zone "].iter().any(|key| line.starts_with(key)));
    let place: Vec<&str> = place.collect();
    let lamp = "[channel.path]\nlabel = \"Path to the boathouse\"\nplug  = \"yard/5\"";
    let text = format!("[place]\n{}\n\n{lamp}\nlit   = [{{ from = \"dusk\", until = \"22:45\" }}]\n", place.join("\n"));
    let said = found(&text).pop().expect("a warning").fault.to_string().replace('\n', "\n    ");
    let page = include_str!("../docs/file.md");
    assert!(page.contains(&format!("    warning: {said}\n")), "{said}");
}

#[test]
fn the_running_daemon_is_told_of_rules_that_never_happen_and_of_no_others() {
    let rules = "{ from = \"19:00\", until = \"23:00\" },\n{ from = \"22:00\", until = \"sunset\" }";
    let text = format!("{QUITO}{LAMP}lit = [\n{rules}\n]\n");
    let now = "2026-11-25T12:00:00Z".parse().expect("an instant");
    let file = RulesFile::built_in("house.toml".into(), house(&text), now);
    let said: Vec<_> = file.facts().warnings.iter().map(|fault| (fault.line, fault.message.clone())).collect();
    assert_eq!(said, [(10, "rule 2 of a never happens in the two years from 2026-11-25".to_owned())]);
}

#[test]
fn the_short_look_finds_what_the_long_one_finds() {
    let lamps = "[channel.a]\nlabel = \"A\"\nplug = \"a\"\nlit = [{ from = \"sunset\", until = \"15:00\" }]\n\
                 [channel.b]\nlabel = \"B\"\nplug = \"b\"\nlit = []\n\
                 [channel.c]\nlabel = \"C\"\nplug = \"c\"\nlit = [{ from = \"dusk\", until = \"22:00\" }, { from = \"22:00\", until = \"23:00\", season = \"30 Nov to 30 Nov\", days = \"Wed\" }]\n";
    let checked = house(&format!("{HOUSE}{lamps}"));
    let mut plan = Plan::new(Arc::new(checked.config));
    let short = never(&mut plan, first(), &checked.spots);
    let mut long = found(&format!("{HOUSE}{lamps}"));
    long.retain(|warning| warning.kind.word() == "never");
    assert_eq!(short, long);
    // 30 November is a Monday in 2026, a Tuesday in 2027; 2028 ends before it.
    let rules: Vec<_> = short.into_iter().filter_map(|warning| warning.rule).collect();
    assert_eq!(rules, [("a".to_owned(), 1), ("c".to_owned(), 2)]);
}

#[test]
fn programs_get_every_warning_with_its_kind_and_dates_and_the_answer_is_0() {
    let folder = tempfile::tempdir().expect("a folder");
    let text = format!(
        "{}{LAMP}lit = [\n{{ from = \"19:00\", until = \"23:00\" }},\n{{ from = \"22:00\", until = \"02:00\", days = \"Fri\" }},\n]\n",
        QUITO.replace("America/Guayaquil", "-01:30")
    );
    std::fs::write(folder.path().join("house.toml"), text).expect("a file");
    let output = Command::new(env!("CARGO_BIN_EXE_lampward"))
        .args(["check", "house.toml", "--from", "2026-11-25", "--format", "json"])
        .current_dir(folder.path())
        .output()
        .expect("lampward runs");
    let answer: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(
        answer["warnings"],
        json!([
            {
                "kind": "file", "line": 4, "column": 14,
                "message": "`-01:30` is 3 h 44 min from the place's mean solar time",
                "expected": "a zone within 3 h of it, in most places", "nearest": null,
            },
            {
                "kind": "overlap", "line": 10, "column": 1, "channel": "a", "rule": 2,
                "message": "rules 1 and 2 of a overlap on 105 days, first 2026-11-27, last 2028-11-24",
                "because": "the lamp is lit once for both, and not switched in between",
                "count": 105, "first": "2026-11-27", "last": "2028-11-24",
            },
        ])
    );
    assert_eq!(output.status.code(), Some(0));
}
