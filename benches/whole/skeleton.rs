//! The floors of `benches/whole`: what the same libraries cost without Lampward.
//!
//! ```text
//! skeleton idle BROKER_PORT WEB_PORT
//! skeleton burst BROKER_PORT FIRST_NS STEP_NS TIMES COUNT AHEAD_NS PREFIX [each]
//! ```
//!
//! `idle`: tokio on one thread, `rumqttc` with the daemon's keep-alive, an axum server that nobody asks. Prints the wall
//! clock at each CONNACK. `burst`: at an instant and at every step after it publishes COUNT messages to
//! `PREFIX/NUMBER/order`, QoS 1, with as many in flight as the daemon has; prints a line a burst: the instant due, that of the
//! last PUBACK, and that of the last report heard, all in nanoseconds of the wall clock. Wakes AHEAD_NS before each instant as well,
//! as the daemon does, to be awake at it. Reports are heard by one filter,
//! `PREFIX/+/report`; with `each` by a filter for each lamp, and one for its word of life, as the daemon hears them.

#[path = "../instants.rs"]
mod instants;

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use axum::Router;
use axum::routing::get;
use instants::Instants;
use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS, SubscribeFilter};

/// As the daemon has them.
const KEEP_ALIVE: Duration = Duration::from_secs(10);
const IN_FLIGHT: u16 = 100;
const PORTION: usize = 200;

fn wall_ns() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_nanos() as i64
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let number = |at: usize| -> i64 { words[at].parse().expect("a number") };
    let port = |at: usize| u16::try_from(number(at)).expect("a port");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    match words[0].as_str() {
        "idle" => runtime.block_on(idle(port(1), port(2))),
        "burst" => {
            let (first_ns, step_ns) = (number(2), number(3));
            let due = (0..number(4)).map(move |turn| first_ns + turn * step_ns);
            let (count, ahead_ns) = (number(5) as usize, number(6));
            runtime.block_on(async {
                let due = Instants::new(due, ahead_ns, step_ns);
                burst(port(1), due, count, &words[7], words.len() > 8).await;
            });
        }
        other => panic!("`{other}` is neither idle nor burst"),
    }
}

fn connect(port: u16, room: usize) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(format!("skeleton-{}", std::process::id()), "127.0.0.1", port);
    options.set_keep_alive(KEEP_ALIVE).set_inflight(IN_FLIGHT);
    let (client, mut eventloop) = AsyncClient::new(options, room);
    eventloop.network_options.set_tcp_nodelay(true);
    (client, eventloop)
}

async fn idle(broker: u16, web: u16) {
    let listener = tokio::net::TcpListener::bind(("127.0.0.1", web)).await.expect("a free port");
    let app = Router::new().route("/status", get(|| async { "well" }));
    tokio::spawn(async move { axum::serve(listener, app).await });
    let (client, mut eventloop) = connect(broker, 10);
    loop {
        match eventloop.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                println!("{}", wall_ns());
                client.try_subscribe("skeleton/order", QoS::AtMostOnce).expect("room");
            }
            Ok(_) => {}
            Err(_) => tokio::time::sleep(Duration::from_millis(250)).await,
        }
    }
}

async fn burst(broker: u16, mut due: Instants<impl Iterator<Item = i64>>, count: usize, prefix: &str, each: bool) {
    let (client, mut eventloop) = connect(broker, count + 10);
    let filter = |path: String| SubscribeFilter::new(path, QoS::AtMostOnce);
    let filters: Vec<_> = if each {
        let of_lamp = |lamp| ["report", "alive"].map(|what| filter(format!("{prefix}/{lamp}/{what}")));
        (0..count).flat_map(of_lamp).collect()
    } else {
        vec![filter(format!("{prefix}/+/report"))]
    };
    for portion in filters.chunks(PORTION) {
        client.try_subscribe_many(portion.to_vec()).expect("room");
    }
    let (mut due_ns, mut acked, mut reported_ns, mut on) = (None::<i64>, 0, 0, false);
    loop {
        tokio::select! {
            event = eventloop.poll() => match event {
                Ok(Event::Incoming(Packet::PubAck(_))) => {
                    acked += 1;
                    if acked == count {
                        let acked_ns = wall_ns();
                        println!("acked {} {acked_ns}", due_ns.expect("nothing was sent before"));
                    }
                }
                Ok(Event::Incoming(Packet::Publish(_))) => {
                    reported_ns = wall_ns();
                }
                Ok(_) => {}
                // The broker ends with the run; sooner, and the table lacks its side.
                Err(_) => return,
            },
            at = due.next() => {
                if let Some(before) = due_ns && reported_ns > 0 {
                    println!("reported {before} {reported_ns}");
                }
                let Some(at) = at else { return };
                (due_ns, acked, reported_ns, on) = (Some(at), 0, 0, !on);
                for lamp in 0..count {
                    let payload = if on { "on" } else { "off" };
                    client.try_publish(format!("{prefix}/{lamp}/order"), QoS::AtLeastOnce, false, payload).expect("room");
                }
            }
        }
    }
}
