//! The TOML file under a running daemon: junk, a disk that hangs, links that come to lead elsewhere, and what is said of
//! the file in force and the faulty one.

#[path = "common/house.rs"]
mod house;
#[path = "common/mosquitto.rs"]
mod mosquitto;

use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::Command;

use house::{Daemon, Home, Plugs, clock, finished, until};
use mosquitto::Mosquitto;
use rustix::process::Signal;
use serde_json::{Value, json};

fn lamp(broker: &Mosquitto, from: i64, until: i64) -> String {
    format!(
        "[broker]\naddress = \"mqtt://{}\"\n[channel.jetty]\nlabel = \"Jetty lamp\"\nplug = \"yard/3\"\n\
         lit = [{{ from = \"{}\", until = \"{}\" }}]\n",
        broker.address(),
        clock(from),
        clock(until)
    )
}

fn lit_now(broker: &Mosquitto) -> String {
    lamp(broker, -60, 120)
}

fn dark_now(broker: &Mosquitto) -> String {
    lamp(broker, 120, 180)
}

#[track_caller]
fn set(daemon: &Daemon, wanted: &str) {
    let body = json!({ "wanted": wanted, "until": "cancelled" }).to_string();
    let (code, answer) = daemon.ask("PUT", "/channels/jetty/override", Some(&body)).expect("the daemon answers");
    assert_eq!(code, 200, "{answer}");
    daemon.until_confirmed("yard/3", wanted);
}

fn faults(daemon: &Daemon) -> Vec<Value> {
    daemon.status()["file"]["faults"].as_array().unwrap().clone()
}

#[test]
fn junk_in_place_of_the_file_holds_up_no_lamp_and_the_newest_file_wins() {
    let broker = Mosquitto::start();
    let _plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");

    let line = "lit = [{ from = \"sunsett\", until = \"25:00\" }] and more\n";
    fs::write(home.file(), line.repeat(2 * 1024 * 1024 / line.len())).unwrap();
    daemon.signal(Signal::HUP);
    set(&daemon, "off");
    until("its faults are shown", || (!faults(&daemon).is_empty()).then_some(()));
    assert_eq!(faults(&daemon).len(), 100);
    assert!(
        faults(&daemon)[0]["message"].as_str().unwrap().contains("more than 2000 faults"),
        "{:?}",
        faults(&daemon)[0]
    );

    // Junk and what is meant, one after the other while nobody waits: what was saved last counts.
    for round in 0..5 {
        fs::write(home.file(), [0xfe, round].repeat(1024 * 1024)).unwrap();
        daemon.signal(Signal::HUP);
        home.write(&dark_now(&broker));
        daemon.signal(Signal::HUP);
    }
    until("the good one is in force", || faults(&daemon).is_empty().then_some(()));
    assert_eq!(daemon.ask("DELETE", "/channels/jetty/override", None).unwrap().0, 200);
    daemon.until_confirmed("yard/3", "off");
    home.write(&lit_now(&broker));
    daemon.until_confirmed("yard/3", "on");
}

