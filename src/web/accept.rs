//! The accept loop: hyper's HTTP/1 with every limit set.
//!
//! axum's own `serve` sets no time limit for headers, so a few slow clients could hold it for ever.

use std::net::IpAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use axum::Router;
use axum::extract::Request;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio::time::{sleep, timeout};
use tower::ServiceExt;
use tracing::debug;

/// At most so many connections at once; further ones wait in the kernel's queue.
pub const CONNECTIONS: usize = 32;

/// A header must be there this long after the connection or the last answer.
const HEADER_WITHIN: Duration = Duration::from_secs(5);

/// No connection lives longer, one with a live stream excepted.
const CONNECTION_WITHIN: Duration = Duration::from_secs(60);

/// How long a stop waits for answers under way.
const STOP_WITHIN: Duration = Duration::from_secs(1);

/// Put into each request: the address it comes from.
#[derive(Clone, Copy, Debug)]
pub struct Peer(pub IpAddr);

/// Put into each request: a handler that answers with a stream says so, and the connection may stay.
#[derive(Clone, Debug, Default)]
pub struct Stays(Arc<AtomicBool>);

impl Stays {
    /// This connection carries a live stream.
    pub fn stay(&self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// Answers requests until `stop`, then lets those under way finish for at most 1 s.
pub async fn accept(listener: TcpListener, app: Router, stop: impl Future<Output = ()>) {
    let places = Arc::new(Semaphore::new(CONNECTIONS));
    let (stopping, stopped) = watch::channel(false);
    let mut stop = std::pin::pin!(stop);
    loop {
        let place = tokio::select! {
            place = places.clone().acquire_owned() => place.expect("the semaphore is never closed"),
            () = &mut stop => break,
        };
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
        let app = app.clone();
        let stopped = stopped.clone();
        tokio::spawn(async move {
            serve_one(stream, peer, app, stopped).await;
            drop(place);
        });
    }
    drop(listener);
    let _ = stopping.send(true);
    let _ = timeout(STOP_WITHIN, places.acquire_many(CONNECTIONS as u32)).await;
}

async fn serve_one(stream: TcpStream, peer: Peer, app: Router, mut stopped: watch::Receiver<bool>) {
    let _ = stream.set_nodelay(true);
    let stays = Stays::default();
    let mark = stays.clone();
    let service = app.map_request(move |mut request: Request<_>| {
        request.extensions_mut().insert(mark.clone());
        request.extensions_mut().insert(peer);
        request.map(axum::body::Body::new)
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADER_WITHIN)
        .max_buf_size(16 * 1024)
        .max_headers(48)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(service));
    let mut connection = std::pin::pin!(connection);
    let too_long = async {
        sleep(CONNECTION_WITHIN).await;
        if stays.0.load(Ordering::Relaxed) {
            std::future::pending().await
        }
    };
    tokio::select! {
        ended = connection.as_mut() => {
            if let Err(error) = ended {
                debug!(%error, "a connection ended early");
            }
            return;
        }
        _ = stopped.wait_for(|stopped| *stopped) => {}
        () = too_long => {}
    }
    connection.as_mut().graceful_shutdown();
    let _ = timeout(STOP_WITHIN, connection).await;
}
