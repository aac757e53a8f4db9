//! Plugs that do not exist, for `lampward demo`: each speaks to the broker as a real one of its kind would.
//!
//! They obey, report, answer when asked, and say whether they are there; they dawdle at times, and now and then one loses
//! its mains and comes back dark.

use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use fastrand::Rng;
use rumqttc::{AsyncClient, Event, LastWill, MqttOptions, Packet, Publish, QoS, SubscribeFilter};
use serde_json::Value;
use tokio::task::JoinSet;
use tokio::time::sleep;

use crate::link::LARGEST_PACKET;
use crate::pure::config::{Config, PlugKind, Report};
use crate::pure::power::Power;

/// How make-believe plugs behave. Times are drawn evenly between two ends.
#[derive(Clone, Debug)]
pub struct Manners {
    /// How soon a plug answers.
    pub prompt: (Duration, Duration),
    /// How soon it does when it dawdles.
    pub slow: (Duration, Duration),
    /// One answer in so many is slow; 0 for none.
    pub slow_one_in: u32,
    /// How long a plug keeps its mains.
    pub mains: (Duration, Duration),
    /// How long it is gone after that.
    pub gone: (Duration, Duration),
}

impl Default for Manners {
    /// Mostly quick, at times some seconds late, and dark about twice an hour.
    fn default() -> Manners {
        let ms = Duration::from_millis;
        Manners {
            prompt: (ms(30), ms(400)),
            slow: (ms(2_000), ms(7_000)),
            slow_one_in: 10,
            mains: (ms(120_000), ms(3_600_000)),
            gone: (ms(4_000), ms(20_000)),
        }
    }
}

/// A house full of plugs that do not exist. They vanish when this is dropped.
#[derive(Debug)]
pub struct MakeBelieve {
    _plugs: JoinSet<()>,
}

impl MakeBelieve {
    /// Plugs in every plug of the file; they connect by themselves, and again when the broker was gone. The same `seed` draws
    /// the same delays. Must be called within the runtime.
    pub fn start(
        broker: SocketAddr,
        account: Option<(String, String)>,
        config: &Config,
        seed: u64,
        manners: &Manners,
    ) -> MakeBelieve {
        let mut plugs = JoinSet::new();
        let all = config.channels.iter().flat_map(|channel| channel.plugs.iter().map(|plug| (plug, &channel.kind)));
        for (number, (plug, kind)) in (0_u64..).zip(all) {
            let plug = Plug {
                broker,
                account: account.clone(),
                id: format!("make-believe-{number}"),
                plug: plug.to_string(),
                kind: Arc::clone(kind),
                manners: manners.clone(),
                dice: Rng::with_seed(seed.wrapping_add(number)),
            };
            plugs.spawn(plug.live());
        }
        MakeBelieve { _plugs: plugs }
    }
}

/// One plug.
struct Plug {
    broker: SocketAddr,
    account: Option<(String, String)>,
    id: String,
    plug: String,
    kind: Arc<PlugKind>,
    manners: Manners,
    dice: Rng,
}

/// What a message asks of a plug.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Asked {
    Switch(Power),
    Report,
}

impl Plug {
    async fn live(mut self) {
        loop {
            let mains = self.draw(self.manners.mains);
            // Cut off in the middle of whatever it does, as a real one: the broker speaks its will.
            let _ = tokio::time::timeout(mains, self.plugged_in()).await;
            let gone = self.draw(self.manners.gone);
            sleep(gone).await;
        }
    }

    /// Comes up dark and stays for ever.
    async fn plugged_in(&mut self) {
        let mut power = Power::Off;
        loop {
            self.connected(&mut power).await;
            let wait = self.draw((Duration::from_millis(200), Duration::from_secs(2)));
            sleep(wait).await;
        }
    }

