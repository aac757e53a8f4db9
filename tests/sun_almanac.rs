//! `lampward almanac`, the real program, with expected times from `reference/sun_events.csv` (DE440 through Skyfield).

use std::collections::{BTreeSet, HashMap};
use std::fs;
use std::process::{Command, Output};

use chrono::{DateTime, Utc};

fn almanac(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_lampward")).arg("almanac").args(arguments).output().expect("lampward runs")
}

#[track_caller]
fn printed(arguments: &[&str]) -> String {
    let output = almanac(arguments);
    assert!(output.status.success(), "{output:?}");
    String::from_utf8(output.stdout).expect("text")
}

/// Exit code 2, and what is said.
#[track_caller]
fn check_fault(arguments: &[&str], said: &str) {
    let output = almanac(arguments);
    let text = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.code() == Some(2) && text.contains(said), "{output:?}");
}

fn fields(text: &str) -> Vec<Vec<String>> {
    let reader = csv::Reader::from_reader(text.as_bytes());
    reader.into_records().map(|record| record.expect("a row").iter().map(str::to_owned).collect()).collect()
}

/// The reference file's kinds `alt+6` and `alt-4` are plain altitudes here.
fn kind_here(kind: &str) -> &str {
    if kind.starts_with("alt") { "altitude" } else { kind }
}

#[test]
fn many_places_with_dates_give_the_reference_file() {
    let reference = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/sun_events.csv")).unwrap();
    let reference = fields(&reference);
    let days: BTreeSet<&[String]> = reference.iter().map(|row| &row[..4]).collect();
    let file = tempfile::NamedTempFile::new().unwrap();
    let lines: Vec<String> = days.iter().map(|day| day.join(",")).collect();
    fs::write(file.path(), format!("place,lat,lon,date\n{}\n", lines.join("\n"))).unwrap();

    let path = file.path().to_str().unwrap();
    let text = printed(&["--places", path, "--format", "csv", "--altitude", "-4", "--altitude", "6"]);
    let columns = "place,lat,lon,date,kind,event,threshold_deg,utc,status";
    assert_eq!(text.lines().next(), Some(columns));
    let ours: HashMap<[String; 5], (String, String)> = fields(&text)
        .into_iter()
        .map(|row| {
            let [place, _, _, date, kind, event, threshold, utc, status] = row.try_into().expect("nine columns");
            ([place, date, kind, event, threshold], (utc, status))
        })
        .collect();

    let mut compared = 0;
    for row in &reference {
        let [place, _, _, date, kind, threshold, event, utc, status, tangent_s, margin, _] = &row[..] else {
            panic!("{row:?}");
        };
        let key = [place, date, kind_here(kind), event, threshold].map(str::to_owned);
        let (our_utc, our_status) = ours.get(&key).unwrap_or_else(|| panic!("nothing for {row:?}"));
        if margin.parse::<f64>().unwrap() <= 2.0 {
            continue;
        }
        assert_eq!(our_status, status, "{row:?}");
        if status == "ok" && tangent_s.parse::<f64>().unwrap() >= 1800.0 {
            let [ours, truth] = [our_utc, utc].map(|text| text.parse::<DateTime<Utc>>().expect("an instant"));
            assert!((ours - truth).as_seconds_f64().abs() <= 0.3, "{our_utc} is not {row:?}");
        } else if status != "ok" {
            assert_eq!(our_utc, "", "{row:?}");
        }
        compared += 1;
    }
    assert!(compared > 4_300, "{compared}");
}

#[test]
fn csv_of_one_place_has_the_agreed_columns_and_a_row_for_each_event() {
    let text = printed(&["--position", "60.17 N, 24.94 E", "--from", "2024-02-29", "--format", "csv", "--altitude=-4"]);
    let rows: Vec<String> = text
        .lines()
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            [&cells[..4], &cells[5..]].concat().join(",")
        })
        .collect();
    let expected = [
        "date,kind,event,threshold_deg,status",
        "2024-02-29,sun,rise,-0.833333,ok",
        "2024-02-29,sun,set,-0.833333,ok",
        "2024-02-29,civil,rise,-6.0,ok",
        "2024-02-29,civil,set,-6.0,ok",
        "2024-02-29,nautical,rise,-12.0,ok",
        "2024-02-29,nautical,set,-12.0,ok",
        "2024-02-29,astronomical,rise,-18.0,ok",
        "2024-02-29,astronomical,set,-18.0,ok",
        "2024-02-29,altitude,rise,-4.0,ok",
        "2024-02-29,altitude,set,-4.0,ok",
        "2024-02-29,transit,upper,,ok",
        "2024-02-29,transit,lower,,ok",
    ];
    assert_eq!(rows, expected);
}

