//! The real binary on a state folder that can't be used: read-only, full, removed, with other things in the place of
//! its files. Lamps are switched all the same, it is said, and all is well again once the folder is.

#[path = "storage/disk.rs"]
mod disk;
#[path = "common/house.rs"]
mod house;
#[path = "common/mosquitto.rs"]
mod mosquitto;

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;

use disk::Disk;
use house::{Daemon, Home, Plugs, clock, until};
use mosquitto::Mosquitto;
use serde_json::{Value, json};

/// One lamp on `yard/3`, lit now and for an hour or more.
fn lit_now(broker: &Mosquitto) -> String {
    format!(
        "[broker]\naddress = \"mqtt://{}\"\n[channel.jetty]\nlabel = \"Jetty lamp\"\nplug = \"yard/3\"\n\
         lit = [{{ from = \"{}\", until = \"{}\" }}]\n",
        broker.address(),
        clock(-60),
        clock(120)
    )
}

fn set(daemon: &Daemon, wanted: &str) -> (u16, Value) {
    let body = json!({ "wanted": wanted, "until": "cancelled" }).to_string();
    daemon.ask("PUT", "/channels/jetty/override", Some(&body)).expect("the daemon answers")
}

#[track_caller]
fn set_well(daemon: &Daemon, wanted: &str) {
    let (code, answer) = set(daemon, wanted);
    assert_eq!(code, 200, "{answer}\n{}", daemon.log());
    daemon.until_confirmed("yard/3", wanted);
}

/// Waits until the daybook has what happened.
#[track_caller]
fn until_recorded(daemon: &Daemon, kind: &str) {
    until(&format!("{kind} in the daybook\n{}", daemon.log()), || {
        let (_, past) = daemon.ask("GET", "/past?days=1", None)?;
        past["entries"].as_array()?.iter().any(|entry| entry["kind"] == kind).then_some(())
    });
}

fn notices(daemon: &Daemon) -> String {
    daemon.status()["notices"].to_string()
}

#[test]
fn a_read_only_state_folder_switches_lamps_says_so_and_recovers() {
    let broker = Mosquitto::start();
    let _plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let disk = Disk::start(&home, "size=1m,ro");
    let daemon = &disk.daemon;
    daemon.until_confirmed("yard/3", "on");
    daemon.until_logged(&["ERROR", "the state folder can't be used", "read-only file system", "507"]);
    daemon.until_logged(&["ERROR", "the MQTT client id can't be kept: it is drawn for this run"]);
    let (code, answer) = set(daemon, "off");
    assert_eq!((code, &answer["status"]), (507, &json!(507)), "{answer}");
    assert!(notices(daemon).contains("the state folder can't be used, switching goes on: read-only file system"));
    assert!(notices(daemon).contains("the daybook cannot be written"), "{}", notices(daemon));

    disk.remount("rw");
    until("it is said to be well", || (daemon.status()["notices"] == json!([])).then_some(()));
    daemon.until_logged(&["INFO", "the state folder can be used again"]);
    set_well(daemon, "off");
    until_recorded(daemon, "override set");
    for name in ["client-id", "last-good.toml", "overrides.json", "daybook.sqlite"] {
        assert!(disk.folder().join(name).is_file(), "{name}");
    }
}

/// Without the rights of root, for whom every file can be read.
fn as_anyone() -> Command {
    let mut command = Command::new("setpriv");
    let bounds = if rustix::process::geteuid().is_root() { "-dac_override,-dac_read_search" } else { "+all" };
    command.arg(format!("--bounding-set={bounds}")).arg("--").arg(env!("CARGO_BIN_EXE_lampward"));
    command
}

#[test]
fn a_state_folder_that_cannot_be_made_or_entered_stops_no_lamp() {
    let broker = Mosquitto::start();
    let _plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));

    fs::write(home.state(), "no folder").unwrap();
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");
    assert!(notices(&daemon).contains("the state folder can't be used"), "{}", notices(&daemon));
    fs::remove_file(home.state()).unwrap();
    until("it is made after all", || (daemon.status()["notices"] == json!([])).then_some(()));
    set_well(&daemon, "off");
    daemon.kill();

    fs::set_permissions(home.state(), fs::Permissions::from_mode(0o000)).unwrap();
    let daemon = home.start_by(as_anyone());
    daemon.until_confirmed("yard/3", "on");
    daemon.until_logged(&["ERROR", "the state folder can't be used", "permission denied"]);
    assert_eq!(set(&daemon, "off").0, 507);
    fs::set_permissions(home.state(), fs::Permissions::from_mode(0o700)).unwrap();
    until("it can be entered", || (daemon.status()["notices"] == json!([])).then_some(()));
    set_well(&daemon, "off");
}

