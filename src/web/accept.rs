//! The accept loop: hyper's HTTP/1 with every limit set.
//!
//! axum's own `serve` sets no time limit for headers, so a few slow clients could hold it for ever.

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
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::time::{sleep, timeout};
use tower::ServiceExt;
use tracing::debug;

use super::heavy;
use super::places::{Arrival, Place, Places, Seat};

/// A header must be there this long after the connection or the last answer.
const HEADER_WITHIN: Duration = Duration::from_secs(5);

/// No connection lives longer, one with a live stream excepted.
const CONNECTION_WITHIN: Duration = Duration::from_secs(60);

/// Whoever has waited so long for a place is turned away.
const PLACE_WITHIN: Duration = Duration::from_secs(5);

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

/// Answers requests until `stop`, then lets those under way finish for at most 1 s.
pub async fn accept(listener: TcpListener, app: Router, stop: impl Future<Output = ()>) {
    let places = Places::new();
    let (stopping, stopped) = watch::channel(false);
    let mut stop = std::pin::pin!(stop);
    loop {
        let (stream, peer) = tokio::select! {
            accepted = listener.accept() => match accepted {
                Ok((stream, peer)) => (stream, Peer(peer.ip())),
                Err(error) => {
                    // Out of file descriptors, say: trying again at once would be a busy loop.
                    debug!(%error, "cannot accept a connection");
                    sleep(Duration::from_millis(100)).await;
                    continue;
                }
            },
            () = &mut stop => break,
        };
        let (app, stopped) = (app.clone(), stopped.clone());
        match places.arrive(peer.0) {
            Arrival::Place(place) => drop(tokio::spawn(serve_one(stream, peer, app, stopped, place))),
            Arrival::Wait(place) => {
                tokio::spawn(async move {
                    match timeout(PLACE_WITHIN, place).await {
                        Ok(Ok(place)) => serve_one(stream, peer, app, stopped, place).await,
                        _ => turn_away(&stream),
                    }
                });
                // Whoever was asked to go does so before the next one is let in.
                tokio::task::yield_now().await;
            }
            Arrival::Full => turn_away(&stream),
        }
    }
    drop(listener);
    let _ = stopping.send(true);
    let _ = timeout(STOP_WITHIN, places.all_free()).await;
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

async fn serve_one(stream: TcpStream, peer: Peer, app: Router, mut stopped: watch::Receiver<bool>, place: Place) {
    let _ = stream.set_nodelay(true);
    let place = Arc::new(place);
    let seat = place.seat().clone();
    let service = service_fn(move |mut request: Request<Incoming>| {
        let busy = Busy::new(place.clone());
        request.extensions_mut().insert(Stays(place.seat().clone()));
        request.extensions_mut().insert(peer);
        let answer = app.clone().oneshot(request.map(Body::new));
        async move { answer.await.map(|answer| answer.map(|body| Body::new(Answer { body, _busy: busy }))) }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_WITHIN)
        .max_buf_size(16 * 1024)
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
        ended = connection.as_mut() => {
            if let Err(error) = ended {
                debug!(%error, "a connection ended early");
            }
            return;
        }
        _ = stopped.wait_for(|stopped| *stopped) => STOP_WITHIN,
        () = too_long => STOP_WITHIN,
        // Somebody waits for the place. An answer under way is still worth having.
        () = seat.asked_to_go() => match seat.had_a_request() {
            true => heavy::WITHIN,
            // There is no answer to finish.
            false => return,
        },
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
