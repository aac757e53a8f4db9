//! What an almanac looks like: a table for people, CSV or JSON for programs.

use std::io::{self, BufWriter, Write};

use chrono::{DateTime, NaiveDate, Offset, SecondsFormat, SubsecRound, TimeDelta, Utc};
use serde::Serialize;

use super::Marks;
use crate::cli::Format;
use crate::pure::config::Position;
use crate::pure::local_time::local_of;
use crate::pure::moment::Altitude;
use crate::pure::sun::{Crossing, SolarDay, Sun};
use crate::pure::zone::{Zone, ZoneRules};

/// One place.
pub struct Site {
    /// Empty where it has none.
    pub name: String,
    pub position: Position,
    /// For the table.
    pub zone: Zone,
    /// Raises sunrise and sunset.
    pub horizon_deg: f64,
    /// `place,lat,lon` as they were given, where there are many places.
    pub columns: Option<[String; 3]>,
}

impl Site {
    pub fn sun(&self) -> Sun {
        Sun::new(self.position.latitude_deg, self.position.longitude_deg)
    }
}

/// A threshold that is listed.
#[derive(Clone, Copy)]
struct Threshold {
    kind: &'static str,
    altitude: Altitude,
    /// What people call the two crossings, and the two together.
    words: [&'static str; 3],
}

/// One line of CSV or JSON.
#[derive(Serialize)]
struct Row<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    place: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    lat: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    lon: Option<f64>,
    date: NaiveDate,
    kind: &'static str,
    event: &'static str,
    threshold_deg: Option<f64>,
    utc: Option<String>,
    status: &'static str,
}

/// The almanac as it is printed.
pub struct Sheet<W: Write> {
    out: Out<W>,
    thresholds: Vec<Threshold>,
    transit: bool,
    rows: usize,
    /// Whether the table needs a word about these.
    seen_aside: bool,
    seen_next_date: bool,
}

enum Out<W: Write> {
    Table(BufWriter<W>),
    Csv(Box<csv::Writer<W>>),
    Json(BufWriter<W>),
}

impl<W: Write> Sheet<W> {
    pub fn new(out: W, format: Format, marks: Vec<Marks>, altitudes: &[f64]) -> Sheet<W> {
        let threshold = |mark: &Marks| match mark {
            Marks::Sun => {
                Some(Threshold { kind: "sun", altitude: Altitude::Horizon, words: ["sunrise", "sunset", ""] })
            }
            Marks::Civil => Some(twilight("civil", Altitude::Civil)),
            Marks::Nautical => Some(twilight("nautical", Altitude::Nautical)),
            Marks::Astronomical => Some(twilight("astronomical", Altitude::Astronomical)),
            Marks::Transit => None,
        };
        let mut thresholds: Vec<Threshold> = marks.iter().filter_map(threshold).collect();
        thresholds.extend(altitudes.iter().map(|degrees| Threshold {
            kind: "altitude",
            altitude: Altitude::Degrees(*degrees),
            words: ["up", "down", ""],
        }));
        Sheet {
            out: match format {
                Format::Table => Out::Table(BufWriter::new(out)),
                Format::Csv => Out::Csv(Box::new(csv::WriterBuilder::new().has_headers(false).from_writer(out))),
                Format::Json => Out::Json(BufWriter::new(out)),
            },
            thresholds,
            transit: marks.contains(&Marks::Transit),
            rows: 0,
            seen_aside: false,
            seen_next_date: false,
        }
    }

