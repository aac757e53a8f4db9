//! HTTP: the state of things outwards, a person's word inwards.
//!
//! Reading takes the latest facts from [`Door`] and never asks the daemon's loop for anything; an order goes to the
//! loop and is answered by it. The server has threads and a runtime of its own ([`start`]), so that however many
//! people ask, no switching waits for them.

mod accept;
mod almanac;
mod calendar;
mod door;
mod give_way;
pub mod guard;
mod hall;
mod heavy;
pub mod json;
mod live;
mod metrics;
mod openapi;
mod orders;
mod page;
mod places;
mod problem;
mod read;
mod session;
mod shift;
pub mod tried;
pub mod words;
mod year;

use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::StatusCode;
use axum::middleware::{from_fn_with_state, map_response};
use axum::routing::{get, post, put};
use chrono::{DateTime, Utc};
use tokio::net::TcpListener;
use tokio::sync::{oneshot, watch};
use tower_http::csrf::CsrfLayer;
use tower_http::limit::RequestBodyLimitLayer;
use tower_http::timeout::TimeoutLayer;

use almanac::Almanac;
pub use door::{Asked, Clockface, Door, Facts, FileFacts, Taken};
pub use give_way::GiveWay;
pub use guard::Guard;
pub use hall::HALL;
use live::Live;
use page::{Said, WeekKept};
pub use places::{CONNECTIONS, FROM_ONE_ADDRESS};
use shift::Ended;
use year::Kept;

/// The largest body taken, in bytes.
const LARGEST_BODY: usize = 16 * 1024;

/// How long one request may take, its body included.
const REQUEST_WITHIN: Duration = Duration::from_secs(3);

/// So many connections may wait in the kernel to be taken.
const MAY_COME: i32 = 1024;

/// Answers requests on `listener` until `stop`.
pub async fn serve(listener: TcpListener, door: Door, stop: impl Future<Output = ()>) {
    let (said, mut stop) = (Said::default(), std::pin::pin!(stop));
    while shift(&listener, door.clone(), said.clone(), stop.as_mut()).await == Ended::Quiet {}
}

/// The same until `stop` or the end of a shift (see `shift.rs`), of which only what people are to be told is left.
async fn shift(listener: &TcpListener, door: Door, said: Said, stop: Pin<&mut impl Future<Output = ()>>) -> Ended {
    let live = Live::new();
    let following = tokio::spawn(live.clone().follow(door.facts.clone()));
    let (kept, way) = (live.clone(), door.give_way.clone());
    let app = || {
        let (almanac, picture, week) = (Almanac::default(), Kept::default(), WeekKept::default());
        routes(Web { door, almanac, picture, live: kept, said, week })
    };
    let stop = async {
        stop.await;
        live.end();
    };
    let ended = accept::accept(listener, app, way, stop).await;
    following.abort();
    ended
}

/// The server in threads of its own.
#[derive(Debug)]
pub struct Serving {
    stop: watch::Sender<bool>,
    ended: oneshot::Receiver<()>,
}

impl Serving {
    /// Stops taking requests, and waits at most about 2 s for those under way.
    pub async fn stop(self) {
        self.stop.send_replace(true);
        let _ = tokio::time::timeout(Duration::from_secs(2), self.ended).await;
    }
}

/// Starts the server in threads of its own on a socket that already listens.
pub fn start(listener: std::net::TcpListener, door: Door) -> io::Result<Serving> {
    listener.set_nonblocking(true)?;
    // The standard library's 128 are soon full, and who finds no room there tries again after a second, two and four.
    rustix::net::listen(&listener, MAY_COME)?;
    let (stop, stopped) = watch::channel(false);
    let (ending, ended) = oneshot::channel();
    std::thread::Builder::new().name("shifts".into()).spawn(move || shift::work(listener, door, stopped, ending))?;
    Ok(Serving { stop, ended })
}

/// What every handler can use.
#[derive(Clone, Debug)]
struct Web {
    door: Door,
    almanac: Almanac,
    picture: Kept,
    live: Live,
    said: Said,
    week: WeekKept,
}

impl Web {
    /// The latest facts.
    fn facts(&self) -> Arc<Facts> {
        self.door.facts.borrow().clone()
    }

    /// What time it is.
    fn now(&self) -> DateTime<Utc> {
        (self.door.now)()
    }
}

/// An answer must be there within this time.
fn within(time: Duration) -> TimeoutLayer {
    TimeoutLayer::with_status_code(StatusCode::SERVICE_UNAVAILABLE, time)
}

/// Every path. The order of the layers is from the inside out: what is outermost also dresses the faults of the rest.
fn routes(web: Web) -> Router {
    let guard: Arc<Guard> = web.door.guard.clone();
    let heavy = Router::new()
        .route("/ahead", get(read::ahead))
        .route("/past", get(read::past))
        .route("/calendar.ics", get(calendar::calendar))
        .route("/year.svg", get(year::year))
        .layer(from_fn_with_state(heavy::places(), heavy::take_place))
        .layer(within(heavy::WITHIN));
    let patient = Router::new()
        .route("/channels/{name}/try", post(orders::try_one))
        .layer(within(orders::TRY_WITHIN + REQUEST_WITHIN));
    Router::new()
        .route("/status", get(read::status))
        .route("/live", get(live::live))
        .route("/metrics", get(metrics::metrics))
        .route("/openapi.json", get(openapi::openapi))
        .route("/health", get(read::health))
        .route("/override", put(orders::set_many).delete(orders::cancel_many))
        .route("/channels/{name}/override", put(orders::set_one).delete(orders::cancel_one))
        .fallback(|| async { StatusCode::NOT_FOUND })
        .layer(within(REQUEST_WITHIN))
        .merge(heavy)
        .merge(page::routes())
        .merge(patient)
        .with_state(web)
        .layer(DefaultBodyLimit::max(LARGEST_BODY))
        .layer(RequestBodyLimitLayer::new(LARGEST_BODY))
        .layer(from_fn_with_state(guard.clone(), guard::check_token))
        .layer(CsrfLayer::new())
        .layer(from_fn_with_state(guard, guard::check_host))
        .layer(map_response(problem::dress))
        .layer(map_response(guard::add_headers))
}
