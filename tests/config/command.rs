//! `lampward check`, as it is run.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Not that of the example, of which `check` would warn.
const PLACE: &str = "[place]\nname = \"Harskjer\"\nposition = \"59.7 N, 5.2 E\"\ntime_zone = \"Europe/Oslo\"\n";

fn run(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_lampward")).args(arguments).current_dir(folder).output().expect("lampward runs")
}

/// A folder with these files, a command in it, and what it prints and answers.
#[track_caller]
fn check(files: &[(&str, &str)], arguments: &[&str], code: i32, out: &str, err: &str) {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, text) in files {
        let path = folder.path().join(name);
        std::fs::create_dir_all(path.parent().expect("a parent")).expect("a folder");
        std::fs::write(path, text).expect("a file");
    }
    let output = run(folder.path(), arguments);
    // When the Sun rises and sets there today is another test's business.
    let sunless = |line: &str| if line.starts_with("the Sun there on ") { "SUN\n".to_owned() } else { line.to_owned() };
    let printed: String = String::from_utf8_lossy(&output.stdout).split_inclusive('\n').map(sunless).collect();
    assert_eq!(printed, out);
    assert_eq!(String::from_utf8_lossy(&output.stderr), err);
    assert_eq!(output.status.code(), Some(code));
}

const LAMP: &str =
    "[channel.a]\nlabel = \"Lamp\"\nplug = \"yard/1\"\nlit = [{ from = \"120 min before dusk\", until = \"00:00\" }]\n";
const SAID: &str = "Harskjer: 59.7 N, 5.2 E, Europe/Oslo\nSUN\n\
                    broker: lampward's own, on loopback, where no plug on the network reaches it\n\n\
                    a: Lamp (yard/1; plain)\n  from 2 h before dusk until midnight\n";

#[test]
fn a_good_file_is_said_again_in_short() {
    let text = format!("{PLACE}{LAMP}");
    for arguments in [&["check", "house.toml"][..], &["check", "--file", "house.toml"]] {
        check(&[("house.toml", &text)], arguments, 0, &format!("house.toml: no fault\n{SAID}"), "");
    }
}

#[test]
fn faults_are_counted_and_the_answer_is_2() {
    let text = format!("{PLACE}[sun]\nlead = \"3 h\"\n");
    let fault = "house.toml:6:9: `3 h` is too long\n6 | lead = \"3 h\"\n  |         ^^^ 0 min to 2 h\n\n1 fault\n";
    check(&[("house.toml", &text)], &["check", "house.toml"], 2, "", fault);
}

#[test]
fn warnings_are_shown_and_the_answer_is_0() {
    // By those clocks dusk comes after 02:00 in June, and the lamp of the other tests would be warned of as well.
    let lit = LAMP.replace("120 min before dusk", "sunset").replace("00:00", "sunrise");
    let text = PLACE.replace("Europe/Oslo", "Asia/Dubai") + &lit;
    let warning = "\nwarning: house.toml:4:14: `Asia/Dubai` is 3 h 39 min from the place's mean solar time\n\
                   4 | time_zone = \"Asia/Dubai\"\n  |              ^^^^^^^^^^ a zone within 3 h of it, in most places\n";
    let said = format!(
        "house.toml: no fault\n{}{warning}",
        SAID.replace("Europe/Oslo", "Asia/Dubai").replace("2 h before dusk until midnight", "sunset until sunrise")
    );
    check(&[("house.toml", &text)], &["check", "house.toml"], 0, &said, "");
}

#[test]
fn a_file_with_which_lampward_would_not_start_is_answered_with_2() {
    let text = format!("{PLACE}[broker]\nserve = \"0.0.0.0:1883\"\n{LAMP}");
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("house.toml"), text).expect("a file");
    let output = run(folder.path(), &["check", "house.toml"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("no accounts: set accounts_file"));
}

#[test]
fn programs_get_json_with_faults_too() {
    let folder = tempfile::tempdir().expect("a folder");
    let json = |text: &str| -> (serde_json::Value, Option<i32>) {
        std::fs::write(folder.path().join("house.toml"), text).expect("a file");
        let output = run(folder.path(), &["check", "house.toml", "--format", "json"]);
        (serde_json::from_slice(&output.stdout).expect("JSON"), output.status.code())
    };
    let (good, code) = json(&format!("{PLACE}{LAMP}"));
    assert_eq!(code, Some(0));
    assert_eq!(good["channels"][0]["lit"][0], "from 2 h before dusk until midnight");
    assert_eq!(good["faults"], serde_json::json!([]));
    let (bad, code) = json(&format!("{PLACE}[sum]\n"));
    assert_eq!(code, Some(2));
    let tables = "place, times, sun, broker, web, clock, daybook, plug_kind, channel, absence";
    assert_eq!(
        bad["faults"],
        serde_json::json!([{
            "line": 5, "column": 2, "message": "`sum` is no key of this file", "expected": tables, "nearest": "sun",
        }])
    );
}

