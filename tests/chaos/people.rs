//! People who set and cancel overrides at random, and the book of what they were promised.

use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use fastrand::Rng;
use serde_json::{Value, json};

use crate::house::{attempt, clock, instant};
use crate::lamps::Plan;

/// The wall clock of the test against an instant of the daemon's: reading both takes a moment.
const SLACK: TimeDelta = TimeDelta::milliseconds(1_500);

/// An override that stands until it is cancelled (`None`) or until an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Standing {
    on: bool,
    until: Option<DateTime<Utc>>,
}

impl Standing {
    /// From an answer or from `/status`.
    fn read(json: &Value) -> Option<Standing> {
        let on = json["wanted"].as_str()? == "on";
        let until = match json["until"].as_str()? {
            "cancelled" => None,
            instant => Some(DateTime::parse_from_rfc3339(instant).unwrap().to_utc()),
        };
        Some(Standing { on, until })
    }

    /// Whether both are the same word; an instant that was asked for as a duration may be a little off.
    fn is(&self, other: &Standing, tolerance: TimeDelta) -> bool {
        let alike = match (self.until, other.until) {
            (None, None) => true,
            (Some(one), Some(other)) => (one - other).abs() <= tolerance,
            _ => false,
        };
        self.on == other.on && alike
    }

    fn over(&self, at: DateTime<Utc>) -> bool {
        self.until.is_some_and(|until| until <= at)
    }
}

/// What is promised for one channel.
#[derive(Debug)]
struct Leaf {
    standing: Option<Standing>,
    /// Asked for and not answered: it may have been done all the same.
    perhaps: Vec<Option<Standing>>,
    /// When somebody last asked for anything.
    touched: Instant,
}

/// What people were promised.
#[derive(Debug)]
pub struct Book {
    pub plan: Plan,
    leaves: Vec<Leaf>,
    /// Orders answered well, and orders of which nobody knows.
    pub answered: u64,
    pub unanswered: u64,
    /// Overrides compared with `/status`, and those that were not as promised.
    pub compared: u64,
    pub lost: Vec<String>,
}

impl Book {
    fn new(plan: Plan) -> Book {
        let leaf = || Leaf { standing: None, perhaps: Vec::new(), touched: Instant::now() };
        let leaves = plan.channels.iter().map(|_| leaf()).collect();
        Book { plan, leaves, answered: 0, unanswered: 0, compared: 0, lost: Vec::new() }
    }

    /// What a channel is to be, and since when at the latest; `None` while it changes.
    pub fn wanted(&self, channel: usize, at: DateTime<Utc>) -> Option<bool> {
        let leaf = &self.leaves[channel];
        assert!(leaf.perhaps.is_empty(), "compare with the status first");
        let wanted = |at| match leaf.standing {
            Some(standing) if !standing.over(at) => standing.on,
            _ => self.plan.lit(channel, at),
        };
        let (before, after) = (wanted(at - SLACK), wanted(at + SLACK));
        (before == after).then_some(after)
    }

    /// When somebody last asked anything of a channel.
    pub fn touched(&self, channel: usize) -> Instant {
        self.leaves[channel].touched
    }

    /// Holds every override of `/status` against what was promised. What nobody knew is known from here on.
    pub fn compare(&mut self, status: &Value, at: DateTime<Utc>) {
        for (number, leaf) in self.leaves.iter_mut().enumerate() {
            let name = &self.plan.channels[number].name;
            let shown = status["channels"].as_array().unwrap().iter().find(|channel| channel["name"] == **name);
            let seen = Standing::read(&shown.expect("every channel is shown")["override"]);
            let fits = |promised: &Option<Standing>, tolerance| match (promised, &seen) {
                (None, None) => true,
                (Some(promised), Some(seen)) => promised.is(seen, tolerance),
                (Some(promised), None) => promised.over(at + SLACK),
                (None, Some(_)) => false,
            };
            let kept = fits(&leaf.standing, TimeDelta::seconds(1))
                || leaf.perhaps.iter().any(|perhaps| fits(perhaps, TimeDelta::seconds(30)));
            self.compared += 1;
            if !kept {
                self.lost.push(format!("{name}: {seen:?}, but {leaf:?}"));
            }
            leaf.standing = seen;
            leaf.perhaps.clear();
        }
    }
}