/// A library that makes opening the file hang for as long as `flag` exists, as a network disk does whose server is gone.
fn hanging_disk(folder: &Path) -> PathBuf {
    let source = r#"
        #define _GNU_SOURCE
        #include <dlfcn.h>
        #include <fcntl.h>
        #include <stdarg.h>
        #include <stdlib.h>
        #include <string.h>
        #include <unistd.h>
        static int hang_then(const char *name, const char *path, int flags, mode_t mode) {
            const char *flag = getenv("HANG_WHILE");
            size_t length = strlen(path);
            if (flag && length >= 13 && !strcmp(path + length - 13, "lampward.toml"))
                while (access(flag, F_OK) == 0) usleep(10000);
            int (*real)(const char *, int, mode_t) = (int (*)(const char *, int, mode_t))dlsym(RTLD_NEXT, name);
            return real(path, flags, mode);
        }
        #define OPEN(name) int name(const char *path, int flags, ...) { \
            va_list rest; va_start(rest, flags); mode_t mode = va_arg(rest, mode_t); va_end(rest); \
            return hang_then(#name, path, flags, mode); }
        OPEN(open)
        OPEN(open64)
    "#;
    let (c, library) = (folder.join("hang.c"), folder.join("hang.so"));
    fs::write(&c, source).unwrap();
    let compiled = Command::new("cc").args(["-shared", "-fPIC", "-o"]).arg(&library).arg(&c).status();
    assert!(compiled.expect("cc: is build-essential installed?").success());
    library
}

#[test]
fn a_disk_that_hangs_holds_up_no_lamp_and_no_stop() {
    let broker = Mosquitto::start();
    let _plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let folder = tempfile::tempdir().unwrap();
    let (library, flag) = (hanging_disk(folder.path()), folder.path().join("flag"));
    let start = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lampward"));
        command.env("LD_PRELOAD", &library).env("HANG_WHILE", &flag);
        home.start_by(command)
    };
    let daemon = start();
    daemon.until_confirmed("yard/3", "on");

    fs::write(&flag, "").unwrap();
    home.write(&dark_now(&broker));
    daemon.signal(Signal::HUP);
    set(&daemon, "off");
    set(&daemon, "on");
    assert_eq!(daemon.ask("DELETE", "/channels/jetty/override", None).unwrap().0, 200);
    daemon.until_confirmed("yard/3", "on");
    // What was asked for while it hung is not forgotten.
    fs::remove_file(&flag).unwrap();
    daemon.until_confirmed("yard/3", "off");

    fs::write(&flag, "").unwrap();
    daemon.signal(Signal::HUP);
    set(&daemon, "on");
    assert!(daemon.stop().success(), "one word is enough while it runs");

    // At the start there is nothing to be done without the file; the second word ends it all the same.
    let daemon = start();
    until("it waits for its file", || {
        let threads = fs::read_dir(format!("/proc/{}/task", daemon.pid().as_raw_nonzero())).ok()?;
        let names = threads.filter_map(|thread| fs::read_to_string(thread.ok()?.path().join("comm")).ok());
        names.into_iter().any(|name| name.trim() == "signals").then_some(())
    });
    daemon.signal(Signal::TERM);
    until("the second SIGTERM ends it", || {
        daemon.signal(Signal::TERM);
        daemon.ended()
    });
}

#[test]
fn a_link_that_comes_to_lead_elsewhere_is_followed() {
    let broker = Mosquitto::start();
    let _plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lit_now(&broker));
    let lit = fs::read_to_string(home.file()).unwrap();
    home.write(&dark_now(&broker));
    let dark = fs::read_to_string(home.file()).unwrap();

    // lampward.toml -> data/now/house.toml, and data/now -> one.
    let data = home.file().with_file_name("data");
    for (name, text) in [("one", &lit), ("two", &dark), ("three", &lit)] {
        fs::create_dir_all(data.join(name)).unwrap();
        fs::write(data.join(name).join("house.toml"), text).unwrap();
    }
    let point = |link: &Path, to: &str| {
        let aside = link.with_extension("new");
        symlink(to, &aside).unwrap();
        fs::rename(&aside, link).unwrap();
    };
    point(&data.join("now"), "one");
    fs::remove_file(home.file()).unwrap();
    symlink("data/now/house.toml", home.file()).unwrap();
    let daemon = home.start();
    daemon.until_confirmed("yard/3", "on");

    point(&data.join("now"), "two");
    daemon.until_confirmed("yard/3", "off");
    // Saved where the link leads by now.
    fs::write(data.join("two/house.toml"), &lit).unwrap();
    daemon.until_confirmed("yard/3", "on");
    fs::write(data.join("two/house.toml"), &dark).unwrap();
    daemon.until_confirmed("yard/3", "off");
    point(&home.file(), "data/three/house.toml");
    daemon.until_confirmed("yard/3", "on");
    // The folder goes, and comes back.
    fs::remove_dir_all(data.join("three")).unwrap();
    until("it is missed", || (!faults(&daemon).is_empty()).then_some(()));
    fs::create_dir(data.join("three")).unwrap();
    fs::write(data.join("three/house.toml"), &dark).unwrap();
    daemon.until_confirmed("yard/3", "off");
}

#[test]
fn beyond_loopback_without_a_token_it_is_refused_before_anything_listens() {
    let broker = Mosquitto::start();
    let home = Home::new(&lit_now(&broker));
    let good = fs::read_to_string(home.file()).unwrap();
    let daemon = home.start();
    daemon.status();
    assert!(daemon.stop().success());

    // Taken: whoever tried to listen first would say so.
    let _taken = std::net::TcpListener::bind("0.0.0.0:0").unwrap();
    let port = _taken.local_addr().unwrap().port();
    let line = good.lines().find(|line| line.starts_with("listen")).unwrap();
    fs::write(home.file(), good.replace(line, &format!("listen = \"0.0.0.0:{port}\""))).unwrap();
    let mut run = home.command(&["run"]);
    run.arg("--state").arg(home.state());
    let (code, _, said) = finished(run);
    assert_eq!(code, 2, "even with a last good copy: {said}");
    assert!(
        said.contains("lets others on the network in, and there is no token to tell who may switch lamps"),
        "{said}"
    );
    assert!(!said.contains("starting"), "{said}");
}

