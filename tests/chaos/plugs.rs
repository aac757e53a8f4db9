//! The plugs, in a process of their own: MQTT clients that the daemon knows nothing of but what they say.
//!
//! They do as they are told over TCP by the test, line by line, and end when that connection does.

use std::cell::{Cell, RefCell};
use std::collections::BTreeMap;
use std::rc::Rc;
use std::time::Duration;

use rumqttc::{
    AsyncClient, ConnectionError, Event, EventLoop, LastWill, MqttOptions, NetworkOptions, Packet, QoS, SubscribeFilter,
};
use serde_json::json;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;
use tokio::sync::Notify;
use tokio::time::{Instant, sleep, sleep_until};

use crate::lamps::{self, Answers, Make};

/// The broker is missed within twice that.
const KEEP_ALIVE: Duration = Duration::from_secs(5);

/// How long a plug waits before it tries to get in again, at most.
pub const COMES_BACK_WITHIN: Duration = Duration::from_millis(1_000);

/// Lives until the connection to the test ends.
pub fn run(control: u16, broker: u16) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    tokio::task::LocalSet::new().block_on(&runtime, async {
        let world = Rc::new(World::new(broker));
        for plug in world.plugs.values() {
            tokio::task::spawn_local(plug.clone().live(world.clone()));
        }
        obey(&world, TcpStream::connect(("127.0.0.1", control)).await.unwrap()).await;
    });
}

struct World {
    broker: u16,
    plugs: BTreeMap<String, Rc<Plug>>,
    counts: Counts,
    junk: RefCell<Option<tokio::task::JoinHandle<()>>>,
}

#[derive(Default)]
struct Counts {
    orders: Cell<u64>,
    asks: Cell<u64>,
    reports: Cell<u64>,
    junk: Cell<u64>,
    connections: Cell<u64>,
    refused: Cell<u64>,
}

fn count(counter: &Cell<u64>) {
    counter.set(counter.get() + 1);
}

impl World {
    fn new(broker: u16) -> World {
        let plug = |(name, make): (String, &'static Make)| {
            let plug = Plug {
                name: name.clone(),
                make,
                on: Cell::default(),
                client: RefCell::default(),
                report_at: Cell::new(Instant::now()),
                wrong: Cell::default(),
                kicked: Notify::new(),
            };
            (name, Rc::new(plug))
        };
        World {
            broker,
            plugs: lamps::plugs().into_iter().map(plug).collect(),
            counts: Counts::default(),
            junk: RefCell::default(),
        }
    }
}

async fn obey(world: &Rc<World>, control: TcpStream) {
    let (from, mut to) = control.into_split();
    let mut lines = BufReader::new(from).lines();
    while let Ok(Some(line)) = lines.next_line().await {
        let words: Vec<&str> = line.split(' ').collect();
        let answer = match words[..] {
            ["say"] => say(world),
            ["junk", a_second, ref topics @ ..] => {
                let topics = topics.iter().map(ToString::to_string).collect();
                let flood = tokio::task::spawn_local(junk(world.clone(), a_second.parse().unwrap(), topics));
                *world.junk.borrow_mut() = Some(flood);
                json!("begun")
            }
            ["calm"] => {
                if let Some(flood) = world.junk.take() {
                    flood.abort();
                }
                json!(world.counts.junk.get())
            }
            ["large", bytes, topic, kept] => {
                json!(large(world, bytes.parse().unwrap(), topic, kept == "kept").await)
            }
            ["password", plug, which] => {
                let plug = &world.plugs[plug];
                plug.wrong.set(which == "wrong");
                plug.kicked.notify_one();
                json!("known")
            }
            _ => panic!("what is {line:?}?"),
        };
        if to.write_all(format!("{answer}\n").as_bytes()).await.is_err() {
            return;
        }
    }
}

fn say(world: &World) -> serde_json::Value {
    let lamps: BTreeMap<_, _> = world.plugs.iter().map(|(name, plug)| (name, plug.on.get())).collect();
    let connected = world.plugs.values().filter(|plug| plug.client.borrow().is_some()).count();
    let counts = &world.counts;
    json!({
        "process": std::process::id(),
        "lamps": lamps,
        "connected": connected,
        "orders": counts.orders.get(),
        "asks": counts.asks.get(),
        "reports": counts.reports.get(),
        "junk": counts.junk.get(),
        "connections": counts.connections.get(),
        "refused": counts.refused.get(),
    })
}

struct Plug {
    name: String,
    make: &'static Make,
    on: Cell<bool>,
    /// While it is connected and subscribed.
    client: RefCell<Option<AsyncClient>>,
    /// Its last report goes out then, and none before it.
    report_at: Cell<Instant>,
    /// It gives a wrong password.
    wrong: Cell<bool>,
    kicked: Notify,
}

impl Plug {
    async fn live(self: Rc<Plug>, world: Rc<World>) {
        loop {
            let (client, mut events) = connect(&world, &self.name.replace('/', ""), |options| {
                options.set_clean_session(!self.make.keeps_session);
                if self.make.alive {
                    options.set_last_will(LastWill::new(self.topic("alive"), "gone", QoS::AtLeastOnce, true));
                }
                if self.wrong.get() {
                    options.set_credentials(lamps::PLUGS.0, "candle");
                }
            });
            loop {
                tokio::select! {
                    event = events.poll() => match event {
                        Ok(Event::Incoming(packet)) => self.clone().take(&world, &client, packet),
                        Ok(Event::Outgoing(_)) => {}
                        Err(error) => {
                            if matches!(error, ConnectionError::ConnectionRefused(_)) {
                                count(&world.counts.refused);
                            }
                            break;
                        }
                    },
                    () = self.kicked.notified() => break,
                }
            }
            self.client.take();
            // A wrong password is tried seldom: the own broker shuts out whoever tries ten in a minute.
            let wait = if self.wrong.get() { 4 * COMES_BACK_WITHIN } else { COMES_BACK_WITHIN };
            sleep(wait.mul_f64(0.1 + 0.9 * fastrand::f64())).await;
        }
    }

