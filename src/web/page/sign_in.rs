//! Signing in, once for each browser, where a token is set.

use axum::Extension;
use axum::body::Body;
use axum::extract::State;
use axum::http::header::{RETRY_AFTER, SET_COOKIE};
use axum::http::{HeaderMap, HeaderValue, Response, StatusCode};
use axum::response::{Html, IntoResponse, Redirect};
use maud::{Markup, html};
use serde::Deserialize;

use super::document;
use super::forms::{FormOnly, came_over_tls};
use crate::web::Web;
use crate::web::accept::Peer;
use crate::web::guard::NotSignedIn;
use crate::web::session::COOKIE_NAME;

/// How long a browser keeps the cookie, in seconds: a year. Lampward forgets it sooner at a restart.
const KEPT_S: u32 = 31_536_000;

/// The form of the page for signing in.
#[derive(Deserialize)]
pub struct Typed {
    /// Only there for the browser's password store.
    #[serde(default, rename = "name")]
    _name: String,
    token: String,
}

/// `GET /page/sign-in`.
pub async fn show(State(web): State<Web>) -> Response<Body> {
    if web.door.guard.asks() { answer(StatusCode::OK, None) } else { Redirect::to("/").into_response() }
}

/// What stands in place of the page for those who must sign in first.
pub fn ask_first(is_change: bool) -> Response<Body> {
    answer(StatusCode::UNAUTHORIZED, is_change.then_some("Sign in first; nothing was changed."))
}

/// `POST /page/sign-in`: a cookie, and the way to the page.
pub async fn sign_in(
    State(web): State<Web>,
    Extension(peer): Extension<Peer>,
    headers: HeaderMap,
    FormOnly(typed): FormOnly<Typed>,
) -> Response<Body> {
    match web.door.guard.sign_in(&typed.token, peer) {
        Ok(id) => with_cookie(&format!("{id}; Max-Age={KEPT_S}"), &headers),
        Err(NotSignedIn::Wrong) => answer(StatusCode::UNAUTHORIZED, Some("That is not the token.")),
        Err(NotSignedIn::TooOften) => {
            let words = "Too many wrong tokens from this address: this one was not looked at. Try again in a minute.";
            let mut response = answer(StatusCode::TOO_MANY_REQUESTS, Some(words));
            response.headers_mut().insert(RETRY_AFTER, HeaderValue::from_static("60"));
            response
        }
        Err(NotSignedIn::NoToken) => Redirect::to("/").into_response(),
        Err(NotSignedIn::NoSecret(error)) => {
            tracing::error!(%error, "no secret can be drawn from /dev/urandom, so nobody can sign in");
            answer(StatusCode::INTERNAL_SERVER_ERROR, Some("Nobody can be signed in just now; the log says why."))
        }
    }
}

/// `POST /page/sign-out`.
pub async fn sign_out(State(web): State<Web>, headers: HeaderMap) -> Response<Body> {
    web.door.guard.sign_out(&headers);
    with_cookie("; Max-Age=0", &headers)
}

/// RFC 6265 §4.1: no script sees it, and no other site makes a browser send it.
fn with_cookie(value: &str, headers: &HeaderMap) -> Response<Body> {
    let secure = if came_over_tls(headers) { "; Secure" } else { "" };
    let cookie = format!("{COOKIE_NAME}={value}; Path=/; HttpOnly; SameSite=Strict{secure}");
    let mut response = Redirect::to("/").into_response();
    let cookie = HeaderValue::from_str(&cookie).expect("plain characters alone");
    response.headers_mut().insert(SET_COOKIE, cookie);
    response
}

fn answer(status: StatusCode, words: Option<&str>) -> Response<Body> {
    (status, Html(document("Lampward: sign in", None, &form(words)).into_string())).into_response()
}

fn form(words: Option<&str>) -> Markup {
    html! {
        header {
            h1 { "Sign in" }
            @if let Some(words) = words { p.said.undone role="alert" { (words) } }
        }
        main {
            p {
                "Type the token of this house: the one in the file that " code { "token_file" }
                " names. This browser is asked once, and again after Lampward was restarted."
            }
            form method="post" action="/page/sign-in" {
                input.away type="text" name="name" value="lampward" autocomplete="username" tabindex="-1" aria-hidden="true"
                    readonly;
                label { "Token " input type="password" name="token" required autocomplete="current-password"; }
                button { "Sign in" }
            }
            p { a href="/" { "Back to the lamps" } }
        }
    }
}
