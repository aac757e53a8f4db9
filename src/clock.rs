//! The only door through which time comes in.
//!
//! Waiting goes through timerfd(2): a timer on the wall clock fires when the clock shows the instant, however it gets
//! there, one on the boot clock counts a suspended machine's sleep as well, and one armed far away is cancelled by
//! the kernel the moment somebody sets the clock, which is how a step is noticed at once.

mod kernel;

use std::fs;
use std::io;
use std::os::fd::OwnedFd;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use chrono::{DateTime, Utc};
use rustix::io::Errno;
use rustix::time::{
    ClockId, Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, Timespec, clock_gettime, timerfd_create,
    timerfd_settime,
};
use tokio::io::unix::AsyncFd;

use crate::pure::config::ClockTrust;
use crate::pure::keeper::Now;
use crate::pure::trust::KernelClock;
use crate::state::{StateFault, read_if_there, write_in_place};

/// No wait is longer, so that whatever a timer might miss is looked at again.
pub const LONGEST_REST: Duration = Duration::from_secs(600);

/// Why a [`Clock::rest`] ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Woke {
    /// The rest is over.
    Rested,
    /// The wall clock was set, or the machine was asleep: work everything out anew.
    Stepped,
}

/// Both clocks and a way to wait on them.
#[derive(Debug)]
pub struct Clock {
    started: Duration,
    source: Source,
}

#[derive(Debug)]
enum Source {
    Real { trust: ClockTrust, timers: Timers },
    Fast { start: DateTime<Utc>, speed: f64 },
}

#[derive(Debug)]
struct Timers {
    /// On the wall clock; fires at `wake_at`.
    wake: Timer,
    /// On the boot clock; fires when the rest is over.
    rest: Timer,
    /// On the wall clock, armed far away: cancelled by a step.
    step: Timer,
}

impl Clock {
    /// The machine's own clocks. Must be made within the runtime.
    ///
    /// # Errors
    ///
    /// When the kernel gives no timers.
    pub fn real(trust: ClockTrust) -> io::Result<Clock> {
        let timers = Timers {
            wake: Timer::new(TimerfdClockId::Realtime)?,
            rest: Timer::new(TimerfdClockId::Boottime)?,
            step: Timer::new(TimerfdClockId::Realtime)?,
        };
        timers.step.watch_for_steps()?;
        Ok(Clock { started: since_boot(), source: Source::Real { trust, timers } })
    }

    /// A clock for demonstrations: the wall clock starts at `start` and runs `speed` times as fast as real time, and
    /// is always trusted; `up` runs in real time.
    pub fn fast(start: DateTime<Utc>, speed: f64) -> Clock {
        assert!(speed.is_finite() && speed > 0.0, "a clock runs forward");
        Clock { started: since_boot(), source: Source::Fast { start, speed } }
    }

    /// Both clocks, now.
    pub fn now(&self) -> Now {
        let up = since_boot().saturating_sub(self.started);
        let wall = match &self.source {
            Source::Real { .. } => wall(),
            Source::Fast { start, speed } => fast_wall(*start, *speed, up),
        };
        Now { wall, up }
    }

    /// Tells the same wall time from anywhere, for as long as anyone wants to know.
    pub fn face(&self) -> impl Fn() -> DateTime<Utc> + Send + Sync + 'static {
        let (started, fast) = match self.source {
            Source::Real { .. } => (self.started, None),
            Source::Fast { start, speed } => (self.started, Some((start, speed))),
        };
        move || fast.map_or_else(wall, |(start, speed)| fast_wall(start, speed, since_boot().saturating_sub(started)))
    }

    /// Waits until `rest` is over by the clock that never jumps, the wall clock shows `wake_at`, ten minutes have
    /// passed, or the wall clock is set; whichever is first. A step that happened since the last rest ends it at once.
    ///
    /// Cancel-safe: a rest that is dropped has taken nothing with it.
    pub async fn rest(&mut self, rest: Duration, wake_at: Option<DateTime<Utc>>) -> Woke {
        let rest = rest.min(LONGEST_REST);
        let now = self.now();
        match &self.source {
            Source::Real { timers, .. } => timers.wait(rest, wake_at).await,
            Source::Fast { speed, .. } => {
                let until_wake = wake_at.map_or(LONGEST_REST, |at| {
                    let plan_s = (at - now.wall).to_std().unwrap_or_default().as_secs_f64();
                    Duration::try_from_secs_f64(plan_s / speed).unwrap_or(LONGEST_REST)
                });
                tokio::time::sleep(rest.min(until_wake)).await;
                Woke::Rested
            }
        }
    }

    /// What the kernel says of the wall clock. A fast clock is as good as synchronised.
    pub fn kernel(&self) -> KernelClock {
        match self.source {
            Source::Real { .. } => kernel::synchronised(),
            Source::Fast { .. } => KernelClock::Synchronised,
        }
    }

    /// By what rule this clock is trusted: the file's, or always for a fast one.
    pub fn trust(&self) -> ClockTrust {
        match self.source {
            Source::Real { trust, .. } => trust,
            Source::Fast { .. } => ClockTrust::Always,
        }
    }

    /// Names this boot of the machine; `None` where the kernel does not say.
    pub fn boot_id() -> Option<String> {
        let id = fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
        Some(id.trim().to_owned()).filter(|id| !id.is_empty())
    }
}

