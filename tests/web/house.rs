//! A house with a server and a make-believe daemon behind its door.

use std::net::SocketAddr;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use chrono::{DateTime, Utc};
use lampward::daybook::Daybook;
use lampward::pure::config::{Config, Web, WebRead};
use lampward::pure::keeper::{Answer, ChannelView, Delivery, Miss, Order, PlugView, Snapshot, Switching};
use lampward::pure::power::Power;
use lampward::web::{self, Asked, Door, Facts, FileFacts, GiveWay, Guard, Taken};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, oneshot, watch};

pub const TOKEN: &str = "jNbYq0JmYb2n5l1o8TgJwXl0eGBk1Q3m";

pub fn utc(text: &str) -> DateTime<Utc> {
    DateTime::parse_from_rfc3339(text).expect("an instant").to_utc()
}

/// The instant of design.md's `/status`.
pub fn now() -> DateTime<Utc> {
    utc("2026-11-24T16:03:11+01:00")
}

pub fn config(web: Web) -> Config {
    let text = r#"
        [place]
        name = "Skarvholmen"
        position = "59.7412 N, 5.2097 E"
        time_zone = "Europe/Oslo"
        [channel.jetty]
        label = "Jetty lamp"
        plug = "yard/3"
        lit = [{ from = "sunset", until = "sunrise" }]
        [channel.parlour]
        label = 'Parlour <"snug">'
        plug = "house/parlour"
        lit = [{ from = "20 min before sunset, not before 16:00", until = "22:45" }, { from = "06:15", until = "sunrise" }]
    "#;
    let checked = lampward::pure::config::read("house.toml", text.as_bytes());
    Config { web, ..checked.expect("a file without fault").config }
}

pub fn plain_web() -> Web {
    Web { listen: "127.0.0.1:8460".parse().expect("an address"), token_file: None, read: WebRead::Open, hosts: vec![] }
}

pub fn facts(config: Arc<Config>) -> Facts {
    let channel = || ChannelView {
        wanted: Some(Power::On),
        because: "lit from sunset until sunrise".into(),
        next: Some(Arc::new(Switching {
            at: utc("2026-11-25T08:59:07+01:00"),
            wanted: Power::Off,
            because: "sunrise".into(),
        })),
        overridden: None,
        plugs: vec![PlugView {
            said: Some(Power::On),
            delivery: Delivery::Confirmed,
            since: utc("2026-11-24T15:54:13+01:00"),
            hand: None,
            gone: false,
        }],
    };
    let channels = config.channels.iter().map(|_| Arc::new(channel())).collect();
    Facts {
        config,
        snapshot: Snapshot { now: now(), trusted: true, link_up: true, channels, missed: Vec::<Miss>::new() },
        clock_because: "synchronised".into(),
        link_since: utc("2026-11-20T07:11:02+01:00"),
        link_because: None,
        taken: Taken::default(),
        file: FileFacts {
            read_at: utc("2026-11-20T07:11:02+01:00"),
            faults: [].into(),
            faulty_at: None,
            warnings: [].into(),
        },
        notices: vec![],
    }
}

/// How the make-believe daemon answers an order; `None`: it never does.
pub type Answering = Box<dyn FnMut(&Order) -> Option<Answer> + Send>;

pub struct House {
    pub address: SocketAddr,
    pub facts: watch::Sender<Arc<Facts>>,
    pub daybook: Daybook,
    clock: Arc<Mutex<DateTime<Utc>>>,
    pub orders: Arc<Mutex<Vec<Order>>>,
    pub give_way: Arc<GiveWay>,
    _state: tempfile::TempDir,
    stop: Option<oneshot::Sender<()>>,
    pub server: tokio::task::JoinHandle<()>,
}

impl House {
    pub async fn plain() -> House {
        House::with(plain_web(), Box::new(|_| Some(Answer::Done(vec![])))).await
    }

    /// With a token; reading is open unless `web` says otherwise.
    pub async fn guarded(mut web: Web) -> House {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("token");
        write_private(&path, TOKEN);
        web.token_file = Some(path);
        House::with(web, Box::new(|_| Some(Answer::Done(vec![])))).await
    }

