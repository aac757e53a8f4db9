//! Prints the accuracy table of `docs/sun.md`: this crate and other Rust crates against
//! `tests/reference/sun_events.csv`.
//!
//! ```text
//! cargo run --release --example sun_accuracy
//! ```

use std::error::Error;
use std::process::ExitCode;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use lampward::pure::sun::{Crossing, Sun};
use serde::Deserialize;
use solar_positioning::{Horizon, Location, SolarEvents};

/// A row of the file; the columns are explained in the README beside it.
#[derive(Debug, Deserialize)]
struct Row {
    lat: f64,
    lon: f64,
    date: NaiveDate,
    kind: String,
    threshold_deg: f64,
    event: String,
    utc: Option<DateTime<Utc>>,
    status: String,
    tangent_s: f64,
    margin_arcsec: f64,
    rate_arcsec_s: Option<f64>,
}

/// What a library says to a row.
enum Said {
    At(DateTime<Utc>),
    /// No event; which side, where the library says it.
    None(Option<&'static str>),
    /// The library has no such threshold.
    NotAsked,
}

/// A library: its name, and how it is asked for one date.
type Peer = (&'static str, fn(&Row, NaiveDate) -> Said);

const PEERS: [Peer; 5] = [
    ("lampward", lampward),
    ("solar-positioning 0.7.2, SPA", solar_positioning_spa),
    ("solar-positioning 0.7.2, Grena3", solar_positioning_grena3),
    ("spa 0.5.1", spa),
    ("sunrise 3.0.0", sunrise),
];

fn lampward(row: &Row, date: NaiveDate) -> Said {
    let day = Sun::new(row.lat, row.lon).day(date);
    match if row.event == "rise" { day.rise(row.threshold_deg) } else { day.set(row.threshold_deg) } {
        Crossing::At(at) => Said::At(at),
        Crossing::Above => Said::None(Some("up_all_day")),
        Crossing::Below => Said::None(Some("down_all_day")),
    }
}

fn solar_positioning_spa(row: &Row, date: NaiveDate) -> Said {
    let place = Location { latitude: row.lat, longitude: row.lon };
    let found = SolarEvents::new().for_date(date, &Utc, place, 69.1, Horizon::Custom(row.threshold_deg));
    nearest_of(row, found)
}

fn solar_positioning_grena3(row: &Row, date: NaiveDate) -> Said {
    let place = Location { latitude: row.lat, longitude: row.lon };
    let found = SolarEvents::grena3().for_date(date, &Utc, place, 69.1, Horizon::Custom(row.threshold_deg));
    nearest_of(row, found)
}

fn nearest_of(row: &Row, found: Result<solar_positioning::Events<DateTime<Utc>>, solar_positioning::Error>) -> Said {
    let Ok(found) = found else { return Said::NotAsked };
    let events = if row.event == "rise" { found.rises } else { found.sets };
    let aim = row.utc.unwrap_or_else(|| mean_noon(row));
    events.into_iter().min_by_key(|at| (*at - aim).abs()).map_or(Said::None(None), Said::At)
}

fn spa(row: &Row, date: NaiveDate) -> Said {
    if row.kind != "sun" {
        return Said::NotAsked;
    }
    let noon = date.and_hms_opt(12, 0, 0).expect("noon exists").and_utc();
    match spa::sunrise_and_set::<spa::StdFloatOps>(noon, row.lat, row.lon) {
        Ok(spa::SunriseAndSet::Daylight(rise, set)) => Said::At(if row.event == "rise" { rise } else { set }),
        Ok(spa::SunriseAndSet::PolarDay) => Said::None(Some("up_all_day")),
        Ok(spa::SunriseAndSet::PolarNight) => Said::None(Some("down_all_day")),
        Err(_) => Said::NotAsked,
    }
}

fn sunrise(row: &Row, date: NaiveDate) -> Said {
    let Some(place) = sunrise::Coordinates::new(row.lat, row.lon) else { return Said::NotAsked };
    // The crate takes the angle as a depression.
    let event =
        sunrise::SolarEvent::Elevation { elevation: -row.threshold_deg.to_radians(), morning: row.event == "rise" };
    sunrise::SolarDay::new(place, date).event_time(event).map_or(Said::None(None), Said::At)
}

fn mean_noon(row: &Row) -> DateTime<Utc> {
    let noon = row.date.and_hms_opt(12, 0, 0).expect("noon exists").and_utc();
    noon - TimeDelta::milliseconds((row.lon * 240_000.0).round() as i64)
}

/// Asks for the row's date and, where that answer is far off, for the days beside it.
fn ask(peer: Peer, row: &Row) -> Said {
    let first = peer.1(row, row.date);
    let Some(truth) = row.utc else { return first };
    if peer.0 == "lampward" {
        return first;
    }
    let near = |said: &Said| match said {
        Said::At(at) => (*at - truth).abs(),
        Said::None(_) | Said::NotAsked => TimeDelta::MAX,
    };
    if near(&first) < TimeDelta::hours(12) {
        return first;
    }
    let beside = [row.date.pred_opt(), row.date.succ_opt()];
    let others = beside.into_iter().flatten().map(|date| peer.1(row, date));
    let best = others.min_by_key(near).filter(|said| near(said) < TimeDelta::hours(12));
    best.unwrap_or(match first {
        Said::At(_) => Said::None(None),
        other => other,
    })
}

/// `p50 / p99 / max`.
fn spread(mut errors: Vec<f64>) -> String {
    errors.sort_by(f64::total_cmp);
    let at = |share: f64| errors.get(((errors.len() as f64 * share) as usize).min(errors.len().saturating_sub(1)));
    match (at(0.5), at(0.99), errors.last()) {
        (Some(middle), Some(most), Some(worst)) => format!("{middle:.3} / {most:.3} / {worst:.3}"),
        _ => "–".to_string(),
    }
}

fn line(peer: Peer, rows: &[Row]) -> String {
    let (mut low, mut high, mut arcsec) = (Vec::new(), Vec::new(), Vec::new());
    let (mut asked, mut wrong) = (0, 0);
    for row in rows {
        let said = ask(peer, row);
        if matches!(said, Said::NotAsked) {
            continue;
        }
        asked += 1;
        let right = match (&said, row.utc) {
            (Said::At(at), Some(truth)) => {
                let error_s = (*at - truth).as_seconds_f64().abs();
                if row.tangent_s >= 1800.0 && row.lat.abs() <= 60.0 {
                    low.push(error_s);
                } else if row.tangent_s >= 1800.0 && row.lat.abs() <= 70.0 {
                    high.push(error_s);
                }
                if row.tangent_s >= 1800.0 {
                    arcsec.push(error_s * row.rate_arcsec_s.unwrap_or(0.0));
                }
                true
            }
            (Said::None(Some(side)), None) => *side == row.status,
            (Said::None(None), None) => true,
            // A library asked by civil date may answer with an event of a neighbouring half day.
            (Said::At(at), None) => {
                let hours = (*at - mean_noon(row)).as_seconds_f64() / 3600.0;
                !(if row.event == "rise" { -12.0..0.0 } else { 0.0..12.0 }).contains(&hours)
            }
            _ => false,
        };
        wrong += usize::from(!right && row.margin_arcsec > 2.0);
    }
    let arcsec = arcsec.into_iter().fold(0.0, f64::max);
    format!("| {} | {asked} | {} | {} | {arcsec:.2} | {wrong} |", peer.0, spread(low), spread(high))
}

/// The largest error in altitude anywhere, grazing days included: ours at the true times.
fn altitude_error_arcsec(rows: &[Row]) -> f64 {
    let error =
        |row: &Row| row.utc.map(|at| (Sun::new(row.lat, row.lon).altitude_deg(at) - row.threshold_deg).abs() * 3600.0);
    rows.iter().filter_map(error).fold(0.0, f64::max)
}

fn run() -> Result<(), Box<dyn Error>> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/sun_events.csv");
    let rows = csv::Reader::from_path(path)?.deserialize().collect::<Result<Vec<Row>, _>>()?;
    println!(
        "| library | rows | up to 60°: p50 / p99 / max s | 60° to 70°: p50 / p99 / max s | max arcsec | wrong status |"
    );
    println!("| --- | --- | --- | --- | --- | --- |");
    for peer in PEERS {
        println!("{}", line(peer, &rows));
    }
    println!(
        "\nlampward, altitude at all true times, grazing days included: {:.3} arcsec",
        altitude_error_arcsec(&rows)
    );
    Ok(())
}

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("cannot make the accuracy table: {error}");
            ExitCode::FAILURE
        }
    }
}