/// What can stand in the place of a file.
const STRANGERS: [&str; 4] = ["a folder", "a link to nothing", "a pipe", "a file of somebody else's"];

fn put_stranger(path: &Path, what: &str) {
    let _ = fs::remove_file(path);
    match what {
        "a folder" => fs::create_dir_all(path.join("with something in it")).unwrap(),
        "a link to nothing" => std::os::unix::fs::symlink("/nowhere/at/all", path).unwrap(),
        "a pipe" => assert!(Command::new("mkfifo").arg(path).status().unwrap().success()),
        _ => {
            fs::write(path, "not yours").unwrap();
            fs::set_permissions(path, fs::Permissions::from_mode(0o000)).unwrap();
        }
    }
}

fn set_aside(folder: &Path, name: &str) -> usize {
    let stem = format!("{name}.damaged-");
    let names = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned());
    names.filter(|name| name.starts_with(&stem)).count()
}

#[test]
fn whatever_stands_in_the_place_of_a_file_is_set_aside_and_costs_the_others_nothing() {
    let broker = Mosquitto::start();
    let _plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let mut daemon = home.start();
    daemon.until_confirmed("yard/3", "on");
    for what in STRANGERS {
        for name in ["overrides.json", "daybook.sqlite", "client-id", "last-good.toml"] {
            set_well(&daemon, "off");
            daemon.stop();
            put_stranger(&home.state().join(name), what);
            let aside = set_aside(&home.state(), name);
            daemon = home.start_by(as_anyone());
            let channel = &daemon.status()["channels"][0];
            let wanted = if name == "overrides.json" { "on" } else { "off" };
            assert_eq!(channel["wanted"], wanted, "{what} for {name}\n{}", daemon.log());
            daemon.until_confirmed("yard/3", wanted);
            assert_eq!(set_aside(&home.state(), name), aside + 1, "{what} for {name}\n{}", daemon.log());
            assert_eq!(notices(&daemon), "[]", "{what} for {name}");
            set_well(&daemon, "on");
            assert!(home.state().join(name).is_file(), "{what} for {name}: a new one is begun");
        }
    }
    let log = daemon.log();
    let said = log.lines().filter(|line| line.contains("WARN") && line.contains("stood in the place of a file"));
    assert_eq!(said.count(), 16, "{log}");
}

#[test]
fn a_state_folder_removed_while_running_is_made_again_with_all_that_stands() {
    let broker = Mosquitto::start();
    let _plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");
    set_well(&daemon, "off");
    let id = fs::read_to_string(home.state().join("client-id")).unwrap();

    // Gone, and the next thing that happens is no word of a person's.
    fs::remove_dir_all(home.state()).unwrap();
    assert_eq!(daemon.ask("DELETE", "/channels/jetty/override", None).unwrap().0, 200);
    set_well(&daemon, "off");
    until_recorded(&daemon, "override set");
    assert_eq!(fs::read_to_string(home.state().join("client-id")).unwrap(), id);
    assert!(home.state().join("last-good.toml").is_file());

    // Something else in the place of the files, while it runs.
    for name in ["overrides.json", "daybook.sqlite"] {
        put_stranger(&home.state().join(name), "a folder");
    }
    set_well(&daemon, "on");
    set_well(&daemon, "off");
    until_recorded(&daemon, "override set");
    daemon.kill();
    let daemon = home.start();
    assert_eq!(daemon.status()["channels"][0]["override"]["wanted"], "off", "{}", daemon.log());

    // The folder is another one, which nobody holds: a second daemon is refused all the same.
    fs::remove_dir_all(home.state()).unwrap();
    fs::create_dir(home.state()).unwrap();
    set_well(&daemon, "on");
    let refused = lampward::state::State::open(Some(&home.state())).expect_err("held").to_string();
    assert!(refused.contains("another lampward runs on it"), "{refused}");
}

/// Fills what is left of the disk; gives the file to be removed again.
fn fill(folder: &Path) -> std::path::PathBuf {
    use std::io::Write;
    let path = folder.join("ballast");
    let mut file = fs::File::create(&path).unwrap();
    while file.write(&[0; 4096]).is_ok_and(|written| written > 0) {}
    path
}