    pub async fn with(web: Web, mut answering: Answering) -> House {
        let guard = Arc::new(Guard::new(&web, None).expect("a guard"));
        let state = tempfile::tempdir().expect("a folder");
        let daybook = Daybook::open(state.path(), 2, now());
        let (facts, facts_seen) = watch::channel(Arc::new(facts(Arc::new(config(web)))));
        let (orders, mut ordered) = mpsc::channel::<Asked>(16);
        let seen = Arc::new(Mutex::new(Vec::new()));
        let noted = seen.clone();
        tokio::spawn(async move {
            let mut unanswered = Vec::new();
            while let Some((order, answer)) = ordered.recv().await {
                let said = answering(&order);
                noted.lock().expect("not poisoned").push(order);
                match said {
                    Some(said) => drop(answer.send(said)),
                    None => unanswered.push(answer),
                }
            }
        });
        let clock = Arc::new(Mutex::new(now()));
        let face = clock.clone();
        let tells = Arc::new(move || *face.lock().expect("not poisoned"));
        let give_way = Arc::new(GiveWay::default());
        let door = Door {
            facts: facts_seen,
            orders,
            now: tells,
            daybook: daybook.reader(),
            guard,
            give_way: give_way.clone(),
        };
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("a free port");
        let address = listener.local_addr().expect("an address");
        let (stop, stopped) = oneshot::channel::<()>();
        let server = tokio::spawn(web::serve(listener, door, async {
            let _ = stopped.await;
        }));
        House { address, facts, daybook, clock, orders: seen, give_way, _state: state, stop: Some(stop), server }
    }

    /// Changes the facts.
    pub fn change(&self, change: impl FnOnce(&mut Facts)) {
        self.facts.send_modify(|facts| {
            let mut changed = Facts::clone(facts);
            change(&mut changed);
            *facts = Arc::new(changed);
        });
    }

    pub fn set_clock(&self, to: &str) {
        *self.clock.lock().expect("not poisoned") = utc(to);
    }

    /// Asks again until the body is as wanted.
    pub async fn until(&self, path: &str, is_so: impl Fn(&serde_json::Value) -> bool) {
        let again = async {
            while !is_so(&self.get(path).await.json()) {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        };
        tokio::time::timeout(Duration::from_secs(60), again).await.expect("it comes to that");
    }

    pub fn stop(&mut self) {
        drop(self.stop.take());
    }

    /// Sends bytes as they are and reads until the server closes.
    pub async fn raw(&self, request: &[u8]) -> Reply {
        let mut stream = TcpStream::connect(self.address).await.expect("a connection");
        stream.write_all(request).await.expect("sent");
        read_reply(&mut stream).await
    }

    pub async fn get(&self, path: &str) -> Reply {
        self.ask("GET", path, &[], "").await
    }

    /// One request with JSON where there is a body.
    pub async fn ask(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Reply {
        let mut request = format!("{method} {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n");
        if !body.is_empty() {
            request += &format!("Content-Length: {}\r\n", body.len());
            if !headers.iter().any(|(name, _)| name.eq_ignore_ascii_case("content-type")) {
                request += "Content-Type: application/json\r\n";
            }
        }
        for (name, value) in headers {
            request += &format!("{name}: {value}\r\n");
        }
        self.raw(format!("{request}\r\n{body}").as_bytes()).await
    }
}

pub async fn read_reply(stream: &mut TcpStream) -> Reply {
    let mut bytes = Vec::new();
    // A server that refuses may close before it has read everything; what it said before that counts.
    let _ = stream.read_to_end(&mut bytes).await;
    Reply::parse(&bytes)
}

pub fn write_private(path: &Path, text: &str) {
    use std::os::unix::fs::PermissionsExt;
    std::fs::write(path, text).expect("written");
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).expect("made private");
}

#[derive(Debug)]
pub struct Reply {
    pub status: u16,
    pub headers: Vec<(String, String)>,
    pub body: String,
}

impl Reply {
    pub fn parse(bytes: &[u8]) -> Reply {
        let text = String::from_utf8_lossy(bytes);
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let mut lines = head.lines();
        let status = lines.next().and_then(|line| line.split(' ').nth(1)).and_then(|code| code.parse().ok());
        let headers = lines.filter_map(|line| line.split_once(": ")).map(|(n, v)| (n.to_lowercase(), v.to_string()));
        Reply { status: status.unwrap_or(0), headers: headers.collect(), body: body.to_string() }
    }

    pub fn header(&self, name: &str) -> &str {
        self.headers.iter().find(|(known, _)| known == name).map_or("", |(_, value)| value)
    }

    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.body).unwrap_or_else(|error| panic!("{error} in {self:?}"))
    }

    /// `422 application/problem+json: detail`.
    #[track_caller]
    pub fn problem(&self) -> String {
        assert_eq!(self.header("content-type"), "application/problem+json", "{self:?}");
        let body = self.json();
        assert_eq!(body["status"], self.status, "the body repeats the status");
        format!("{}: {}", self.status, body["detail"].as_str().expect("a detail"))
    }
}
