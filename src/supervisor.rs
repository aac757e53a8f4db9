//! Speaks to systemd, where it started us (`sd_notify(3)`); elsewhere says nothing.

use std::time::Duration;

use sd_notify::NotifyState;
use tracing::debug;

/// What systemd is told. The watchdog is fed from the keeper's own loop alone, so that a stuck keeper is restarted.
#[derive(Debug)]
pub struct Supervisor {
    watchdog: Option<Duration>,
    fed_at: Option<Duration>,
    status: String,
}

impl Supervisor {
    /// Reads what systemd asks of us from the environment.
    pub fn from_environment() -> Supervisor {
        Supervisor { watchdog: sd_notify::watchdog_enabled(), fed_at: None, status: String::new() }
    }

    /// The first plan is made, or a reload is over.
    pub fn ready(&self) {
        tell(&[NotifyState::Ready]);
    }

    /// The file is being read again.
    pub fn reloading(&self) {
        match NotifyState::monotonic_usec_now() {
            Ok(now) => tell(&[NotifyState::Reloading, now]),
            Err(_) => tell(&[NotifyState::Reloading]),
        }
    }

    /// The end.
    pub fn stopping(&self) {
        tell(&[NotifyState::Stopping]);
    }

    /// One line for `systemctl status`; sent only when it is another one.
    pub fn status(&mut self, line: &str) {
        if self.status != line {
            line.clone_into(&mut self.status);
            tell(&[NotifyState::Status(line)]);
        }
    }

    /// The loop has gone round; `up` is the clock that never jumps.
    pub fn alive(&mut self, up: Duration) {
        let Some(every) = self.feed_every() else { return };
        if self.fed_at.is_none_or(|at| up >= at + every / 2) {
            self.fed_at = Some(up);
            tell(&[NotifyState::Watchdog]);
        }
    }

    /// The loop must go round within this.
    pub fn feed_every(&self) -> Option<Duration> {
        self.watchdog.map(|watchdog| watchdog / 2)
    }
}

fn tell(state: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(state) {
        debug!(%error, "systemd could not be told");
    }
}
