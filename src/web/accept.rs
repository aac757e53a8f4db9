//! The accept loop: hyper's HTTP/1 with every limit set.
//!
//! axum's own `serve` sets no time limit for headers, so a few slow clients could hold it for ever.

use std::cell::LazyCell;
use std::io::{self, Cursor, ErrorKind};
use std::net::IpAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::http::Request;
use hyper::body::{Frame, Incoming, SizeHint};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::io::AsyncReadExt;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::time::{sleep, timeout};
use tower::ServiceExt;
use tracing::debug;

use super::give_way::GiveWay;
use super::hall::{Entry, Hall, Standing};
use super::heavy;
use super::places::{Arrival, Place, Places, Seat};
use super::shift::{Ended, Guests};
use crate::clock;

/// A header must be there this long after the connection or the last answer.
const HEADER_WITHIN: Duration = Duration::from_secs(5);

/// No connection lives longer, one with a live stream excepted.
const CONNECTION_WITHIN: Duration = Duration::from_secs(60);

/// A request that has waited so long for a place is turned away.
const PLACE_WITHIN: Duration = Duration::from_secs(5);

/// Between one who had to leave the hall and the next. The runtime rounds it up, to about five hundred a second.
const BREATH: Duration = Duration::from_millis(1);

/// In bytes, the line of the request included.
const LARGEST_HEADER: usize = 16 * 1024;

/// How long a stop waits for answers under way.
const STOP_WITHIN: Duration = Duration::from_secs(1);

/// Put into each request: the address it comes from.
#[derive(Clone, Copy, Debug)]
pub struct Peer(pub IpAddr);

/// Put into each request: a handler that answers with a stream says so, and the connection may stay.
#[derive(Clone, Debug)]
pub struct Stays(Arc<Seat>);

impl Stays {
    /// This connection carries a live stream.
    pub fn stay(&self) {
        self.0.stay();
    }
}

/// Answers requests until `stop`, then lets those under way finish for at most 1 s; or until a crowd has gone. Nothing of `app` is
/// made before somebody comes: most houses are not looked at for weeks.
pub async fn accept(
    listener: &TcpListener,
    app: impl FnOnce() -> Router,
    way: Arc<GiveWay>,
    stop: impl Future<Output = ()>,
) -> Ended {
    let app = LazyCell::new(app);
    let (hall, places, guests) = (Hall::new(), Places::new(), Arc::new(Guests::default()));
    let (stopping, stopped) = watch::channel(false);
    let mut stop = std::pin::pin!(stop);
    loop {
        let coming = async {
            let (stream, peer) = next(listener).await;
            let standing = let_in(&hall, peer.0).await;
            (stream, peer, standing)
        };
        let (stream, peer, standing) = tokio::select! {
            biased;
            () = &mut stop => break,
            come = coming => come,
            () = guests.quiet(|| places.turns()) => return Ended::Quiet,
        };
        let (app, mut stopped, places, guest) = (Router::clone(&app), stopped.clone(), places.clone(), guests.come());
        let way = way.clone();
        tokio::spawn(async move {
            let _guest = guest;
            let Some((stream, head)) = listen(stream, standing, &mut stopped).await else { return };
            let place = match places.arrive(peer.0) {
                Arrival::Place(place) => place,
                Arrival::Wait(place) => match timeout(PLACE_WITHIN, place).await {
                    Ok(Ok(place)) => place,
                    _ => return turn_away(&stream),
                },
                Arrival::Full => return turn_away(&stream),
            };
            // In a box: a connection in the hall shall not take the room of one that is being answered.
            Box::pin(serve_one(stream, head, peer, app, way, stopped, place)).await;
        });
    }
    let _ = stopping.send(true);
    let _ = timeout(STOP_WITHIN, places.all_free()).await;
    Ended::Stopped
}

async fn next(listener: &TcpListener) -> (TcpStream, Peer) {
    loop {
        match listener.accept().await {
            Ok((stream, peer)) => return (stream, Peer(peer.ip())),
            Err(error) => {
                // Out of file descriptors, say: trying again at once would be a busy loop.
                debug!(%error, "cannot accept a connection");
                sleep(Duration::from_millis(100)).await;
            }
        }
    }
}

/// Waits for room in the hall. Whoever comes meanwhile waits in the kernel.
async fn let_in(hall: &Arc<Hall>, from: IpAddr) -> Standing {
    loop {
        let now = clock::since_boot();
        match hall.enter(from, now) {
            Entry::Room(standing) => return standing,
            Entry::Made(standing) => {
                // Those who had to go may be back at once; so they come at a walk.
                sleep(BREATH).await;
                return standing;
            }
            Entry::NotBefore(at) => tokio::select! { () = sleep(at.saturating_sub(now)) => {}, () = hall.left() => {} },
        }
    }
}

