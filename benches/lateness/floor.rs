//! The floor: a bare `timerfd` on the wall clock and `rumqttc`, nothing else, on one thread.

#[path = "../instants.rs"]
mod instants;

use std::time::Duration;

use rumqttc::{AsyncClient, MqttOptions, QoS};
use tokio::runtime::Builder;

/// Publishes `each` messages at an instant and at every `step_ns` after it, `times` in all.
pub fn publish(port: u16, first_ns: i64, step_ns: i64, times: i64, each: usize) {
    let due = instants::instants(first_ns, step_ns, times);
    let runtime = Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(serve(port, due, step_ns, each));
}

async fn serve(port: u16, mut due: tokio::sync::mpsc::UnboundedReceiver<i64>, step_ns: i64, each: usize) {
    let mut options = MqttOptions::new("floor", "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(10)).set_inflight(100);
    let (client, mut eventloop) = AsyncClient::new(options, 100);
    eventloop.network_options.set_tcp_nodelay(true);
    loop {
        tokio::select! {
            // The broker ends with the run; sooner, and the table lacks its side.
            event = eventloop.poll() => if event.is_err() { return },
            at_ns = due.recv() => {
                let Some(at_ns) = at_ns else { return };
                for lamp in 0..each {
                    let payload = if at_ns / step_ns % 2 == 0 { "on" } else { "off" };
                    client.try_publish(format!("floor/{lamp}"), QoS::AtLeastOnce, false, payload).expect("room");
                }
            }
        }
    }
}
