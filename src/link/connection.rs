//! One connection, from its first packet to its last. Everything in here is forgotten with it.

use std::collections::{HashMap, VecDeque};
use std::pin::pin;
use std::time::Duration;

use bytes::Bytes;
use rumqttc::{
    ConnectionError, Disconnect, Event, EventLoop, LastWill, MqttOptions, NetworkOptions, Outgoing, Packet, Publish,
    QoS, Request, Subscribe, SubscribeFilter, SubscribeReasonCode, Unsubscribe,
};
use smol_str::SmolStr;
use tokio::time::sleep;

use super::filter::{matches, sound};
use super::outbox::{self, Outbox};
use super::oversize::Verdict;
use super::owner::{End, Owner};
use super::retry::{Ended, GOOD_AFTER};
use super::wanted::Listening;
use super::{KEEP_ALIVE, LARGEST_PACKET, LinkEvent, Order, words};
use crate::clock;
use crate::pure::keeper::Ticket;

/// We listen with QoS 0. A report is lost only with the connection, after which every plug is asked anew in any case;
/// with QoS 1 a broker keeps what we have not acknowledged in a queue, and throws away what does not fit: mosquitto 2.0
/// lost some of 10,000 retained reports with QoS 1 and portions of 5,000 topics, and none with QoS 0.
const LISTEN: QoS = QoS::AtMostOnce;

/// A SUBSCRIBE names no more topics than this, and the next one waits for the answer.
const PORTION: usize = 200;
const PORTION_BYTES: usize = 64 * 1024;

/// A packet larger than this ends the connection, because the client reads a packet whole before anyone can look at it.
/// What is smaller, but larger than [`LARGEST_PACKET`], is thrown away and does no harm: a retained message of that
/// size under one of our topics would otherwise end each new connection as well.
const LARGEST_TAKEN_IN: usize = 4 * 1024 * 1024;

/// An UNSUBSCRIBE names no more topics than this, nor much more than the bytes above, and the next one waits for the answer: the
/// broker has pings and commands to answer as well.
const UNSUBSCRIBING: usize = 16;

/// How long the broker may take to answer a SUBSCRIBE.
const ANSWER: Duration = Duration::from_secs(10);

/// Where one filter hears many topics, so many messages of others are put up with before they may not be more than our own.
const OF_OTHERS: u64 = 100;

/// Messages that come before the link is up wait for it, up to so many bytes of payload and topic.
const EARLY_BYTES: usize = 16 * 1024 * 1024;

/// A publish that has been handed to the client.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sent {
    Command(Ticket),
    Untracked,
    Gone,
}

/// Whether we are to go.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Parting {
    No,
    /// Once `gone` is acknowledged.
    Soon,
}

struct Connection<'a> {
    owner: &'a mut Owner,
    outbox: Outbox,
    /// The payload published last: a burst has thousands of the same.
    said: Bytes,
    /// When the broker took us in, by [`clock::since_boot`].
    taken_in: Option<Duration>,
    parting: Parting,
    /// In the outbox, or just written, oldest first. The client says in this order which packet id each got.
    publishing: VecDeque<Sent>,
    subscribing: VecDeque<Vec<SmolStr>>,
    /// An UNSUBSCRIBE waits for its answer.
    unsubscribing: bool,
    /// On the wire and not yet acknowledged, by packet id.
    published: HashMap<u16, Sent>,
    subscribed: HashMap<u16, Vec<SmolStr>>,
    listening: Listening,
    to_subscribe: VecDeque<Vec<SmolStr>>,
    /// Asked for one at a time and twice each, once the link is up: see [`super::oversize`].
    to_try: VecDeque<SmolStr>,
    on_trial: Option<SmolStr>,
    /// The portions asked for last.
    asked_last: VecDeque<Vec<SmolStr>>,
    to_unsubscribe: VecDeque<SmolStr>,
    /// One filter is asked for where it hears many topics. Not before each has been asked for by itself: what is kept under
    /// thousands of topics comes in portions then, and a broker or a slow network that can't keep up with all of it at once
    /// throws away what we have.
    folds: bool,
    /// So many messages came on our topics, and so many on others.
    ours: u64,
    of_others: u64,
    /// Came in before the link was up.
    early: Vec<LinkEvent>,
    early_bytes: usize,
}

