//! The paths that change something: overrides set and cancelled, a channel tried.

use std::time::Duration;

use axum::Json;
use axum::body::Bytes;
use axum::extract::rejection::BytesRejection;
use axum::extract::{FromRequest, Path, Query, Request, State};
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use serde::Deserialize;
use serde::de::{DeserializeOwned, IgnoredAny};
use tokio::sync::{mpsc, oneshot};
use tokio::time::timeout;

use super::door::Facts;
use super::json::{self, Standing, StandingOn};
use super::problem::Problem;
use super::read::Asked;
use super::tried::Tried;
use super::{Web, words};
use crate::pure::keeper::{Answer, Order, Override};
use crate::pure::power::Power;
use crate::pure::zone::Zone;

/// How long the loop may take over an order; under the 3 s of a whole request.
const ANSWER_WITHIN: Duration = Duration::from_millis(2_500);

/// How long a request for a try may take; the keeper ends one after 33 s at most.
pub const TRY_WITHIN: Duration = Duration::from_secs(40);

/// The body of `PUT /channels/{name}/override`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Wish {
    wanted: WishedPower,
    until: Option<String>,
}

/// The body of `PUT /override`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WideWish {
    wanted: WishedPower,
    until: Option<String>,
    channels: Option<Vec<String>>,
}

/// On or off, as a person asks for it.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum WishedPower {
    /// On.
    On,
    /// Off.
    Off,
}

impl From<WishedPower> for Power {
    fn from(wished: WishedPower) -> Power {
        match wished {
            WishedPower::On => Power::On,
            WishedPower::Off => Power::Off,
        }
    }
}

/// `PUT /channels/{name}/override`: the answer is the override, as `/status` shows it.
pub async fn set_one(
    State(web): State<Web>,
    Path(name): Path<String>,
    JsonOnly(wish): JsonOnly<Wish>,
) -> Result<Json<json::SetOverride>, Problem> {
    let order = Order::Set { channels: Some(vec![name]), wanted: wish.wanted.into(), until: wish.until };
    let (standing, note) = ask(&web, order).await?;
    let zone = web.facts().config.place.zone;
    match standing.into_iter().find_map(|(_, standing)| standing) {
        Some(standing) => {
            let overridden = json::overridden(&zone, &standing);
            Ok(Json(json::SetOverride { overridden, note }))
        }
        None => Err(Problem::internal("the override was set but is already over")),
    }
}

/// `PUT /override`: several channels or all, together or not at all.
pub async fn set_many(State(web): State<Web>, JsonOnly(wish): JsonOnly<WideWish>) -> Result<Json<Standing>, Problem> {
    let order = Order::Set { channels: wish.channels, wanted: wish.wanted.into(), until: wish.until };
    answer(&web, order).await
}

/// `DELETE /channels/{name}/override`.
pub async fn cancel_one(State(web): State<Web>, Path(name): Path<String>) -> Result<Json<Standing>, Problem> {
    answer(&web, Order::Cancel { channels: Some(vec![name]) }).await
}

/// `DELETE /override?channel=…`: all where no channel is named.
pub async fn cancel_many(
    State(web): State<Web>,
    Query(pairs): Query<Vec<(String, String)>>,
) -> Result<Json<Standing>, Problem> {
    let asked = Asked::read(&pairs, 1, 1, &["channel"])?;
    let named: Vec<String> = asked.all("channel").map(String::from).collect();
    answer(&web, Order::Cancel { channels: (!named.is_empty()).then_some(named) }).await
}

/// `POST /channels/{name}/try`: blinks its plugs, and is answered when that is over. Takes no body.
pub async fn try_one(State(web): State<Web>, Path(name): Path<String>) -> Result<Json<Tried>, Problem> {
    blink(&web, name).await.map(Json)
}

/// Blinks the plugs of a channel, and says what they answered when that is over.
pub async fn blink(web: &Web, channel: String) -> Result<Tried, Problem> {
    match give(web, Order::Try { channel }, TRY_WITHIN).await? {
        Answer::Tried(tried) => Ok(Tried::from(&*tried)),
        refusal => Err(refused(web, refusal)),
    }
}

async fn answer(web: &Web, order: Order) -> Result<Json<Standing>, Problem> {
    let (standing, note) = ask(web, order).await?;
    Ok(Json(standing_json(&web.facts().config.place.zone, &standing, note)))
}

fn standing_json(zone: &Zone, standing: &[(String, Option<Override>)], note: Option<String>) -> Standing {
    let on = |(name, standing): &(String, Option<Override>)| StandingOn {
        name: name.clone(),
        overridden: standing.as_ref().map(|standing| json::overridden(zone, standing)),
    };
    Standing { channels: standing.iter().map(on).collect(), note }
}

type Done = (Vec<(String, Option<Override>)>, Option<String>);

