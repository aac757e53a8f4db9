//! The floors of `benches/whole`: what the same libraries cost without Lampward.
//!
//! ```text
//! skeleton idle BROKER_PORT WEB_PORT
//! skeleton burst BROKER_PORT FIRST_NS STEP_NS TIMES COUNT PREFIX
//! ```
//!
//! `idle`: tokio on one thread, `rumqttc` with the daemon's keep-alive, an axum server that nobody asks. Prints the wall
//! clock at each CONNACK. `burst`: at an instant and at every step after it publishes COUNT messages to
//! `PREFIX/NUMBER/order`, QoS 1, with as many in flight as the daemon has; prints a line a burst: the instant due, that of the
//! last PUBACK, and that of the last report heard on `PREFIX/+/report`, all in nanoseconds of the wall clock.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use axum::Router;
use axum::routing::get;
use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS};
use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create, timerfd_settime,
};
use tokio::sync::mpsc;

/// As the daemon has them.
const KEEP_ALIVE: Duration = Duration::from_secs(10);
const IN_FLIGHT: u16 = 100;

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
            let due = instants(number(2), number(3), number(4));
            runtime.block_on(burst(port(1), due, number(5) as usize, &words[6]));
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

/// Gives each instant when it has come. The timer is read on a thread of its own, which spares the one unsafe line that an
/// asynchronous one needs.
fn instants(first_ns: i64, step_ns: i64, times: i64) -> mpsc::UnboundedReceiver<i64> {
    let (give, due) = mpsc::unbounded_channel();
    std::thread::spawn(move || {
        let timer = timerfd_create(TimerfdClockId::Realtime, TimerfdFlags::CLOEXEC).expect("a timer");
        for turn in 0..times {
            let at_ns = first_ns + turn * step_ns;
            let at = Timespec { tv_sec: at_ns / 1_000_000_000, tv_nsec: at_ns % 1_000_000_000 };
            let once = Itimerspec { it_interval: Timespec { tv_sec: 0, tv_nsec: 0 }, it_value: at };
            timerfd_settime(&timer, TimerfdTimerFlags::ABSTIME, &once).expect("setting it");
            rustix::io::read(&timer, &mut [0_u8; 8]).expect("waiting for it");
            if give.send(at_ns).is_err() {
                return;
            }
        }
        // The last burst has its time as well.
        std::thread::sleep(Duration::from_nanos(step_ns.unsigned_abs()));
    });
    due
}

async fn burst(broker: u16, mut due: mpsc::UnboundedReceiver<i64>, count: usize, prefix: &str) {
    let (client, mut eventloop) = connect(broker, count + 10);
    client.try_subscribe(format!("{prefix}/+/report"), QoS::AtMostOnce).expect("room");
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
            at = due.recv() => {
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
