//! What is to be written, in few pieces.
//!
//! The client library writes each packet that is handed to its own queue by itself. A thousand commands are then as many calls of
//! the kernel for us, and as many for the broker; by its two public halves, state and network, they are a few dozen.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::Duration;

use rumqttc::{ConnectionError, EventLoop, MqttOptions, Request};
use tokio::time::timeout;

/// So many publishes may be on their way at once.
const IN_FLIGHT: u16 = 100;

/// Where as many were, so few have to be left before more follow: by then there is enough to be written at once.
const FEW: u16 = IN_FLIGHT / 2;

/// How long the network may take for what is written. The client's own patience.
const PATIENCE: Duration = Duration::from_secs(5);

/// Where so many are on their way, a burst is going on.
const MANY: usize = 40;

/// So long nothing is read then, once there is nothing else to do: the broker has work for several times as long.
const MORE_COMES: Duration = Duration::from_micros(100);

/// How many are on their way. A process has one link at work, and what ought to know has no way to it.
static ON_THEIR_WAY: AtomicUsize = AtomicUsize::new(0);

/// To be called before a thread with a link goes to sleep. In a burst it lets answers gather: to be woken for each takes the
/// machine, above all a virtual one, more than to take it in.
pub fn let_answers_gather() {
    if ON_THEIR_WAY.load(Ordering::Relaxed) >= MANY {
        thread::sleep(MORE_COMES);
    }
}

/// Packets that wait to be written, oldest first.
#[derive(Debug, Default)]
pub struct Outbox {
    waiting: VecDeque<Request>,
    /// As many are on their way as may be, or were, and too few have been acknowledged since.
    full: bool,
}

/// The client, for one connection. Its own queue must stay empty.
pub fn event_loop(mut options: MqttOptions) -> EventLoop {
    options.set_inflight(IN_FLIGHT);
    let mut event_loop = EventLoop::new(options, 1);
    // Its state keeps the limit from above. By this one it does not look at its queue, each time something comes, while anything
    // of ours is on its way.
    event_loop.mqtt_options.set_inflight(1);
    event_loop
}

impl Outbox {
    pub fn push(&mut self, request: Request) {
        self.waiting.push_back(request);
    }

    /// Whether one more publish may be on its way, with all that waits.
    pub fn has_room(&mut self, event_loop: &EventLoop) -> bool {
        let on_their_way = usize::from(event_loop.state.inflight()) + self.waiting.len();
        ON_THEIR_WAY.store(on_their_way, Ordering::Relaxed);
        self.full = on_their_way >= usize::from(IN_FLIGHT) || self.full && on_their_way > usize::from(FEW);
        !self.full && event_loop.state.collision.is_none()
    }

    /// Writes what waits, as far as it may be on its way at once. The client tells of each packet with its next events.
    ///
    /// # Errors
    ///
    /// When the connection is broken, or takes nothing for five seconds.
    pub async fn write(&mut self, event_loop: &mut EventLoop) -> Result<(), ConnectionError> {
        let (state, Some(network)) = (&mut event_loop.state, &mut event_loop.network) else { return Ok(()) };
        if self.waiting.is_empty() {
            return Ok(());
        }
        let written = timeout(PATIENCE, async {
            // A broker that acknowledges out of order leaves one packet waiting in the client, which has room for no more.
            while state.collision.is_none()
                && state.inflight() < IN_FLIGHT
                && let Some(request) = self.waiting.pop_front()
            {
                if let Some(packet) = state.handle_outgoing_packet(request)? {
                    network.write(packet).await?;
                }
            }
            network.flush().await
        });
        written.await.map_err(|_| ConnectionError::FlushTimeout)?.map_err(ConnectionError::from)
    }
}

impl Drop for Outbox {
    fn drop(&mut self) {
        ON_THEIR_WAY.store(0, Ordering::Relaxed);
    }
}
