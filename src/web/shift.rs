//! The server works in shifts: when a crowd has come and gone, its thread ends and another one goes on.
//!
//! What a thread has taken from the allocator comes back to the system only where nothing lies above it, and each thread keeps
//! small pieces in hand, all over what a crowd took, unless it is told not to (glibc: arenas and tcache, see malloc(3)). A thread that
//! ends keeps nothing.

use std::io;
use std::net::TcpListener;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::thread;
use std::time::Duration;

use tokio::sync::{Notify, oneshot, watch};
use tracing::error;

use super::door::Door;
use super::page::Said;

/// So many connections and requests are a crowd.
const CROWD: u64 = 1_000;

/// So long nobody is connected before a shift ends.
const QUIET: Duration = Duration::from_secs(1);

/// After a shift that failed.
const AGAIN: Duration = Duration::from_secs(1);

/// Why a shift is over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Ended {
    /// It was asked to stop.
    Stopped,
    /// There was a crowd, and nobody is connected any more.
    Quiet,
}

/// Who is connected in this shift.
#[derive(Debug, Default)]
pub struct Guests {
    here: AtomicUsize,
    /// Connections so far.
    came: AtomicU64,
    all_left: Notify,
}

/// Connected, until this is dropped.
#[derive(Debug)]
pub struct Guest(Arc<Guests>);

impl Guests {
    /// One more.
    pub fn come(self: &Arc<Guests>) -> Guest {
        self.here.fetch_add(1, Ordering::Relaxed);
        self.came.fetch_add(1, Ordering::Relaxed);
        Guest(self.clone())
    }

    /// Returns when a crowd was here and nobody has been for a while; `requests` counts those of this shift.
    pub async fn quiet(&self, requests: impl Fn() -> u64) {
        loop {
            self.all_left.notified().await;
            tokio::time::sleep(QUIET).await;
            let crowd = self.came.load(Ordering::Relaxed) + requests() >= CROWD;
            if crowd && self.here.load(Ordering::Relaxed) == 0 {
                return;
            }
        }
    }
}

impl Drop for Guest {
    fn drop(&mut self) {
        if self.0.here.fetch_sub(1, Ordering::Relaxed) == 1 {
            self.0.all_left.notify_one();
        }
    }
}

/// One shift after the other until `stop` is true, each in a thread of its own; `ending` is told when the last is over.
pub fn work(listener: TcpListener, door: Door, stop: watch::Receiver<bool>, ending: oneshot::Sender<()>) {
    let said = Said::default();
    while !*stop.borrow() {
        let (socket, door, said, mut stop) = (listener.try_clone(), door.clone(), said.clone(), stop.clone());
        let shift = move || -> io::Result<Ended> {
            // Readers of the daybook and of the plan go to the blocking pool; two at once are plenty on a small board.
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().max_blocking_threads(2).build()?;
            let ended = runtime.block_on(async {
                let listener = tokio::net::TcpListener::from_std(socket?)?;
                let stop = std::pin::pin!(async {
                    let _ = stop.wait_for(|stop| *stop).await;
                });
                io::Result::Ok(super::shift(&listener, door, said, stop).await)
            });
            runtime.shutdown_timeout(Duration::from_millis(200));
            ended
        };
        let because = match thread::Builder::new().name("web".into()).spawn(shift).map(thread::JoinHandle::join) {
            Ok(Ok(Ok(Ended::Stopped))) => break,
            Ok(Ok(Ok(Ended::Quiet))) => continue,
            Ok(Ok(Err(error))) | Err(error) => error.to_string(),
            // What it was stands in the log already.
            Ok(Err(_)) => "a fault in the program".to_string(),
        };
        error!(because, "the web does not answer; it is started again");
        thread::sleep(AGAIN);
    }
    let _ = ending.send(());
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(start_paused = true)]
    async fn a_shift_ends_when_a_crowd_has_gone_and_not_before() {
        let guests = Arc::new(Guests::default());
        let over = async |requests: u64| tokio::time::timeout(QUIET * 10, guests.quiet(|| requests)).await.is_ok();
        drop(guests.come());
        assert!(!over(CROWD - 2).await, "few came");
        let stays = guests.come();
        drop(guests.come());
        assert!(!over(CROWD).await, "one is still connected");
        drop(stays);
        assert!(over(CROWD).await);
        let many: Vec<Guest> = (0..CROWD).map(|_| guests.come()).collect();
        drop(many);
        assert!(over(0).await, "connections count as well as requests");
    }
}
