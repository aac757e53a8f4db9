//! The link to the MQTT broker: hands over commands, hands back acknowledgements and messages, and comes back by itself.
//!
//! One task owns the connection. Each connection begins with nothing: what was handed over on an earlier one and not
//! acknowledged is gone, and whoever wants it still has to say so anew (a command that waited in a dead link could light
//! a lamp that nobody wants lit any more).

mod connection;
mod filter;
mod fold;
mod outbox;
mod oversize;
mod owner;
mod retry;
mod tls;
mod wanted;
mod words;

use std::fmt;
use std::time::Duration;

use smol_str::SmolStr;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

use crate::pure::keeper::Ticket;
pub use outbox::let_answers_gather;
pub use tls::Tls;
use wanted::Wanted;

/// The broker is asked for a sign of life this often, and expects one of us.
pub const KEEP_ALIVE: Duration = Duration::from_secs(10);

/// We send nothing larger, and nothing larger is handed on.
pub const LARGEST_PACKET: usize = 256 * 1024;

/// How many orders may wait for the owner; a house of 10,000 plugs fits three times.
const ORDERS: usize = 32_768;

/// How many events may wait for the daemon. When that many do, the broker has to wait as well.
const EVENTS: usize = 1_024;

/// How long an orderly goodbye may take.
const GOODBYE: Duration = Duration::from_secs(1);

/// Where the broker is, and who we are to it.
#[derive(Clone)]
pub struct LinkSettings {
    /// Name or literal address, IPv6 without brackets.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// Encrypted, with whom we trust; `None`: not encrypted.
    pub tls: Option<Tls>,
    /// How we log in; `None`: we don't.
    pub user: Option<String>,
    /// Only with `user`.
    pub password: Option<String>,
    /// Nobody else may use it on the same broker.
    pub client_id: String,
    /// Says `here` while we are there, retained, and `gone` after that; `None`: we come and go unsaid.
    pub alive_topic: Option<String>,
    /// One subscription with a wildcard may take the place of many: not on our own broker, which answers nothing for
    /// more than ten seconds while it gives up ten thousand.
    pub folds: bool,
}

impl fmt::Debug for LinkSettings {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let LinkSettings { host, port, tls, user, password: _, client_id, alive_topic, folds: _ } = self;
        let how = if tls.is_some() { "by TLS " } else { "" };
        write!(f, "{host}:{port} {how}as {client_id} user {user:?} on {alive_topic:?}")
    }
}

/// An address as the client library wants it: IPv6 in brackets.
pub fn literal_host(ip: std::net::IpAddr) -> String {
    words::host(&ip.to_string())
}

/// What comes from the link.
#[derive(Clone, Debug, PartialEq)]
pub enum LinkEvent {
    /// Connected, and every topic is subscribed. Publishing reaches the broker from here on.
    Up,
    /// Not connected. What was handed over and not acknowledged is lost. Comes again when the reason changes while
    /// the link stays down, and once at the start if the first try fails.
    Down {
        /// "cannot reach the broker at 192.0.2.7:1883: connection refused".
        because: String,
    },
    /// The broker has taken a publish.
    Acked(Ticket),
    /// A message on one of the topics.
    Message {
        /// Its topic.
        topic: String,
        /// Its payload, any bytes.
        payload: Vec<u8>,
        /// Whether the broker had kept it from before we subscribed.
        retained: bool,
    },
}

/// Counts connections, so that an order meant for an earlier one is told from one for this.
type Generation = u64;

/// What the handle tells the owner.
enum Order {
    Publish { on: Generation, ticket: Option<Ticket>, topic: String, payload: SmolStr, retain: bool },
    Listen(Wanted),
    Watch(Wanted),
    Goodbye,
}

/// The handle of a running link.
pub struct Link {
    orders: mpsc::Sender<Order>,
    events: mpsc::Receiver<(Generation, LinkEvent)>,
    owner: JoinHandle<()>,
    /// The connection that is up as far as whoever holds this has been told.
    up: Option<Generation>,
    /// Has come, and was not asked for yet.
    heard: Option<(Generation, LinkEvent)>,
}

impl Link {
    /// Starts to connect, and goes on for ever. `topics` are exact, without wildcards. Must be called within the runtime.
    pub fn start(settings: LinkSettings, topics: Vec<SmolStr>) -> Link {
        let (orders, orders_in) = mpsc::channel(ORDERS);
        let (events_out, events) = mpsc::channel(EVENTS);
        let owner = tokio::spawn(owner::run(settings, Wanted::topics(topics), orders_in, events_out));
        Link { orders, events, owner, up: None, heard: None }
    }

    /// The next thing that happens. Cancel-safe.
    pub async fn next(&mut self) -> LinkEvent {
        self.heard().await;
        let (generation, event) = self.heard.take().expect("just heard");
        match event {
            LinkEvent::Up => self.up = Some(generation),
            LinkEvent::Down { .. } => self.up = None,
            LinkEvent::Acked(_) | LinkEvent::Message { .. } => {}
        }
        event
    }

    /// Waits until [`Link::next`] would give something at once. Cancel-safe.
    pub async fn heard(&mut self) {
        if self.heard.is_none() {
            // The owner ends only after a goodbye, which takes the handle with it, or with the runtime.
            let Some(event) = self.events.recv().await else { return std::future::pending().await };
            self.heard = Some(event);
        }
    }

    /// Hands over a publish, QoS 1, and returns at once. Meant for the connection whose [`LinkEvent::Up`] was the last
    /// to come out of [`Link::next`]: without one, or when that connection has ended meanwhile, it is dropped.
    pub fn publish(&self, ticket: Option<Ticket>, topic: impl Into<String>, payload: impl Into<SmolStr>, retain: bool) {
        let (Some(on), topic) = (self.up, topic.into()) else { return };
        if let Err(mpsc::error::TrySendError::Full(_)) =
            self.orders.try_send(Order::Publish { on, ticket, topic, payload: payload.into(), retain })
        {
            tracing::warn!("the broker takes messages too slowly: one was dropped");
        }
    }

    /// Replaces the topics listened to; those that stay are left as they are.
    pub fn listen(&self, topics: Vec<SmolStr>) {
        self.order(Order::Listen(Wanted::topics(topics)));
    }

    /// Replaces what is listened to besides, with wildcards: for a while, and nobody is told of what is too large
    /// there or not allowed.
    pub fn watch(&self, filters: Vec<SmolStr>) {
        self.order(Order::Watch(Wanted::filters(filters)));
    }

    fn order(&self, order: Order) {
        if let Err(mpsc::error::TrySendError::Full(order)) = self.orders.try_send(order) {
            // Rare, and it must not get lost: it waits for room in a task of its own.
            let orders = self.orders.clone();
            tokio::spawn(async move { orders.send(order).await.is_ok() });
        }
    }

    /// Says `gone` on the alive topic after everything handed over so far, and disconnects. Takes a second at most.
    pub async fn goodbye(mut self) {
        // What still comes in is of no use to anyone, but the owner must not wait for room.
        self.events.close();
        while self.events.try_recv().is_ok() {}
        let said = tokio::time::timeout(GOODBYE, async {
            if self.orders.send(Order::Goodbye).await.is_ok() {
                let _ = (&mut self.owner).await;
            }
        });
        if said.await.is_err() {
            self.owner.abort();
        }
    }
}
