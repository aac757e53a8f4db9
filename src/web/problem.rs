//! Faults as HTTP answers them: `application/problem+json` (RFC 9457).

use axum::Json;
use axum::body::Body;
use axum::http::header::{CONTENT_LENGTH, CONTENT_TYPE};
use axum::http::{HeaderValue, Response, StatusCode};
use axum::response::IntoResponse;
use serde::Serialize;

const PROBLEM_JSON: HeaderValue = HeaderValue::from_static("application/problem+json");

/// A fault, worded for the person who made the request.
#[derive(Clone, Debug, PartialEq)]
pub struct Problem {
    /// The status.
    pub status: StatusCode,
    /// What is wrong and what to do; lower case, no full stop.
    pub detail: String,
}

#[derive(Serialize)]
struct ProblemJson<'a> {
    title: &'a str,
    status: u16,
    detail: &'a str,
}

impl Problem {
    /// One of `status`, saying `detail`.
    pub fn new(status: StatusCode, detail: impl Into<String>) -> Problem {
        Problem { status, detail: detail.into() }
    }

    /// Our own fault.
    pub fn internal(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, detail)
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response<Body> {
        let title = self.status.canonical_reason().unwrap_or("Fault");
        let body = ProblemJson { title, status: self.status.as_u16(), detail: &self.detail };
        let mut response = (self.status, Json(body)).into_response();
        mark(&mut response);
        response
    }
}

/// Says that the body is a problem.
pub fn mark(response: &mut Response<Body>) {
    response.headers_mut().insert(CONTENT_TYPE, PROBLEM_JSON);
}

/// Gives the faults that a library answered with bare status or plain text the same form as ours; headers that say
/// more, such as `Allow`, stay.
pub async fn dress(response: Response<Body>) -> Response<Body> {
    let status = response.status();
    let kind = response.headers().get(CONTENT_TYPE);
    let is_ours = kind == Some(&PROBLEM_JSON) || kind.is_some_and(|kind| kind.as_bytes().starts_with(b"text/html"));
    if !(status.is_client_error() || status.is_server_error()) || is_ours {
        return response;
    }
    let (parts, _) = response.into_parts();
    let mut dressed = Problem::new(status, words(status)).into_response();
    for (name, value) in &parts.headers {
        if name != CONTENT_TYPE && name != CONTENT_LENGTH {
            dressed.headers_mut().insert(name.clone(), value.clone());
        }
    }
    dressed
}

fn words(status: StatusCode) -> &'static str {
    match status {
        StatusCode::BAD_REQUEST => "the request could not be understood",
        StatusCode::FORBIDDEN => "a page from another site may not change anything here",
        StatusCode::NOT_FOUND => "there is nothing at this path; GET / shows what there is",
        StatusCode::METHOD_NOT_ALLOWED => "this path does not take that method; see the Allow header",
        StatusCode::PAYLOAD_TOO_LARGE => "the body is larger than 16 kB",
        StatusCode::SERVICE_UNAVAILABLE => "it took too long; try again",
        _ => "the request could not be carried out",
    }
}
