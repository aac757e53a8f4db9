//! Who has signed in on the page, and how often the token was guessed. All of it is in memory, in bounded room: a
//! restart asks everybody again.

use std::collections::{HashMap, VecDeque};
use std::fmt;
use std::fs::File;
use std::io::{self, Read};
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::http::header::{COOKIE, HeaderMap};
use subtle::ConstantTimeEq;

/// The cookie that says who signed in.
pub const COOKIE_NAME: &str = "lampward";

/// Browsers that can be signed in at once; one more, and the one that has been away longest is signed out.
const SIGNED_IN_AT_MOST: usize = 32;

/// Addresses whose wrong guesses are remembered; while there are so many, no further one is listened to.
const ADDRESSES_AT_MOST: usize = 256;

/// How long a wrong guess counts.
const GUESS_COUNTS_FOR: Duration = Duration::from_secs(60);

/// 256 bits that nobody can guess: they stand for a token that was right once, and say nothing about it.
type Id = [u8; 32];

/// The browsers that are signed in.
#[derive(Clone, Default)]
pub struct Sessions(Arc<Mutex<VecDeque<Id>>>);

impl fmt::Debug for Sessions {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Sessions").field(&self.lock().len()).finish()
    }
}

impl Sessions {
    /// Signs one more in; gives what its cookie is to say.
    ///
    /// # Errors
    /// Where the kernel's generator can't be read.
    pub fn begin(&self) -> io::Result<String> {
        let mut id = Id::default();
        File::open("/dev/urandom")?.read_exact(&mut id)?;
        let mut ids = self.lock();
        ids.push_back(id);
        if ids.len() > SIGNED_IN_AT_MOST {
            ids.pop_front();
        }
        Ok(id.iter().map(|byte| format!("{byte:02x}")).collect())
    }

    /// Whether a request comes from one that is signed in.
    pub fn knows(&self, headers: &HeaderMap) -> bool {
        let Some(id) = id_in(headers) else { return false };
        let mut ids = self.lock();
        let Some(place) = place_of(&ids, &id) else { return false };
        // To the end of the queue: the others have been away for longer.
        let id = ids.remove(place).expect("just found");
        ids.push_back(id);
        true
    }

    /// Signs out whoever asks.
    pub fn end(&self, headers: &HeaderMap) {
        let Some(id) = id_in(headers) else { return };
        let mut ids = self.lock();
        if let Some(place) = place_of(&ids, &id) {
            ids.remove(place);
        }
    }

    fn lock(&self) -> MutexGuard<'_, VecDeque<Id>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Every one is compared, each in constant time.
fn place_of(ids: &VecDeque<Id>, id: &Id) -> Option<usize> {
    let mut found = None;
    for (place, known) in ids.iter().enumerate() {
        if bool::from(known.ct_eq(id)) {
            found = Some(place);
        }
    }
    found
}

/// The id in our cookie (RFC 6265 §5.4: `name=value`, parted by `; `); `None` where there is none or more than one.
fn id_in(headers: &HeaderMap) -> Option<Id> {
    let pairs = headers.get_all(COOKIE).iter().filter_map(|value| value.to_str().ok()).flat_map(|text| text.split(';'));
    let mut ours =
        pairs.filter_map(|pair| pair.trim().split_once('=')).filter(|(name, _)| *name == COOKIE_NAME).map(|(_, id)| id);
    let (Some(text), None) = (ours.next(), ours.next()) else { return None };
    if text.len() != 64 || !text.is_ascii() {
        return None;
    }
    let mut id = Id::default();
    for (byte, digits) in id.iter_mut().zip(text.as_bytes().chunks(2)) {
        *byte = u8::from_str_radix(std::str::from_utf8(digits).ok()?, 16).ok()?;
    }
    Some(id)
}

/// How many wrong guesses each address has made within the last minute.
///
/// Each address has a count of its own, so that whoever guesses on the network keeps nobody else out. A network of IPv6
/// counts as one, since who has one address there has them all.
#[derive(Clone, Debug)]
pub struct Guesses {
    at_most: u32,
    wrong: Arc<Mutex<HashMap<IpAddr, u32>>>,
}

impl Guesses {
    /// So many a minute for each address.
    pub fn new(at_most: u32) -> Guesses {
        Guesses { at_most, wrong: Arc::default() }
    }