    /// What comes before the days of a place.
    pub fn begin(&mut self, site: &Site) -> io::Result<()> {
        let first = self.rows == 0;
        match &mut self.out {
            Out::Csv(out) if first => {
                let columns = ["place", "lat", "lon", "date", "kind", "event", "threshold_deg", "utc", "status"];
                self.rows += 1;
                out.write_record(&columns[if site.columns.is_some() { 0 } else { 3 }..]).map_err(system)
            }
            Out::Csv(_) | Out::Json(_) => Ok(()),
            Out::Table(out) => {
                if !first {
                    writeln!(out)?;
                }
                self.rows += 1;
                let name = if site.name.is_empty() { String::new() } else { format!("{}: ", site.name) };
                let utc = site.zone.rules == ZoneRules::Fixed(Utc.fix());
                let zone = if utc { "UTC".to_owned() } else { site.zone.to_string() };
                writeln!(out, "{name}{}, clocks of {zone}", site.position)?;
                if site.horizon_deg != 0.0 {
                    writeln!(out, "sunrise and sunset over a horizon of {} deg", site.horizon_deg)?;
                }
                let (mut above, mut below) = (format!("{:10}", ""), format!("{:10}", "date"));
                for threshold in &self.thresholds {
                    let over = match threshold.altitude {
                        Altitude::Degrees(degrees) => format!("{degrees} deg"),
                        _ => threshold.words[2].to_owned(),
                    };
                    above += &format!("  {over:>16}");
                    below += &format!("  {:>7}  {:>7}", threshold.words[0], threshold.words[1]);
                    if threshold.kind == "sun" {
                        above += &format!("  {:>18}", "");
                        below += &format!("  {:>8}  {:>8}", "day", "change");
                    }
                }
                if self.transit {
                    above += &format!("  {:>18}", "solar");
                    below += &format!("  {:>8}  {:>8}", "noon", "midnight");
                }
                if !above.trim().is_empty() {
                    writeln!(out, "{}", above.trim_end())?;
                }
                writeln!(out, "{below}")
            }
        }
    }

    /// One day of a place.
    pub fn day(&mut self, site: &Site, sun: &Sun, date: NaiveDate) -> io::Result<()> {
        let day = sun.day(date);
        match self.out {
            Out::Table(_) => self.table_line(site, sun, date, &day),
            Out::Csv(_) | Out::Json(_) => self.program_rows(site, date, &day),
        }
    }

    /// What comes after the last day.
    pub fn finish(mut self) -> io::Result<()> {
        match &mut self.out {
            Out::Csv(out) => out.flush(),
            Out::Json(out) => {
                out.write_all(if self.rows == 0 { b"[]\n" } else { b"\n]\n" })?;
                out.flush()
            }
            Out::Table(out) => {
                let aside = "up, down: the Sun stays above or below all that half of the day";
                let next_date = "+1, -1: on the next or the previous date";
                let asides = [(self.seen_aside, aside), (self.seen_next_date, next_date)];
                for (_, words) in asides.iter().filter(|(seen, _)| *seen) {
                    writeln!(out, "{words}")?;
                }
                out.flush()
            }
        }
    }

    fn program_rows(&mut self, site: &Site, date: NaiveDate, day: &SolarDay) -> io::Result<()> {
        for index in 0..self.thresholds.len() {
            let threshold = self.thresholds[index];
            let degrees = threshold.altitude.degrees(site.horizon_deg);
            for (event, crossing) in [("rise", day.rise(degrees)), ("set", day.set(degrees))] {
                let (at, status) = match crossing {
                    Crossing::At(at) => (Some(at), "ok"),
                    Crossing::Above => (None, "up_all_day"),
                    Crossing::Below => (None, "down_all_day"),
                };
                self.program_row(site, date, threshold.kind, event, Some(degrees), at, status)?;
            }
        }
        if self.transit {
            for (event, turn) in [("upper", day.noon()), ("lower", day.midnight_before())] {
                self.program_row(site, date, "transit", event, None, Some(turn.transit), "ok")?;
            }
        }
        Ok(())
    }

    #[allow(clippy::too_many_arguments, reason = "they are the columns")]
    fn program_row(
        &mut self,
        site: &Site,
        date: NaiveDate,
        kind: &'static str,
        event: &'static str,
        threshold_deg: Option<f64>,
        at: Option<DateTime<Utc>>,
        status: &'static str,
    ) -> io::Result<()> {
        let utc = at.map(|at| at.round_subsecs(3).to_rfc3339_opts(SecondsFormat::Millis, true));
        // To a millionth of a degree, as the reference file has them.
        let threshold_deg = threshold_deg.map(|degrees| (degrees * 1e6).round() / 1e6);
        match &mut self.out {
            Out::Csv(out) => {
                if let Some(columns) = &site.columns {
                    for column in columns {
                        out.write_field(column).map_err(system)?;
                    }
                }
                let threshold = threshold_deg.map(|degrees| format!("{degrees:?}")).unwrap_or_default();
                let utc = utc.unwrap_or_default();
                out.write_record([date.to_string().as_str(), kind, event, &threshold, &utc, status]).map_err(system)?;
            }
            Out::Json(out) => {
                out.write_all(if self.rows == 0 { b"[\n" } else { b",\n" })?;
                let many = site.columns.is_some();
                let row = Row {
                    place: many.then_some(site.name.as_str()),
                    lat: many.then_some(site.position.latitude_deg),
                    lon: many.then_some(site.position.longitude_deg),
                    date,
                    kind,
                    event,
                    threshold_deg,
                    utc,
                    status,
                };
                serde_json::to_writer(out, &row)?;
            }
            Out::Table(_) => {}
        }
        self.rows += 1;
        Ok(())
    }

