//! The coming week: for each lamp a figure of seven nights, and the same in words.
//!
//! A night is a band from noon at the top through midnight to noon at the bottom. Hatching is the Sun above the horizon,
//! solid ink a lit lamp. Neither colour nor picture is needed: the table below says it all.

use std::fmt::Write as _;
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{DateTime, Days, NaiveDate, NaiveTime, Timelike, Utc};
use maud::{Markup, html};

use crate::pure::config::Config;
use crate::pure::local_time::{Edge, instant_of, local_of};
use crate::pure::picture::sun_up;
use crate::web::Web;
use crate::web::almanac::ChannelAhead;
use crate::web::problem::Problem;

const NIGHTS: usize = 7;

type Span = (DateTime<Utc>, DateTime<Utc>);

/// What is lit in the coming seven nights.
#[derive(Debug)]
pub struct Week {
    config: Arc<Config>,
    /// The date of the first evening.
    first: NaiveDate,
    /// The noons between which the nights lie: one more than nights.
    noons: Vec<DateTime<Utc>>,
    up: Vec<Span>,
    lit: Vec<ChannelAhead>,
}

/// The week worked out last: it is good until the next noon.
#[derive(Clone, Debug, Default)]
pub struct Kept(Arc<Mutex<Option<Arc<Week>>>>);

/// The seven nights from the one that `now` is in.
pub async fn of(web: &Web, config: &Arc<Config>, now: DateTime<Utc>) -> Result<Arc<Week>, Problem> {
    let zone = &config.place.zone;
    let local = local_of(zone, now);
    let today = local.date_naive();
    let first = if local.hour() < 12 { today - Days::new(1) } else { today };
    let kept = web.week.0.lock().unwrap_or_else(PoisonError::into_inner).clone();
    if let Some(week) = kept.filter(|week| Arc::ptr_eq(&week.config, config) && week.first == first) {
        return Ok(week);
    }
    let noon = NaiveTime::from_hms_opt(12, 0, 0).unwrap_or_default();
    let noons: Vec<_> =
        first.iter_days().take(NIGHTS + 1).map(|date| instant_of(zone, date, noon, Edge::From)).collect();
    let (from, until) = (noons[0], noons[NIGHTS]);
    let lit = web.almanac.ahead(config.clone(), from, until).await?;
    let up = sun_up(&config.place, from, until);
    let week = Arc::new(Week { config: config.clone(), first, noons, up, lit });
    *web.week.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(week.clone());
    Ok(week)
}

/// The part of the page.
pub fn section(week: &Week, config: &Config, now: DateTime<Utc>) -> Markup {
    html! {
        section id="week" aria-labelledby="h-week" {
            div id="now-week" data-new {
                h2 id="h-week" { "The coming week" }
                p {
                    "Each band is a night, from noon to noon with midnight in the middle. Solid is a lit lamp, hatched is day, "
                    "and the notch is now. It is the plan alone; your word outranks it."
                }
                div.figures {
                    @for (index, one) in week.lit.iter().enumerate() {
                        (figure(week, index, &config.channels[one.channel].label, one, now))
                    }
                }
            }
            details {
                summary { "The same in words" }
                div id="now-words" data-new { (table(week, config)) }
            }
        }
    }
}

/// Width of the part left of the bands, of a band with its gap, and of a band.
const LEFT: i64 = 42;
const STEP: i64 = 39;
const BAND: i64 = 32;
/// The bands' top and height: four units an hour.
const TOP: i64 = 6;
const HEIGHT: i64 = 96;

