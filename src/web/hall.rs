//! Who is connected and has not asked for anything yet: many, but a bounded number, and whoever comes next gets in.
//!
//! A connection takes a place (see `places.rs`) with its first request; until then it stands in the hall. Where the hall
//! is full, a newcomer takes the room of one who has had time enough to ask: of the address that has most there, the one
//! who has stood longest. So a crowd that never finishes a header costs nobody his answer, and nobody is let in and put
//! out in one breath, which would keep the crowd running and the server with it.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::Notify;

use super::places::household;

/// So many stand in it.
pub const HALL: usize = 256;

/// Each has this long to ask before anybody else may have the room.
pub const TIME_TO_ASK: Duration = Duration::from_millis(500);

/// The hall.
#[derive(Debug, Default)]
pub struct Hall {
    /// In the order in which they came.
    guests: Mutex<Vec<Arc<Guest>>>,
    left: Notify,
}

#[derive(Debug)]
struct Guest {
    from: IpAddr,
    since: Duration,
    go: Notify,
}

/// Standing in the hall, until this is dropped.
#[derive(Debug)]
pub struct Standing {
    hall: Arc<Hall>,
    guest: Arc<Guest>,
}

/// What a newcomer finds.
#[derive(Debug)]
pub enum Entry {
    /// There was room.
    Room(Standing),
    /// Another one was asked to go.
    Made(Standing),
    /// Nobody there has had time enough until then, by the clock of [`Hall::enter`].
    NotBefore(Duration),
}

impl Hall {
    /// Nobody in it.
    pub fn new() -> Arc<Hall> {
        Arc::default()
    }

    /// Somebody has come from this address, at this time by a clock that never jumps.
    pub fn enter(self: &Arc<Hall>, from: IpAddr, now: Duration) -> Entry {
        let mut guests = self.lock();
        let full = guests.len() >= HALL;
        if full {
            let mut has: HashMap<IpAddr, usize> = HashMap::new();
            guests.iter().for_each(|guest| *has.entry(guest.from).or_default() += 1);
            let can_go = guests.iter().enumerate().filter(|(_, guest)| guest.since + TIME_TO_ASK <= now);
            // Of several that are alike the first, who has stood longest.
            let goes = can_go.rev().max_by_key(|(_, guest)| has[&guest.from]).map(|(at, _)| at);
            match goes {
                Some(at) => guests.remove(at).go.notify_one(),
                None => return Entry::NotBefore(guests[0].since + TIME_TO_ASK),
            }
        }
        let guest = Arc::new(Guest { from: household(from), since: now, go: Notify::new() });
        guests.push(guest.clone());
        let standing = Standing { hall: self.clone(), guest };
        if full { Entry::Made(standing) } else { Entry::Room(standing) }
    }

    /// Returns when somebody has left since the hall was last full, or leaves.
    pub async fn left(&self) {
        self.left.notified().await;
    }

    fn lock(&self) -> MutexGuard<'_, Vec<Arc<Guest>>> {
        self.guests.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Standing {
    /// Returns when the room is wanted for somebody else.
    pub async fn asked_to_go(&self) {
        self.guest.go.notified().await;
    }
}

impl Drop for Standing {
    fn drop(&mut self) {
        let mut guests = self.hall.lock();
        let before = guests.len();
        guests.retain(|guest| !Arc::ptr_eq(guest, &self.guest));
        if before >= HALL && guests.len() < before {
            self.hall.left.notify_one();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stand(hall: &Arc<Hall>, from: &str, now: Duration) -> Standing {
        match hall.enter(from.parse().expect("an address"), now) {
            Entry::Room(standing) | Entry::Made(standing) => standing,
            other => panic!("{from}: {other:?}"),
        }
    }

    fn is_in(standing: &Standing) -> bool {
        standing.hall.lock().iter().any(|guest| Arc::ptr_eq(guest, &standing.guest))
    }

    #[test]
    fn nobody_makes_room_before_there_was_time_to_ask() {
        let (hall, start) = (Hall::new(), Duration::ZERO);
        let crowd: Vec<_> = (0..HALL).map(|n| stand(&hall, &format!("192.0.2.{}", n % 100), start)).collect();
        let early = start + TIME_TO_ASK - Duration::from_millis(1);
        let Entry::NotBefore(at) = hall.enter("192.0.2.200".parse().expect("an address"), early) else {
            panic!("the hall is full")
        };
        assert_eq!(at, start + TIME_TO_ASK);
        let newcomer = stand(&hall, "192.0.2.200", at);
        assert!(is_in(&newcomer) && !is_in(&crowd[0]), "who has stood longest makes room");
        assert_eq!(crowd.iter().filter(|standing| is_in(standing)).count(), HALL - 1);
    }

    #[test]
    fn the_address_that_has_most_makes_room() {
        let (hall, start) = (Hall::new(), Duration::ZERO);
        let modest = stand(&hall, "192.0.2.1", start);
        let greedy: Vec<_> = (1..HALL).map(|n| stand(&hall, &format!("2001:db8::{n:x}"), start)).collect();
        let _newcomer = stand(&hall, "192.0.2.2", start + TIME_TO_ASK);
        assert!(is_in(&modest) && !is_in(&greedy[0]) && is_in(&greedy[1]), "one /64 is one household");
    }

    #[tokio::test]
    async fn who_leaves_makes_room_at_once() {
        let (hall, start) = (Hall::new(), Duration::ZERO);
        let mut crowd: Vec<_> = (0..HALL).map(|_| stand(&hall, "192.0.2.1", start)).collect();
        assert!(matches!(hall.enter("192.0.2.2".parse().expect("an address"), start), Entry::NotBefore(_)));
        crowd.pop();
        hall.left().await;
        let Entry::Room(_) = hall.enter("192.0.2.2".parse().expect("an address"), start) else {
            panic!("one has left")
        };
    }
}
