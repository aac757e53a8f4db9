//! `GET /live`: each change as it happens, as server-sent events (WHATWG HTML, "Server-sent events").
//!
//! The first event of a stream is the whole `status`; after it come `channel`, `house` and `missed` with what has
//! changed. A client that lost its connection names the last event it has seen and gets those it missed, or the whole
//! status where they are forgotten.

use std::collections::{HashMap, HashSet, VecDeque};
use std::convert::Infallible;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll};
use std::time::Duration;

use axum::Extension;
use axum::body::{Body, Bytes};
use axum::extract::{Query, State};
use axum::http::header::{CONTENT_TYPE, HeaderMap};
use axum::http::{Response, StatusCode};
use axum::response::IntoResponse;
use hyper::body::Frame;
use serde::Serialize;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, watch};
use tokio::time::{sleep, timeout};

use super::accept::Stays;
use super::door::Facts;
use super::json;
use super::problem::Problem;
use super::{Web, read};
use crate::pure::config::Channel;
use crate::pure::keeper::{ChannelView, Miss};

/// Streams at once; they must leave room for other requests.
const STREAMS: usize = 8;

/// Events remembered for those who come back.
const REMEMBERED: usize = 256;

/// Changes within so short a time are told together; a storm of messages costs no more than this.
const GATHERED: Duration = Duration::from_millis(100);

/// A comment at least so often, so that a dead connection is noticed.
const QUIET_AT_MOST: Duration = Duration::from_secs(15);

/// A client that takes nothing for so long is let go.
const TAKES_WITHIN: Duration = Duration::from_secs(20);

/// The changes of late, and whoever listens to them.
#[derive(Clone, Debug)]
pub struct Live {
    shared: Arc<Shared>,
}

#[derive(Debug)]
struct Shared {
    /// Tells the ids of this run from those of another.
    run: u32,
    log: Mutex<Log>,
    /// The number of the newest event; `u64::MAX` once all is over.
    newest: watch::Sender<u64>,
    places: Arc<Semaphore>,
}

#[derive(Debug, Default)]
struct Log {
    events: VecDeque<(u64, Box<str>)>,
    number: u64,
    /// The newest number that somebody was told. Without one nobody can ask what came after: nothing is noted.
    told: Option<u64>,
    /// What has been told. None while nothing is noted: facts that nobody else has are written over in their place.
    seen: Option<Arc<Facts>>,
}

impl Log {
    /// From here on everything is noted; `now` is what it starts from: whoever asks reads the facts after that.
    fn tell(&mut self, now: Arc<Facts>) {
        self.told = Some(self.number);
        self.seen.get_or_insert(now);
    }
}

impl Live {
    /// Nothing has happened yet.
    pub fn new() -> Live {
        let shared = Shared {
            run: fastrand::u32(..),
            log: Mutex::default(),
            newest: watch::Sender::new(0),
            places: Arc::new(Semaphore::new(STREAMS)),
        };
        Live { shared: Arc::new(shared) }
    }

    /// Notes every change of the facts, until [`Live::end`] or until there are no more.
    pub async fn follow(self, mut facts: watch::Receiver<Arc<Facts>>) {
        let mut newest = self.shared.newest.subscribe();
        loop {
            let latest = facts.borrow_and_update().clone();
            self.note(latest);
            tokio::select! {
                changed = facts.changed() => if changed.is_err() { break },
                _ = newest.wait_for(|number| *number == u64::MAX) => break,
            }
            sleep(GATHERED).await;
        }
        self.end();
    }

    /// Ends every stream.
    pub fn end(&self) {
        self.shared.newest.send_replace(u64::MAX);
    }

    fn log(&self) -> MutexGuard<'_, Log> {
        self.shared.log.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn note(&self, now: Arc<Facts>) {
        let mut log = self.log();
        if let Some(before) = log.seen.take()
            && log.told.is_some()
        {
            if json::is_another_house(&before, &now) {
                self.push(&mut log, "house", &json::house(&now));
            }
            let channels = changed(&before, &now);
            let missed = found(&before, &now);
            // Of more than are remembered, whoever listens gets the whole status instead.
            let forgotten = (channels.len() + missed.len()).saturating_sub(REMEMBERED);
            if forgotten > 0 {
                log.events.clear();
                log.number += forgotten as u64;
            }
            for &(named, view) in channels.iter().skip(forgotten) {
                self.push(&mut log, "channel", &json::channel(&now, named, view));
            }
            for &miss in missed.iter().skip(forgotten.saturating_sub(channels.len())) {
                self.push(&mut log, "missed", &json::missed(&now, miss));
            }
        }
        log.seen = log.told.is_some().then_some(now);
        let number = log.number;
        drop(log);
        self.shared.newest.send_if_modified(|newest| {
            let grown = *newest < number;
            if grown {
                *newest = number;
            }
            grown
        });
    }

    fn push(&self, log: &mut Log, name: &str, data: &impl Serialize) {
        log.number += 1;
        let number = log.number;
        if log.told.is_none_or(|told| number - told > REMEMBERED as u64) {
            // Whoever was told the last one will be told everything.
            (log.events, log.told) = (VecDeque::new(), None);
            return;
        }
        let text = self.event(number, name, data);
        log.events.push_back((number, text.into()));
        if log.events.len() > REMEMBERED {
            log.events.pop_front();
        }
    }

    fn event(&self, number: u64, name: &str, data: &impl Serialize) -> String {
        // JSON on one line: a line break would end the data.
        let data = serde_json::to_string(data).expect("plain data has a JSON form");
        format!("id: {:08x}-{number}\nevent: {name}\ndata: {data}\n\n", self.shared.run)
    }