/// The people, in a thread of their own.
pub struct People {
    book: Arc<Mutex<Book>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl People {
    /// They begin at once.
    pub fn start(page: SocketAddr, plan: Plan, rng: Rng) -> People {
        let (book, stop) = (Arc::new(Mutex::new(Book::new(plan))), Arc::new(AtomicBool::new(false)));
        let (theirs, until) = (book.clone(), stop.clone());
        let thread = std::thread::spawn(move || {
            let mut person = Person { page, rng };
            while !until.load(Ordering::Relaxed) {
                std::thread::sleep(Duration::from_millis(person.rng.u64(5..120)));
                // It is poisoned when the test has failed.
                let Ok(mut book) = theirs.lock() else { return };
                person.act(&mut book);
            }
        });
        People { book, stop, thread: Some(thread) }
    }

    /// Nobody asks for anything while this is held.
    pub fn hush(&self) -> MutexGuard<'_, Book> {
        self.book.lock().expect("the people are well")
    }
}

impl Drop for People {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        let ended = self.thread.take().unwrap().join();
        assert!(ended.is_ok() || std::thread::panicking(), "the people have met with a fault");
    }
}

struct Person {
    page: SocketAddr,
    rng: Rng,
}

impl Person {
    /// One order, and what came of it into the book.
    fn act(&mut self, book: &mut Book) {
        let count = book.leaves.len();
        let mut channels = vec![self.rng.usize(..count)];
        if self.rng.u8(..10) == 0 {
            channels.extend((0..count).filter(|_| self.rng.u8(..8) == 0));
            channels.sort_unstable();
            channels.dedup();
        }
        let names: Vec<&str> = channels.iter().map(|&number| book.plan.channels[number].name.as_str()).collect();
        let now = lampward::clock::wall();
        let (asked, method, path, body) = if self.rng.u8(..5) < 2 {
            let path = match names[..] {
                [name] => format!("/channels/{name}/override"),
                _ => format!("/override?channel={}", names.join("&channel=")),
            };
            (None, "DELETE", path, None)
        } else {
            let on = self.rng.bool();
            let (until, ends) = self.until(now);
            let wanted = if on { "on" } else { "off" };
            let asked = Some(Standing { on, until: ends });
            match names[..] {
                [name] => {
                    let body = json!({ "wanted": wanted, "until": until });
                    (asked, "PUT", format!("/channels/{name}/override"), Some(body))
                }
                _ => {
                    let body = json!({ "wanted": wanted, "until": until, "channels": names });
                    (asked, "PUT", "/override".to_owned(), Some(body))
                }
            }
        };
        let body = body.map(|body| body.to_string());
        let mut busy = false;
        let answer = loop {
            match attempt(self.page, method, &path, body.as_deref()) {
                // No answer yet, and it may still be carried out: asked again, for the second order comes after it.
                Ok((503, _)) => (busy, book.unanswered) = (true, book.unanswered + 1),
                answer => break answer,
            }
            std::thread::sleep(Duration::from_millis(20));
        };
        match answer {
            // Nobody was there: nothing was done.
            Err(ureq::Error::Io(error)) if !busy && error.kind() == std::io::ErrorKind::ConnectionRefused => return,
            Ok((200, answer)) => {
                book.answered += 1;
                for &number in &channels {
                    let name = &book.plan.channels[number].name;
                    let promised = match answer["channels"].as_array() {
                        None => &answer,
                        Some(all) => {
                            &all.iter().find(|one| one["name"] == **name).expect("each channel is answered")["override"]
                        }
                    };
                    let promised = Standing::read(promised);
                    let as_asked = match (&promised, &asked) {
                        (Some(promised), Some(asked)) => promised.is(asked, TimeDelta::seconds(30)),
                        (promised, asked) => promised.is_none() && asked.is_none(),
                    };
                    assert!(as_asked, "{method} {path} {asked:?} was answered with {answer}");
                    book.leaves[number].standing = promised;
                    book.leaves[number].perhaps.clear();
                }
            }
            // Killed or stopped halfway: it may have been done.
            Err(_) => {
                book.unanswered += 1;
                for &number in &channels {
                    book.leaves[number].perhaps.push(asked);
                }
            }
            Ok((code, answer)) => panic!("{method} {path}: {code} {answer}"),
        }
        for number in channels {
            book.leaves[number].touched = Instant::now();
        }
    }

    /// Until when, as a person puts it, and what that means.
    fn until(&mut self, now: DateTime<Utc>) -> (String, Option<DateTime<Utc>>) {
        match self.rng.u8(..10) {
            0 => ("15 s".into(), Some(now + TimeDelta::seconds(15))),
            1 => ("2 h".into(), Some(now + TimeDelta::hours(2))),
            2 => {
                let at = clock(2);
                let instant = instant(&at, now);
                (at, Some(instant))
            }
            _ => ("cancelled".into(), None),
        }
    }
}