#[test]
fn what_is_said_of_the_file_in_force_and_of_the_faulty_one_is_true() {
    let broker = Mosquitto::start();
    let home = Home::new(&lit_now(&broker));
    let daemon = home.start();
    let read_at = daemon.status()["file"]["read_at"].clone();
    daemon.stop();
    // The copy is as old as the last look at the good file.
    let copy = home.state().join("last-good.toml");
    let stamp = "2025-01-02T03:04:05Z".parse::<chrono::DateTime<chrono::Utc>>().unwrap();
    fs::File::options().write(true).open(&copy).unwrap().set_modified(stamp.into()).unwrap();

    home.write("[channel.jetty]\nlit = []\n");
    let daemon = home.start();
    let file = daemon.status()["file"].clone();
    assert_eq!(file["read_at"], "2025-01-02T03:04:05+00:00", "{file}");
    let at = |value: &Value| chrono::DateTime::parse_from_rfc3339(value.as_str().unwrap()).unwrap();
    assert!(at(&file["faulty_at"]) >= at(&read_at), "{file}");
    // The commands would read the address of the page from the faulty file.
    let page = daemon.page().to_string();
    let now = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lampward"));
        command.args(["now", "--address", &page]);
        let (code, said, complaint) = finished(command);
        assert_eq!(code, 0, "{complaint}");
        said
    };
    let said = now();
    assert!(said.contains("File read 2 Jan 2025 03:04"), "{said}");
    assert!(said.contains("has faults; the rules read 2 Jan 2025 03:04 stay in force."), "{said}");
    daemon.until_logged(&["going on with the last good copy of it, read at 2025-01-02T03:04:05Z"]);

    home.write(&dark_now(&broker));
    until("the good file is in force", || faults(&daemon).is_empty().then_some(()));
    let file = daemon.status()["file"].clone();
    assert_eq!(file["faulty_at"], Value::Null, "{file}");
    assert!(at(&file["read_at"]) >= at(&read_at), "{file}");
    let said = now();
    assert!(!said.contains("has faults"), "{said}");
}

#[test]
fn a_file_that_a_start_would_look_for_in_vain_is_told_before_there_is_one() {
    let broker = Mosquitto::start();
    let rules = lit_now(&broker);
    let home = Home::new(&rules);
    let daemon = home.start();
    until("it runs", || daemon.ask("GET", "/status", None));
    let notices = || daemon.status()["notices"].clone();
    let with = |path: &Path| {
        rules.replace("[channel", &format!("user = \"lampward\"\npassword_file = \"{}\"\n[channel", path.display()))
    };

    let nowhere = home.file().with_file_name("broker-pasword");
    home.write(&with(&nowhere));
    let sentence = format!(
        "password_file under [broker] names {}, which can't be read: no such file or directory; lampward would not start \
         with it: put it there, or mend the path",
        nowhere.display()
    );
    daemon.until_logged(&[&sentence]);
    // Without the path: people on the network read it.
    let brief = "password_file under [broker] names a file that can't be read: no such file or directory; lampward would \
                 not start again with it: put it there, or mend the path";
    let restart = "the change to [broker] waits for a restart of lampward";
    until("it is shown", || (notices() == json!([restart, brief])).then_some(()));
    let (code, said, _) = finished(home.command(&["check"]));
    assert!(code == 0 && said.contains(&format!("warning: {sentence}\n")), "{code} {said}");

    fs::write(&nowhere, "secret\n").unwrap();
    daemon.signal(Signal::HUP);
    until("it is no longer shown", || (notices() == json!([restart])).then_some(()));
    let (code, said, _) = finished(home.command(&["check"]));
    assert!(code == 0 && !said.contains("warning: password_file"), "{code} {said}");

    fs::remove_file(&nowhere).unwrap();
    fs::create_dir(&nowhere).unwrap();
    let (code, said, _) = finished(home.command(&["check"]));
    assert!(code == 0 && said.contains("which can't be read: is a directory;"), "{code} {said}");
    let (code, said, _) = finished(home.command(&["check", "--format", "json"]));
    let said: Value = serde_json::from_str(&said).unwrap();
    let warnings = said["warnings"].as_array().unwrap();
    assert!(code == 0 && warnings.iter().any(|warning| warning["kind"] == "unreadable"), "{said}");
}
