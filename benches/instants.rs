//! Bare instants of the wall clock, for the floors.

use std::os::fd::OwnedFd;

use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, timerfd_create, timerfd_settime,
};
use tokio::io::Interest;
use tokio::io::unix::AsyncFd;

/// One timer of the kernel, set to one instant after the other. It wakes the loop itself, as the daemon's does: a thread that
/// waits for it and passes the word on costs a second wake-up, of a processor that may be asleep.
pub struct Instants<I> {
    timer: AsyncFd<OwnedFd>,
    at_ns: I,
    ahead_ns: i64,
    after_ns: i64,
    waits: Option<Wait>,
    last_ns: Option<i64>,
}

/// What the timer is set to.
#[derive(Clone, Copy)]
enum Wait {
    /// A moment before this instant.
    Ahead(i64),
    /// This instant.
    Due(i64),
    /// The end.
    After,
}

impl<I: Iterator<Item = i64>> Instants<I> {
    /// Instants in nanoseconds of the wall clock. Wakes `ahead_ns` before each as well, where that is more than 0, and does
    /// nothing then. Ends `after_ns` after the last: that one has its time as well. Must be called within the runtime.
    pub fn new(at_ns: impl IntoIterator<IntoIter = I>, ahead_ns: i64, after_ns: i64) -> Instants<I> {
        let flags = TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC;
        let timer = timerfd_create(TimerfdClockId::Realtime, flags).expect("a timer");
        // The constructor that is not deprecated is not safe; the daemon's one module for that is not for floors.
        #[expect(deprecated, reason = "see above")]
        let timer = AsyncFd::with_interest(timer, Interest::READABLE).expect("the runtime's poller takes it");
        Instants { timer, at_ns: at_ns.into_iter(), ahead_ns, after_ns, waits: None, last_ns: None }
    }

    /// The next instant, when it has come; `None` at the end. Nothing is lost where this is dropped.
    pub async fn next(&mut self) -> Option<i64> {
        loop {
            let wait = match self.waits {
                Some(wait) => wait,
                None => {
                    let wait = match self.at_ns.next() {
                        Some(at_ns) if self.ahead_ns > 0 => Wait::Ahead(at_ns),
                        Some(at_ns) => Wait::Due(at_ns),
                        None => Wait::After,
                    };
                    self.set(wait);
                    wait
                }
            };
            let mut ready = self.timer.readable().await.expect("the runtime runs");
            let Ok(read) = ready.try_io(|timer| Ok(rustix::io::read(timer.get_ref(), &mut [0_u8; 8])?)) else {
                continue;
            };
            read.expect("waiting for it");
            match wait {
                Wait::Ahead(at_ns) => self.set(Wait::Due(at_ns)),
                Wait::Due(at_ns) => {
                    (self.waits, self.last_ns) = (None, Some(at_ns));
                    return Some(at_ns);
                }
                Wait::After => return None,
            }
        }
    }

    fn set(&mut self, wait: Wait) {
        let at_ns = match wait {
            Wait::Ahead(at_ns) => at_ns - self.ahead_ns,
            Wait::Due(at_ns) => at_ns,
            Wait::After => self.last_ns.map_or(1, |last_ns| last_ns + self.after_ns),
        };
        let at = Timespec { tv_sec: at_ns / 1_000_000_000, tv_nsec: at_ns % 1_000_000_000 };
        let once = Itimerspec { it_interval: Timespec { tv_sec: 0, tv_nsec: 0 }, it_value: at };
        timerfd_settime(self.timer.get_ref(), TimerfdTimerFlags::ABSTIME, &once).expect("setting it");
        self.waits = Some(wait);
    }
}
