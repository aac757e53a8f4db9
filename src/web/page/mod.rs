//! The page at `/`: every lamp in words, what can be asked of it, the coming week, the year, and what happened lately.
//!
//! It is made on the server and works without a script: its forms are posted to `/page/…`, and after each post the
//! browser is sent back to a page that says what was done. `page.js` makes it better where scripts run: it asks for
//! the page again when `/live` tells of a change, and puts in what is new.

mod forms;
mod lamp;
mod lately;
mod said;
pub mod sign_in;
mod top;
mod week;

use axum::Router;
use axum::extract::{Query, State};
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, HeaderMap};
use axum::middleware::from_fn;
use axum::response::{Html, IntoResponse};
use axum::routing::{get, post};
use maud::{DOCTYPE, Markup, html};

pub use said::Said;
pub use week::Kept as WeekKept;

use super::json::Status;
use super::orders::TRY_WITHIN;
use super::problem::Problem;
use super::{REQUEST_WITHIN, Web, heavy, read, within};

const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// Tells one version of style and script from another, so that no browser puts an old one to a new page.
const VERSION: u32 = mark(SCRIPT, mark(STYLE, 0x811c_9dc5));

/// FNV-1a, 32 bits.
const fn mark(text: &str, mut mark: u32) -> u32 {
    let (bytes, mut at) = (text.as_bytes(), 0);
    while at < bytes.len() {
        mark = (mark ^ bytes[at] as u32).wrapping_mul(0x0100_0193);
        at += 1;
    }
    mark
}

/// Everything that a browser asks for.
pub fn routes() -> Router<Web> {
    let forms = Router::new()
        .route("/page/override", post(forms::set))
        .route("/page/cancel", post(forms::cancel))
        .route("/page/sign-in", post(sign_in::sign_in).get(sign_in::show))
        .route("/page/sign-out", post(sign_in::sign_out))
        .layer(within(REQUEST_WITHIN));
    let patient = Router::new().route("/page/try", post(forms::blink)).layer(within(TRY_WITHIN + REQUEST_WITHIN));
    // The first page after a start or a change of the file works out the week.
    let page = Router::new().route("/", get(page)).layer(within(heavy::WITHIN));
    forms
        .merge(patient)
        .layer(from_fn(forms::check_from_browser))
        .merge(page)
        .route("/page.css", get(|| async { file("text/css; charset=utf-8", STYLE) }))
        .route("/page.js", get(|| async { file("text/javascript; charset=utf-8", SCRIPT) }))
}

/// A file that changes only with the program.
fn file(kind: &'static str, text: &'static str) -> impl IntoResponse {
    ([(CONTENT_TYPE, kind), (CACHE_CONTROL, "max-age=3600")], text)
}

/// Who looks at the page.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Visitor {
    /// No token is set: whoever gets here may switch.
    Anybody,
    /// Signed in.
    SignedIn,
    /// May read alone.
    Reader,
}

impl Visitor {
    fn of(web: &Web, headers: &HeaderMap) -> Visitor {
        if !web.door.guard.asks() {
            Visitor::Anybody
        } else if web.door.guard.is_signed_in(headers) {
            Visitor::SignedIn
        } else {
            Visitor::Reader
        }
    }

    fn may_switch(self) -> bool {
        self != Visitor::Reader
    }
}

/// `GET /`. `said=` names what the last form did.
async fn page(
    State(web): State<Web>,
    Query(pairs): Query<Vec<(String, String)>>,
    headers: HeaderMap,
) -> Result<Html<String>, Problem> {
    let visitor = Visitor::of(&web, &headers);
    // Before the facts: what changes from here on is told to the script again.
    let seen = web.live.newest(web.facts());
    let facts = web.facts();
    let now = web.now();
    let status = read::status_now(&web).await?;
    let choices = web.almanac.choices(&facts.config, now, facts.snapshot.trusted).await?;
    let week = week::of(&web, &facts.config, now).await?;
    let lately = lately::read(&web, now).await;
    let said = pairs.iter().find(|(name, _)| name == "said").and_then(|(_, id)| web.said.find(id));
    let of_lamp = |name: &str| said.as_ref().filter(|said| said.channel.as_deref() == Some(name));
    let of_house =
        said.as_ref().filter(|said| status.channels.iter().all(|one| Some(&one.name) != said.channel.as_ref()));
    let lamps = status.channels.iter().map(|channel| {
        let place = facts.config.channels.iter().position(|known| known.name == channel.name);
        let choice = place.and_then(|place| choices.get(place)).filter(|_| visitor.may_switch());
        lamp::section(&status, channel, choice, of_lamp(&channel.name))
    });
    let body = html! {
        (top::header(&status, visitor, of_house))
        main {
            @for lamp in lamps { (lamp) }
            @if visitor.may_switch() {
                (lamp::everything(&status))
                (lamp::moments(&facts.config))
            }
            (week::section(&week, &facts.config, now))
            (year(&status))
            (lately::section(&status, lately))
        }
        (top::footer(visitor))
        p.away id="told" role="status" {}
    };
    Ok(Html(document(&format!("{}: lamps", status.place.name), Some(&seen), &body).into_string()))
}

/// The frame of every page. `seen` is the id of the newest event that the page knows of; without one it has no script.
fn document(title: &str, seen: Option<&str>, body: &Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                title { (title) }
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                link rel="icon" href="data:,";
                link rel="stylesheet" href={ "/page.css?" (VERSION) };
                @if seen.is_some() { script src={ "/page.js?" (VERSION) } defer {} }
            }
            body data-seen=[seen] { (body) }
        }
    }
}

/// The year's picture. It is wider than a phone: it scrolls on its own, and the link shows it whole.
fn year(status: &Status) -> Markup {
    let year = status.now.get(..4).unwrap_or_default();
    html! {
        section id="year" aria-labelledby="h-year" {
            h2 id="h-year" { "The year" }
            details {
                summary { "When each lamp is lit in " (year) }
                div.wide tabindex="0" role="region" aria-label="The year's picture, which can be scrolled" {
                    img src="/year.svg" loading="lazy" alt={
                        "Each lamp's lit hours over the nights of " (year) ", from noon to noon; the picture opened by "
                        "itself says it in words and figures."
                    };
                }
            }
            p { a href="/year.svg" { "The picture by itself" } }
        }
    }
}
