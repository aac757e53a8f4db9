//! `GET /year.svg`: the year as a picture. It is drawn once a day and file, off the runtime, and kept until either changes.

use std::sync::{Arc, Mutex, PoisonError};

use axum::body::Bytes;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::http::header::{CONTENT_SECURITY_POLICY, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use chrono::{Datelike, NaiveDate};
use tokio::task::spawn_blocking;

use super::Web;
use super::problem::Problem;
use crate::pure::config::Config;
use crate::pure::local_time::local_of;
use crate::pure::picture::{self, Lit, Wish, YEARS};

/// The picture brings its own style and nothing else; it runs nothing and loads nothing.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; \
                      frame-ancestors 'none'";

/// The picture drawn last.
#[derive(Clone, Debug, Default)]
pub struct Kept(Arc<Mutex<Option<Drawn>>>);

#[derive(Clone, Debug)]
struct Drawn {
    config: Arc<Config>,
    year: i32,
    today: NaiveDate,
    svg: Bytes,
}

/// `GET /year.svg?year=`.
pub async fn year(State(web): State<Web>, Query(pairs): Query<Vec<(String, String)>>) -> Result<Response, Problem> {
    let config = web.facts().config.clone();
    let today = local_of(&config.place.zone, web.now()).date_naive();
    let year = year_of(&pairs)?.unwrap_or_else(|| today.year().clamp(*YEARS.start(), *YEARS.end()));
    let kept = web.picture.0.lock().unwrap_or_else(PoisonError::into_inner).clone();
    let fits = |drawn: &Drawn| Arc::ptr_eq(&drawn.config, &config) && drawn.year == year && drawn.today == today;
    let svg = match kept.filter(fits) {
        Some(drawn) => drawn.svg,
        None => {
            let (from, until) = picture::window(&config.place.zone, year);
            let ahead = web.almanac.ahead(config.clone(), from, until).await?;
            let lit = ahead.into_iter().map(|one| Lit { channel: one.channel, spans: one.ahead.spans });
            let (lit, wish): (Vec<_>, _) = (lit.collect(), Wish { year, today: Some(today) });
            let drawn = config.clone();
            let drawing = spawn_blocking(move || picture::svg(&drawn, wish, &lit));
            let svg = drawing.await.map_err(|_| Problem::internal("the picture could not be drawn"))?;
            let svg = Bytes::from(svg);
            let drawn = Drawn { config, year, today, svg: svg.clone() };
            *web.picture.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(drawn);
            svg
        }
    };
    let headers = [(CONTENT_TYPE, "image/svg+xml; charset=utf-8"), (CONTENT_SECURITY_POLICY, POLICY)];
    Ok((headers, svg).into_response())
}

fn year_of(pairs: &[(String, String)]) -> Result<Option<i32>, Problem> {
    let unfit = |detail: String| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, detail);
    match pairs {
        [] => Ok(None),
        [(name, year)] if name == "year" => {
            let known = year.parse().ok().filter(|year| YEARS.contains(year)).map(Some);
            let (first, last) = (YEARS.start(), YEARS.end());
            known.ok_or_else(|| unfit(format!("year must be a whole number from {first} to {last}, not `{year}`")))
        }
        [(name, _)] if name != "year" => Err(unfit(format!("`{name}` means nothing here; this path takes year"))),
        _ => Err(unfit("this path takes year, once".into())),
    }
}
