//! The answers that can be megabytes long: few at once, until they are sent, and with more time to be worked out.

use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::{Request, State};
use axum::http::Response;
use axum::middleware::Next;
use hyper::body::{Frame, SizeHint};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// So many at once: a stranger who asks for years on every connection must not use up the memory of a small board.
const AT_ONCE: usize = 2;

/// A house of fifty lamps over 400 days takes some seconds on a slow board.
pub const WITHIN: Duration = Duration::from_secs(20);

/// The places for heavy answers.
pub fn places() -> Arc<Semaphore> {
    Arc::new(Semaphore::new(AT_ONCE))
}

/// Waits for a place and keeps it until the answer is sent, or its connection is gone.
pub async fn take_place(State(places): State<Arc<Semaphore>>, request: Request, next: Next) -> Response<Body> {
    let place = places.acquire_owned().await.expect("the semaphore is never closed");
    next.run(request).await.map(|body| Body::new(Held { body, _place: place }))
}

struct Held {
    body: Body,
    _place: OwnedSemaphorePermit,
}

impl hyper::body::Body for Held {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        Pin::new(&mut self.body).poll_frame(cx)
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}
