//! The real binary, and plugs played by programs that are not ours (mosquitto_sub and mosquitto_pub).
//!
//! Needs `#[path = "common/mosquitto.rs"] mod mosquitto;` beside it.

#![allow(dead_code, reason = "each test uses a part of it")]

use std::cell::RefCell;
use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::net::{SocketAddr, TcpListener};
use std::path::PathBuf;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use chrono::{DateTime, NaiveTime, Utc};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

/// How long anything may take before a test gives up; never a part of what is tested. Missing a switching takes two
/// minutes by itself.
pub const PATIENCE: Duration = Duration::from_secs(240);

/// Waits until `look` finds something.
#[track_caller]
pub fn until<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let begun = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(begun.elapsed() < PATIENCE, "in vain: {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// A port that was free a moment ago.
pub fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// `HH:MM` in UTC, some minutes from now.
pub fn clock(minutes: i64) -> String {
    (lampward::clock::wall() + chrono::TimeDelta::minutes(minutes)).format("%H:%M").to_string()
}

/// A clock time of today or tomorrow, as an instant after `after`.
pub fn instant(clock: &str, after: DateTime<Utc>) -> DateTime<Utc> {
    let clock = NaiveTime::parse_from_str(clock, "%H:%M").unwrap();
    let today = after.date_naive().and_time(clock).and_utc();
    if today > after { today } else { today + chrono::TimeDelta::days(1) }
}

/// A house of its own: a file and a state folder, both gone with it.
pub struct Home {
    folder: tempfile::TempDir,
    port: u16,
}

impl Home {
    /// With `[place]` on the meridian in UTC, `[web]` on a free port, the clock taken as it is, and then `rest`.
    pub fn new(rest: &str) -> Home {
        let home = Home { folder: tempfile::tempdir().unwrap(), port: free_port() };
        home.write(rest);
        home
    }

    /// Writes the file anew.
    pub fn write(&self, rest: &str) {
        let trust = if rest.contains("[clock]") { "" } else { "[clock]\ntrust = \"always\"\n" };
        let text = format!(
            "[place]\nname = \"Skarvholmen Nord\"\nposition = \"51.5 N, 0.1 E\"\ntime_zone = \"Etc/UTC\"\n\
             [web]\nlisten = \"127.0.0.1:{}\"\n{trust}{rest}",
            self.port
        );
        fs::write(self.file(), text).unwrap();
    }

    /// The file.
    pub fn file(&self) -> PathBuf {
        self.folder.path().join("lampward.toml")
    }

    /// The state folder.
    pub fn state(&self) -> PathBuf {
        self.folder.path().join("state")
    }

    /// `lampward COMMAND… --file FILE`, not yet started.
    pub fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_lampward"));
        command.args(words).arg("--file").arg(self.file()).env_remove("RUST_LOG").stdin(Stdio::null());
        command
    }

    /// Starts the daemon.
    pub fn start(&self) -> Daemon {
        self.start_by(Command::new(env!("CARGO_BIN_EXE_lampward")))
    }

    /// Starts the daemon by another program that becomes it: `program … run --file FILE --state FOLDER`.
    pub fn start_by(&self, mut program: Command) -> Daemon {
        let log = self.folder.path().join("log");
        let to = fs::OpenOptions::new().create(true).append(true).open(&log).unwrap();
        program.arg("run").arg("--file").arg(self.file()).arg("--state").arg(self.state());
        program.env_remove("RUST_LOG").stdin(Stdio::null()).stderr(to).stdout(Stdio::null());
        let child = program.spawn().unwrap();
        Daemon { child: RefCell::new(child), page: ([127, 0, 0, 1], self.port).into(), log }
    }
}

/// A running daemon.
pub struct Daemon {
    child: RefCell<Child>,
    page: SocketAddr,
    log: PathBuf,
}

