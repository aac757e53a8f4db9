//! `GET /openapi.json`: what can be asked and what is answered, in OpenAPI 3.1.
//!
//! The document is kept by hand beside this file; `tests/web/openapi.rs` holds it against what the server answers.

use axum::Json;
use serde_json::Value;

/// The document as it stands in the sources; its version is put in when it is sent.
const DOCUMENT: &str = include_str!("openapi.json");

/// `GET /openapi.json`.
pub async fn openapi() -> Json<Value> {
    let mut document: Value = serde_json::from_str(DOCUMENT).unwrap_or_default();
    document["info"]["version"] = env!("CARGO_PKG_VERSION").into();
    Json(document)
}
