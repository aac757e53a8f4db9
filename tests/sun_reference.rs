//! Every row of `reference/sun_events.csv` (DE440 through Skyfield 1.55; see the README beside it) against `sun`.

use chrono::{DateTime, NaiveDate, Utc};
use lampward::pure::sun::{Crossing, Sun};
use serde::Deserialize;

/// A row of the file; the columns are explained in its README.
#[derive(Debug, Deserialize)]
struct Row {
    lat: f64,
    lon: f64,
    date: NaiveDate,
    threshold_deg: f64,
    event: String,
    utc: Option<DateTime<Utc>>,
    status: String,
    tangent_s: f64,
    margin_arcsec: f64,
}

impl Row {
    fn sun(&self) -> Sun {
        Sun::new(self.lat, self.lon)
    }

    fn ours(&self) -> Crossing {
        let day = self.sun().day(self.date);
        if self.event == "rise" { day.rise(self.threshold_deg) } else { day.set(self.threshold_deg) }
    }

    fn clear_of_tangency(&self) -> bool {
        self.tangent_s >= 1800.0
    }
}

fn rows() -> Vec<Row> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/sun_events.csv");
    let rows: Vec<Row> = csv::Reader::from_path(path).unwrap().deserialize().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 4_320);
    rows
}

/// Checks every event clear of tangency whose latitude is in the range, north or south.
#[track_caller]
fn check_seconds(latitudes: std::ops::Range<f64>, most_s: f64, events: usize) {
    let mut compared = 0;
    for row in rows().iter().filter(|row| latitudes.contains(&row.lat.abs()) && row.clear_of_tangency()) {
        let (Some(truth), Crossing::At(ours)) = (row.utc, row.ours()) else { continue };
        let error_s = (ours - truth).as_seconds_f64().abs();
        assert!(error_s <= most_s, "{error_s} s at {row:?}");
        compared += 1;
    }
    assert_eq!(compared, events);
}

#[test]
fn up_to_60_degrees_an_event_is_found_within_a_tenth_of_a_second() {
    check_seconds(0.0..60.0, 0.1, 2_492);
}

#[test]
fn from_60_to_70_degrees_an_event_is_found_within_three_tenths_of_a_second() {
    check_seconds(60.0..70.0, 0.3, 826);
}

#[test]
fn at_every_time_found_the_altitude_is_the_one_asked_for() {
    let mut events = 0;
    for row in rows().iter().filter(|row| row.status == "ok") {
        // The true time is an instant at which the true altitude is the threshold, so our altitude then shows our
        // whole error, grazing days included.
        let error_arcsec = (row.sun().altitude_deg(row.utc.unwrap()) - row.threshold_deg).abs() * 3600.0;
        assert!(error_arcsec <= 0.6, "{error_arcsec} arcsec at {row:?}");
        let Crossing::At(ours) = row.ours() else { continue };
        let own_arcsec = (row.sun().altitude_deg(ours) - row.threshold_deg).abs() * 3600.0;
        assert!(own_arcsec <= 0.02, "{own_arcsec} arcsec from its own altitude at {row:?}");
        events += 1;
    }
    assert!(events > 3_600, "{events}");
}

#[test]
fn a_day_without_crossing_says_on_which_side_the_sun_stays() {
    for row in rows().iter().filter(|row| row.margin_arcsec > 2.0) {
        let ours = match row.ours() {
            Crossing::At(_) => "ok",
            Crossing::Above => "up_all_day",
            Crossing::Below => "down_all_day",
        };
        assert_eq!(ours, row.status, "{row:?}");
    }
}
