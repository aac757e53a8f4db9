//! The floor: a bare `timerfd` on the wall clock and `rumqttc`, nothing else, on one thread.

use std::time::Duration;

use rumqttc::{AsyncClient, MqttOptions, QoS};
use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create, timerfd_settime,
};
use tokio::runtime::Builder;

/// Publishes `each` messages at an instant and at every full second after it, `times` in all.
pub fn publish(port: u16, first_ns: i64, times: i64, each: usize) {
    let (instants, due) = tokio::sync::mpsc::unbounded_channel();
    // The timer is read on a thread of its own, which spares the one unsafe line that an asynchronous one needs.
    std::thread::spawn(move || {
        let timer = timerfd_create(TimerfdClockId::Realtime, TimerfdFlags::CLOEXEC).expect("a timer");
        for second in 0..times {
            let at_ns = first_ns + second * 1_000_000_000;
            let at = Timespec { tv_sec: at_ns / 1_000_000_000, tv_nsec: at_ns % 1_000_000_000 };
            let once = Itimerspec { it_interval: Timespec { tv_sec: 0, tv_nsec: 0 }, it_value: at };
            timerfd_settime(&timer, TimerfdTimerFlags::ABSTIME, &once).expect("setting it");
            rustix::io::read(&timer, &mut [0_u8; 8]).expect("waiting for it");
            if instants.send(second).is_err() {
                return;
            }
        }
    });
    let runtime = Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(serve(port, due, each));
}

async fn serve(port: u16, mut due: tokio::sync::mpsc::UnboundedReceiver<i64>, each: usize) {
    let mut options = MqttOptions::new("floor", "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(10)).set_inflight(100);
    let (client, mut eventloop) = AsyncClient::new(options, 100);
    eventloop.network_options.set_tcp_nodelay(true);
    loop {
        tokio::select! {
            // The broker ends with the run; sooner, and the table lacks its side.
            event = eventloop.poll() => if event.is_err() { return },
            second = due.recv() => {
                let Some(second) = second else { return };
                for lamp in 0..each {
                    let payload = if second % 2 == 0 { "on" } else { "off" };
                    client.try_publish(format!("floor/{lamp}"), QoS::AtLeastOnce, false, payload).expect("room");
                }
            }
        }
    }
}