    fn topic(&self, last: &str) -> String {
        format!("{}/{last}", self.name)
    }

    fn take(self: Rc<Plug>, world: &Rc<World>, client: &AsyncClient, packet: Packet) {
        match packet {
            Packet::ConnAck(_) => {
                let topics = ["order", "ask"].map(|last| SubscribeFilter::new(self.topic(last), QoS::AtLeastOnce));
                let _ = client.try_subscribe_many(topics);
            }
            Packet::SubAck(_) => {
                count(&world.counts.connections);
                *self.client.borrow_mut() = Some(client.clone());
                if self.make.alive {
                    let _ = client.try_publish(self.topic("alive"), QoS::AtLeastOnce, true, "here");
                }
                if self.make.announces {
                    self.report(world);
                }
            }
            Packet::Publish(order) if order.topic == self.topic("order") => {
                count(&world.counts.orders);
                let Some(on) = self.make.understood(&order.payload) else { return };
                let changed = self.on.replace(on) != on;
                match self.make.answers {
                    Answers::Always => self.report(world),
                    Answers::Changes if changed => self.report(world),
                    Answers::Changes | Answers::Never => {}
                }
            }
            Packet::Publish(_) => {
                count(&world.counts.asks);
                if self.make.asks {
                    self.report(world);
                }
            }
            _ => {}
        }
    }

    /// Says how it is now, but in its own time; if it has no connection then, nobody hears of it.
    fn report(self: Rc<Plug>, world: &Rc<World>) {
        if self.make.answers == Answers::Never {
            return;
        }
        let (from, to) = self.make.late_ms;
        let at = (Instant::now() + Duration::from_millis(fastrand::u64(from..=to))).max(self.report_at.get());
        self.report_at.set(at);
        let (world, said) = (world.clone(), self.make.report(self.on.get()));
        tokio::task::spawn_local(async move {
            sleep_until(at).await;
            if let Some(client) = self.client.borrow().as_ref()
                && client.try_publish(self.topic("report"), QoS::AtLeastOnce, self.make.retains, said).is_ok()
            {
                count(&world.counts.reports);
            }
        });
    }
}

fn connect(world: &World, id: &str, also: impl FnOnce(&mut MqttOptions)) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(id, "127.0.0.1", world.broker);
    options
        .set_keep_alive(KEEP_ALIVE)
        .set_max_packet_size(1024 * 1024, 8 * 1024 * 1024)
        .set_credentials(lamps::PLUGS.0, lamps::PLUGS.1);
    also(&mut options);
    let (client, mut events) = AsyncClient::new(options, 1_000);
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    events.set_network_options(network);
    (client, events)
}

/// So many messages a second on these topics that no report can be, until it is aborted.
async fn junk(world: Rc<World>, a_second: u64, topics: Vec<String>) {
    let mut connected = 0;
    loop {
        connected += 1;
        let (client, mut events) = connect(&world, &format!("junk{connected}"), |_| {});
        let polling = async {
            while events.poll().await.is_ok() {}
            sleep(Duration::from_millis(200)).await;
        };
        let flooding = async {
            let (begun, mut sent) = (Instant::now(), 0);
            loop {
                sleep(Duration::from_millis(10)).await;
                let due = u64::try_from(begun.elapsed().as_millis()).unwrap() * a_second / 1_000;
                for _ in sent..due {
                    let topic = topics[fastrand::usize(..topics.len())].clone();
                    if client.try_publish(topic, QoS::AtMostOnce, false, rubbish()).is_ok() {
                        count(&world.counts.junk);
                    }
                }
                sent = due;
            }
        };
        tokio::select! { () = polling => {} () = flooding => {} }
    }
}

/// Nothing that a kind of plug in the file could take for a report.
fn rubbish() -> Vec<u8> {
    match fastrand::u8(..6) {
        0 => Vec::new(),
        1 => b"maybe".to_vec(),
        2 => br#"{"supply":"dim","seconds":1}"#.to_vec(),
        3 => br#"{"supply":"#.to_vec(),
        4 => "[".repeat(fastrand::usize(1..4_000)).into_bytes(),
        _ => {
            let mut bytes: Vec<u8> = (0..fastrand::usize(..300)).map(|_| fastrand::u8(..)).collect();
            bytes.insert(0, 0xFF);
            bytes
        }
    }
}

/// One message of so many bytes; "taken", or what became of it.
async fn large(world: &World, bytes: usize, topic: &str, kept: bool) -> String {
    let (client, mut events) = connect(world, "large", |_| {});
    client.try_publish(topic, QoS::AtLeastOnce, kept, vec![b'x'; bytes]).unwrap();
    let acknowledged = async {
        loop {
            match events.poll().await {
                Ok(Event::Incoming(Packet::PubAck(_))) => return "taken".to_owned(),
                Ok(_) => {}
                Err(error) => return error.to_string(),
            }
        }
    };
    let answer = tokio::time::timeout(Duration::from_secs(50), acknowledged).await;
    answer.unwrap_or_else(|_| "no answer".to_owned())
}