    /// Whether an address may guess now.
    pub fn may(&self, from: IpAddr) -> bool {
        let wrong = self.lock();
        match wrong.get(&network(from)) {
            Some(count) => *count < self.at_most,
            None => wrong.len() < ADDRESSES_AT_MOST,
        }
    }

    /// Counts a wrong guess, and forgets it after a minute.
    pub fn wrong(&self, from: IpAddr) {
        self.count(from);
        let counts = self.clone();
        tokio::spawn(async move {
            tokio::time::sleep(GUESS_COUNTS_FOR).await;
            counts.forget(from);
        });
    }

    fn count(&self, from: IpAddr) {
        *self.lock().entry(network(from)).or_default() += 1;
    }

    fn forget(&self, from: IpAddr) {
        let (from, mut wrong) = (network(from), self.lock());
        if let Some(count) = wrong.get_mut(&from) {
            *count -= 1;
            if *count == 0 {
                wrong.remove(&from);
            }
        }
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<IpAddr, u32>> {
        self.wrong.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(six) => IpAddr::V6((six.to_bits() & !u128::from(u64::MAX)).into()),
        four => four,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::http::HeaderValue;

    fn cookie(text: &str) -> HeaderMap {
        let mut headers = HeaderMap::new();
        headers.insert(COOKIE, HeaderValue::from_str(text).expect("a header"));
        headers
    }

    #[test]
    fn who_signed_in_is_known_until_signing_out() {
        let sessions = Sessions::default();
        let id = sessions.begin().expect("a session");
        let ours = cookie(&format!("other=1; lampward={id}; more=2"));
        assert!(sessions.knows(&ours));
        for wrong in [
            "lampward=".to_string(),
            format!("lampward={id}0"),
            format!("lampward={}", &id[1..]),
            format!("Lampward={id}"),
            format!("lampward={}", "0".repeat(64)),
            format!("lampward={}", "+1".repeat(32)),
            format!("lampward={id}; lampward={id}"),
            format!("x{id}"),
        ] {
            assert!(!sessions.knows(&cookie(&wrong)), "{wrong}");
        }
        sessions.end(&cookie("lampward=1"));
        assert!(sessions.knows(&ours));
        sessions.end(&ours);
        assert!(!sessions.knows(&ours));
    }

    #[test]
    fn the_one_away_longest_makes_room() {
        let sessions = Sessions::default();
        let all: Vec<HeaderMap> = (0..SIGNED_IN_AT_MOST)
            .map(|_| cookie(&format!("lampward={}", sessions.begin().expect("a session"))))
            .collect();
        assert!(sessions.knows(&all[0]), "the first is here again");
        sessions.begin().expect("one more");
        let known: Vec<bool> = all.iter().take(3).map(|headers| sessions.knows(headers)).collect();
        assert_eq!(known, [true, false, true]);
    }

    #[test]
    fn a_guesser_keeps_nobody_else_out_and_is_listened_to_again_later() {
        let (guesser, other): (IpAddr, IpAddr) = ([192, 0, 2, 66].into(), [192, 0, 2, 7].into());
        let guesses = Guesses::new(3);
        for _ in 0..3 {
            assert!(guesses.may(guesser));
            guesses.count(guesser);
        }
        assert!(!guesses.may(guesser));
        assert!(guesses.may(other));
        guesses.forget(guesser);
        assert!(guesses.may(guesser));
        guesses.forget(guesser);
        guesses.forget(guesser);
        guesses.forget(guesser);
        assert!(guesses.lock().is_empty(), "nothing is kept of it");
    }

    #[test]
    fn a_guesser_with_a_whole_network_counts_as_one_and_fills_no_memory() {
        let guesses = Guesses::new(3);
        for host in 0..3_u16 {
            guesses.count(IpAddr::V6([0x2001, 0xdb8, 0, 1, 0, 0, 0, host].into()));
        }
        assert!(!guesses.may("2001:db8:0:1::99".parse().expect("an address")));
        assert!(guesses.may("2001:db8:0:2::99".parse().expect("an address")));
        for (high, low) in (0..2_u8).flat_map(|high| (0..=255_u8).map(move |low| (high, low))) {
            let from = IpAddr::from([10, 0, high, low]);
            if guesses.may(from) {
                guesses.count(from);
            }
        }
        assert_eq!(guesses.lock().len(), ADDRESSES_AT_MOST);
    }
}