#[test]
fn without_a_name_the_file_of_the_sources_is_read() {
    if Path::new("/etc/lampward/lampward.toml").exists() {
        return;
    }
    let text = format!("{PLACE}{LAMP}");
    let said = format!("config/lampward.toml: no fault\n{SAID}");
    check(&[("config/lampward.toml", &text)], &["check"], 0, &said, "");
    let nowhere =
        "no file: neither /etc/lampward/lampward.toml nor config/lampward.toml is here; name one with --file FILE\n";
    check(&[], &["check"], 2, "", nowhere);
}

#[test]
fn a_file_that_cannot_be_read_is_said_with_the_reason() {
    check(&[], &["check", "none.toml"], 2, "", "cannot read none.toml: no such file or directory\n");
    check(&[("x/y", "")], &["check", "x"], 2, "", "cannot read x: is a directory\n");
}

#[test]
fn the_file_that_a_household_starts_from_has_no_fault() {
    let output = run(&PathBuf::from(env!("CARGO_MANIFEST_DIR")), &["check", "config/lampward.toml"]);
    let out = String::from_utf8_lossy(&output.stdout);
    assert!(out.starts_with("config/lampward.toml: no fault\n"), "{out}{}", String::from_utf8_lossy(&output.stderr));
    assert_eq!(output.status.code(), Some(0));
}

/// Sunrise and sunset from tests/reference/sun_events.csv (Skyfield with DE440): 10:56:12 and 23:03:02 UTC at Quito.
#[test]
fn sunrise_and_sunset_of_the_place_are_shown_so_that_east_and_west_mixed_up_are_seen() {
    let quito = "[place]\nname = \"Quito\"\nposition = \"0.18 S, 78.47 W\"\ntime_zone = \"America/Guayaquil\"\n";
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::write(folder.path().join("house.toml"), quito).expect("a file");
    let output = run(folder.path(), &["check", "house.toml", "--from", "2026-10-15"]);
    let out = String::from_utf8_lossy(&output.stdout);
    assert!(out.contains("\nthe Sun there on 2026-10-15: rises 05:56, sets 18:03\n"), "{out}");
    let output = run(folder.path(), &["check", "house.toml", "--from", "2026-10-15", "--format", "json"]);
    let found: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert_eq!(
        found["sun"],
        serde_json::json!({
            "date": "2026-10-15", "sunrise": "2026-10-15T05:56:12-05:00", "sunset": "2026-10-15T18:03:02-05:00",
        })
    );
    // Tromso, 2027-12-19: down all day in the same file.
    let tromso = "[place]\nname = \"T\"\nposition = \"69.65 N, 18.96 E\"\ntime_zone = \"Europe/Oslo\"\n";
    std::fs::write(folder.path().join("house.toml"), tromso).expect("a file");
    let output = run(folder.path(), &["check", "house.toml", "--from", "2027-12-19"]);
    let out = String::from_utf8_lossy(&output.stdout);
    assert!(out.contains("\nthe Sun there on 2027-12-19: does not rise, does not set\n"), "{out}");
}

#[test]
fn a_kind_in_use_that_never_reports_is_warned_of() {
    let kind = "[plug_kind.mute]\ntell = { topic = \"{plug}/order\", on = \"on\", off = \"off\" }\n\
                [plug_kind.unused]\ntell = { topic = \"{plug}/o\", on = \"on\", off = \"off\" }\n";
    let text = format!("{PLACE}{kind}{}", LAMP.replace("plug =", "kind = \"mute\"\nplug ="));
    let warning = "\nwarning: [plug_kind.mute] has no `report`: of a nobody will know whether the lamp went on, only that \
                   the broker took the order\n";
    let said = format!("house.toml: no fault\n{}{warning}", SAID.replace("; plain", "; mute"));
    check(&[("house.toml", &text)], &["check", "house.toml"], 0, &said, "");
}

#[test]
fn a_broker_on_the_network_is_said_without_more() {
    let text = format!("{PLACE}[broker]\naddress = \"mqtt://192.0.2.7:1883\"\n{LAMP}");
    let own = "lampward's own, on loopback, where no plug on the network reaches it";
    let said = format!("house.toml: no fault\n{}", SAID.replace(own, "mqtt://192.0.2.7:1883"));
    check(&[("house.toml", &text)], &["check", "house.toml"], 0, &said, "");
}

#[test]
fn a_file_in_place_of_the_days_is_told_where_it_belongs() {
    let folder = tempfile::tempdir().expect("a folder");
    for (arguments, said) in [
        (["ahead", "my.toml"], "a number of days belongs here; the file is named with --file my.toml"),
        (["ahead", "soon"], "a number of days belongs here, such as 14"),
        (["ahead", "0"], "1 to 36525 days are meant"),
    ] {
        let output = run(folder.path(), &arguments);
        let err = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2));
        assert!(err.contains(said), "{err}");
    }
}
