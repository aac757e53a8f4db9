//! Who may ask for what: Host names, the token, and the headers that keep a browser careful.

use std::fmt;
use std::fs::{self, File};
use std::io::Read;
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::header::{AUTHORIZATION, HOST, HeaderMap, HeaderName, HeaderValue, RETRY_AFTER, WWW_AUTHENTICATE};
use axum::http::uri::Authority;
use axum::http::{Method, Response, StatusCode};
use axum::middleware::Next;
use axum::response::IntoResponse;
use subtle::ConstantTimeEq;

use super::accept::Peer;
use super::page;
use super::problem::Problem;
use super::session::{Guesses, Sessions};
use crate::pure::config::{Web, WebRead};
use crate::state;

/// A shorter token could be guessed by trying.
const SHORTEST_TOKEN: usize = 16;

/// Wrong tokens a minute that are looked at on the page, for each address.
const SIGN_INS_A_MINUTE: u32 = 10;

/// Wrong tokens a minute that are looked at in headers, for each address.
const TOKENS_A_MINUTE: u32 = 60;

/// What is said of a token that is not ours (RFC 6750 §3).
const WRONG_TOKEN: &str = "Bearer realm=\"lampward\", error=\"invalid_token\"";

/// Where the page signs in. The guard lets it through: it asks for the token itself.
pub const SIGN_IN: &str = "/page/sign-in";

/// What the page of those who are not signed in needs too; it says nothing of the house.
const OPEN_TO_ALL: [&str; 3] = [SIGN_IN, "/page.css", "/page.js"];

/// What is asked of a request before it gets in.
pub struct Guard {
    token: Option<Vec<u8>>,
    read: WebRead,
    hosts: Vec<String>,
    sessions: Sessions,
    sign_ins: Guesses,
    tokens: Guesses,
}

/// What the token in a header is worth.
enum Bearer {
    None,
    Right,
    Wrong,
}

impl fmt::Debug for Guard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let token = if self.token.is_some() { "given" } else { "none" };
        f.debug_struct("Guard").field("token", &token).field("hosts", &self.hosts).finish_non_exhaustive()
    }
}

impl Guard {
    /// The guard of `[web]`. `credentials` is systemd's `$CREDENTIALS_DIRECTORY`.
    ///
    /// Refused, with the sentence to show, where the token file is unfit, and where the daemon would listen beyond
    /// loopback without a token.
    pub fn new(web: &Web, credentials: Option<&Path>) -> Result<Guard, String> {
        let token = token_of(web.token_file.as_deref(), credentials)?;
        if token.is_none() && !is_loopback(web.listen) {
            return Err(format!(
                "[web] listen = \"{}\" lets others on the network in, and there is no token to tell who may switch lamps; \
                 give one with token_file or the systemd credential web-token, or listen on 127.0.0.1",
                web.listen
            ));
        }
        if token.is_none() && web.read == WebRead::Token {
            return Err("[web] read = \"token\" needs a token; give one with token_file or the systemd credential \
                        web-token"
                .into());
        }
        let own = rustix::system::uname().nodename().to_string_lossy().into_owned();
        let hosts = ["localhost".into(), own].into_iter().chain(web.hosts.iter().cloned());
        let hosts = hosts.map(|name| plain_name(&name)).filter(|name| !name.is_empty()).collect();
        Ok(Guard {
            token,
            read: web.read,
            hosts,
            sessions: Sessions::default(),
            sign_ins: Guesses::new(SIGN_INS_A_MINUTE),
            tokens: Guesses::new(TOKENS_A_MINUTE),
        })
    }

