//! The plugs: one client that obeys for all of them, and takes down when each command came.

use std::sync::mpsc::{Receiver, channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use rumqttc::{Client, Event, MqttOptions, Packet, QoS};

use super::ground::wall_ns;

/// Whose command it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum From {
    Daemon,
    /// A bare loop whose commands are answered as well.
    Floor,
}

/// Whose commands are obeyed.
const FILTERS: [&str; 3] = ["yard/+/order", "floor/+/order", "each/+/order"];

/// Arrivals so far.
pub type Arrivals = Arc<Mutex<Vec<(From, i64)>>>;

/// Begins to listen; returns when the broker has granted it. Commands of the daemon are those under `yard/`, those of the
/// floors under `floor/` and `each/`; each is answered under the same name, QoS 0, as a small plug does.
pub fn listen(port: u16) -> Arrivals {
    let arrivals = Arrivals::default();
    let (ready, wait): (_, Receiver<()>) = channel();
    let noted = arrivals.clone();
    std::thread::spawn(move || {
        let mut options = MqttOptions::new("plugs", "127.0.0.1", port);
        options.set_keep_alive(Duration::from_secs(10));
        let (client, mut connection) = Client::new(options, 100_000);
        connection.eventloop.network_options.set_tcp_nodelay(true);
        for filter in FILTERS {
            client.subscribe(filter, QoS::AtMostOnce).expect("subscribing");
        }
        let mut granted = 0;
        for event in connection.iter() {
            // The broker ends with the run; sooner, and the table is empty.
            let Ok(event) = event else { return };
            match event {
                Event::Incoming(Packet::SubAck(_)) => {
                    granted += 1;
                    if granted == FILTERS.len() {
                        let _ = ready.send(());
                    }
                }
                Event::Incoming(Packet::Publish(message)) => {
                    let at_ns = wall_ns();
                    let from = if message.topic.starts_with("yard/") { From::Daemon } else { From::Floor };
                    let report = message.topic.replace("/order", "/report");
                    client.try_publish(report, QoS::AtMostOnce, false, message.payload).expect("answering");
                    noted.lock().expect("no panic").push((from, at_ns));
                }
                _ => {}
            }
        }
    });
    wait.recv().expect("the plugs are there");
    arrivals
}

/// How many commands came from there within a time, and when the first and last.
pub fn within(arrivals: &Arrivals, from: From, begin_ns: i64, end_ns: i64) -> (usize, Option<i64>, Option<i64>) {
    let arrivals = arrivals.lock().expect("no panic");
    let at =
        || arrivals.iter().filter(|(whose, at)| *whose == from && begin_ns <= *at && *at < end_ns).map(|(_, at)| *at);
    (at().count(), at().min(), at().max())
}