/// Connects and stays until the connection breaks, or we are to go.
pub async fn run(owner: &mut Owner) -> End {
    let mut event_loop = outbox::event_loop(options(owner));
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    event_loop.set_network_options(network);
    let mut connection = Connection {
        owner,
        outbox: Outbox::default(),
        said: Bytes::new(),
        taken_in: None,
        parting: Parting::No,
        publishing: VecDeque::new(),
        subscribing: VecDeque::new(),
        unsubscribing: false,
        published: HashMap::new(),
        subscribed: HashMap::new(),
        listening: Listening::default(),
        to_subscribe: VecDeque::new(),
        to_try: VecDeque::new(),
        on_trial: None,
        asked_last: VecDeque::new(),
        to_unsubscribe: VecDeque::new(),
        folds: false,
        ours: 0,
        of_others: 0,
        early: Vec::new(),
        early_bytes: 0,
    };
    let end = connection.pump(&mut event_loop).await;
    if matches!(end, End::Lost { .. }) && connection.waits_for_a_fold() {
        // Some brokers hang up where they do not allow something.
        connection.unfold("the connection ended at a subscription with a wildcard");
    }
    end
}

fn options(owner: &Owner) -> MqttOptions {
    let settings = &owner.settings;
    // The client library takes the host as it stands for the name in the certificate, where brackets have no place; without
    // them an IPv6 address is understood by the system's resolver alone.
    let host = if settings.tls.is_some() { settings.host.clone() } else { words::host(&settings.host) };
    let mut options = MqttOptions::new(&settings.client_id, host, settings.port);
    if let Some(tls) = &settings.tls {
        options.set_transport(tls.transport());
    }
    options.set_keep_alive(KEEP_ALIVE).set_clean_session(true).set_max_packet_size(LARGEST_TAKEN_IN, LARGEST_PACKET);
    if let Some(topic) = &settings.alive_topic {
        options.set_last_will(LastWill::new(topic, "gone", QoS::AtLeastOnce, true));
    }
    if let Some(user) = &settings.user {
        options.set_credentials(user, settings.password.as_deref().unwrap_or_default());
    }
    options
}