    /// Whether this name in a Host header means us. A literal address always does: it can't be made to point here by
    /// somebody else's name server.
    fn answers_to(&self, authority: &Authority) -> bool {
        let host = authority.host();
        if let Some(literal) = host.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')) {
            return literal.parse::<Ipv6Addr>().is_ok();
        }
        host.parse::<Ipv4Addr>().is_ok() || self.hosts.contains(&plain_name(host))
    }

    /// Whether changes need a token.
    pub fn asks(&self) -> bool {
        self.token.is_some()
    }

    /// Whether whoever asks is signed in on the page.
    pub fn is_signed_in(&self, headers: &HeaderMap) -> bool {
        self.sessions.knows(headers)
    }

    /// Takes a token that was typed into the page; gives what the cookie is to say.
    pub fn sign_in(&self, typed: &str, peer: Peer) -> Result<String, NotSignedIn> {
        let Some(token) = &self.token else { return Err(NotSignedIn::NoToken) };
        if !self.sign_ins.may(peer.0) {
            return Err(NotSignedIn::TooOften);
        }
        if !bool::from(typed.trim().as_bytes().ct_eq(token)) {
            self.sign_ins.wrong(peer.0);
            return Err(NotSignedIn::Wrong);
        }
        self.sessions.begin().map_err(NotSignedIn::NoSecret)
    }

    /// Signs out whoever asks.
    pub fn sign_out(&self, headers: &HeaderMap) {
        self.sessions.end(headers);
    }

    /// What a request gets that may not go on to what it asks for; `None` where it may.
    ///
    /// The cookie is good for reading and for the forms of the page. Every other change needs the token itself, so that
    /// no browser can be made to ask for one.
    fn refusal(&self, request: &Request) -> Option<Response<Body>> {
        let (method, path, headers) = (request.method(), request.uri().path(), request.headers());
        let reads = matches!(*method, Method::GET | Method::HEAD | Method::OPTIONS);
        if self.token.is_none() || OPEN_TO_ALL.contains(&path) || (reads && self.read == WebRead::Open) {
            return None;
        }
        let peer = request.extensions().get::<Peer>().copied();
        if headers.contains_key(AUTHORIZATION) && peer.is_some_and(|peer| !self.tokens.may(peer.0)) {
            return Some(too_often());
        }
        match self.bearer(headers) {
            Bearer::Right => return None,
            Bearer::Wrong => peer.into_iter().for_each(|peer| self.tokens.wrong(peer.0)),
            Bearer::None => {}
        }
        let by_cookie = reads || path.starts_with("/page/");
        if by_cookie && self.is_signed_in(headers) {
            return None;
        }
        if path == "/" || path.starts_with("/page/") {
            return Some(asking(page::sign_in::ask_first(!reads)));
        }
        if headers.contains_key(AUTHORIZATION) {
            let detail =
                "this is not the token that lampward was started with; the header is: Authorization: Bearer TOKEN";
            let mut refused = Problem::new(StatusCode::UNAUTHORIZED, detail).into_response();
            refused.headers_mut().insert(WWW_AUTHENTICATE, HeaderValue::from_static(WRONG_TOKEN));
            return Some(refused);
        }
        let detail = "this needs the token, in a header: Authorization: Bearer TOKEN";
        Some(asking(Problem::new(StatusCode::UNAUTHORIZED, detail).into_response()))
    }

    fn bearer(&self, headers: &HeaderMap) -> Bearer {
        let Some(token) = &self.token else { return Bearer::None };
        let mut given = headers.get_all(AUTHORIZATION).iter();
        let given = match (given.next(), given.next()) {
            (Some(given), None) => given.as_bytes(),
            (None, _) => return Bearer::None,
            _ => return Bearer::Wrong,
        };
        let Some((scheme, given)) = given.split_at_checked(7) else { return Bearer::Wrong };
        let right = scheme.eq_ignore_ascii_case(b"bearer ") && bool::from(given.trim_ascii().ct_eq(token));
        if right { Bearer::Right } else { Bearer::Wrong }
    }
}

/// Why somebody is not signed in.
#[derive(Debug)]
pub enum NotSignedIn {
    /// That was not the token.
    Wrong,
    /// Too many wrong ones came from there; this one was not looked at.
    TooOften,
    /// The file gives no token, so there is nothing to sign in to.
    NoToken,
    /// The kernel's generator gives no secret for the cookie.
    NoSecret(std::io::Error),
}

/// Whether only this machine can reach an address.
pub fn is_loopback(address: SocketAddr) -> bool {
    address.ip().to_canonical().is_loopback()
}

fn plain_name(name: &str) -> String {
    name.strip_suffix('.').unwrap_or(name).to_ascii_lowercase()
}