    fn table_line(&mut self, site: &Site, sun: &Sun, date: NaiveDate, day: &SolarDay) -> io::Result<()> {
        let mut line = date.to_string();
        for index in 0..self.thresholds.len() {
            let threshold = self.thresholds[index];
            let degrees = threshold.altitude.degrees(site.horizon_deg);
            for crossing in [day.rise(degrees), day.set(degrees)] {
                let cell = match crossing {
                    Crossing::At(at) => self.clock_cell(site, date, at),
                    Crossing::Above => self.aside("up"),
                    Crossing::Below => self.aside("down"),
                };
                line += &format!("  {cell:>7}");
            }
            if threshold.kind == "sun" {
                let length = day_length(day, degrees);
                let change = date.pred_opt().map(|before| length - day_length(&sun.day(before), degrees));
                let change = change.map_or(String::new(), change_words);
                line += &format!("  {:>8}  {change:>8}", length_words(length));
            }
        }
        if self.transit {
            for turn in [day.noon(), day.midnight_before()] {
                line += &format!("  {:>8}", self.clock_cell(site, date, turn.transit));
            }
        }
        let Out::Table(out) = &mut self.out else { return Ok(()) };
        writeln!(out, "{line}")
    }

    /// `15:54`, to the nearest minute; `00:12+1` on the next date.
    fn clock_cell(&mut self, site: &Site, date: NaiveDate, at: DateTime<Utc>) -> String {
        let local = local_of(&site.zone, at + TimeDelta::seconds(30));
        let clock = local.format("%H:%M");
        match (local.date_naive() - date).num_days() {
            0 => clock.to_string(),
            days => {
                self.seen_next_date = true;
                format!("{clock}{days:+}")
            }
        }
    }

    fn aside(&mut self, word: &str) -> String {
        self.seen_aside = true;
        word.to_owned()
    }
}

/// The system's error within one of the `csv` crate, whose own conversion hides a closed pipe.
fn system(error: csv::Error) -> io::Error {
    match error.into_kind() {
        csv::ErrorKind::Io(error) => error,
        other => io::Error::other(format!("{other:?}")),
    }
}

fn twilight(kind: &'static str, altitude: Altitude) -> Threshold {
    Threshold { kind, altitude, words: ["dawn", "dusk", kind] }
}

/// How long the Sun is above an altitude, from the solar midnight before to the one after.
fn day_length(day: &SolarDay, altitude_deg: f64) -> TimeDelta {
    let from = match day.rise(altitude_deg) {
        Crossing::At(at) => at,
        Crossing::Above => day.midnight_before().extreme,
        Crossing::Below => day.noon().extreme,
    };
    let until = match day.set(altitude_deg) {
        Crossing::At(at) => at,
        Crossing::Above => day.midnight_after().extreme,
        Crossing::Below => day.noon().extreme,
    };
    // The midnights of one day are up to half a minute more than 24 h apart.
    (until - from).min(TimeDelta::hours(24))
}

/// `6:53:12`.
fn length_words(length: TimeDelta) -> String {
    let seconds = (length + TimeDelta::milliseconds(500)).num_seconds();
    format!("{}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60)
}

/// `-3:21`, minutes and seconds.
fn change_words(change: TimeDelta) -> String {
    let seconds = (change.as_seconds_f64()).round() as i64;
    let sign = if seconds < 0 { '-' } else { '+' };
    let seconds = seconds.abs();
    if seconds < 3600 {
        format!("{sign}{}:{:02}", seconds / 60, seconds % 60)
    } else {
        format!("{sign}{}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60)
    }
}