/// Waits for the first request, and gives back what has been read of it: its header, or more than one may be long. `None`
/// where none comes in time, or the room in the hall is wanted.
///
/// Read here and not by hyper, which takes 16 KiB for a connection before anything is said on it.
async fn listen(
    stream: TcpStream,
    standing: Standing,
    stopped: &mut watch::Receiver<bool>,
) -> Option<(TcpStream, Vec<u8>)> {
    let mut head = Vec::new();
    let whole = async {
        loop {
            stream.readable().await.ok()?;
            let before = head.len();
            match take(&stream, &mut head) {
                Ok(0) => return None,
                Ok(_) => {}
                Err(error) if error.kind() == ErrorKind::WouldBlock => continue,
                Err(_) => return None,
            }
            if ends_in(&head, before) || head.len() >= LARGEST_HEADER {
                return Some(());
            }
        }
    };
    tokio::select! {
        biased;
        whole = timeout(HEADER_WITHIN, whole) => whole.ok().flatten()?,
        () = standing.asked_to_go() => return None,
        _ = stopped.wait_for(|stopped| *stopped) => return None,
    }
    Some((stream, head))
}

/// Adds what has come to `head`: a connection that stands in the hall costs what was said on it and no room for more.
fn take(stream: &TcpStream, head: &mut Vec<u8>) -> io::Result<usize> {
    // Most headers fit.
    let mut piece = [0; 1024];
    let length = stream.try_read(&mut piece)?;
    head.reserve_exact(length);
    head.extend_from_slice(&piece[..length]);
    Ok(length)
}

/// Whether a header ends after the first `before` bytes. A line may end with LF alone (RFC 9112 §2.2).
fn ends_in(head: &[u8], before: usize) -> bool {
    let new = &head[before.saturating_sub(2)..];
    new.windows(2).any(|end| end == b"\n\n") || new.windows(3).any(|end| end == b"\n\r\n")
}

/// A word to whoever finds no place, as far as the kernel takes it at once.
fn turn_away(stream: &TcpStream) {
    const BODY: &str =
        r#"{"title":"Service Unavailable","status":503,"detail":"too many connections at once; try again"}"#;
    let answer = format!(
        "HTTP/1.1 503 Service Unavailable\r\nContent-Type: application/problem+json\r\nContent-Length: {}\r\n\
         Retry-After: 1\r\nConnection: close\r\n\r\n{BODY}",
        BODY.len()
    );
    let _ = stream.try_write(answer.as_bytes());
}

async fn serve_one(
    stream: TcpStream,
    head: Vec<u8>,
    peer: Peer,
    app: Router,
    way: Arc<GiveWay>,
    mut stopped: watch::Receiver<bool>,
    place: Place,
) {
    let _ = stream.set_nodelay(true);
    let place = Arc::new(place);
    let seat = place.seat().clone();
    let service = service_fn(move |mut request: Request<Incoming>| {
        let busy = Busy::new(place.clone());
        request.extensions_mut().insert(Stays(place.seat().clone()));
        request.extensions_mut().insert(peer);
        let (answer, way) = (app.clone().oneshot(request.map(Body::new)), way.clone());
        async move {
            way.let_pass().await;
            answer.await.map(|answer| answer.map(|body| Body::new(Answer { body, _busy: busy })))
        }
    });
    let (rest, answers) = stream.into_split();
    let stream = tokio::io::join(Cursor::new(head).chain(rest), answers);
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_WITHIN)
        .max_buf_size(LARGEST_HEADER)
        .max_headers(48)
        .serve_connection(TokioIo::new(stream), service);
    let mut connection = std::pin::pin!(connection);
    let too_long = async {
        sleep(CONNECTION_WITHIN).await;
        if seat.stays() {
            std::future::pending().await
        }
    };
    let within = tokio::select! {
        // First, so that the request that is there already is under way before anything ends the connection.
        biased;
        ended = connection.as_mut() => {
            if let Err(error) = ended {
                debug!(%error, "a connection ended early");
            }
            return;
        }
        _ = stopped.wait_for(|stopped| *stopped) => STOP_WITHIN,
        () = too_long => STOP_WITHIN,
        // Somebody waits for the place. An answer under way is still worth having.
        () = seat.asked_to_go() => heavy::WITHIN,
    };
    connection.as_mut().graceful_shutdown();
    let _ = timeout(within, connection).await;
}

/// A request under way, until its answer is handed over.
struct Busy(Arc<Place>);

impl Busy {
    fn new(place: Arc<Place>) -> Busy {
        place.mark(true);
        Busy(place)
    }
}

impl Drop for Busy {
    fn drop(&mut self) {
        self.0.mark(false);
    }
}

/// The body of an answer.
struct Answer {
    body: Body,
    _busy: Busy,
}

impl hyper::body::Body for Answer {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        Pin::new(&mut self.body).poll_frame(context)
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_header_ends_with_an_empty_line_however_it_is_cut() {
        for (text, ends) in [
            ("GET / HTTP/1.1\r\nHost: localhost\r\n\r\n", true),
            ("GET / HTTP/1.1\nHost: localhost\n\nmore", true),
            ("GET / HTTP/1.1\r\nHost: localhost\r\n", false),
            ("GET / HTTP/1.1\r\nHost: loc", false),
        ] {
            for cut in 0..text.len() {
                let (first, whole) = (&text.as_bytes()[..cut], text.as_bytes());
                assert_eq!(ends_in(first, 0) || ends_in(whole, cut), ends, "{text:?} cut at {cut}");
            }
        }
    }
}