/// The token that changes need: from `token_file`, else from the systemd credential `web-token`; `None` without either.
pub fn token_of(token_file: Option<&Path>, credentials: Option<&Path>) -> Result<Option<Vec<u8>>, String> {
    let credential = || credentials.map(|folder| folder.join("web-token")).filter(|path| path.exists());
    let Some(path) = token_file.map(PathBuf::from).or_else(credential) else { return Ok(None) };
    let say =
        |error: &std::io::Error| format!("cannot read the token from {}: {}", path.display(), state::reason(error));
    let mut file = File::open(&path).map_err(|error| say(&error))?;
    let mode = file.metadata().map_err(|error| say(&error))?.mode();
    if mode & 0o077 != 0 {
        return Err(format!(
            "the token in {0} can be read by others (mode {1:03o}); make it its owner's alone: chmod 600 {0}",
            path.display(),
            mode & 0o777
        ));
    }
    let mut text = Vec::new();
    (&mut file).take(4096).read_to_end(&mut text).map_err(|error| say(&error))?;
    let token = text.trim_ascii();
    if token.len() < SHORTEST_TOKEN || !token.iter().all(u8::is_ascii_graphic) {
        return Err(format!(
            "the token in {} must be one word of {SHORTEST_TOKEN} or more plain characters; \
             make one with: head -c 32 /dev/urandom | base64",
            path.display()
        ));
    }
    Ok(Some(token.to_vec()))
}

/// systemd's `$CREDENTIALS_DIRECTORY`.
pub fn credentials_folder() -> Option<PathBuf> {
    std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from).filter(|path| fs::metadata(path).is_ok())
}

/// Refuses what is not meant for us: a page elsewhere can make a browser send requests here under its own name
/// (DNS rebinding), but it can't choose the Host header.
pub async fn check_host(State(guard): State<Arc<Guard>>, request: Request, next: Next) -> Response<Body> {
    let headers = request.headers();
    let mut hosts = headers.get_all(HOST).iter();
    let (Some(host), None) = (hosts.next(), hosts.next()) else {
        return Problem::new(StatusCode::BAD_REQUEST, "there must be one Host header").into_response();
    };
    let host = host.to_str().ok().and_then(|text| text.parse::<Authority>().ok());
    let Some(host) = host.filter(|host| !host.as_str().contains('@')) else {
        return Problem::new(StatusCode::BAD_REQUEST, "the Host header is not a name or address").into_response();
    };
    let same_target = request.uri().authority().is_none_or(|target| target == &host);
    if !same_target || !guard.answers_to(&host) {
        let detail = "lampward does not answer to this name; use its address, or list the name in [web] hosts";
        return Problem::new(StatusCode::MISDIRECTED_REQUEST, detail).into_response();
    }
    next.run(request).await
}

/// Asks for the token, or for the cookie of the page, where one is needed.
pub async fn check_token(State(guard): State<Arc<Guard>>, request: Request, next: Next) -> Response<Body> {
    match guard.refusal(&request) {
        None => next.run(request).await,
        Some(refusal) => refusal,
    }
}

/// RFC 9110 §11.6.1: a 401 says what would be asked for.
fn asking(mut response: Response<Body>) -> Response<Body> {
    response.headers_mut().insert(WWW_AUTHENTICATE, HeaderValue::from_static("Bearer realm=\"lampward\""));
    response
}

fn too_often() -> Response<Body> {
    let detail = "too many wrong tokens from this address; try again in a minute";
    let mut response = Problem::new(StatusCode::TOO_MANY_REQUESTS, detail).into_response();
    response.headers_mut().insert(RETRY_AFTER, HeaderValue::from_static("60"));
    response
}

/// The headers every answer carries.
pub async fn add_headers(mut response: Response<Body>) -> Response<Body> {
    const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; \
                          img-src 'self' data:; base-uri 'none'; form-action 'self'; frame-ancestors 'none'";
    let fixed = [
        ("content-security-policy", POLICY),
        ("x-content-type-options", "nosniff"),
        ("referrer-policy", "no-referrer"),
        ("cross-origin-resource-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cache-control", "no-store"),
    ];
    for (name, value) in fixed {
        response.headers_mut().entry(HeaderName::from_static(name)).or_insert(HeaderValue::from_static(value));
    }
    response
}
