//! The two programs of a package: that without a broker of its own goes on as the other where a file asks for one.
//!
//! `tests/run` has the program built twice and gives the path of the other in `LAMPWARD_WITH_BROKER`.
#![cfg(not(feature = "own-broker"))]

#[path = "common/house.rs"]
mod house;
#[path = "common/mosquitto.rs"]
mod mosquitto;

use std::env;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::process::{Command, Stdio};

use house::{Daemon, Home, Plugs, clock, finished, until};
use mosquitto::Mosquitto;
use rustix::process::{Pid, Signal, kill_process};

/// Both where a package has them, below a folder of their own.
struct Package {
    folder: tempfile::TempDir,
}

impl Package {
    fn new() -> Package {
        let with_broker = env::var_os("LAMPWARD_WITH_BROKER")
            .expect("LAMPWARD_WITH_BROKER names the program with the broker: start this by tests/run");
        let package = Package::lean_alone();
        fs::create_dir_all(package.with_broker().parent().unwrap()).unwrap();
        fs::copy(with_broker, package.with_broker()).unwrap();
        package
    }

    /// As if built by hand.
    fn lean_alone() -> Package {
        let package = Package { folder: tempfile::tempdir().unwrap() };
        fs::create_dir(package.folder.path().join("bin")).unwrap();
        fs::copy(env!("CARGO_BIN_EXE_lampward"), package.lean()).unwrap();
        package
    }

    fn lean(&self) -> PathBuf {
        self.folder.path().join("bin/lampward")
    }

    fn with_broker(&self) -> PathBuf {
        self.folder.path().join("libexec/lampward/lampward")
    }

    fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(self.lean());
        command.args(words).env_remove("RUST_LOG").stdin(Stdio::null());
        command
    }

    fn run(&self, home: &Home) -> Command {
        let mut command = self.command(&["run"]);
        command.arg("--file").arg(home.file()).arg("--state").arg(home.state());
        command
    }
}

fn program_of(daemon: &Daemon) -> PathBuf {
    fs::read_link(format!("/proc/{}/exe", daemon.pid().as_raw_pid())).unwrap()
}

/// Two lamps with one label, which is worth a warning.
fn lamps(broker: &str) -> String {
    let lamp = |name: &str, plug: &str| {
        let (from, until) = (clock(-60), clock(120));
        let rule = format!("lit = [{{ from = \"{from}\", until = \"{until}\" }}]");
        format!("[channel.{name}]\nlabel = \"Jetty lamp\"\nplug = \"{plug}\"\n{rule}\n")
    };
    format!("[broker]\n{broker}\n{}{}", lamp("jetty", "yard/3"), lamp("shed", "yard/4"))
}

#[test]
fn where_a_file_asks_for_our_own_broker_the_program_that_has_it_goes_on_as_the_same_process() {
    let package = Package::new();
    let port = house::free_port();
    let home = Home::new(&lamps(&format!("serve = \"127.0.0.1:{port}\"")));
    let daemon = home.start_by(Command::new(package.lean()));
    until("the link is up", || (daemon.status()["broker"]["link"] == "up").then_some(()));
    assert_eq!(program_of(&daemon), package.with_broker().canonicalize().unwrap());
    let name = fs::read(format!("/proc/{}/cmdline", daemon.pid().as_raw_pid())).unwrap();
    assert!(name.starts_with(package.lean().as_os_str().as_encoded_bytes()), "it keeps the name it was called by");

    let plugs = Plugs::start(port, |_| true);
    // Plugs that come later say that they are there by their first report.
    let said = Command::new("mosquitto_pub")
        .args(["-h", "127.0.0.1", "-p", &port.to_string(), "-q", "1", "-t", "yard/3/report", "-m", "off"])
        .status();
    assert!(said.unwrap().success());
    plugs.until_got("yard/3/order", "on");
    daemon.until_confirmed("yard/3", "on");

    let log = daemon.log();
    for once in ["starting", "is the label of [channel.jetty] too"] {
        assert_eq!(log.matches(once).count(), 1, "{once}: {log}");
    }
    assert!(daemon.stop().success());
}

#[test]
fn with_the_broker_of_the_household_it_stays_as_it_is() {
    let package = Package::new();
    let broker = Mosquitto::start();
    let _plugs = Plugs::start(broker.port(), |_| true);
    let home = Home::new(&lamps(&format!("address = \"mqtt://{}\"", broker.address())));
    let daemon = home.start_by(Command::new(package.lean()));
    daemon.until_confirmed("yard/3", "on");
    assert_eq!(program_of(&daemon), package.lean().canonicalize().unwrap());
}

#[test]
fn where_there_is_none_to_go_on_as_it_says_what_to_do_and_keeps_nothing() {
    let package = Package::lean_alone();
    let home = Home::new(&lamps(""));
    let (code, _, said) = finished(package.run(&home));
    assert_eq!(code, 1, "{said}");
    assert!(said.contains("built without a broker of its own: set address under [broker]"), "{said}");
    let place = package.with_broker();
    assert!(said.contains(place.to_str().unwrap()), "{said}");
    assert!(!home.state().join("last-good.toml").exists());
    for command in ["demo", "account"] {
        let words = if command == "demo" { vec![command] } else { vec![command, "plugs"] };
        let (code, _, said) = finished(package.command(&words));
        assert_eq!(code, 1, "{command}: {said}");
        assert!(said.contains("built without a broker of its own"), "{command}: {said}");
    }
}

#[test]
fn where_the_other_cannot_be_run_it_names_it_and_the_reason() {
    let package = Package::new();
    fs::set_permissions(package.with_broker(), fs::Permissions::from_mode(0o644)).unwrap();
    let home = Home::new(&lamps(""));
    let (code, _, said) = finished(package.run(&home));
    assert_eq!(code, 1, "{said}");
    assert!(said.contains("libexec/lampward/lampward, which has the broker: permission denied"), "{said}");
    assert!(said.contains("Install lampward again"), "{said}");
}

#[test]
fn accounts_and_the_demo_are_the_other_s() {
    let package = Package::new();
    let mut asked = package.command(&["account", "plugs"]);
    let mut asked = asked.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    asked.stdin.take().unwrap().write_all(b"lantern-light\n").unwrap();
    let answer = asked.wait_with_output().unwrap();
    assert!(answer.status.success() && answer.stdout.starts_with(b"plugs:$argon2id$"), "{answer:?}");

    let mut demo = package.command(&["demo", "--speed", "4000"]).stdout(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(demo.stdout.take().unwrap()).lines().map_while(Result::ok);
    assert!(lines.next().is_some_and(|line| line.contains("with make-believe plugs")));
    assert!(lines.any(|line| line.contains("Jetty lamp") && line.contains(" on ")), "it switches");
    kill_process(Pid::from_child(&demo), Signal::TERM).unwrap();
    // Until it has ended; a reader that goes first would end nothing.
    lines.for_each(drop);
    assert!(demo.wait().unwrap().success());
}