impl Daemon {
    /// One request; the status and the JSON that came. `None` while nobody answers.
    pub fn ask(&self, method: &str, path: &str, body: Option<&str>) -> Option<(u16, Value)> {
        request(self.page, method, path, body)
    }

    /// `/status`, once it answers.
    #[track_caller]
    pub fn status(&self) -> Value {
        let answer = until("the daemon answers", || {
            let ended = self.child.borrow_mut().try_wait().unwrap();
            assert!(ended.is_none(), "the daemon has ended: {ended:?}\n{}", self.log());
            self.ask("GET", "/status", None).filter(|(code, _)| *code == 200)
        });
        answer.1
    }

    /// One plug of `/status`, by its name.
    #[track_caller]
    pub fn plug(&self, name: &str) -> Value {
        let status = self.status();
        let plugs =
            status["channels"].as_array().unwrap().iter().flat_map(|channel| channel["plugs"].as_array().unwrap());
        plugs
            .into_iter()
            .find(|plug| plug["plug"] == name)
            .unwrap_or_else(|| panic!("no plug {name} in {status}"))
            .clone()
    }

    /// Waits until a plug is confirmed to be on or off.
    #[track_caller]
    pub fn until_confirmed(&self, plug: &str, said: &str) {
        until(&format!("{plug} confirmed {said}\n{}", self.log()), || {
            let plug = self.plug(plug);
            (plug["said"] == said && plug["delivery"] == "confirmed").then_some(())
        });
    }