    /// The id of the newest event: whoever reads the facts after asking for it has seen all of it.
    pub fn newest(&self, now: Arc<Facts>) -> String {
        let mut log = self.log();
        log.tell(now);
        format!("{:08x}-{}", self.shared.run, log.number)
    }

    /// The number within an id of this run, if its successors are all remembered.
    fn known(&self, id: &str) -> Option<u64> {
        let (run, number) = id.split_once('-')?;
        let number: u64 = number.parse().ok()?;
        let log = self.log();
        let oldest = log.events.front().map_or(log.number + 1, |(oldest, _)| *oldest);
        let ours = run == format!("{:08x}", self.shared.run);
        (ours && number <= log.number && number + 1 >= oldest).then_some(number)
    }

    /// What came after an event, or `None` where some of it is forgotten; and the number of the newest.
    fn after(&self, number: u64, now: Arc<Facts>) -> (Option<String>, u64) {
        let mut log = self.log();
        log.tell(now);
        let gap = log.events.front().map_or(log.number > number, |(oldest, _)| *oldest > number + 1);
        let later = log.events.iter().filter(|(known, _)| *known > number).map(|(_, text)| &**text);
        ((!gap).then(|| later.collect()), log.number)
    }
}

/// A channel as the file has it, and what is known of it.
type Shown<'a> = (&'a Channel, &'a ChannelView);

/// The channels of which something else is told than before. A burst in a large house is looked through several times, so
/// each is compared with itself alone, and not at all where it is shared with the facts before.
fn changed<'a>(before: &Facts, now: &'a Facts) -> Vec<Shown<'a>> {
    let told_alike = |(channel, was): Shown<'_>, (named, is): Shown<'_>| {
        json::channel(before, channel, was) == json::channel(now, named, is)
    };
    if Arc::ptr_eq(&before.config, &now.config) {
        let pairs = before.channels().zip(now.channels());
        let same = |was: Shown<'_>, is: Shown<'_>| std::ptr::eq(was.1, is.1) || told_alike(was, is);
        return pairs.filter(|(was, is)| !same(*was, *is)).map(|(_, is)| is).collect();
    }
    let old: HashMap<&str, Shown<'_>> = before.channels().map(|shown| (shown.0.name.as_str(), shown)).collect();
    let same = |is: Shown<'_>| old.get(is.0.name.as_str()).is_some_and(|was| told_alike(*was, is));
    now.channels().filter(|is| !same(*is)).collect()
}

/// The misses that were not there before.
fn found<'a>(before: &Facts, now: &'a Facts) -> Vec<&'a Miss> {
    if before.snapshot.missed == now.snapshot.missed {
        return Vec::new();
    }
    let old: HashSet<&Miss> = before.snapshot.missed.iter().collect();
    now.snapshot.missed.iter().filter(|miss| !old.contains(miss)).collect()
}

/// `GET /live`.
pub async fn live(
    State(web): State<Web>,
    Extension(stays): Extension<Stays>,
    Query(pairs): Query<Vec<(String, String)>>,
    headers: HeaderMap,
) -> Result<Response<Body>, Problem> {
    let live = web.live.clone();
    let place = live.shared.places.clone().try_acquire_owned().map_err(|_| {
        let detail = format!("{STREAMS} others are listening already; GET /status says how things stand");
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail)
    })?;
    // A page made here says in `after` what it has seen; later the browser's own word for it counts.
    let asked = pairs.iter().find(|(name, _)| name == "after").map(|(_, id)| id.as_str());
    let last_seen = headers.get("last-event-id").and_then(|id| id.to_str().ok()).or(asked);
    let last_seen = last_seen.and_then(|id| live.known(id));
    let (to_client, from_task) = mpsc::channel(4);
    tokio::spawn(stream(web, last_seen, to_client, place));
    stays.stay();
    Ok(([(CONTENT_TYPE, "text/event-stream")], Body::new(Stream(from_task))).into_response())
}

/// Feeds one client until it goes, or all is over.
async fn stream(web: Web, last_seen: Option<u64>, client: mpsc::Sender<Bytes>, _place: OwnedSemaphorePermit) {
    let live = web.live.clone();
    let mut newest = live.shared.newest.subscribe();
    let mut seen = last_seen;
    let mut text = "retry: 3000\n\n".to_string();
    loop {
        let (later, number) = live.after(seen.unwrap_or(u64::MAX - 1), web.facts());
        match later.filter(|_| seen.is_some()) {
            Some(later) => text += &later,
            None => {
                let Ok(status) = read::status_now(&web).await else { return };
                text += &live.event(number, "status", &status);
            }
        }
        seen = Some(number);
        if !text.is_empty() {
            let sent = timeout(TAKES_WITHIN, client.send(std::mem::take(&mut text).into())).await;
            if !matches!(sent, Ok(Ok(()))) {
                return;
            }
        }
        tokio::select! {
            grown = newest.wait_for(|newest| *newest > number) => match grown.map(|newest| *newest) {
                Ok(newest) if newest < u64::MAX => {}
                _ => return,
            },
            () = client.closed() => return,
            () = sleep(QUIET_AT_MOST) => text += ": still here\n\n",
        }
    }
}

/// The body of the answer: what the task sends.
struct Stream(mpsc::Receiver<Bytes>);

impl hyper::body::Body for Stream {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Option<Result<Frame<Bytes>, Infallible>>> {
        self.0.poll_recv(cx).map(|sent| sent.map(|bytes| Ok(Frame::data(bytes))))
    }
}
