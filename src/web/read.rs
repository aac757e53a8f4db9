//! The paths that only read.

use std::collections::HashMap;

use axum::Json;
use axum::body::Body;
use axum::extract::{Query, State};
use axum::http::{Response, StatusCode};
use axum::response::IntoResponse;
use chrono::TimeDelta;
use serde_json::json;

use super::Web;
use super::json::{self, Ahead, Health, Part, Past, Status};
use super::problem::Problem;
use crate::daybook::Filter;
use crate::pure::entry::EntryKind;

/// The most days that `/ahead` takes: as far as the plan looks.
const MOST_DAYS_AHEAD: u32 = 400;

/// The most days that `/past` takes.
const MOST_DAYS_PAST: u32 = 3_660;

/// `/status` as it stands now.
pub async fn status_now(web: &Web) -> Result<Status, Problem> {
    let facts = web.facts();
    let now = web.now();
    let sky = web.almanac.sky(&facts.config, now).await?;
    Ok(json::status(&facts, &sky, now))
}

/// `GET /status`.
pub async fn status(State(web): State<Web>) -> Result<Json<Status>, Problem> {
    status_now(&web).await.map(Json)
}

/// `GET /ahead?days=`.
pub async fn ahead(State(web): State<Web>, Query(pairs): Query<Vec<(String, String)>>) -> Result<Json<Ahead>, Problem> {
    let asked = Asked::read(&pairs, 7, MOST_DAYS_AHEAD, &["days"])?;
    let config = web.facts().config.clone();
    let zone = config.place.zone;
    let from = web.now();
    let until = from + TimeDelta::days(asked.days.into());
    let ahead = web.almanac.ahead(config.clone(), from, until).await?;
    Ok(Json(Ahead {
        from: json::instant(&zone, from),
        until: json::instant(&zone, until),
        channels: ahead.iter().map(|one| json::ahead_on(&zone, &config.channels[one.channel], one)).collect(),
    }))
}

/// `GET /health`: 200 only if a lamp could be switched now.
pub async fn health(State(web): State<Web>) -> Response<Body> {
    let health = health_now(&web);
    if health.well {
        return Json(health).into_response();
    }
    let unwell: Vec<String> =
        health.parts.iter().filter(|part| !part.well).map(|part| format!("{}: {}", part.part, part.because)).collect();
    let body = json!({
        "title": "Service Unavailable",
        "status": 503,
        "detail": format!("no lamp can be switched now; {}", unwell.join("; ")),
        "parts": health.parts,
    });
    let mut response = (StatusCode::SERVICE_UNAVAILABLE, Json(body)).into_response();
    super::problem::mark(&mut response);
    response
}

/// Part by part, what a switching needs.
pub fn health_now(web: &Web) -> Health {
    let facts = web.facts();
    let part = |part: &str, well: bool, because: &str| Part { part: part.into(), well, because: because.into() };
    let link = match (&facts.link_because, facts.snapshot.link_up) {
        (_, true) => "up",
        (Some(because), false) => because,
        (None, false) => "down",
    };
    let runs = !web.door.orders.is_closed();
    let parts = vec![
        part("daemon", runs, if runs { "running" } else { "its loop has ended" }),
        part("clock", facts.snapshot.trusted, &facts.clock_because),
        part("broker", facts.snapshot.link_up, link),
    ];
    Health { well: parts.iter().all(|part| part.well), parts }
}

/// `GET /past?days=&channel=&kind=`.
pub async fn past(State(web): State<Web>, Query(pairs): Query<Vec<(String, String)>>) -> Result<Json<Past>, Problem> {
    let asked = Asked::read(&pairs, 7, MOST_DAYS_PAST, &["days", "channel", "kind"])?;
    let zone = web.facts().config.place.zone;
    let now = web.now();
    let mut kinds = Vec::new();
    for word in asked.all("kind") {
        kinds.push(kind_of(word)?);
    }
    let filter = Filter { kinds, channels: asked.all("channel").map(String::from).collect() };
    let from = now - TimeDelta::days(asked.days.into());
    // What happens within this second belongs to it.
    let until = now + TimeDelta::seconds(1);
    let daybook = web.door.daybook.clone();
    let read = tokio::task::spawn_blocking(move || daybook.past(from, until, &filter)).await;
    match read {
        Ok(Ok(entries)) => Ok(Json(Past {
            from: json::instant(&zone, from),
            until: json::instant(&zone, until),
            entries: entries.iter().map(|entry| json::past_entry(&zone, entry)).collect(),
        })),
        Ok(Err(because)) => {
            tracing::warn!(because, "the daybook could not be read");
            Err(Problem::new(StatusCode::SERVICE_UNAVAILABLE, "the daybook cannot be read just now; the log says why"))
        }
        Err(_) => Err(Problem::internal("the daybook could not be read")),
    }
}

fn kind_of(word: &str) -> Result<EntryKind, Problem> {
    EntryKind::ALL.into_iter().find(|kind| kind.word() == word).ok_or_else(|| {
        let known: Vec<&str> = EntryKind::ALL.iter().map(|kind| kind.word()).collect();
        let detail = format!("`{word}` is not a kind of entry; there are {}", known.join(", "));
        Problem::new(StatusCode::UNPROCESSABLE_ENTITY, detail)
    })
}

/// The query of a path, read strictly.
#[derive(Debug)]
pub struct Asked<'a> {
    /// `days=`.
    pub days: u32,
    pairs: HashMap<&'a str, Vec<&'a str>>,
}

impl<'a> Asked<'a> {
    /// Refuses what is not in `known`; `days` is `otherwise` where it is left out, and `most` at most.
    pub fn read(
        pairs: &'a [(String, String)],
        otherwise: u32,
        most: u32,
        known: &[&str],
    ) -> Result<Asked<'a>, Problem> {
        let unfit = |detail: String| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, detail);
        let mut by_name: HashMap<&str, Vec<&str>> = HashMap::new();
        for (name, value) in pairs {
            if !known.contains(&name.as_str()) {
                return Err(unfit(format!("`{name}` means nothing here; this path takes {}", known.join(", "))));
            }
            by_name.entry(name).or_default().push(value);
        }
        let days = match by_name.get("days").map(Vec::as_slice) {
            None => otherwise,
            Some([one]) => one
                .parse()
                .ok()
                .filter(|days| (1..=most).contains(days))
                .ok_or_else(|| unfit(format!("days must be a whole number from 1 to {most}, not `{one}`")))?,
            Some(_) => return Err(unfit("days is given more than once".into())),
        };
        Ok(Asked { days, pairs: by_name })
    }

    /// Every value of a name that may repeat.
    pub fn all(&self, name: &str) -> impl Iterator<Item = &'a str> + use<'a, '_> {
        self.pairs.get(name).into_iter().flatten().copied()
    }
}
