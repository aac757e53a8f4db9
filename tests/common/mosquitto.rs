//! A real mosquitto for tests: a configuration of its own, a free port of 127.0.0.1, its own log, ended by its id.
//!
//! Put `#[path = "common/mosquitto.rs"] mod mosquitto;` into a test to use it.

#![allow(dead_code, reason = "each test uses a part of it")]

use std::fs;
use std::io::Read;
use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

/// How long anything here may take before the test gives up; never a part of what is tested.
const PATIENCE: Duration = Duration::from_secs(60);

/// A running mosquitto, or one that was killed and may be started again on the same port.
pub struct Mosquitto {
    port: u16,
    folder: tempfile::TempDir,
    child: Option<Child>,
}

impl Mosquitto {
    /// Open to anyone on loopback, keeps nothing on disk.
    pub fn start() -> Mosquitto {
        Mosquitto::with("allow_anonymous true")
    }

    /// Takes only `user` with `password`.
    pub fn with_account(user: &str, password: &str) -> Mosquitto {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("accounts");
        let made = program("mosquitto_passwd").args(["-b", "-c"]).arg(&file).args([user, password]).status();
        assert!(made.expect("mosquitto_passwd: is the package mosquitto installed?").success());
        Mosquitto::in_folder(folder, &format!("allow_anonymous false\npassword_file {}", file.display()))
    }

    /// With these lines of configuration besides listener and log.
    pub fn with(lines: &str) -> Mosquitto {
        Mosquitto::in_folder(tempfile::tempdir().unwrap(), lines)
    }

    fn in_folder(mut folder: tempfile::TempDir, lines: &str) -> Mosquitto {
        // Another program may take the port between our look and mosquitto's bind: then another one is tried.
        for _ in 0..20 {
            let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
            let log = folder.path().join("log");
            fs::write(
                folder.path().join("conf"),
                format!(
                    "listener {port} 127.0.0.1\nuser root\npersistence false\nset_tcp_nodelay true\n\
                     log_dest file {}\nlog_type all\n{lines}\n",
                    log.display()
                ),
            )
            .unwrap();
            let mut broker = Mosquitto { port, folder, child: None };
            if broker.launch() {
                return broker;
            }
            folder = std::mem::replace(&mut broker.folder, tempfile::tempdir().unwrap());
        }
        panic!("no free port for mosquitto");
    }

    /// False if it ended at once, as it does when the port is taken.
    fn launch(&mut self) -> bool {
        // What answers on the port may be another program, or the first of several listeners: only the broker's own
        // word says that all of them are open.
        let running = |broker: &Mosquitto| {
            broker.log().lines().filter(|line| line.contains("mosquitto version") && line.ends_with("running")).count()
        };
        let before = running(self);
        let mut child = program("mosquitto")
            .arg("-c")
            .arg(self.folder.path().join("conf"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("mosquitto starts: is the package mosquitto installed?");
        let begun = Instant::now();
        loop {
            if let Some(status) = child.try_wait().unwrap() {
                let mut said = String::new();
                child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
                let log = self.log();
                assert!((said.clone() + &log).contains("in use"), "mosquitto ended: {status} {said} {log}");
                return false;
            }
            if running(self) > before {
                self.child = Some(child);
                return true;
            }
            assert!(begun.elapsed() < PATIENCE, "mosquitto does not listen: {}", self.log());
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        ([127, 0, 0, 1], self.port).into()
    }

    /// Its port.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// The id of its process.
    pub fn pid(&self) -> Pid {
        Pid::from_child(self.child.as_ref().expect("mosquitto runs"))
    }

    /// SIGKILL; returns when it is gone.
    pub fn kill(&mut self) {
        let mut child = self.child.take().expect("mosquitto runs");
        child.kill().unwrap();
        child.wait().unwrap();
    }

    /// SIGTERM; returns when it has written what it keeps, and is gone.
    pub fn stop(&mut self) {
        kill_process(self.pid(), Signal::TERM).unwrap();
        self.child.take().expect("mosquitto runs").wait().unwrap();
    }

    /// Starts it again on the same port.
    pub fn restart(&mut self) {
        if self.child.is_some() {
            self.kill();
        }
        let begun = Instant::now();
        while !self.launch() {
            assert!(begun.elapsed() < PATIENCE, "port {} stays taken", self.port);
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// SIGSTOP: its sockets stay open and nothing answers.
    pub fn pause(&self) {
        kill_process(self.pid(), Signal::STOP).unwrap();
    }

    /// SIGCONT.
    pub fn resume(&self) {
        kill_process(self.pid(), Signal::CONT).unwrap();
    }

    /// Everything it has logged, over all restarts.
    pub fn log(&self) -> String {
        String::from_utf8_lossy(&fs::read(self.folder.path().join("log")).unwrap_or_default()).into_owned()
    }

    /// How many lines of the log contain `words`.
    pub fn logged(&self, words: &str) -> usize {
        self.log().lines().filter(|line| line.contains(words)).count()
    }

    /// Publishes one message by a program that is not ours.
    pub fn publish(&self, topic: &str, payload: &[u8], retain: bool) {
        let file: PathBuf = self.folder.path().join("payload");
        fs::write(&file, payload).unwrap();
        let mut command = program("mosquitto_pub");
        command.args(["-h", "127.0.0.1", "-q", "1", "-p", &self.port.to_string(), "-t", topic, "-f"]).arg(&file);
        if retain {
            command.arg("-r");
        }
        assert!(command.status().expect("mosquitto_pub: is mosquitto-clients installed?").success());
    }
}

/// A program of the packages mosquitto and mosquitto-clients, also where `/usr/sbin` is not on the path.
pub fn program(name: &str) -> Command {
    let path = std::env::var("PATH").unwrap_or_default();
    let mut command = Command::new(name);
    command.env("PATH", format!("{path}:/usr/sbin:/usr/local/sbin"));
    command
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            // SIGKILL ends a stopped process as well.
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}