fn figure(week: &Week, index: usize, label: &str, one: &ChannelAhead, now: DateTime<Utc>) -> Markup {
    let lit = week.path(one.ahead.spans.iter().map(|span| (span.from, span.until)));
    let now = week.places((now, now + chrono::TimeDelta::seconds(1))).first().map(|(night, top, _)| (*night, *top));
    html! {
        figure {
            figcaption { (label) }
            svg viewBox="0 0 316 130" role="img" aria-label={ (label) ": when it is lit in the coming seven nights, told below in words" } {
                @if index == 0 {
                    defs {
                        pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
                            path.line d="M2.5 0V5" {}
                        }
                    }
                    g.axis id="nights" { (week.nights()) }
                } @else {
                    use href="#nights" {}
                }
                path.ink d=(lit) {}
                @if let Some((night, y)) = now {
                    path.ink d={ "M" (LEFT + STEP * night - 1) " " (y) "l-6-5v10z" } {}
                }
            }
        }
    }
}

impl Week {
    /// Where a span lies: night, top and bottom, in each night that it touches.
    fn places(&self, (from, until): Span) -> Vec<(i64, i64, i64)> {
        let mut found = Vec::new();
        for (night, noons) in self.noons.windows(2).enumerate() {
            let (from, until) = (from.max(noons[0]), until.min(noons[1]));
            if from < until {
                let whole = (noons[1] - noons[0]).num_seconds();
                let y = |at: DateTime<Utc>| TOP + ((at - noons[0]).num_seconds() * HEIGHT + whole / 2) / whole;
                found.push((night as i64, y(from), y(until).max(y(from) + 1)));
            }
        }
        found
    }

    fn path(&self, spans: impl Iterator<Item = Span>) -> String {
        let mut path = String::new();
        for (night, top, bottom) in spans.flat_map(|span| self.places(span)) {
            let _ = write!(path, "M{} {top}h{BAND}V{bottom}h-{BAND}z", LEFT + STEP * night);
        }
        path
    }

    /// What all figures share: the bands, the day, the hours at the side and the dates below.
    fn nights(&self) -> Markup {
        let bands = self.path(self.noons.windows(2).map(|noons| (noons[0], noons[1])));
        html! {
            path d=(self.path(self.up.iter().copied())) fill="url(#hatch)" {}
            path.line d=(bands) fill="none" {}
            @for (quarter, clock) in ["12:00", "18:00", "00:00", "06:00", "12:00"].into_iter().enumerate() {
                text x="33" y=(TOP + HEIGHT * quarter as i64 / 4 + 4) text-anchor="end" { (clock) }
            }
            @for (night, date) in self.first.iter_days().take(NIGHTS).enumerate() {
                @let x = LEFT + STEP * night as i64 + BAND / 2;
                text x=(x) y="115" text-anchor="middle" { (date.format("%a")) }
                text x=(x) y="127" text-anchor="middle" { (date.format("%-d")) }
            }
        }
    }
}

/// Night by night: which lamp is lit from when until when.
fn table(week: &Week, config: &Config) -> Markup {
    let clock = |at: DateTime<Utc>| local_of(&config.place.zone, at).format("%H:%M").to_string();
    let lit = |night: usize| {
        let (begin, end) = (week.noons[night], week.noons[night + 1]);
        let lamps = week.lit.iter().filter_map(|one| {
            let within = one.ahead.spans.iter().filter(|span| span.from < end && begin < span.until);
            let spans = within.map(|span| format!("{}–{}", clock(span.from.max(begin)), clock(span.until.min(end))));
            let spans: Vec<String> = spans.collect();
            let label = &config.channels[one.channel].label;
            (!spans.is_empty()).then(|| format!("{label} {}", spans.join(", ")))
        });
        lamps.collect::<Vec<_>>()
    };
    html! {
        table {
            thead { tr { th scope="col" { "Night of" } th scope="col" { "Lit" } } }
            tbody {
                @for (night, date) in week.first.iter_days().take(NIGHTS).enumerate() {
                    tr {
                        th scope="row" { (date.format("%a %-d %b")) }
                        td {
                            @for line in lit(night) { (line) br; }
                            @if lit(night).is_empty() { "no lamp" }
                        }
                    }
                }
            }
        }
    }
}