/// The wall clock, for commands that look once.
pub fn wall() -> DateTime<Utc> {
    let now = clock_gettime(ClockId::Realtime);
    let nanos = u32::try_from(now.tv_nsec).expect("the kernel gives less than 1e9 ns");
    DateTime::from_timestamp(now.tv_sec, nanos).expect("the kernel's clock ends before ours")
}

/// The file in the state directory that says in which boot the clock was last trusted.
const KEPT_FILE: &str = "clock-trusted-in-boot";

/// Whether trust in the clock was kept in `state`, earlier in this same boot.
pub fn trust_kept(state: &Path) -> bool {
    let Ok(Some(kept)) = read_if_there("read", &state.join(KEPT_FILE)) else { return false };
    Clock::boot_id().is_some_and(|id| String::from_utf8_lossy(&kept).trim() == id)
}

/// Keeps trust in the clock, or its loss, for a restart within this boot. Needs no fsync: a power cut ends the boot.
///
/// # Errors
///
/// When the file can't be written or removed.
pub fn keep_trust(state: &Path, latched: bool) -> Result<(), StateFault> {
    let file = state.join(KEPT_FILE);
    match Clock::boot_id().filter(|_| latched) {
        Some(id) => write_in_place("keep trust in the clock in", &file, (id + "\n").as_bytes()),
        None => match fs::remove_file(&file) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(StateFault::new("remove", &file, &error)),
            _ => Ok(()),
        },
    }
}

/// Since the machine booted, a suspended machine's sleep included: for shell code that measures how long something took.
pub fn since_boot() -> Duration {
    let now = clock_gettime(ClockId::Boottime);
    Duration::new(now.tv_sec.unsigned_abs(), u32::try_from(now.tv_nsec).unwrap_or(0))
}

fn fast_wall(start: DateTime<Utc>, speed: f64, up: Duration) -> DateTime<Utc> {
    later(start, Duration::try_from_secs_f64(up.as_secs_f64() * speed).unwrap_or(Duration::MAX))
}

fn later(start: DateTime<Utc>, by: Duration) -> DateTime<Utc> {
    let by = chrono::TimeDelta::from_std(by).ok();
    by.and_then(|by| start.checked_add_signed(by)).unwrap_or(DateTime::<Utc>::MAX_UTC)
}

impl Timers {
    async fn wait(&self, rest: Duration, wake_at: Option<DateTime<Utc>>) -> Woke {
        // A timer of the kernel refuses nothing that is asked of it here; should it do so after all, the rest is
        // waited for in another way rather than not at all.
        let armed = self.rest.arm_about(since_boot() + rest).and_then(|()| {
            // Before 1970 there is nothing to wait for.
            self.wake.arm(wake_at.map(|at| (at - DateTime::UNIX_EPOCH).to_std().unwrap_or_default()))
        });
        if let Err(error) = armed {
            tracing::warn!(%error, "a timer could not be set; the rest is kept to a minute at most");
            tokio::time::sleep(rest.min(Duration::from_secs(60))).await;
            return Woke::Rested;
        }
        tokio::select! {
            biased;
            () = self.step.stepped() => Woke::Stepped,
            () = self.rest.fired() => Woke::Rested,
            () = self.wake.fired() => Woke::Rested,
        }
    }
}

/// One timerfd.
#[derive(Debug)]
struct Timer {
    fd: AsyncFd<OwnedFd>,
    /// What it is set to, in ns by its clock; 0 where it is set to nothing. In a burst there is a rest after each message, and
    /// most are until the same time.
    set_to: AtomicU64,
}

/// What reading a timer gave.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Reading {
    Fired,
    Cancelled,
    NotYet,
}

impl Timer {
    fn new(clock: TimerfdClockId) -> io::Result<Timer> {
        let fd = timerfd_create(clock, TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC)?;
        Ok(Timer { fd: kernel::watch(fd)?, set_to: AtomicU64::new(0) })
    }