/// Sets or cancels, and says what stands then.
pub async fn ask(web: &Web, order: Order) -> Result<Done, Problem> {
    let (standing, not_kept) = match give(web, order, ANSWER_WITHIN).await? {
        Answer::Done(standing) => (standing, None),
        Answer::DoneNotKept(standing, because) => {
            (standing, Some(format!("this won't survive a restart of lampward: {because}")))
        }
        refusal => return Err(refused(web, refusal)),
    };
    let notes: Vec<String> = not_kept.into_iter().chain(not_yet_told(&web.facts(), &standing)).collect();
    Ok((standing, (!notes.is_empty()).then(|| notes.join("; "))))
}

/// What stands between a person's word and the plugs, where something does.
fn not_yet_told(facts: &Facts, standing: &[(String, Option<Override>)]) -> Option<String> {
    let concerned = facts.channels().filter(|(channel, _)| standing.iter().any(|(name, _)| *name == channel.name));
    let plugs: Vec<_> = concerned.flat_map(|(channel, view)| channel.plugs.iter().zip(&view.plugs)).collect();
    if !facts.snapshot.link_up {
        let zone = &facts.config.place.zone;
        let since = words::when(&json::instant(zone, facts.snapshot.now), &json::instant(zone, facts.link_since));
        let whom = if plugs.len() == 1 { "the plug" } else { "the plugs" };
        return Some(format!("the broker is unreachable since {since}; {whom} will be told when it is back"));
    }
    let gone: Vec<&str> = plugs.iter().filter(|(_, plug)| plug.gone).map(|(name, _)| name.as_str()).collect();
    match gone.as_slice() {
        [] => None,
        [one] => Some(format!("plug {one} has said that it is gone; it will be told when it is back")),
        more => Some(format!(
            "plugs {} have said that they are gone; they will be told when they are back",
            more.join(", ")
        )),
    }
}

/// Puts an order to the loop and waits for its answer, for a while.
async fn give(web: &Web, order: Order, within: Duration) -> Result<Answer, Problem> {
    let busy = |detail: &str| Problem::new(StatusCode::SERVICE_UNAVAILABLE, detail);
    let (sender, receiver) = oneshot::channel();
    web.door.orders.try_send((order, sender)).map_err(|error| match error {
        mpsc::error::TrySendError::Full(_) => busy("too many orders at once; nothing was changed, try again"),
        mpsc::error::TrySendError::Closed(_) => busy("lampward is stopping; nothing was changed"),
    })?;
    match timeout(within, receiver).await {
        Ok(Ok(answer)) => Ok(answer),
        Ok(Err(_)) => Err(busy("lampward is stopping; GET /status after its restart says what stands")),
        Err(_) => Err(busy("no answer yet; it may still be carried out, GET /status says what stands")),
    }
}

/// Why an order was not carried out.
fn refused(web: &Web, answer: Answer) -> Problem {
    match answer {
        Answer::UnknownChannel(name) => {
            let known: Vec<String> =
                web.facts().config.channels.iter().map(|channel| channel.name.to_string()).collect();
            let detail = format!("there is no channel `{name}`; there are {}", known.join(", "));
            Problem::new(StatusCode::NOT_FOUND, detail)
        }
        Answer::Refused(because) => Problem::new(StatusCode::UNPROCESSABLE_ENTITY, because),
        Answer::ClockNotTrusted(because) | Answer::Busy(because) => Problem::new(StatusCode::CONFLICT, because),
        Answer::NoLink(because) => Problem::new(StatusCode::SERVICE_UNAVAILABLE, because),
        Answer::NotKept(because) => {
            let detail = format!("it could not be made durable, so nothing was changed: {because}");
            Problem::new(StatusCode::INSUFFICIENT_STORAGE, detail)
        }
        Answer::Done(_) | Answer::DoneNotKept(..) | Answer::Tried(_) => {
            Problem::internal("the answer belongs to another order")
        }
    }
}

/// A body that is JSON, says so, and fits.
#[derive(Debug)]
pub struct JsonOnly<T>(pub T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for JsonOnly<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<JsonOnly<T>, Problem> {
        let kind = request.headers().get(CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or("");
        let essence = kind.split(';').next().unwrap_or("").trim();
        if !essence.eq_ignore_ascii_case("application/json") {
            let detail = "the body must be JSON and say so: Content-Type: application/json";
            return Err(Problem::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, detail));
        }
        let body = Bytes::from_request(request, state).await.map_err(|rejection: BytesRejection| {
            let status = rejection.status();
            let too_large = status == StatusCode::PAYLOAD_TOO_LARGE;
            Problem::new(status, if too_large { "the body is larger than 16 kB" } else { "the body broke off" })
        })?;
        // Looked at twice, so that what is no JSON at all and what is no fitting JSON are told apart.
        serde_json::from_slice::<IgnoredAny>(&body)
            .map_err(|error| Problem::new(StatusCode::BAD_REQUEST, format!("the body is not JSON: {error}")))?;
        // A list would be taken for the fields in their order.
        if body.trim_ascii_start().first() != Some(&b'{') {
            let detail = "the body does not fit: an object in { } is meant";
            return Err(Problem::new(StatusCode::UNPROCESSABLE_ENTITY, detail));
        }
        serde_json::from_slice(&body)
            .map(JsonOnly)
            .map_err(|error| Problem::new(StatusCode::UNPROCESSABLE_ENTITY, format!("the body does not fit: {error}")))
    }
}