#[test]
fn on_a_full_disk_lamps_are_switched_it_is_said_and_all_is_recorded_once_there_is_room() {
    let broker = Mosquitto::start();
    let plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let disk = Disk::start(&home, "size=1m");
    let daemon = &disk.daemon;
    set_well(daemon, "off");
    until_recorded(daemon, "override set");
    let kept = fs::read(disk.folder().join("overrides.json")).unwrap();

    let ballast = fill(disk.folder());
    let (code, answer) = set(daemon, "on");
    assert_eq!(code, 507, "{answer}");
    assert!(answer["detail"].as_str().unwrap().contains("no space left on device"), "{answer}");
    daemon.until_logged(&["ERROR", "overrides and hands can't be made durable", "no space left on device"]);
    assert_eq!(fs::read(disk.folder().join("overrides.json")).unwrap(), kept, "what stood before stands");

    // Cancelling works and says what it is worth; the lamp follows the plan.
    let (code, answer) = daemon.ask("DELETE", "/channels/jetty/override", None).unwrap();
    assert_eq!(code, 200, "{answer}");
    assert!(answer["note"].as_str().unwrap().contains("won't survive a restart"), "{answer}");
    daemon.until_confirmed("yard/3", "on");
    // Another file: the plan goes on as well.
    home.write(&lit_now(&broker).replace(&clock(-60), &clock(60)));
    daemon.until_confirmed("yard/3", "off");
    daemon.until_logged(&["WARN", "the daybook cannot be written; switching goes on, and entries are held back"]);
    until("/status has it", || notices(daemon).contains("the daybook cannot be written").then_some(()));
    let told = plugs.got("yard/3/order").len();
    assert!(told >= 3, "{:?}", plugs.got("yard/3/order"));

    fs::remove_file(ballast).unwrap();
    until("it is said to be well", || (daemon.status()["notices"] == json!([])).then_some(()));
    daemon.until_logged(&["INFO", "the daybook is written again", "lost=0"]);
    set_well(daemon, "on");
    let entries = daemon.ask("GET", "/past?days=1", None).unwrap().1["entries"].to_string();
    assert!(entries.contains("override over"), "what happened meanwhile is on record: {entries}");
}

/// What each store is torn or cut to, in turn; the library's own tests do it at thousands of places (tests/stores).
#[test]
fn the_daemon_starts_on_every_torn_or_truncated_store_and_damage_to_one_costs_the_other_nothing() {
    let broker = Mosquitto::start();
    let _plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");
    set_well(&daemon, "off");
    until_recorded(&daemon, "override set");
    assert!(daemon.stop().success());
    let made = home.state().with_extension("made");
    copy(&home.state(), &made);

    let mut dice = fastrand::Rng::with_seed(4);
    for round in 0..40 {
        copy(&made, &home.state());
        let name = ["overrides.json", "daybook.sqlite"][round % 2];
        let path = home.state().join(name);
        let mut content = fs::read(&path).unwrap();
        let at = dice.usize(..content.len());
        match round % 4 {
            0 | 1 => {
                let length = content.len();
                (0..16).for_each(|n| content[(at + n * 61) % length] ^= dice.u8(1..));
            }
            _ if name == "daybook.sqlite" => content.truncate(at / 4096 * 4096),
            _ => content.truncate(at),
        }
        fs::write(&path, &content).unwrap();
        let daemon = home.start();
        let channel = &daemon.status()["channels"][0];
        let what = format!("round {round}: {name} at {at}\n{channel}\n{}", daemon.log());
        if name == "daybook.sqlite" {
            assert_eq!(channel["wanted"], "off", "{what}");
        } else {
            assert_eq!((&channel["override"], &channel["wanted"]), (&Value::Null, &json!("on")), "{what}");
            until_recorded(&daemon, "override set");
        }
        set_well(&daemon, "on");
        assert_eq!(notices(&daemon), "[]", "{what}");
        daemon.kill();
        // Nothing is found damaged a second time.
        let aside = set_aside(&home.state(), name);
        let daemon = home.start();
        assert_eq!(daemon.status()["channels"][0]["override"]["wanted"], "on", "{what}");
        assert_eq!(set_aside(&home.state(), name), aside, "{what}");
    }
}

fn copy(from: &Path, to: &Path) {
    let _ = fs::remove_dir_all(to);
    fs::create_dir(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        if entry.file_type().unwrap().is_file() {
            fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
        }
    }
}