    /// One connection to the broker, until it breaks.
    async fn connected(&mut self, power: &mut Power) {
        let (client, mut event_loop) = AsyncClient::new(self.options(), 16);
        let kind = Arc::clone(&self.kind);
        let mut answer_due = false;
        let mut answer = pin!(sleep(Duration::ZERO));
        loop {
            let mut poll = pin!(event_loop.poll());
            let event = loop {
                tokio::select! {
                    event = &mut poll => break event,
                    () = &mut answer, if answer_due => {
                        answer_due = false;
                        if let Some(report) = &kind.report {
                            let said = payload(report, *power, &mut self.dice);
                            let _ = client.try_publish(report.topic.of(&self.plug), QoS::AtLeastOnce, true, said);
                        }
                    }
                }
            };
            match event {
                Ok(Event::Incoming(Packet::ConnAck(_))) => {
                    let filter = |topic: String| SubscribeFilter::new(topic, QoS::AtLeastOnce);
                    let topics = [Some(&kind.tell.topic), kind.ask.as_ref().map(|ask| &ask.topic)];
                    let _ = client.try_subscribe_many(topics.into_iter().flatten().map(|t| filter(t.of(&self.plug))));
                }
                Ok(Event::Incoming(Packet::SubAck(_))) => {
                    if let Some(alive) = &kind.alive {
                        let topic = alive.topic.of(&self.plug);
                        let _ = client.try_publish(topic, QoS::AtLeastOnce, true, alive.yes.as_str());
                    }
                    // It says what it is on its own when it comes up.
                    answer.set(sleep(self.draw(self.manners.prompt)));
                    answer_due = true;
                }
                Ok(Event::Incoming(Packet::Publish(message))) => {
                    let Some(asked) = asked(&kind, &self.plug, &message) else { continue };
                    if let Asked::Switch(wanted) = asked {
                        *power = wanted;
                    }
                    if !answer_due {
                        answer.set(sleep(self.answer_after()));
                        answer_due = true;
                    }
                }
                Ok(_) => {}
                Err(_) => return,
            }
        }
    }

    fn options(&self) -> MqttOptions {
        let host = crate::link::literal_host(self.broker.ip());
        let mut options = MqttOptions::new(&self.id, host, self.broker.port());
        options.set_keep_alive(Duration::from_secs(15)).set_max_packet_size(LARGEST_PACKET, LARGEST_PACKET);
        if let Some(alive) = &self.kind.alive {
            let topic = alive.topic.of(&self.plug);
            options.set_last_will(LastWill::new(topic, alive.no.as_str(), QoS::AtLeastOnce, true));
        }
        if let Some((user, password)) = &self.account {
            options.set_credentials(user, password);
        }
        options
    }

    fn answer_after(&mut self) -> Duration {
        let slow = self.manners.slow_one_in > 0 && self.dice.u32(..self.manners.slow_one_in) == 0;
        self.draw(if slow { self.manners.slow } else { self.manners.prompt })
    }

    fn draw(&mut self, (least, most): (Duration, Duration)) -> Duration {
        least + most.saturating_sub(least).mul_f64(self.dice.f64())
    }
}

/// What a message asks of this plug; `None`: nothing it understands.
fn asked(kind: &PlugKind, plug: &str, message: &Publish) -> Option<Asked> {
    let payload = message.payload.as_ref();
    if message.topic == kind.tell.topic.of(plug) {
        let told = [(&kind.tell.on, Power::On), (&kind.tell.off, Power::Off)];
        if let Some((_, power)) = told.into_iter().find(|(word, _)| word.as_bytes() == payload) {
            return Some(Asked::Switch(power));
        }
    }
    let ask = kind.ask.as_ref()?;
    (message.topic == ask.topic.of(plug) && payload == ask.payload.as_bytes()).then_some(Asked::Report)
}

/// The payload by which a plug of this kind reports; where several values mean the same, any of them.
fn payload(report: &Report, power: Power, dice: &mut Rng) -> String {
    let values = match power {
        Power::On => &report.on,
        Power::Off => &report.off,
    };
    let value = dice.choice(values).cloned().unwrap_or(Value::Null);
    match (&report.pointer, value) {
        (Some(pointer), value) => at_pointer(pointer, value).to_string(),
        (None, Value::String(text)) => text,
        (None, value) => value.to_string(),
    }
}

/// The smallest JSON in which `pointer` (RFC 6901) finds `value`: a number in it is taken for a place in an array.
fn at_pointer(pointer: &str, value: Value) -> Value {
    pointer.split('/').skip(1).collect::<Vec<_>>().into_iter().rev().fold(value, |inside, step| {
        match step.parse::<usize>() {
            Ok(place) if place < 64 => {
                let mut array = vec![Value::Null; place];
                array.push(inside);
                Value::Array(array)
            }
            _ => Value::Object([(step.replace("~1", "/").replace("~0", "~"), inside)].into_iter().collect()),
        }
    })
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[track_caller]
    fn check(pointer: &str, expected: Value) {
        let made = at_pointer(pointer, json!("on"));
        assert_eq!(made, expected);
        assert_eq!(made.pointer(pointer), Some(&json!("on")));
    }

    #[test]
    fn a_report_stands_where_the_pointer_of_the_kind_looks_for_it() {
        check("", json!("on"));
        check("/supply", json!({ "supply": "on" }));
        check("/outlets/1/supply", json!({ "outlets": [null, { "supply": "on" }] }));
        check("/a~1b/m~0n", json!({ "a/b": { "m~n": "on" } }));
    }
}
