//! The task that owns the connection: one after the other, with a rest between them.

use std::future::{Future, poll_fn};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::pin;
use std::task::Poll;

use tokio::sync::mpsc;

use super::oversize::Oversize;
use super::retry::{Ended, Retry};
use super::wanted::Wanted;
use super::{Generation, LinkEvent, LinkSettings, Order, connection};

/// What outlives a connection.
pub struct Owner {
    pub settings: LinkSettings,
    /// What is to be listened to.
    pub topics: Wanted,
    /// The same with wildcards.
    pub filters: Wanted,
    pub orders: mpsc::Receiver<Order>,
    events: mpsc::Sender<(Generation, LinkEvent)>,
    /// Counts tries for a connection.
    pub generation: Generation,
    /// Whether the last event about the state of the link was [`LinkEvent::Up`].
    pub up: bool,
    /// The last reason given for being down.
    said: Option<String>,
    /// Messages that are too large to be taken in.
    pub oversize: Oversize,
    /// One filter is asked for where it hears many topics. Once something has spoken against that, never again.
    pub folds: bool,
}

/// How a connection ended.
pub enum End {
    /// We are to go.
    Goodbye,
    /// It broke, or never came to be.
    Lost { because: String, ended: Ended },
}

pub async fn run(
    settings: LinkSettings,
    topics: Wanted,
    orders: mpsc::Receiver<Order>,
    events: mpsc::Sender<(Generation, LinkEvent)>,
) {
    let folds = settings.folds;
    let mut owner = Owner {
        settings,
        topics,
        filters: Wanted::default(),
        orders,
        events,
        generation: 0,
        up: false,
        said: None,
        oversize: Oversize::default(),
        folds,
    };
    let mut retry = Retry::default();
    loop {
        owner.generation += 1;
        let (because, ended) = match caught(connection::run(&mut owner)).await {
            Some(End::Goodbye) => return,
            Some(End::Lost { because, ended }) => (because, ended),
            None => ("a fault in lampward's MQTT client ended the connection".to_owned(), Ended::Never),
        };
        let wait = retry.wait(ended, fastrand::f64());
        if matches!(ended, Ended::Lived(_)) && retry.suspicious() {
            let client_id = owner.settings.client_id.as_str();
            tracing::warn!(
                client_id,
                "the broker cuts the connection again and again: does another client use this id?"
            );
        }
        tracing::debug!(because, ?wait, "no connection to the broker");
        owner.down(because).await;
        if owner.rest(wait).await.is_none() {
            return;
        }
    }
}

impl Owner {
    /// Hands an event to the daemon; waits while too many are waiting there already.
    pub async fn tell(&self, event: LinkEvent) {
        // Nobody is there to be told once the handle is gone; that is noticed where orders are taken.
        let _ = self.events.send((self.generation, event)).await;
    }

    /// The link is up.
    pub async fn tell_up(&mut self) {
        (self.up, self.said) = (true, None);
        self.tell(LinkEvent::Up).await;
    }

    async fn down(&mut self, because: String) {
        if self.up || self.said.as_ref() != Some(&because) {
            (self.up, self.said) = (false, Some(because.clone()));
            self.tell(LinkEvent::Down { because }).await;
        }
    }

    /// Waits; `None` if we are to go. Publishes that still come in were meant for a connection that is no more.
    async fn rest(&mut self, wait: std::time::Duration) -> Option<()> {
        let mut rest = pin!(tokio::time::sleep(wait));
        loop {
            tokio::select! {
                () = &mut rest => return Some(()),
                order = self.orders.recv() => match order? {
                    Order::Publish { .. } => {}
                    Order::Listen(topics) => self.topics = topics,
                    Order::Watch(filters) => self.filters = filters,
                    Order::Goodbye => return None,
                },
            }
        }
    }
}

/// `None` if it panicked: the client library is a stranger's code, and a lamp that stays dark is worse than a new
/// connection. What the future borrowed is left in any of the states between two events, all of which are sound.
async fn caught<T>(future: impl Future<Output = T>) -> Option<T> {
    let mut future = pin!(future);
    poll_fn(|context| match catch_unwind(AssertUnwindSafe(|| future.as_mut().poll(context))) {
        Ok(Poll::Pending) => Poll::Pending,
        Ok(Poll::Ready(done)) => Poll::Ready(Some(done)),
        Err(_) => Poll::Ready(None),
    })
    .await
}
