//! What the forms of the page do. Each is answered by the way back to the page, which says what was done.

use axum::Form;
use axum::body::Body;
use axum::extract::rejection::FormRejection;
use axum::extract::{FromRequest, Request, State};
use axum::http::header::{HeaderName, ORIGIN};
use axum::http::{HeaderMap, Response, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect};
use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::said::Words;
use crate::pure::keeper::{Order, Override};
use crate::pure::power::Power;
use crate::web::Web;
use crate::web::orders::{self, WishedPower, ask};
use crate::web::problem::Problem;
use crate::web::tried::{Tried, TriedPlug};

const SEC_FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

/// `POST /page/override`. Without a channel all are meant; without `until` the evening is.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wish {
    channel: Option<String>,
    wanted: WishedPower,
    until: Option<String>,
}

/// `POST /page/cancel`. Without a channel all are meant.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cancel {
    channel: Option<String>,
}

/// `POST /page/try`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Blink {
    channel: String,
}

/// Forms come from browsers, and every browser says where a post comes from. What says nothing could be a page of
/// another site in a browser too old to tell.
pub async fn check_from_browser(request: Request, next: Next) -> Response<Body> {
    let headers = request.headers();
    if request.method() == axum::http::Method::POST
        && !headers.contains_key(ORIGIN)
        && !headers.contains_key(SEC_FETCH_SITE)
    {
        let detail = "a form must say which site it comes from; programs use PUT and DELETE with JSON";
        return Problem::new(StatusCode::FORBIDDEN, detail).into_response();
    }
    next.run(request).await
}

/// A form that says it is one, and fits.
#[derive(Debug)]
pub struct FormOnly<T>(pub T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for FormOnly<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<FormOnly<T>, Problem> {
        let form = Form::<T>::from_request(request, state).await;
        form.map(|Form(form)| FormOnly(form)).map_err(|rejection: FormRejection| {
            let status = rejection.status();
            let detail = match status {
                StatusCode::PAYLOAD_TOO_LARGE => "the body is larger than 16 kB".into(),
                StatusCode::UNSUPPORTED_MEDIA_TYPE => "this path takes a form of the page".into(),
                _ => rejection.body_text(),
            };
            Problem::new(status, detail)
        })
    }
}

/// `POST /page/override`.
pub async fn set(State(web): State<Web>, FormOnly(wish): FormOnly<Wish>) -> Redirect {
    let wanted = Power::from(wish.wanted);
    if wish.until.as_deref().is_some_and(|until| until.trim().is_empty()) {
        let text = "Until when? Give a time such as 23:30, or a moment such as sunrise. Nothing was changed.".into();
        return back(&web, Words { channel: wish.channel, done: false, text });
    }
    let channels = wish.channel.clone().map(|name| vec![name]);
    let words = match ask(&web, Order::Set { channels, wanted, until: wish.until }).await {
        Ok((standing, note)) => done(wish.channel, set_words(&web, wanted, &standing), note),
        Err(problem) => undone(wish.channel, &problem),
    };
    back(&web, words)
}

/// `POST /page/cancel`.
pub async fn cancel(State(web): State<Web>, FormOnly(wish): FormOnly<Cancel>) -> Redirect {
    let channels = wish.channel.clone().map(|name| vec![name]);
    let words = match ask(&web, Order::Cancel { channels }).await {
        Ok((_, note)) => {
            let who = if wish.channel.is_some() { "it goes" } else { "all lamps go" };
            done(wish.channel, format!("Cancelled: {who} by the plan again"), note)
        }
        Err(problem) => undone(wish.channel, &problem),
    };
    back(&web, words)
}

/// `POST /page/try`: answered when the blinking is over.
pub async fn blink(State(web): State<Web>, FormOnly(Blink { channel }): FormOnly<Blink>) -> Redirect {
    let words = match orders::blink(&web, channel.clone()).await {
        Ok(tried) => Words { done: tried.answered, text: tried_words(&tried), channel: Some(channel) },
        Err(problem) => undone(Some(channel), &problem),
    };
    back(&web, words)
}

/// "Tried. Plug yard/3 answered all 5 commands, after 0.04 to 0.12 s; back to on."
fn tried_words(tried: &Tried) -> String {
    let plug = |plug: &TriedPlug| {
        let back = plug.back_to.as_ref().map_or_else(|| plug.back_because.clone(), |power| format!("back to {power}"));
        format!(" Plug {} {}; {back}.", plug.plug, plug.because)
    };
    let ended = tried.ended_early.as_ref().map(|because| format!(" It ended early: {because}.")).unwrap_or_default();
    let elsewhere = if tried.answered || tried.elsewhere.is_empty() {
        String::new()
    } else {
        format!(" Something answered on other topics: lampward try {} says what.", tried.channel)
    };
    format!("Tried.{ended}{}{elsewhere}", tried.plugs.iter().map(plug).collect::<String>())
}

/// "Done: on until 22:45, the planned switch-off"; of several: "Done: Jetty lamp on until …; Parlour on until …".
fn set_words(web: &Web, wanted: Power, standing: &[(String, Option<Override>)]) -> String {
    let because = |standing: &Option<Override>| {
        standing.as_ref().map_or_else(|| format!("{wanted}, and over already"), |standing| standing.because.clone())
    };
    if let [(_, only)] = standing {
        return format!("Done: {}", because(only));
    }
    let facts = web.facts();
    let each = standing.iter().map(|(name, standing)| {
        let label = facts.config.channels.iter().find(|channel| channel.name == *name).map(|channel| &channel.label);
        format!("{} {}", label.map_or(name.as_str(), |label| label), because(standing))
    });
    format!("Done: {}", each.collect::<Vec<_>>().join("; "))
}

fn done(channel: Option<String>, what: String, note: Option<String>) -> Words {
    let note = note.map(|note| format!(" But {note}.")).unwrap_or_default();
    Words { channel, done: true, text: format!("{what}.{note}") }
}

fn undone(channel: Option<String>, problem: &Problem) -> Words {
    let nothing = if problem.status == StatusCode::SERVICE_UNAVAILABLE { "" } else { " Nothing was changed." };
    Words { channel, done: false, text: format!("Not done: {}.{nothing}", problem.detail) }
}

/// 303: the browser gets the page, and getting it again changes nothing (RFC 9110 §15.4.4).
fn back(web: &Web, words: Words) -> Redirect {
    let known = |name: &String| web.facts().config.channels.iter().any(|channel| channel.name == *name);
    let place = words.channel.clone().filter(known).map(|name| format!("#lamp-{name}")).unwrap_or_default();
    Redirect::to(&format!("/?said={}{place}", web.said.keep(words)))
}

/// Whether the browser got the page over TLS. It says so itself, with every post: no proxy need be believed.
pub fn came_over_tls(headers: &HeaderMap) -> bool {
    headers.get(ORIGIN).is_some_and(|origin| origin.as_bytes().starts_with(b"https://"))
}
