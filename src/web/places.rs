//! Who may have answers: a bounded number of connections in all and from one address, and room for whoever asks next.
//!
//! A place is taken with a connection's first request and kept for the further ones. Whoever finds none waits a little,
//! and for each who waits one connection is asked to go: an idle one at once, the longest idle first; a busy one, the
//! oldest first, when it has its answer. So nobody who keeps connections can shut others out, and a reverse proxy, for
//! whom all people have one address, loses no answer by it.

use std::collections::VecDeque;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::{Notify, oneshot, watch};

/// At most so many connections that have asked for something, at once.
pub const CONNECTIONS: usize = 32;

/// At most so many of them from one address; of IPv6, from one /64, which is one household as a rule (RFC 6177).
pub const FROM_ONE_ADDRESS: usize = 16;

/// So many more may wait for a place from one address, and in all. Further ones are turned away.
const WAITING_FROM_ONE: usize = 16;
const WAITING: usize = 64;

/// The places.
#[derive(Debug)]
pub struct Places {
    inner: Mutex<Inner>,
    served: watch::Sender<usize>,
    turns: AtomicU64,
}

#[derive(Debug, Default)]
struct Inner {
    served: Vec<(IpAddr, Arc<Seat>)>,
    waiting: VecDeque<(IpAddr, oneshot::Sender<Place>)>,
}

/// What is known of one connection.
#[derive(Debug, Default)]
pub struct Seat {
    /// A request is under way.
    busy: AtomicBool,
    /// It carries a live stream, which has a limit of its own.
    stays: AtomicBool,
    /// Grows from one request of anybody to the next: who has the smallest has been quiet longest.
    turn: AtomicU64,
    asked_to_go: AtomicBool,
    go: Notify,
}

impl Seat {
    /// It carries a live stream, and is never asked to go.
    pub fn stay(&self) {
        self.stays.store(true, Ordering::Relaxed);
    }

    /// Whether it carries a live stream.
    pub fn stays(&self) -> bool {
        self.stays.load(Ordering::Relaxed)
    }

    /// Returns when the place is wanted for somebody else.
    pub async fn asked_to_go(&self) {
        self.go.notified().await;
    }
}

/// A place, until it is dropped.
#[derive(Debug)]
pub struct Place {
    places: Arc<Places>,
    seat: Arc<Seat>,
}

/// What a newcomer finds.
#[derive(Debug)]
pub enum Arrival {
    /// There is room.
    Place(Place),
    /// There will be.
    Wait(oneshot::Receiver<Place>),
    /// Too many are waiting already.
    Full,
}

impl Places {
    /// All of them free.
    pub fn new() -> Arc<Places> {
        let served = watch::Sender::new(0);
        Arc::new(Places { inner: Mutex::default(), served, turns: AtomicU64::new(0) })
    }

    /// Somebody asks from this address, on a connection that has no place.
    pub fn arrive(self: &Arc<Places>, from: IpAddr) -> Arrival {
        let from = household(from);
        let mut inner = self.lock();
        if inner.has_room_for(from) {
            return Arrival::Place(self.seat(&mut inner, from));
        }
        let waiting_from_one = inner.waiting.iter().filter(|(other, _)| *other == from).count();
        if inner.waiting.len() >= WAITING || waiting_from_one >= WAITING_FROM_ONE {
            return Arrival::Full;
        }
        inner.ask_one_to_go(from);
        let (give, wait) = oneshot::channel();
        inner.waiting.push_back((from, give));
        Arrival::Wait(wait)
    }

    /// Returns when nobody holds a place.
    pub async fn all_free(&self) {
        let _ = self.served.subscribe().wait_for(|served| *served == 0).await;
    }

    /// Grows with each request and each connection that has a place.
    pub fn turns(&self) -> u64 {
        self.turns.load(Ordering::Relaxed)
    }

    fn seat(self: &Arc<Places>, inner: &mut Inner, from: IpAddr) -> Place {
        let seat = Arc::new(Seat::default());
        seat.turn.store(self.next_turn(), Ordering::Relaxed);
        inner.served.push((from, seat.clone()));
        self.served.send_replace(inner.served.len());
        Place { places: self.clone(), seat }
    }

    fn next_turn(&self) -> u64 {
        self.turns.fetch_add(1, Ordering::Relaxed)
    }

