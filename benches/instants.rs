//! Bare instants of the wall clock, for the floors.

use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create, timerfd_settime,
};
use tokio::sync::mpsc;

/// Gives each instant, in nanoseconds of the wall clock, when it has come, and ends `after_ns` after the last: that one has its
/// time as well. The timer is read on a thread of its own, which spares the one unsafe line that an asynchronous one needs.
pub fn instants(
    at_ns: impl IntoIterator<Item = i64, IntoIter: Send + 'static>,
    after_ns: u64,
) -> mpsc::UnboundedReceiver<i64> {
    let (give, due) = mpsc::unbounded_channel();
    let at_ns = at_ns.into_iter();
    std::thread::spawn(move || {
        let timer = timerfd_create(TimerfdClockId::Realtime, TimerfdFlags::CLOEXEC).expect("a timer");
        for at_ns in at_ns {
            let at = Timespec { tv_sec: at_ns / 1_000_000_000, tv_nsec: at_ns % 1_000_000_000 };
            let once = Itimerspec { it_interval: Timespec { tv_sec: 0, tv_nsec: 0 }, it_value: at };
            timerfd_settime(&timer, TimerfdTimerFlags::ABSTIME, &once).expect("setting it");
            rustix::io::read(&timer, &mut [0_u8; 8]).expect("waiting for it");
            if give.send(at_ns).is_err() {
                return;
            }
        }
        std::thread::sleep(std::time::Duration::from_nanos(after_ns));
    });
    due
}
