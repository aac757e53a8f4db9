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
use axum::http::header::{AUTHORIZATION, HOST, HeaderMap, HeaderName, HeaderValue, WWW_AUTHENTICATE};
use axum::http::uri::Authority;
use axum::http::{Method, Response, StatusCode};
use axum::middleware::Next;
use axum::response::IntoResponse;
use subtle::ConstantTimeEq;

use super::problem::Problem;
use crate::pure::config::{Web, WebRead};
use crate::state;

/// A shorter token could be guessed by trying.
const SHORTEST_TOKEN: usize = 16;

/// What is asked of a request before it gets in.
pub struct Guard {
    token: Option<Vec<u8>>,
    read: WebRead,
    hosts: Vec<String>,
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
        Ok(Guard { token, read: web.read, hosts })
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

    fn lets_in(&self, method: &Method, headers: &HeaderMap) -> bool {
        let Some(token) = &self.token else { return true };
        let reads = matches!(*method, Method::GET | Method::HEAD | Method::OPTIONS);
        if reads && self.read == WebRead::Open {
            return true;
        }
        let mut given = headers.get_all(AUTHORIZATION).iter();
        let (Some(given), None) = (given.next(), given.next()) else { return false };
        let given = given.as_bytes();
        let Some((scheme, given)) = given.split_at_checked(7) else { return false };
        scheme.eq_ignore_ascii_case(b"bearer ") && bool::from(given.trim_ascii().ct_eq(token))
    }
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

/// Asks for the token where one is needed.
pub async fn check_token(State(guard): State<Arc<Guard>>, request: Request, next: Next) -> Response<Body> {
    if guard.lets_in(request.method(), request.headers()) {
        return next.run(request).await;
    }
    let detail = "this needs the token, in a header: Authorization: Bearer TOKEN";
    let mut response = Problem::new(StatusCode::UNAUTHORIZED, detail).into_response();
    response.headers_mut().insert(WWW_AUTHENTICATE, HeaderValue::from_static("Bearer realm=\"lampward\""));
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