    /// Gives places that are free to those who wait for them, first come, first served.
    fn give(self: &Arc<Places>) {
        loop {
            let mut inner = self.lock();
            let Some(first) = inner.waiting.iter().position(|(from, _)| inner.has_room_for(*from)) else { return };
            let Some((from, give)) = inner.waiting.remove(first) else { return };
            if give.is_closed() {
                continue;
            }
            let place = self.seat(&mut inner, from);
            drop(inner);
            // Whoever has given up waiting meanwhile hands it back by dropping it.
            if give.send(place).is_err() {
                return;
            }
        }
    }

    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Inner {
    fn of(&self, from: IpAddr) -> usize {
        self.served.iter().filter(|(other, _)| *other == from).count()
    }

    fn has_room_for(&self, from: IpAddr) -> bool {
        self.served.len() < CONNECTIONS && self.of(from) < FROM_ONE_ADDRESS
    }

    /// Asks the connection that can best be spared: of the newcomer's own address where that one has its share, else of
    /// the one that has most.
    fn ask_one_to_go(&self, newcomer: IpAddr) {
        let greedy = || self.served.iter().map(|(from, _)| *from).max_by_key(|from| self.of(*from));
        let of = if self.of(newcomer) >= FROM_ONE_ADDRESS { Some(newcomer) } else { greedy() };
        let can_go = self
            .served
            .iter()
            .filter(|(from, seat)| Some(*from) == of && !seat.stays() && !seat.asked_to_go.load(Ordering::Relaxed));
        if let Some((_, seat)) =
            can_go.min_by_key(|(_, seat)| (seat.busy.load(Ordering::Relaxed), seat.turn.load(Ordering::Relaxed)))
        {
            seat.asked_to_go.store(true, Ordering::Relaxed);
            seat.go.notify_one();
        }
    }
}

impl Place {
    /// What is known of the connection.
    pub fn seat(&self) -> &Arc<Seat> {
        &self.seat
    }

    /// A request has come in, or its answer is ready.
    pub fn mark(&self, busy: bool) {
        self.seat.turn.store(self.places.next_turn(), Ordering::Relaxed);
        self.seat.busy.store(busy, Ordering::Relaxed);
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut inner = self.places.lock();
        inner.served.retain(|(_, seat)| !Arc::ptr_eq(seat, &self.seat));
        self.places.served.send_replace(inner.served.len());
        drop(inner);
        self.places.give();
    }
}

/// What counts as one address.
pub fn household(from: IpAddr) -> IpAddr {
    match from.to_canonical() {
        IpAddr::V6(ip) => Ipv6Addr::from_bits(ip.to_bits() & !u128::from(u64::MAX)).into(),
        v4 => v4,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ip(text: &str) -> IpAddr {
        text.parse().expect("an address")
    }

    fn take(places: &Arc<Places>, from: &str, count: usize) -> Vec<Place> {
        let take = || match places.arrive(ip(from)) {
            Arrival::Place(place) => place,
            other => panic!("{from}: {other:?}"),
        };
        (0..count).map(|_| take()).collect()
    }

    fn asked(held: &[Place]) -> Vec<usize> {
        (0..held.len()).filter(|&at| held[at].seat.asked_to_go.load(Ordering::Relaxed)).collect()
    }

    #[test]
    fn one_address_has_its_share_and_others_have_room() {
        let places = Places::new();
        let mut greedy = take(&places, "192.0.2.1", 16);
        greedy[0].mark(true);
        greedy[0].mark(false);
        let Arrival::Wait(mut wait) = places.arrive(ip("192.0.2.1")) else { panic!("no place for a 17th") };
        assert_eq!(asked(&greedy), [1], "the longest idle of its own address");
        let _others = take(&places, "192.0.2.2", 1);
        drop(greedy.remove(1));
        let _place = wait.try_recv().expect("the place is given on");
        assert!(
            matches!(places.arrive(ip("::ffff:192.0.2.1")), Arrival::Wait(_)),
            "the same address, written otherwise"
        );
        let _v6 = take(&places, "2001:db8::1", 14);
        assert_eq!(places.lock().of(household(ip("2001:db8::2"))), 14, "one /64 is one household");
    }

    #[test]
    fn where_all_is_taken_the_greediest_makes_room() {
        let places = Places::new();
        let mut greedy = take(&places, "192.0.2.1", 16);
        let modest = take(&places, "192.0.2.2", 10);
        let others: Vec<_> = (3..9).flat_map(|n| take(&places, &format!("192.0.2.{n}"), 1)).collect();
        greedy.iter().for_each(|place| place.mark(true));
        greedy[0].seat().stay();
        let Arrival::Wait(mut wait) = places.arrive(ip("192.0.2.99")) else { panic!("all are taken") };
        assert_eq!((asked(&greedy), asked(&modest), asked(&others)), (vec![1], vec![], vec![]));
        drop(greedy.remove(1));
        let _place = wait.try_recv().expect("the place is given on");
    }

    #[test]
    fn too_many_who_wait_are_turned_away_and_who_gives_up_costs_nobody_a_place() {
        let places = Places::new();
        let mut held = take(&places, "192.0.2.1", 16);
        let mut waits: Vec<_> = (0..16).map(|_| places.arrive(ip("192.0.2.1"))).collect();
        assert!(waits.iter().all(|wait| matches!(wait, Arrival::Wait(_))));
        assert!(matches!(places.arrive(ip("192.0.2.1")), Arrival::Full));
        let Some(Arrival::Wait(mut last)) = waits.pop() else { panic!("the last waits") };
        drop(waits);
        held.pop();
        let _place = last.try_recv().expect("those who gave up are passed over");
    }
}