    /// What it has logged, over all starts in this home.
    pub fn log(&self) -> String {
        fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// Waits for a line of the log that holds all of these.
    #[track_caller]
    pub fn until_logged(&self, words: &[&str]) -> String {
        until(&format!("a line with {words:?}"), || {
            let log = self.log();
            log.lines().find(|line| words.iter().all(|word| line.contains(word))).map(str::to_owned)
        })
    }

    /// Where it listens for HTTP.
    pub fn page(&self) -> SocketAddr {
        self.page
    }

    /// Its process.
    pub fn pid(&self) -> Pid {
        Pid::from_child(&self.child.borrow())
    }

    /// SIGKILL.
    pub fn kill(self) {
        // Dropping it does so.
    }

    /// SIGTERM, and waits for the end.
    pub fn stop(self) -> ExitStatus {
        self.signal(Signal::TERM);
        until("the daemon ends", || self.child.borrow_mut().try_wait().unwrap())
    }

    /// How it ended, if it has.
    pub fn ended(&self) -> Option<ExitStatus> {
        self.child.borrow_mut().try_wait().unwrap()
    }

    /// Sends a signal.
    pub fn signal(&self, signal: Signal) {
        kill_process(self.pid(), signal).unwrap();
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let mut child = self.child.borrow_mut();
        let _ = child.kill();
        let _ = child.wait();
    }
}

/// One HTTP request; `None` while nobody answers.
pub fn request(page: SocketAddr, method: &str, path: &str, body: Option<&str>) -> Option<(u16, Value)> {
    attempt(page, method, path, body).ok()
}

/// One HTTP request: status and JSON, or why there is no answer.
pub fn attempt(page: SocketAddr, method: &str, path: &str, body: Option<&str>) -> Result<(u16, Value), ureq::Error> {
    let agent = ureq::Agent::config_builder().http_status_as_error(false).timeout_global(Some(PATIENCE)).build();
    let agent = ureq::Agent::new_with_config(agent);
    let url = format!("http://{page}{path}");
    let request = ureq::http::Request::builder().method(method).uri(url);
    let answer = match body {
        Some(body) => agent.run(request.header("content-type", "application/json").body(body.to_owned()).unwrap()),
        None => agent.run(request.body(()).unwrap()),
    };
    let mut answer = answer?;
    let text = answer.body_mut().read_to_string()?;
    Ok((answer.status().as_u16(), serde_json::from_str(&text).unwrap_or(Value::Null)))
}

/// A command that a plug got.
#[derive(Clone, Debug, PartialEq)]
pub struct Got {
    pub at: DateTime<Utc>,
    pub topic: String,
    pub payload: String,
}

/// Plugs of the kind `plain` on one broker: they report what they are told, unless they are deaf.
pub struct Plugs {
    listener: Child,
    got: Arc<Mutex<Vec<Got>>>,
}

impl Plugs {
    /// Answers every `…/order`; `answers` says whether a plug does.
    pub fn start(port: u16, answers: impl Fn(&str) -> bool + Send + 'static) -> Plugs {
        let at = ["-h", "127.0.0.1", "-p", &port.to_string()].map(str::to_owned);
        // Into a pipe it would hold lines back until there are many.
        let mut listener = Command::new("stdbuf")
            .args(["-oL", "mosquitto_sub"])
            .args(&at)
            .args(["-q", "1", "-v", "-d", "-F", "%t %r %p", "-t", "#"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto_sub: is mosquitto-clients installed?");
        let got: Arc<Mutex<Vec<Got>>> = Arc::default();
        let (seen, mut lines) = (got.clone(), BufReader::new(listener.stdout.take().unwrap()).lines());
        // With -d it says when it is subscribed.
        lines
            .by_ref()
            .map_while(Result::ok)
            .find(|line| line.contains("received SUBACK"))
            .expect("mosquitto_sub subscribes");
        std::thread::spawn(move || {
            for line in lines.map_while(Result::ok) {
                let mut words = line.splitn(3, ' ');
                let (Some(topic), Some(_retained), payload) = (words.next(), words.next(), words.next()) else {
                    continue;
                };
                if line.starts_with("Client ") || line.starts_with("Subscribed ") {
                    continue;
                }
                let payload = payload.unwrap_or_default().to_owned();
                seen.lock().unwrap().push(Got {
                    at: lampward::clock::wall(),
                    topic: topic.to_owned(),
                    payload: payload.clone(),
                });
                let Some(plug) = topic.strip_suffix("/order") else { continue };
                if answers(plug) {
                    let report = format!("{plug}/report");
                    let _ = Command::new("mosquitto_pub")
                        .args(&at)
                        .args(["-q", "1", "-t", &report, "-m", &payload])
                        .status();
                }
            }
        });
        Plugs { listener, got }
    }

    /// Everything seen so far on a topic, oldest first.
    pub fn got(&self, topic: &str) -> Vec<Got> {
        self.got.lock().unwrap().iter().filter(|got| got.topic == topic).cloned().collect()
    }

    /// Everything seen so far.
    pub fn all(&self) -> Vec<Got> {
        self.got.lock().unwrap().clone()
    }

    /// Waits until a topic has had this payload.
    #[track_caller]
    pub fn until_got(&self, topic: &str, payload: &str) -> Got {
        until(&format!("{payload} on {topic}; there were {:?}", self.all()), || {
            self.got(topic).into_iter().find(|got| got.payload == payload)
        })
    }
}

impl Drop for Plugs {
    fn drop(&mut self) {
        let _ = self.listener.kill();
        let _ = self.listener.wait();
    }
}

/// Runs a command to its end; exit code, standard output, standard error.
pub fn finished(mut command: Command) -> (i32, String, String) {
    let output = command.output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code().unwrap_or(-1), text(&output.stdout), text(&output.stderr))
}

/// Reads what there is of a stream in the background.
pub fn collect(mut stream: impl Read + Send + 'static) -> Arc<Mutex<String>> {
    let text: Arc<Mutex<String>> = Arc::default();
    let into = text.clone();
    std::thread::spawn(move || {
        let mut piece = [0; 4096];
        while let Ok(length @ 1..) = stream.read(&mut piece) {
            into.lock().unwrap().push_str(&String::from_utf8_lossy(&piece[..length]));
        }
    });
    text
}