    /// Like [`Timer::arm`], or up to 1 ms earlier where it is set to that already: who rests asks again each time, and each
    /// time a moment later.
    fn arm_about(&self, at: Duration) -> io::Result<()> {
        let (latest, set_to) = (nanos(at), self.set_to.load(Ordering::Relaxed));
        let earliest = latest.saturating_sub(nanos(Duration::from_millis(1))).max(1);
        if (earliest..=latest).contains(&set_to) { Ok(()) } else { self.arm(Some(at)) }
    }

    /// Fires once when its clock shows `at`, at once if that is past; never if `None`.
    fn arm(&self, at: Option<Duration>) -> io::Result<()> {
        // All zeroes would disarm it.
        let at = at.map_or(Duration::ZERO, |at| at.max(Duration::from_nanos(1)));
        if self.set_to.load(Ordering::Relaxed) != nanos(at) {
            self.set(TimerfdTimerFlags::ABSTIME, at)?;
        }
        Ok(())
    }

    /// Is cancelled by the next step of the wall clock.
    fn watch_for_steps(&self) -> io::Result<()> {
        let ten_years = Duration::from_secs(3_650 * 86_400);
        let now = (wall() - DateTime::UNIX_EPOCH).to_std().unwrap_or_default();
        match self.set(TimerfdTimerFlags::ABSTIME | TimerfdTimerFlags::CANCEL_ON_SET, now + ten_years) {
            // It is armed; the kernel says with it that there was a step just now, and the caller knows of that.
            Err(error) if error.raw_os_error() == Some(Errno::CANCELED.raw_os_error()) => Ok(()),
            other => other,
        }
    }

    fn set(&self, flags: TimerfdTimerFlags, at: Duration) -> io::Result<()> {
        let seconds = i64::try_from(at.as_secs()).unwrap_or(i64::MAX);
        let value = Timespec { tv_sec: seconds, tv_nsec: i64::from(at.subsec_nanos()) as _ };
        let once = Timespec { tv_sec: 0, tv_nsec: 0 };
        self.set_to.store(0, Ordering::Relaxed);
        timerfd_settime(self.fd.get_ref(), flags, &Itimerspec { it_interval: once, it_value: value })?;
        self.set_to.store(nanos(at), Ordering::Relaxed);
        Ok(())
    }

    /// Returns when the timer has fired.
    async fn fired(&self) {
        while self.reading().await == Reading::NotYet {}
    }

    /// Returns when the wall clock has been set.
    async fn stepped(&self) {
        loop {
            let reading = self.reading().await;
            if reading != Reading::NotYet && self.watch_for_steps().is_err() {
                tracing::warn!("steps of the clock are noticed late from now on: its timer could not be set");
            }
            if reading == Reading::Cancelled {
                return;
            }
        }
    }

    /// Waits until there is something to read, and reads it. Nothing is lost when this is dropped: reading is the
    /// last thing it does.
    async fn reading(&self) -> Reading {
        let mut count = [0; 8];
        match self.fd.readable().await {
            Ok(mut ready) => match ready.try_io(|fd| Ok(rustix::io::read(fd.get_ref(), &mut count)?)) {
                Ok(read) => {
                    let reading = judge(read);
                    if reading != Reading::NotYet {
                        // It fires once, and has to be set anew to do so again.
                        self.set_to.store(0, Ordering::Relaxed);
                    }
                    reading
                }
                Err(_would_block) => Reading::NotYet,
            },
            // Only while the runtime is being torn down; there is no waking from it.
            Err(_) => std::future::pending().await,
        }
    }
}

/// Whole nanoseconds; the largest number where there are more.
fn nanos(time: Duration) -> u64 {
    u64::try_from(time.as_nanos()).unwrap_or(u64::MAX)
}

/// A cancelled timer says so instead of giving its count; any other answer means that it fired.
fn judge(read: io::Result<usize>) -> Reading {
    match read {
        Err(error) if error.raw_os_error() == Some(Errno::CANCELED.raw_os_error()) => Reading::Cancelled,
        Err(error) if error.kind() == io::ErrorKind::Interrupted => Reading::NotYet,
        _ => Reading::Fired,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cancelled_timer_means_a_step_and_nothing_else_does() {
        assert_eq!(judge(Err(Errno::CANCELED.into())), Reading::Cancelled);
        assert_eq!(judge(Err(Errno::INTR.into())), Reading::NotYet);
        assert_eq!(judge(Ok(8)), Reading::Fired);
    }
}