#[test]
fn the_table_gives_local_clock_times_to_the_nearest_minute() {
    let place = ["--position", "60.17 N, 24.94 E", "--time-zone", "Europe/Helsinki"];
    let text = printed(&[&place[..], &["--from", "2024-02-29", "--marks", "sun,civil"]].concat());
    let lines: Vec<Vec<&str>> = text.lines().map(|line| line.split_whitespace().collect()).collect();
    assert_eq!(text.lines().next(), Some("60.17 N, 24.94 E, clocks of Europe/Helsinki"));
    assert_eq!(lines[2], ["date", "sunrise", "sunset", "day", "change", "dawn", "dusk"]);
    // Rise 05:20:53.526, set 15:45:35.515, dawn 04:38:46.611, dusk 16:27:49.246 UT.
    assert_eq!(lines[3][..4], ["2024-02-29", "07:21", "17:46", "10:24:42"]);
    assert_eq!(lines[3][5..], ["06:39", "18:28"]);
}

#[test]
fn a_day_without_sunset_says_that_the_sun_stays_up() {
    let tromso = ["--position", "69.65, 18.96", "--from", "2024-07-11", "--marks", "sun"];
    let text = printed(&tromso);
    assert!(text.contains("2024-07-11       up       up  24:00:00     +0:00"), "{text}");
    assert!(text.contains("up, down: the Sun stays above or below all that half of the day"), "{text}");
    let csv = printed(&[&tromso[..], &["--format", "csv"]].concat());
    assert!(csv.contains("2024-07-11,sun,rise,-0.833333,,up_all_day"), "{csv}");
}

#[test]
fn json_is_a_list_of_rows_with_the_same_names() {
    let text =
        printed(&["--position", "60.17 N, 24.94 E", "--from", "2024-02-29", "--format", "json", "--marks", "sun"]);
    let rows: Vec<serde_json::Value> = serde_json::from_str(&text).unwrap();
    assert_eq!(rows.len(), 2);
    assert_eq!((&rows[0]["event"], &rows[0]["threshold_deg"]), (&"rise".into(), &(-0.833333).into()));
    assert!(rows[0]["utc"].as_str().unwrap().starts_with("2024-02-29T05:20:53."), "{text}");
}

#[test]
fn negative_values_may_follow_a_space() {
    let ushuaia = ["--position", "-54.8, -68.3", "--time-zone", "-03:00", "--altitude", "-4"];
    let text = printed(&[&ushuaia[..], &["--from", "2026-11-24", "--until", "2026-11-26"]].concat());
    assert!(text.starts_with("54.8 S, 68.3 W, clocks of -03:00\n"), "{text}");
    assert!(text.contains("-4 deg"), "{text}");
    assert_eq!(text.lines().filter(|line| line.starts_with("2026-11-2")).count(), 3, "{text}");
}

#[test]
fn place_zone_and_horizon_come_from_the_file() {
    let file = tempfile::Builder::new().suffix(".toml").tempfile().unwrap();
    let text = r#"
[place]
name = "Skarvholmen"
position = "59.7412 N, 5.2097 E"
time_zone = "Europe/Oslo"
horizon = "2 deg"
"#;
    fs::write(file.path(), text).unwrap();
    let from_file = ["--file", file.path().to_str().unwrap(), "--from", "2026-11-24", "--marks", "sun"];
    let table = printed(&from_file);
    assert!(table.starts_with("Skarvholmen: 59.7412 N, 5.2097 E, clocks of Europe/Oslo\n"), "{table}");
    assert!(table.contains("sunrise and sunset over a horizon of 2 deg"), "{table}");
    let csv = printed(&[&from_file[..], &["--format", "csv"]].concat());
    assert!(csv.contains(",rise,1.166667,"), "{csv}");
}

#[test]
fn without_a_date_today_is_meant() {
    let before = lampward::clock::wall().date_naive();
    let rows = fields(&printed(&["--position", "60.17 N, 24.94 E", "--marks", "sun", "--format", "csv"]));
    let today = [before, lampward::clock::wall().date_naive()].map(|date| date.to_string());
    assert!(!rows.is_empty() && rows.iter().all(|row| row.iter().any(|cell| today.contains(cell))), "{rows:?}");
}

#[test]
fn what_is_wrong_with_the_arguments_is_said() {
    let helsinki = ["--position", "60.17 N, 24.94 E"];
    check_fault(&[&helsinki[..], &["--from", "1850-01-01"]].concat(), "expected a date from 1900 to 2199");
    check_fault(
        &[&helsinki[..], &["--from", "2026-02-01", "--until", "2026-01-01"]].concat(),
        "--until 2026-01-01 is before --from 2026-02-01",
    );
    check_fault(&["--position", "95 N, 24.94 E"], "a latitude of more than 90 degrees");
    check_fault(&["--altitude", "-91"], "expected -90 to 90 degrees");
}

#[test]
fn a_fault_in_the_places_is_said_with_its_line() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let path = file.path().to_str().unwrap();
    fs::write(file.path(), "place,lat,lon,date\nA,10,-20,2026-01-01\nB,95,2,2026-01-01\n").unwrap();
    check_fault(&["--places", path, "--format", "csv"], &format!("{path}:3: `95` is not a latitude"));
    fs::write(file.path(), "place,latitude,lon\n").unwrap();
    check_fault(&["--places", path, "--from", "2026-01-01"], &format!("{path}:1: no column `lat`"));
}