impl Connection<'_> {
    async fn pump(&mut self, event_loop: &mut EventLoop) -> End {
        match self.connect(event_loop).await {
            Ok(packet) => self.arrived(packet).await,
            Err(end) => return end,
        }
        let mut patience = pin!(sleep(ANSWER));
        loop {
            if self.ask() {
                patience.set(sleep(ANSWER));
            }
            if let Err(error) = self.outbox.write(event_loop).await {
                return self.lost(&error);
            }
            let room = self.outbox.has_room(event_loop) && self.parting == Parting::No;
            let event = tokio::select! {
                // A poll that is given up loses nothing, once the connection is made: the client's queue stays empty, and all that was
                // to be written has been.
                event = event_loop.poll() => event,
                order = self.owner.orders.recv(), if room => {
                    let Some(order) = order else { return End::Goodbye };
                    self.take(order);
                    while self.outbox.has_room(event_loop) && self.parting == Parting::No && let Ok(order) = self.owner.orders.try_recv() {
                        self.take(order);
                    }
                    continue;
                }
                () = &mut patience, if self.unanswered() => {
                    let at = words::broker(&self.owner.settings);
                    let because = format!("the broker at {at} does not answer a subscription");
                    return End::Lost { because, ended: Ended::Never };
                }
            };
            match event {
                Ok(Event::Outgoing(Outgoing::Disconnect)) => return End::Goodbye,
                Ok(Event::Outgoing(outgoing)) => self.on_the_wire(outgoing),
                Ok(Event::Incoming(packet)) => self.arrived(packet).await,
                Err(error) => return self.lost(&error),
            }
        }
    }

    /// Until the broker has taken us in.
    async fn connect(&mut self, event_loop: &mut EventLoop) -> Result<Packet, End> {
        // Never given up halfway: a poll that is dropped gives up a connection being made.
        let mut poll = pin!(event_loop.poll());
        loop {
            tokio::select! {
                event = &mut poll => match event {
                    Ok(Event::Incoming(packet)) => return Ok(packet),
                    Ok(Event::Outgoing(_)) => unreachable!("nothing is written before that"),
                    Err(error) => return Err(self.lost(&error)),
                },
                order = self.owner.orders.recv() => match order {
                    Some(Order::Goodbye) | None => return Err(End::Goodbye),
                    Some(order) => self.take(order),
                },
            }
        }
    }

    fn take(&mut self, order: Order) {
        match order {
            Order::Publish { on, ticket, topic, payload, retain } => {
                if on == self.owner.generation && self.owner.up {
                    let sent = ticket.map_or(Sent::Untracked, Sent::Command);
                    self.publish(sent, topic, &payload, retain);
                }
            }
            Order::Listen(topics) => {
                // What is kept under a new topic does not come by a filter that is there already.
                self.folds &= topics == self.owner.topics;
                self.owner.topics = topics;
                self.listen();
            }
            Order::Watch(filters) => {
                self.owner.filters = filters;
                self.listen();
            }
            Order::Goodbye => self.part(),
        }
    }

    /// Hands a publish to the client, unless it would break the connection.
    fn publish(&mut self, sent: Sent, topic: String, payload: &str, retain: bool) {
        // Fixed header, length of the topic and packet id take less than 16 bytes.
        if !sound(&topic) || topic.len() + payload.len() + 16 > LARGEST_PACKET {
            tracing::warn!(topic, bytes = payload.len(), "not published: no broker would take it");
            return;
        }
        if self.said != payload.as_bytes() {
            self.said = Bytes::copy_from_slice(payload.as_bytes());
        }
        let mut publish = Publish::from_bytes(topic, QoS::AtLeastOnce, self.said.clone());
        publish.retain = retain;
        self.outbox.push(Request::Publish(publish));
        self.publishing.push_back(sent);
    }

    /// Says `gone` after everything handed over so far; the rest follows when it is acknowledged.
    fn part(&mut self) {
        self.parting = Parting::Soon;
        match self.owner.settings.alive_topic.clone() {
            Some(topic) => self.publish(Sent::Gone, topic, "gone", true),
            // It goes on the wire after everything handed over before it.
            None => self.disconnect(),
        }
    }

    fn disconnect(&mut self) {
        self.outbox.push(Request::Disconnect(Disconnect));
    }

    /// Works out which subscriptions are missing and which are too many.
    fn listen(&mut self) {
        if self.taken_in.is_none() {
            return;
        }
        let wanted = Listening::to(self.owner.topics.clone(), self.owner.filters.clone(), self.folds);
        let before = std::mem::replace(&mut self.listening, wanted.clone());
        self.to_unsubscribe.retain(|topic| !wanted.asks_for(topic));
        self.to_unsubscribe.extend(before.iter().filter(|topic| !wanted.asks_for(topic)).cloned());
        let mut portion = Vec::new();
        let mut bytes = 0;
        for topic in wanted.iter().filter(|topic| !before.asks_for(topic)) {
            match self.owner.oversize.verdict(topic, clock::since_boot()) {
                Verdict::Sound => {}
                Verdict::Suspect => {
                    self.to_try.extend([topic.clone(), topic.clone()]);
                    continue;
                }
                Verdict::Shunned => continue,
            }
            if portion.len() == PORTION || bytes + topic.len() > PORTION_BYTES {
                self.to_subscribe.push_back(std::mem::take(&mut portion));
                bytes = 0;
            }
            bytes += topic.len();
            portion.push(topic.clone());
        }
        if !portion.is_empty() {
            self.to_subscribe.push_back(portion);
        }
    }

    /// Whether a SUBSCRIBE waits for its answer.
    fn unanswered(&self) -> bool {
        !self.subscribing.is_empty() || !self.subscribed.is_empty()
    }

    /// One filter takes the place of many topics, once all there is to ask for has been answered.
    fn fold(&mut self) {
        let calm = self.owner.up && self.to_subscribe.is_empty() && self.nothing_else_waits();
        if calm && !self.folds && self.owner.folds && self.owner.topics.folds() && self.owner.oversize.is_clear() {
            self.folds = true;
            self.listen();
        }
    }

    fn nothing_else_waits(&self) -> bool {
        self.to_unsubscribe.is_empty() && self.to_try.is_empty() && self.on_trial.is_none()
    }

    /// Each topic is asked for by itself from now on, whatever connection.
    fn unfold(&mut self, because: &str) {
        if self.owner.folds {
            tracing::info!(because, "each topic of a plug has a subscription of its own from now on");
        }
        (self.owner.folds, self.folds) = (false, false);
        self.listen();
    }

    /// Whether one filter for many topics is asked for, and the broker has not answered.
    fn waits_for_a_fold(&self) -> bool {
        self.subscribing.iter().chain(self.subscribed.values()).flatten().any(|text| self.owner.topics.is_fold(text))
    }

    /// Asks the broker for the next portion once the one before is answered. True if it did.
    fn ask(&mut self) -> bool {
        if self.unanswered() {
            return false;
        }
        self.fold();
        let mut tried = || if self.owner.up { self.to_try.pop_front() } else { None };
        let portion = match self.to_subscribe.pop_front() {
            Some(portion) => Some(portion),
            None => tried().map(|topic| {
                self.on_trial = Some(topic.clone());
                vec![topic]
            }),
        };
        if let Some(portion) = portion {
            self.asked_last.push_back(portion.clone());
            if self.asked_last.len() > 2 {
                self.asked_last.pop_front();
            }
            let filter = |topic: &SmolStr| SubscribeFilter::new(topic.to_string(), LISTEN);
            self.outbox.push(Request::Subscribe(Subscribe::new_many(portion.iter().map(filter))));
            self.subscribing.push_back(portion);
        }
        // Last, so that nothing is unheard while other subscriptions take the place of these.
        if !self.unanswered() && self.to_try.is_empty() && !self.unsubscribing && !self.to_unsubscribe.is_empty() {
            let (mut topics, mut bytes) = (Vec::new(), 0);
            while topics.len() < UNSUBSCRIBING
                && bytes <= PORTION_BYTES
                && let Some(topic) = self.to_unsubscribe.pop_front()
            {
                bytes += topic.len();
                topics.push(topic.into());
            }
            self.outbox.push(Request::Unsubscribe(Unsubscribe { pkid: 0, topics }));
            self.unsubscribing = true;
            if self.to_unsubscribe.is_empty() {
                // With the room that thousands took.
                self.to_unsubscribe = VecDeque::new();
            }
        }
        self.unanswered()
    }

    /// The client has put something on the wire.
    fn on_the_wire(&mut self, outgoing: Outgoing) {
        match outgoing {
            Outgoing::Publish(id) => {
                if let Some(sent) = self.publishing.pop_front() {
                    self.published.insert(id, sent);
                }
            }
            Outgoing::Subscribe(id) => {
                if let Some(portion) = self.subscribing.pop_front() {
                    self.subscribed.insert(id, portion);
                }
            }
            _ => {}
        }
    }

    async fn arrived(&mut self, packet: Packet) {
        match packet {
            Packet::ConnAck(_) => {
                self.taken_in = Some(clock::since_boot());
                self.listen();
                self.up_if_listening().await;
            }
            Packet::SubAck(answer) => {
                let portion = self.subscribed.remove(&answer.pkid).unwrap_or_default();
                if let Some(topic) = &self.on_trial
                    && !self.to_try.contains(topic)
                {
                    // Answered twice: whatever was kept under it came in between.
                    self.owner.oversize.acquit(topic);
                    self.on_trial = None;
                }
                let mut unfold = false;
                for (topic, code) in portion.iter().zip(answer.return_codes) {
                    if code == SubscribeReasonCode::Failure {
                        self.listening.refuse(topic.clone());
                        if self.owner.topics.is_fold(topic) {
                            unfold = true;
                        } else {
                            tracing::warn!(
                                topic = topic.as_str(),
                                "the broker does not let lampward listen to this topic"
                            );
                        }
                    }
                }
                if unfold {
                    self.unfold("the broker allows no subscription with a wildcard");
                }
                self.up_if_listening().await;
            }
            Packet::PubAck(answer) => match self.published.remove(&answer.pkid) {
                Some(Sent::Command(ticket)) => self.owner.tell(LinkEvent::Acked(ticket)).await,
                Some(Sent::Gone) => {
                    // The queue is empty by now: nothing has been handed over after `gone`.
                    self.disconnect();
                }
                Some(Sent::Untracked) | None => {}
            },
            Packet::UnsubAck(_) => self.unsubscribing = false,
            Packet::Publish(message) => self.message(message).await,
            _ => {}
        }
    }

    /// The link is up when every subscription is answered, for better or worse.
    async fn up_if_listening(&mut self) {
        if self.owner.up || self.unanswered() || !self.to_subscribe.is_empty() || self.parting != Parting::No {
            return;
        }
        if let Some(topic) = self.owner.settings.alive_topic.clone() {
            self.publish(Sent::Untracked, topic, "here", true);
        }
        self.owner.tell_up().await;
        for message in std::mem::take(&mut self.early) {
            self.owner.tell(message).await;
        }
    }

    async fn message(&mut self, message: Publish) {
        let known = self.listening.hears(message.topic.as_str());
        self.ours += u64::from(known);
        if !known && !self.owner.filters.iter().any(|filter| matches(&message.topic, filter)) {
            self.of_others += 1;
            if self.listening.folds() && self.of_others > self.ours + OF_OTHERS {
                self.unfold("more is said by others than by our plugs where one would do for all");
            }
            return;
        }
        let Publish { topic, payload, retain: retained, .. } = message;
        let bytes = topic.len() + payload.len();
        if bytes > LARGEST_PACKET {
            if known {
                tracing::warn!(topic, bytes, "a message was thrown away: no report is that large");
            }
            return;
        }
        let message = LinkEvent::Message { topic, payload: payload.to_vec(), retained };
        if self.owner.up {
            self.owner.tell(message).await;
        } else if self.early_bytes + bytes <= EARLY_BYTES {
            self.early_bytes += bytes;
            self.early.push(message);
        } else if let LinkEvent::Message { topic, .. } = message {
            tracing::warn!(topic, "a message was dropped: too many came before the link was up");
        }
    }

    fn lost(&mut self, error: &ConnectionError) -> End {
        if let Some(bytes) = words::oversize(error) {
            if self.listening.folds() {
                // It may be anyone's. If it is a plug's, it comes again.
                self.unfold("a message was too large to be taken in");
            } else {
                let asked = self.asked_last.iter().flatten().filter(|text| !self.owner.topics.is_fold(text));
                let asked = asked.cloned().collect();
                self.owner.oversize.accuse(self.on_trial.take(), asked, bytes, clock::since_boot());
            }
        }
        let because = words::because(&self.owner.settings, error, self.taken_in.is_some());
        let life = self.taken_in.map(|since| clock::since_boot().saturating_sub(since));
        let ended = match life {
            // A short life counts only if it was ended from over there.
            Some(life) if life >= GOOD_AFTER || (self.owner.up && words::closed(error)) => Ended::Lived(life),
            _ => words::ended(&self.owner.settings, error),
        };
        End::Lost { because, ended }
    }
}
