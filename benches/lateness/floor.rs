//! The floor: a bare `timerfd` on the wall clock and `rumqttc`, nothing else.

#[path = "../instants.rs"]
mod instants;

use std::time::Duration;

use instants::Instants;
use rumqttc::{AsyncClient, MqttOptions, QoS};
use tokio::runtime::Builder;

/// Publishes `each` messages at every one of these instants, in nanoseconds of the wall clock.
pub fn publish(port: u16, at_ns: Vec<i64>, each: usize) {
    let runtime = Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(serve(port, at_ns, each));
}

async fn serve(port: u16, at_ns: Vec<i64>, each: usize) {
    let mut due = Instants::new(at_ns, 0, 1_000_000_000);
    let mut options = MqttOptions::new("floor", "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(10)).set_inflight(100);
    let (client, mut eventloop) = AsyncClient::new(options, 100);
    eventloop.network_options.set_tcp_nodelay(true);
    let mut on = false;
    loop {
        tokio::select! {
            // The broker ends with the run; sooner, and the table lacks its side.
            event = eventloop.poll() => if event.is_err() { return },
            at_ns = due.next() => {
                if at_ns.is_none() {
                    return;
                }
                on = !on;
                for lamp in 0..each {
                    let payload = if on { "on" } else { "off" };
                    client.try_publish(format!("floor/{lamp}/order"), QoS::AtLeastOnce, false, payload).expect("room");
                }
            }
        }
    }
}
