//! The position in the file. Zones against the Sun: 4 minutes of time for each degree east of Greenwich.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use crate::locate;

const HOME: &str = "\
# The lamps of Skarvholmen.
[place]
name      = \"Skarvholmen\"   # an islet
position  = \"59.7412 N, 5.2097 E\"     # by the boathouse
time_zone = \"Europe/Oslo\"

[channel.jetty]   # burns all night
label = \"Jetty lamp\"
plug  = \"yard/3\"
lit   = [{ from = \"sunset\", until = \"sunrise\" }]
";

/// A file, a command on it, its answer and words of its standard error; and the file afterwards, and how many old ones are kept.
#[track_caller]
fn check(before: &str, arguments: &[&str], code: i32, words: &[&str], after: &str, kept: usize) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("lampward.toml");
    fs::write(&path, before).expect("a file");
    fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).expect("its own file");
    let output = locate(folder.path(), &[&["--write", "--file", "lampward.toml"], arguments].concat());
    let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert_eq!(output.status.code(), Some(code), "{said}");
    for word in words {
        assert!(said.contains(word), "{word:?} is not in:\n{said}");
    }
    assert_eq!(fs::read_to_string(&path).expect("it is there"), after);
    assert_eq!(fs::metadata(&path).expect("it is there").permissions().mode() & 0o7777, 0o640);
    let old = old_ones(folder.path());
    assert_eq!(old.len(), kept, "{old:?}");
    assert!(old.iter().all(|old| old == before), "{old:?}");
}

fn old_ones(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").path());
    let old = entries.filter(|path| path.to_string_lossy().contains(".toml.before-"));
    old.map(|path| fs::read_to_string(path).expect("a file")).collect()
}

#[test]
fn the_position_is_written_and_everything_else_stays() {
    let after = HOME.replace("59.7412 N, 5.2097 E", "59.32935 N, 18.06867 E");
    let words =
        ["position 59.32935 N, 18.06867 E, time zone Europe/Oslo", "lampward.toml.before-", ": as it was before"];
    check(HOME, &["--from-text", "59 19.761 N, 18 4.12 E"], 0, &words, &after, 1);
}

#[test]
fn what_the_file_says_already_is_left() {
    check(HOME, &["--from-text", "59.7412 N, 5.2097 E"], 0, &["unchanged, it says so already"], HOME, 0);
}

#[test]
fn a_position_far_from_the_zone_of_the_file_is_refused_with_what_to_set() {
    // 68.304 W: 4 h 33 min behind Greenwich, 5 h 33 min behind Oslo's standard time.
    let words = [
        "nothing is written: time_zone of the file, Europe/Oslo is 5 h 33 min from the Sun's time at 54.8018 S, 68.304 W",
        "--time-zone America/Argentina/Ushuaia",
    ];
    check(HOME, &["--from-text", "54.8018 S, 68.304 W"], 2, &words, HOME, 0);
    let elsewhere = ["--from-text", "54.8018 S, 68.304 W", "--time-zone", "Asia/Tokyo"];
    check(HOME, &elsewhere, 2, &["nothing is written: --time-zone Asia/Tokyo is 10 h 27 min"], HOME, 0);
}

#[test]
fn position_and_zone_are_written_at_once() {
    let after =
        HOME.replace("59.7412 N, 5.2097 E", "54.8018 S, 68.304 W").replace("Europe/Oslo", "America/Argentina/Ushuaia");
    let moved = ["--from-text", "54.8018 S, 68.304 W", "--time-zone", "America/Argentina/Ushuaia"];
    check(HOME, &moved, 0, &["time zone America/Argentina/Ushuaia"], &after, 1);
}

#[test]
fn a_zone_that_is_only_unusual_is_written_with_a_warning() {
    // 50 W: 3 h 20 min behind Greenwich, 4 h 20 min behind Oslo.
    let after = HOME.replace("59.7412 N, 5.2097 E", "60 N, 50 W");
    let words = ["warning: lampward.toml:5:14: `Europe/Oslo` is 4 h 20 min from the place's mean solar time"];
    check(HOME, &["--from-text", "60 N, 50 W"], 0, &words, &after, 1);
}

#[test]
fn a_file_with_faults_is_not_made_worse() {
    let broken = HOME.replace("sunset", "sunsett");
    let words = ["`sunsett` is not a mark", "nothing is written"];
    check(&broken, &["--from-text", "59.3 N, 18 E"], 2, &words, &broken, 0);
    let without = "[sun]\nlead = \"10 min\"\n";
    let words = ["lampward.toml: there is no [place]", "write by hand"];
    check(without, &["--from-text", "59.3 N, 18 E"], 2, &words, without, 0);
}

#[test]
fn windows_line_ends_and_a_byte_order_mark_stay() {
    let before = format!("\u{feff}{}", HOME.replace('\n', "\r\n"));
    let after = before.replace("59.7412 N, 5.2097 E", "59.3 N, 18 E");
    check(&before, &["--from-text", "59.3 N, 18 E"], 0, &[], &after, 1);
}

#[test]
fn what_is_no_position_is_refused_before_anything_else() {
    let words = ["`x` is not a latitude", "59.7412 N, 5.2097 E or 59 44.47 N, 5 12.58 E"];
    check(HOME, &["--from-text", "x"], 2, &words, HOME, 0);
    check(HOME, &["--from-text", "59 N, 5 E", "--serial", "/dev/null"], 2, &["cannot be used with"], HOME, 0);
    check(HOME, &["--wait", "2 h"], 2, &["`2 h` is no time to wait"], HOME, 0);
}

#[test]
fn from_a_map_a_program_gets_place_and_zones() {
    let folder = tempfile::tempdir().expect("a folder");
    let output = locate(folder.path(), &["--from-text", "59 44.47 N, 5 12.58 E", "--format", "json"]);
    let answer: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    // 44.47 / 60 = 0.741167, 12.58 / 60 = 0.209667. Oslo: geopy 2.5 `great_circle`.
    let expected = serde_json::json!({
        "position": "59.74117 N, 5.20967 E",
        "latitude_deg": 59.0 + 44.47 / 60.0,
        "longitude_deg": 5.0 + 12.58 / 60.0,
        "fixes": null, "spread_m": null, "clock": null, "written": null,
        "time_zones": [
            { "time_zone": "Europe/Oslo", "standard": "+01:00", "ahead_of_sun_min": 39.0, "town_km": 310.0, "machines_own": true },
            { "time_zone": "Europe/London", "standard": "+00:00", "ahead_of_sun_min": -21.0, "town_km": 974.0, "machines_own": false },
        ],
    });
    assert_eq!(answer, expected);
}
